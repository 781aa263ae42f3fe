"""`gonogo record`: what happened on site, from a terminal or a file into the database."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    pass
from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    AtOption,
    ConfigOption,
    CorrectsOption,
    SiteOption,
    load_config,
    one_site,
)

record_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help=(
        "Record what happened on site: a moisture test, the rain gauge, the water truck, work on the surface.\n\n"
        "Nothing is ever overwritten: to correct an entry, record it again with --corrects and its number "
        "(`gonogo record list` shows numbers).\n\n"
        "Examples:\n\n"
        '  gonogo record reading N3 11.2 --method "nuclear gauge"\n\n'
        '  gonogo record rain 4.5 --since "2026-05-11 18:00"\n\n'
        "  gonogo record watering N3 9000\n\n"
        "  gonogo record surface N3 rolled --passes 6\n\n"
        "  gonogo record csv monday.csv"
    ),
)


def _record(config: Path, site_id: str, fields: dict[str, str]) -> None:
    from gonogo.field import entries, record

    loaded = load_config(config)
    site = one_site(loaded, site_id, strip_id=fields.get("strip", ""))
    now_utc = datetime.now(UTC)
    new = entries.parse([("command line", fields)], site, now_utc)
    print(record.store_entries(loaded, site, new, now_utc, by="command line"))


@record_app.command("reading", short_help="A moisture test of a lift.")
def record_reading(
    strip: Annotated[str, typer.Argument(help="Strip id, such as N3.")],
    w_pct: Annotated[str, typer.Argument(help="Water content, percent of dry mass.")],
    method: Annotated[str, typer.Option("--method", help="oven, nuclear gauge, microwave, carbide or hand feel.")],
    dry_density: Annotated[str, typer.Option("--dry-density", help="Dry density, kg/m3, where it was tested.")] = "",
    basis: Annotated[str, typer.Option("--basis", help="wet: percent of the mass before drying.")] = "",
    at: AtOption = "",
    corrects: CorrectsOption = "",
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record a moisture test of a lift. Water content is percent of dry mass; a carbide meter's dial shows percent of
    wet mass: with --basis wet it is turned into the other and stored so.
    """
    fields = {"kind": "reading", "strip": strip, "w_pct": w_pct, "method": method, "at": at, "corrects": corrects}
    _record(config, site, fields | {"dry_density_kg_m3": dry_density, "basis": basis})


@record_app.command("rain", short_help="The site's rain gauge.")
def record_rain(
    rain_mm: Annotated[str, typer.Argument(help="Millimetres caught; 0 is a reading too.")],
    since: Annotated[str, typer.Option("--since", help="When the gauge was last emptied.")],
    until: Annotated[str, typer.Option("--until", help="When it was read. Now when left out.")] = "",
    corrects: CorrectsOption = "",
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record the site's rain gauge. It overrides the weather service's past rain for that time."""
    fields = {"kind": "rain", "rain_mm": rain_mm, "at": since, "until": until, "corrects": corrects}
    _record(config, site, fields)


@record_app.command("watering", short_help="Water put on a strip.")
def record_watering(
    strip: Annotated[str, typer.Argument(help="Strip id, such as N3.")],
    litres: Annotated[str, typer.Argument(help="Litres put on the strip.")],
    at: AtOption = "",
    corrects: CorrectsOption = "",
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record water put on a strip by the truck."""
    _record(config, site, {"kind": "watering", "strip": strip, "litres": litres, "at": at, "corrects": corrects})


@record_app.command("surface", short_help="A strip rolled, sealed, disked, or newly spread.")
def record_surface(
    strip: Annotated[str, typer.Argument(help="Strip id, such as N3.")],
    work: Annotated[str, typer.Argument(help="rolled, sealed, disked, or spread (a new lift lies there).")],
    passes: Annotated[str, typer.Option("--passes", help="Passes of the roller.")] = "",
    at: AtOption = "",
    corrects: CorrectsOption = "",
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record work that changed a strip's surface: rolled, sealed, disked, or a new lift spread."""
    fields = {"kind": "surface", "strip": strip, "work": work, "passes": passes, "at": at, "corrects": corrects}
    _record(config, site, fields)


@record_app.command("csv", short_help="Every row of a CSV file.")
def record_csv(
    file: Annotated[Path, typer.Argument(help="CSV file with a header row.", exists=True, dir_okay=False)],
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record every row of a CSV file, or nothing where any row is at fault.

    Columns: kind (reading, rain, watering, surface), strip, at, until, w_pct, dry_density_kg_m3, method, rain_mm,
    litres, work, passes, corrects. Leave out the columns you do not need.
    """
    from gonogo.field import entries, record

    loaded = load_config(config)
    target, now_utc = one_site(loaded, site), datetime.now(UTC)
    new = entries.parse_csv(file.read_text(encoding="utf-8"), str(file), target, now_utc)
    print(record.store_entries(loaded, target, new, now_utc, by="csv"))


@record_app.command("gauge-csv", short_help="The file of a rain logger.")
def record_gauge_csv(
    file: Annotated[Path, typer.Argument(help="The logger's file.", exists=True, dir_okay=False)],
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record the file of a rain logger: lines of timestamp and millimetres since the line before.

    A first line may name the columns: timestamp, rain_mm. Times are the site's own unless they carry an offset.
    The same file may be recorded again as it grows: nothing is stored twice. A gap is never taken for dry.
    """
    from gonogo.field import rain_logger

    loaded = load_config(config)
    target, now_utc = one_site(loaded, site), datetime.now(UTC)
    print(rain_logger.record(loaded, target, file.read_text(encoding="utf-8"), str(file), now_utc))


@record_app.command("list", short_help="Show what was recorded.")
def record_list(
    days: Annotated[int, typer.Option("--days", help="How far back.", min=1)] = 7,
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """List recorded entries with their numbers, newest last; corrected ones are marked."""
    from gonogo.field import record

    loaded = load_config(config)
    print(record.entry_list(loaded, one_site(loaded, site), days=days, now_utc=datetime.now(UTC)))

"""`gonogo record`: what happened on site, from a terminal or a file into the database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from inspect import Parameter, Signature
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.models import OptionInfo

from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    AtOption,
    ConfigOption,
    CorrectsOption,
    SiteOption,
    load_config,
    one_site,
)
from gonogo.cli.exit_codes import epilog
from gonogo.errors import ConfigError, Fault

EXIT_CODES = epilog("record")

record_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help=(
        "Record what happened on site: a moisture test, the rain gauge, the water truck, work, the ground.\n\n"
        "Nothing is ever overwritten: to correct an entry, record it again with --corrects and its number, or take it "
        "back with `gonogo record withdraw` (`gonogo record list` shows numbers).\n\n"
        "Examples:\n\n"
        '  gonogo record reading N3 11.2 --method "nuclear gauge"\n\n'
        '  gonogo record rain 4.5 --since "2026-05-11 18:00"\n\n'
        "  gonogo record watering N3 9000\n\n"
        "  gonogo record surface N3 rolled --passes 6\n\n"
        "  gonogo record surface N3 spread --thickness 0.2\n\n"
        "  gonogo record lift N3 accepted\n\n"
        "  gonogo record ground N3 pond --depth 30\n\n"
        "  gonogo record csv monday.csv"
    ),
)


ADDED: dict[str, tuple[Any, Any]] = {
    # options of every kind of entry: (what typer is told, default)
    "at": (AtOption, ""),
    "corrects": (CorrectsOption, ""),
    "again": (
        Annotated[bool, typer.Option("--again", help="It is not a repeat, though an entry like it is recorded.")],
        False,
    ),
    "site": (SiteOption, ""),
    "config": (ConfigOption, CONFIG_FOLDER),
}
NEEDED = Parameter.empty
MOST_ENTRIES = 1_000_000_000
StripArgument = Annotated[str, typer.Argument(help="Strip id, such as N3.")]


def _option(annotation: Any) -> str:
    """Return how an option is typed, such as "--depth"; "" of an argument."""
    told = annotation.__metadata__[0]
    if not isinstance(told, OptionInfo):
        return ""
    words = (told.default, *(told.param_decls or ()))  # beside an annotation the first name stands as the default
    return next((word for word in words if isinstance(word, str) and word.startswith("--")), "")


def _as_typed(fault: Fault, typed: Mapping[str, str]) -> Fault:
    """Return a fault with the option in place of the column, in its example too."""
    option = typed.get(fault.key)
    if option is None:
        return fault
    return replace(fault, key=option, right=fault.right.replace(f"{fault.key} = ", f"{option} "))


def _entry_command(kind: str, short_help: str, text: str, **own: tuple[Any, Any]) -> None:
    """Add the command of a kind of entry; its parameters bear the names of the columns of a CSV.

    A fault of such a column is told by the option that was typed.
    """
    parameters = own | {name: row for name, row in ADDED.items() if name not in own}
    typed = {name: option for name, (annotation, _) in parameters.items() if (option := _option(annotation))}

    @record_app.command(kind, short_help=short_help, epilog=EXIT_CODES)
    def command(**given: Any) -> None:
        from gonogo.field import entries, record

        loaded = load_config(given.pop("config"))
        site = one_site(loaded, given.pop("site"), strip_id=given.get("strip", ""))
        meant = " ".join(word for word in entries.MEANT if given.pop(word, False))
        now_utc = datetime.now(UTC)
        if kind in ("reading", "watering"):  # what they can be follows from the lift that lies there
            site = record.present_site(loaded, site, now_utc)
        try:
            new = entries.parse([("command line", {"kind": kind, "meant": meant, **given})], site, now_utc)
            print(record.store_entries(loaded, site, new, now_utc, by="command line"))
        except ConfigError as error:
            raise ConfigError([_as_typed(fault, typed) for fault in error.faults]) from error

    command.__doc__ = text
    needed_first = sorted(parameters.items(), key=lambda row: row[1][1] is not NEEDED)
    command.__signature__ = Signature(  # type: ignore[attr-defined]
        [
            Parameter(name, Parameter.POSITIONAL_OR_KEYWORD, annotation=annotation, default=default)
            for name, (annotation, default) in needed_first
        ]
    )


_entry_command(
    "reading",
    "A moisture test of a lift.",
    """Record a moisture test of a lift. Water content is percent of dry mass; a carbide meter's dial shows percent of
    wet mass: with --basis wet it is converted and stored as percent of dry mass.
    """,
    strip=(StripArgument, NEEDED),
    w_pct=(Annotated[str, typer.Argument(help="Water content, percent of dry mass.")], NEEDED),
    method=(
        Annotated[str, typer.Option("--method", help="oven, nuclear gauge, microwave, carbide or hand feel.")],
        NEEDED,
    ),
    dry_density_kg_m3=(
        Annotated[str, typer.Option("--dry-density", help="Dry density, kg/m3, where it was tested.")],
        "",
    ),
    basis=(
        Annotated[
            str,
            typer.Option("--basis", help="wet (percent of wet mass) or dry; carbide, microwave: required."),
        ],
        "",
    ),
    depth_mm=(
        Annotated[
            str, typer.Option("--depth", help="Depth tested from the top [mm], such as 100; else the whole lift.")
        ],
        "",
    ),
)
_entry_command(
    "rain",
    "The site's rain gauge.",
    """Record the site's rain gauge. It overrides the weather service's past rain for that time.""",
    rain_mm=(Annotated[str, typer.Argument(help="Millimetres caught; 0 is a reading too.")], NEEDED),
    at=(Annotated[str, typer.Option("--since", help="When the gauge was last emptied.")], NEEDED),
    until=(Annotated[str, typer.Option("--until", help="When it was read. Now when left out.")], ""),
    long=(Annotated[bool, typer.Option("--long", help="It was really not emptied for more than three days.")], False),
)
_entry_command(
    "watering",
    "Water put on a strip.",
    """Record water put on a strip by the truck.""",
    strip=(StripArgument, NEEDED),
    litres=(Annotated[str, typer.Argument(help="Litres put on the strip.")], NEEDED),
)
_entry_command(
    "surface",
    "A strip rolled, sealed, disked, or newly spread.",
    """Record work on a strip: rolled, sealed, disked, mixed (a binder, into soil that is treated), or spread.

    A spread lift may say what it is; where it says nothing, the config's values stand.
    """,
    strip=(StripArgument, NEEDED),
    work=(Annotated[str, typer.Argument(help="rolled, sealed, disked, mixed, or spread (a new lift).")], NEEDED),
    passes=(Annotated[str, typer.Option("--passes", help="Passes of the roller.")], ""),
    thickness_m=(Annotated[str, typer.Option("--thickness", help="Spread: metres, loose.")], ""),
    dry_density_kg_m3=(Annotated[str, typer.Option("--dry-density", help="Spread: dry density, loose, kg/m3.")], ""),
    material=(Annotated[str, typer.Option("--material", help="Spread: another material than the strip's.")], ""),
    area_share=(Annotated[str, typer.Option("--area-share", help="Spread: share of the strip it covers, 0.5.")], ""),
    w_pct=(Annotated[str, typer.Option("--moisture", help="Spread: water content it arrived with, percent.")], ""),
    method=(Annotated[str, typer.Option("--method", help="Spread: its test, or borrow: as the borrow is.")], ""),
    basis=(Annotated[str, typer.Option("--basis", help="wet: percent of the mass before drying.")], ""),
    loads=(Annotated[str, typer.Option("--loads", help="Spread: trucks counted, in place of a thickness.")], ""),
    load_m3=(Annotated[str, typer.Option("--load-m3", help="Spread: loose volume of one truck, m3.")], ""),
)
_entry_command(
    "lift",
    "What was decided of a lift.",
    """Record that the lift that lies there is accepted, or goes into rework. A failed one that is accepted is done; one
    in rework is open again.
    """,
    strip=(StripArgument, NEEDED),
    result=(Annotated[str, typer.Argument(help="accepted or rework.")], NEEDED),
)
_entry_command(
    "ground",
    "Snow, water or a bad crust on a strip, and that it is gone.",
    """Record what lies on a strip: snow or water with its depth, a slick or frozen crust; or that it is gone.

    Cleared snow lets the strip go until snow lies on it again. Water holds it until it is drained or dried off, and a
    test was made since. A slick or frozen crust holds it until it is firm, disked or covered by a new lift.
    """,
    strip=(StripArgument, NEEDED),
    state=(Annotated[str, typer.Argument(help="snow, cleared, pond, drained, slick, frozen, or firm.")], NEEDED),
    lying_mm=(Annotated[str, typer.Option("--depth", help="Of snow or water: how deep it lies, mm.")], ""),
)


@record_app.command("withdraw", short_help="Take an entry back that should never have been made.", epilog=EXIT_CODES)
def record_withdraw(
    number: Annotated[int, typer.Argument(help="Its number in `gonogo record list`.", min=1, max=MOST_ENTRIES)],
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Take an entry out of force. It stays on record, with the line that withdraws it."""
    from gonogo.field import record

    loaded = load_config(config)
    print(record.withdraw(loaded, one_site(loaded, site), number, datetime.now(UTC)))


@record_app.command("csv", short_help="Every row of a CSV file.", epilog=EXIT_CODES)
def record_csv(
    file: Annotated[Path, typer.Argument(help="CSV file with a header row.", exists=True, dir_okay=False)],
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record every row of a CSV file, or nothing where any row is at fault.

    Columns: kind (reading, rain, watering, surface, lift, ground), strip, at, until, w_pct, dry_density_kg_m3, method,
    basis, depth_mm, rain_mm, litres, work, passes, result, corrects, meant (again: no double; long: a gauge not emptied
    for over three days); of a spread lift: thickness_m, material, area_share, loads, load_m3; ground: state, lying_mm.
    Leave out the columns you do not need. A file may be read again as it grows: known lines are skipped.
    """
    from gonogo.config.text_file import text_to_store
    from gonogo.field import entries, record

    loaded = load_config(config)
    target, now_utc = one_site(loaded, site), datetime.now(UTC)
    new = entries.parse_csv(text_to_store(file, target.csv_encoding), str(file), target, now_utc)
    print(record.store_entries(loaded, target, new, now_utc, by="csv"))


@record_app.command("gauge-csv", short_help="The file of a rain logger.", epilog=EXIT_CODES)
def record_gauge_csv(
    file: Annotated[Path, typer.Argument(help="The logger's file.", exists=True, dir_okay=False)],
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record the file of a rain logger: lines of timestamp and millimetres since the line before.

    A first line may name the columns: timestamp, rain_mm. Times are the site's own unless they carry an offset.
    The same file may be recorded again as it grows: nothing is stored twice. A gap is never taken for dry.
    """
    from gonogo.config.text_file import text_to_store
    from gonogo.field import rain_logger

    loaded = load_config(config)
    target, now_utc = one_site(loaded, site), datetime.now(UTC)
    print(rain_logger.record(loaded, target, text_to_store(file, target.csv_encoding), str(file), now_utc))


@record_app.command("station-csv", short_help="The file of the contract's weather station.", epilog=EXIT_CODES)
def record_station_csv(
    file: Annotated[Path, typer.Argument(help="CSV file with a header row.", exists=True, dir_okay=False)],
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Record what the weather station that the contract names (contract_station in the site's file) read, by date.

    Columns: day, and of rain_mm, temp_min_c, temp_max_c, wind_max_m_s, snow_lying_mm what the station has. It goes
    into the site's book, in columns of its own; no verdict is made from it. The file may be read again as it grows: a
    known date is skipped, one that says something else replaces what stood there.
    """
    from gonogo.config.text_file import text_to_store
    from gonogo.field import station

    loaded = load_config(config)
    target, now_utc = one_site(loaded, site), datetime.now(UTC)
    print(station.record(loaded, target, text_to_store(file, target.csv_encoding), str(file), now_utc))


@record_app.command("list", short_help="Show what was recorded.", epilog=EXIT_CODES)
def record_list(
    days: Annotated[int, typer.Option("--days", help="How far back.", min=1)] = 7,
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """List recorded entries with their numbers, newest last; corrected ones are marked."""
    from gonogo.field import record

    loaded = load_config(config)
    print(record.entry_list(loaded, one_site(loaded, site), days=days, now_utc=datetime.now(UTC)))

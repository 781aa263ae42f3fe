"""`gonogo backtest` and `learned`: how well the soil is foreseen, and what readings taught of it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    ConfigOption,
    LanguageOption,
    UnitsOption,
    load_config,
    one_site,
    progress,
    speaker_asked,
    usage,
)


def backtest(
    folder: Annotated[
        Path | None,
        typer.Argument(help="Folder with stations.csv and one CSV of days a station and year.", file_okay=False),
    ] = None,
    readings: Annotated[
        str, typer.Option("--readings", help="weekly: readings up to the issue day; first: the issue day's own alone.")
    ] = "weekly",
    out: Annotated[Path, typer.Option("--out", help="CSV file to write the forecasts to.")] = Path("predictions.csv"),
    layer: Annotated[str, typer.Option("--layer", help="5cm, 7.5cm, 0-150mm, 0-200mm or 0-300mm.")] = "0-150mm",
    ground: Annotated[
        str, typer.Option("--ground", help="natural: the stations stand on it; fill: a strip of which no more is said.")
    ] = "natural",
    site: Annotated[str, typer.Option("--site", help="In place of a folder: a site's own readings.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Forecast the moisture of measured stations again, from each of their readings ten days ahead, and score it.

    Each forecast is made by the function that makes a morning's. Nothing after the issue day is looked at but the
    weather of the ten days. Where the folder holds what was measured,
    the errors are printed beside those of "it stays as it was read". Stations run in parallel; the result is the same
    to the digit however many processors there are.

    With --site in place of the folder: each reading of the site is forecast from those up to ten days before, with the
    weather that was stored on that day, so that you see how good the tool is on your soil.
    """
    from gonogo.backtest import run as backtesting

    if (folder is None) == (not site):
        raise usage("FOLDER", "give a folder of stations, or --site with a site id.", "gonogo backtest --help")
    if folder is None:
        from gonogo.backtest import site as own

        loaded = load_config(config)
        with progress("readings") as step:
            found = own.site_backtest(loaded, one_site(loaded, site), now_utc=datetime.now(UTC), say=step)
        print(found)
        return
    with progress("stations", total=backtesting.n_stations(folder)) as step:
        found = backtesting.backtest(folder, layer=layer, readings=readings, out=out, ground=ground, say=step)
    print(found)


def learned_soil(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    reset: Annotated[str, typer.Option("--reset", help="Strip whose soil starts from its defaults again.")] = "",
    units: UnitsOption = "metric",
    language: LanguageOption = "en",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show, strip by strip, what the readings taught of its soil: the factor on the default of each parameter, with the
    range in which it likely lies, and from how many readings. The next lift of the same material starts from a share of
    it (setting learned_share_next_lift).

    With --reset what was learned of one strip is forgotten; readings still within the weather's two weeks teach again.
    """
    from gonogo.cli import learned_report

    loaded = load_config(config)
    chosen = one_site(loaded, site, strip_id=reset)
    now_utc, speak = datetime.now(UTC), speaker_asked(language, units)
    if reset:
        print(learned_report.forget(loaded, chosen, reset, now_utc=now_utc, speak=speak))
    else:
        print(learned_report.report(loaded, chosen, now_utc=now_utc, speak=speak))

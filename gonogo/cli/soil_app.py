"""`gonogo backtest` and `learned`: how well the soil is foreseen, and what readings taught of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
    takes,
    usage,
)

if TYPE_CHECKING:
    from gonogo.backtest.report import Backtest


@dataclass(frozen=True, slots=True, kw_only=True)
class BacktestOptions:
    """The words of `gonogo backtest`."""

    folder: Annotated[
        Path | None,
        typer.Argument(help="Folder with stations.csv and one CSV of days a station and year.", file_okay=False),
    ] = None
    readings: Annotated[
        str, typer.Option("--readings", help="weekly: readings up to the issue day; first: the issue day's own alone.")
    ] = "weekly"
    out: Annotated[Path, typer.Option("--out", help="CSV file to write the forecasts to.")] = Path("predictions.csv")
    layer: Annotated[str, typer.Option("--layer", help="5cm, 7.5cm, 0-150mm, 0-200mm or 0-300mm.")] = "0-150mm"
    ground: Annotated[
        str, typer.Option("--ground", help="natural: the stations stand on it; fill: a strip of which no more is said.")
    ] = "natural"
    html: Annotated[
        Path | None, typer.Option("--html", help="Write the scores and their pictures as one page to print too.")
    ] = None
    site: Annotated[str, typer.Option("--site", help="Instead of a folder: a site's own readings.")] = ""
    config: ConfigOption = CONFIG_FOLDER


@takes(BacktestOptions)
def backtest(given: BacktestOptions) -> None:
    """Forecast the moisture of measured stations again, from each of their readings ten days ahead, and score it.

    Each forecast is made by the function that makes a morning's. Nothing after the issue day is looked at but the
    weather of the ten days. Where the folder holds what was measured, the errors are printed by climate and by month
    beside those of "it stays as it was read", and how often what was given a chance came true. Stations run in
    parallel; the result is the same to the digit however many processors there are.

    With --site in place of the folder: each reading of the site is forecast from those up to ten days before, with the
    weather that was stored on that day, so that you see how good the tool is on your soil.
    """
    from gonogo.backtest import report
    from gonogo.backtest import run as backtesting

    if (given.folder is None) == (not given.site):
        raise usage("FOLDER", "give a folder of stations, or --site with a site id.", "gonogo backtest --help")
    if given.html is not None and not given.html.parent.is_dir():
        raise usage("--html", f"no folder {given.html.parent}.", "Make it first, or write elsewhere.")
    if given.folder is None:
        from gonogo.backtest import site as own

        loaded = load_config(given.config)
        with progress("readings") as step:
            found = own.site_backtest(loaded, one_site(loaded, given.site), now_utc=datetime.now(UTC), say=step)
    else:
        with progress("stations", total=backtesting.n_stations(given.folder)) as step:
            found = backtesting.backtest(
                given.folder, layer=given.layer, readings=given.readings, out=given.out, ground=given.ground, say=step
            )
    print(report.text(found))
    if given.html is not None:
        _write_page(given.html, found)


def _write_page(path: Path, found: Backtest) -> None:
    from gonogo.backtest.page import page
    from gonogo.errors import GonogoError

    try:
        path.write_text(page(found), encoding="utf-8")
    except OSError as error:
        raise GonogoError(f"{path} cannot be written: {error.strerror}. Name another file with --html.") from error
    print(f"Page written to {path}.")


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

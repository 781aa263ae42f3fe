"""The commands; with record_app the only place that prints. Heavy imports stand inside them, so --help is quick."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from gonogo.errors import ConfigError, GonogoError

if TYPE_CHECKING:
    pass
from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    ConfigOption,
    load_config,
    one_site,
    one_strip,
    parse_date_or_moment,
    progress,
    units_asked,
    usage,
)
from gonogo.cli.outcome import Exit
from gonogo.cli.record_app import record_app

app = typer.Typer(
    name="gonogo",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "Every morning, strip by strip: compact, water the lift first, or wait.\n\n"
        "Start with `gonogo demo`: it needs no set-up and no network. Then copy the example config, change it to your "
        "site, and let `gonogo check` read it. `gonogo morning --dry-run` shows today's mails without sending; "
        "`gonogo serve` does it every working day.\n\n"
        "Exit codes: 0 all well; 1 somebody must look; 2 wrong input, nothing was changed; 3 no verdict could be made "
        "and the mails say so."
    ),
)
app.add_typer(record_app, name="record", short_help="Record a test, rain, watering or surface work.")


@app.callback()
def _logging(
    verbose: Annotated[bool, typer.Option("--verbose", help="Say on stderr what is being done.")] = False,
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        from gonogo import __version__

        print(f"gonogo {__version__}")
        raise typer.Exit(Exit.OK)
    from gonogo.service import logs

    logs.set_up(level=logging.INFO if verbose else logging.WARNING, as_json=False, cleaner=logs.Cleaner())


@app.command(short_help="Run one recorded morning; no config, no network.")
def demo(
    folder: Annotated[Path, typer.Option("--folder", help="Where to write the mails.")] = Path("gonogo-demo"),
) -> None:
    """Run one morning of an invented site on recorded weather: no config, no network, nothing is sent.

    Writes each mail as .eml and .html into a folder, with an index.html to open in a browser.
    """
    from gonogo.cli import demo as demonstration

    with progress("one morning on recorded weather") as step:
        result = demonstration.run(folder, say=step)
    print(result.table)
    print(f"\n{result.n_mails} mails written. Open this file in a browser:\n  {result.index}")
    print(f"The days ahead, as `gonogo outlook --html` writes them:\n  {result.outlook}")
    raise typer.Exit(Exit.OK)


@app.command(short_help="Read the config and name every fault in it.")
def check(config: ConfigOption = CONFIG_FOLDER) -> None:
    """Read the config and say what is in it, or name every fault: file, key, value and what would be right.

    Also says what the licence of each weather service allows for your use. Sends nothing, asks nothing of the network.
    """
    from gonogo.config import check_report

    print(check_report(load_config(config)), end="")


@app.command(short_help="Print every adjustable number and who set it.")
def settings(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Print every adjustable number: the value in force, its unit and range, who set it, and its source."""
    from gonogo.config import settings_report

    loaded = load_config(config)
    print(settings_report(loaded, one_site(loaded, site).id), end="")


@app.command(short_help="Make this morning's verdicts now and mail them.")
def morning(
    site: Annotated[str, typer.Argument(help="Site id; all sites when left out.")] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the mails; store and send nothing.")] = False,
    on: Annotated[
        str,
        typer.Option(
            "--date",
            help="Another morning, such as 2026-05-13, as if run at its mail time (or at 2026-05-13T06:10). A day "
            "already past is shown, never sent.",
        ),
    ] = "",
    folder: Annotated[
        Path | None, typer.Option("--folder", help="With --dry-run: write the mails there instead of on the screen.")
    ] = None,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Make this morning's verdicts now and send the mails, for one site or for all.

    A morning that already ran is not run again: each site has one run for each date. Use --dry-run to look.
    """
    from gonogo.cli import mornings

    loaded = load_config(config)
    sites = (one_site(loaded, site),) if site else loaded.sites
    with progress("mornings", total=len(sites)) as step:
        outcome = mornings.mornings(
            loaded,
            sites,
            now_utc=datetime.now(UTC),
            on=parse_date_or_moment(on) if on else None,
            dry_run=dry_run,
            folder=folder,
            say=step,
        )
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


@app.command(short_help="Show a site's weather: source, repairs, next hours and days.")
def weather(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    as_csv: Annotated[bool, typer.Option("--csv", help="Every hour as CSV, past ones too.")] = False,
    stored: Annotated[bool, typer.Option("--stored", help="Ask no service: show the newest stored answer.")] = False,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show a site's weather as the verdicts use it: source and age, what was repaired, the next hours and days.

    Asks the weather services as a morning does and keeps their answers; sends nothing.
    """
    from gonogo.cli import weather_report

    loaded = load_config(config)
    with progress("weather"):
        outcome = weather_report.show(
            loaded, one_site(loaded, site), now_utc=datetime.now(UTC), as_csv=as_csv, only_stored=stored
        )
    print(outcome.text, end="" if as_csv and outcome.exit_code == Exit.OK else "\n")
    raise typer.Exit(outcome.exit_code)


@app.command(short_help="Show the days ahead: chances, hours, order of work.")
def outlook(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    html: Annotated[
        Path | None, typer.Option("--html", help="Write one self-contained page to this file too, for desk and wall.")
    ] = None,
    units: Annotated[str, typer.Option("--units", help="metric or us.")] = "metric",
    stored: Annotated[bool, typer.Option("--stored", help="Ask no service: use the newest stored answer.")] = False,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show the days ahead, strip by day: chance and hours of a workable window, dry or watered first; the proposed
    order of work around the rain; what changed since the last run of the day before.

    Judges the site as a morning does, now. Keeps the weather service's answer; stores no verdict and sends nothing.
    """
    from gonogo.cli import outlook_report

    loaded = load_config(config)
    with progress("outlook"):
        outcome = outlook_report.show(
            loaded,
            one_site(loaded, site),
            now_utc=datetime.now(UTC),
            units=units_asked(units),
            html=html,
            only_stored=stored,
        )
    _print_outlook(outcome.text)
    raise typer.Exit(outcome.exit_code)


@app.command(short_help="Show what a strip would do with other water, rain, disking or delay.")
def whatif(
    site: Annotated[str, typer.Argument(help="Site id.")],
    strip: Annotated[str, typer.Argument(help="Strip id, such as N3.")],
    water: Annotated[float, typer.Option("--water", help="Litres put on the strip now.")] = 0.0,
    rain: Annotated[float, typer.Option("--rain", help="Millimetres of rain within the next hours.")] = 0.0,
    disk: Annotated[bool, typer.Option("--disk", help="The strip is disked now.")] = False,
    delay: Annotated[float, typer.Option("--delay", help="Hours by which work begins later.")] = 0.0,
    units: Annotated[str, typer.Option("--units", help="metric or us; the options are always metric.")] = "metric",
    stored: Annotated[bool, typer.Option("--stored", help="Ask no service: use the newest stored answer.")] = False,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show what a strip would do with other water, rain, disking or delay, beside what it does as things are.

    Examples: gonogo whatif harrow-flats N2 --water 20000; gonogo whatif harrow-flats S1 --rain 8 --delay 24. Stores no
    verdict and sends nothing.
    """
    from gonogo.cli import whatif_report
    from gonogo.decide.whatif import Turn

    turn = whatif_report.checked(Turn(litres=water, rain_mm=rain, is_disked=disk, delay_h=delay))
    loaded = load_config(config)
    found = one_site(loaded, site)
    with progress("what if"):
        outcome = whatif_report.show(
            loaded,
            found,
            one_strip(found, strip),
            turn,
            now_utc=datetime.now(UTC),
            units=units_asked(units),
            only_stored=stored,
        )
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


@app.command(short_help="Run every site's mornings until stopped.")
def serve(
    config: ConfigOption = CONFIG_FOLDER,
    log: Annotated[
        str, typer.Option("--log", help="text or json; json where nobody watches, text on a terminal, when left out.")
    ] = "",
) -> None:
    """Run the mornings and later looks of all sites, each at its own local time, until stopped with Ctrl-C or SIGTERM.

    A morning missed while the machine was off is caught up until the site's deadline and not after. Two services on
    one database do no harm: each morning runs once and each mail goes once. A changed config is read again by itself;
    one with faults is not used, the operator is told, and the crews get a notice instead of a verdict.
    """
    if log not in ("", "text", "json"):
        raise typer.BadParameter('Write "text" or "json".', param_hint="--log")
    from gonogo.service import logs
    from gonogo.service import service as running

    loaded = load_config(config)
    as_json = log == "json" or (not log and not sys.stderr.isatty())
    logs.set_up(level=logging.INFO, as_json=as_json, cleaner=logs.Cleaner(logs.secrets_of(loaded)))
    running.serve(loaded, environ=os.environ)


@app.command(short_help="Say what ran, what was sent and what failed.")
def status(config: ConfigOption = CONFIG_FOLDER) -> None:
    """Say how the last run of each site went, which mails wait or failed, and when the next run starts.

    Exit code 0 when all is well and 1 when somebody must look, for monitors.
    """
    from gonogo.cli import status as state

    outcome = state.status(load_config(config), now_utc=datetime.now(UTC))
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


@app.command(short_help="Remove a person from everything that is stored.")
def forget(
    address: Annotated[str, typer.Argument(help="The person's mail address.")],
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Remove a person's name and address from stored mails, outcomes and config copies; verdicts and entries stay.

    Mails that still wait for that person are not sent. Take the person out of the site's file first: while the address
    stands there, the next morning stores and mails it again. Backups are yours to clean.
    """
    from gonogo.cli import forget as forgetting

    outcome = forgetting.forget(load_config(config), address, now_utc=datetime.now(UTC))
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


@app.command(short_help="Measure how good the moisture forecast would have been.")
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
    ground: Annotated[str, typer.Option("--ground", help="What stations are taken for: natural, fill.")] = "natural",
    site: Annotated[str, typer.Option("--site", help="In place of a folder: a site's own readings.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Forecast the moisture of measured stations again, from each of their readings ten days ahead, and score it.

    Nothing after the issue day is looked at but the weather of the ten days. Where the folder holds what was measured,
    the errors are printed beside those of "it stays as it was read". Stations run in parallel, to the same digits.

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


@app.command("learned", short_help="Show what readings taught of each strip's soil, or forget it.")
def learned_soil(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    reset: Annotated[str, typer.Option("--reset", help="Strip whose soil starts from its defaults again.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show, strip by strip, what the readings taught of its soil: the factor on the default of each parameter, with the
    range in which it likely lies, and from how many readings. The next lift of the same material starts from a share of
    it (setting learned_share_next_lift).

    With --reset what was learned of one strip is forgotten; readings still within the weather's two weeks teach again.
    """
    from gonogo.cli import learned_report

    loaded = load_config(config)
    one = one_site(loaded, site, strip_id=reset)
    now_utc = datetime.now(UTC)
    if reset:
        print(learned_report.forget(loaded, one, reset, now_utc=now_utc))
    else:
        print(learned_report.report(loaded, one, now_utc=now_utc))


def _print_outlook(text: str) -> None:
    """Print the outlook: with weight on a terminal, plain into a pipe or a file."""
    if not sys.stdout.isatty():
        print(text)
        return
    from rich.console import Console
    from rich.text import Text

    weighted = Text(text)
    for pattern, style in (
        (r"(?m)^(Proposed order of work|Without a place|Changed since .*)$", "bold underline"),
        (r"(?m)^  today (compact|water first|wait)", "bold"),
        (r"\d+% \d+h", "bold green"),
        (r"w \d+%", "blue"),
    ):
        weighted.highlight_regex(pattern, style)
    Console().print(weighted, soft_wrap=True)


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit code; our own errors become words on stderr."""
    try:
        app(args=list(arguments), prog_name="gonogo")
    except SystemExit as stop:  # how the library ends every command, with the code of typer.Exit or of a usage error
        return stop.code if isinstance(stop.code, int) else Exit.OK
    except ConfigError as error:
        for fault in error.faults:
            print(fault, file=sys.stderr)
        if len(error.faults) > 1:
            print(f"{len(error.faults)} faults.", file=sys.stderr)
        return Exit.CONFIG
    except GonogoError as error:
        print(f"gonogo: {error}", file=sys.stderr)
        return Exit.ATTENTION
    return Exit.OK

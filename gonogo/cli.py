"""Commands and exit codes; the only place that prints. Heavy imports stand inside the commands, so --help is quick."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gonogo.errors import ConfigError, GonogoError

if TYPE_CHECKING:
    from collections.abc import Callable

    from gonogo.config import Config
    from gonogo.records import Site, Strip


class Exit(IntEnum):
    """Exit codes, for scripts and monitors."""

    OK = 0
    ATTENTION = 1  # it ran, but somebody must look: a failed run, a mail not delivered, an error
    CONFIG = 2  # wrong usage or wrong input; nothing was changed
    NO_VERDICT = 3  # the mails went out and say that no verdict could be made


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
app.add_typer(record_app, name="record", short_help="Record a test, rain, watering or surface work.")

ConfigOption = Annotated[
    Path, typer.Option("--config", envvar="GONOGO_CONFIG", help="Folder with gonogo.toml and sites/*.toml.")
]
SiteOption = Annotated[str, typer.Option("--site", help="Site id; may be left out where the config has one site.")]
AtOption = Annotated[str, typer.Option("--at", help='When: "2026-05-12 06:40", site time. Now when left out.')]
CorrectsOption = Annotated[str, typer.Option("--corrects", help="Number of the stored entry that this one replaces.")]
CONFIG_FOLDER = Path("config")


@app.callback()
def _logging(
    verbose: Annotated[bool, typer.Option("--verbose", help="Say on stderr what is being done.")] = False,
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        from gonogo import __version__

        print(f"gonogo {__version__}")
        raise typer.Exit(Exit.OK)
    from gonogo import logs

    logs.set_up(level=logging.INFO if verbose else logging.WARNING, as_json=False, cleaner=logs.Cleaner())


# --- commands ------------------------------------------------------------------------------------------------


@app.command(short_help="Run one recorded morning; no config, no network.")
def demo(
    folder: Annotated[Path, typer.Option("--folder", help="Where to write the mails.")] = Path("gonogo-demo"),
) -> None:
    """Run one morning of an invented site on recorded weather: no config, no network, nothing is sent.

    Writes each mail as .eml and .html into a folder, with an index.html to open in a browser.
    """
    from gonogo import demo as demonstration

    with _progress("one morning on recorded weather") as step:
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

    print(check_report(_load(config)), end="")


@app.command(short_help="Print every adjustable number and who set it.")
def settings(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Print every adjustable number: the value in force, its unit and range, who set it, and its source."""
    from gonogo.config import settings_report

    loaded = _load(config)
    print(settings_report(loaded, _one_site(loaded, site).id), end="")


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
    from gonogo import commands

    loaded = _load(config)
    sites = (_one_site(loaded, site),) if site else loaded.sites
    with _progress("mornings", total=len(sites)) as step:
        outcome = commands.mornings(
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
    from gonogo import weather_report

    loaded = _load(config)
    with _progress("weather"):
        outcome = weather_report.show(
            loaded, _one_site(loaded, site), now_utc=datetime.now(UTC), as_csv=as_csv, only_stored=stored
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
    from gonogo import outlook_report

    loaded = _load(config)
    with _progress("outlook"):
        outcome = outlook_report.show(
            loaded,
            _one_site(loaded, site),
            now_utc=datetime.now(UTC),
            units=_units(units),
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
    from gonogo import whatif_report
    from gonogo.whatif import Turn

    turn = whatif_report.checked(Turn(litres=water, rain_mm=rain, is_disked=disk, delay_h=delay))
    loaded = _load(config)
    found = _one_site(loaded, site)
    with _progress("what if"):
        outcome = whatif_report.show(
            loaded,
            found,
            _one_strip(found, strip),
            turn,
            now_utc=datetime.now(UTC),
            units=_units(units),
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
    from gonogo import logs, serving

    loaded = _load(config)
    as_json = log == "json" or (not log and not sys.stderr.isatty())
    logs.set_up(level=logging.INFO, as_json=as_json, cleaner=logs.Cleaner(logs.secrets_of(loaded)))
    raise typer.Exit(serving.serve(loaded, environ=os.environ))


@app.command(short_help="Say what ran, what was sent and what failed.")
def status(config: ConfigOption = CONFIG_FOLDER) -> None:
    """Say how the last run of each site went, which mails wait or failed, and when the next run starts.

    Exit code 0 when all is well and 1 when somebody must look, for monitors.
    """
    from gonogo import status as state

    outcome = state.status(_load(config), now_utc=datetime.now(UTC))
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
    from gonogo import forget as forgetting

    outcome = forgetting.forget(_load(config), address, now_utc=datetime.now(UTC))
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
    layer: Annotated[str, typer.Option("--layer", help="5cm, 0-150mm or 0-300mm.")] = "0-150mm",
    site: Annotated[str, typer.Option("--site", help="In place of a folder: a site's own readings.")] = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Forecast the moisture of measured stations again, from each of their readings ten days ahead, and score it.

    Nothing after the issue day is looked at but the weather of the ten days. Where the folder holds what was measured,
    the errors are printed beside those of "it stays as it was read". Stations run in parallel; the result is the same
    to the digit however many processors there are.

    With --site in place of the folder: each reading of the site is forecast from those up to ten days before, with the
    weather that was stored on that day, so that you see how good the tool is on your soil.
    """
    from gonogo.backtest import run as backtesting

    if (folder is None) == (not site):
        raise _usage("FOLDER", "give a folder of stations, or --site with a site id.", "gonogo backtest --help")
    if folder is None:
        from gonogo.backtest import site as own

        loaded = _load(config)
        with _progress("readings") as step:
            found = own.site_backtest(loaded, _one_site(loaded, site), now_utc=datetime.now(UTC), say=step)
        print(found)
        return
    with _progress("stations", total=backtesting.n_stations(folder)) as step:
        found = backtesting.backtest(folder, layer=layer, readings=readings, out=out, say=step)
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
    from gonogo import learning

    loaded = _load(config)
    one = _one_site(loaded, site, strip_id=reset)
    now_utc = datetime.now(UTC)
    if reset:
        print(learning.forget(loaded, one, reset, now_utc=now_utc))
    else:
        print(learning.report(loaded, one, now_utc=now_utc))


# --- record --------------------------------------------------------------------------------------------------


def _record(config: Path, site_id: str, fields: dict[str, str]) -> None:
    from gonogo import entries, recording

    loaded = _load(config)
    site = _one_site(loaded, site_id, strip_id=fields.get("strip", ""))
    now_utc = datetime.now(UTC)
    new = entries.parse([("command line", fields)], site, now_utc)
    print(recording.store_entries(loaded, site, new, now_utc, by="command line"))


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
    litres, work, passes, corrects, basis. Leave out the columns you do not need.
    """
    from gonogo import entries, recording

    loaded = _load(config)
    target, now_utc = _one_site(loaded, site), datetime.now(UTC)
    new = entries.parse_csv(file.read_text(encoding="utf-8"), str(file), target, now_utc)
    print(recording.store_entries(loaded, target, new, now_utc, by="csv"))


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
    from gonogo import gauge_file

    loaded = _load(config)
    target, now_utc = _one_site(loaded, site), datetime.now(UTC)
    print(gauge_file.record(loaded, target, file.read_text(encoding="utf-8"), str(file), now_utc))


@record_app.command("list", short_help="Show what was recorded.")
def record_list(
    days: Annotated[int, typer.Option("--days", help="How far back.", min=1)] = 7,
    site: SiteOption = "",
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """List recorded entries with their numbers, newest last; corrected ones are marked."""
    from gonogo import recording

    loaded = _load(config)
    print(recording.entry_list(loaded, _one_site(loaded, site), days=days, now_utc=datetime.now(UTC)))


# --- what the commands share ---------------------------------------------------------------------------------


def _load(folder: Path) -> Config:
    from gonogo import config

    return config.load(folder, environ=os.environ)


def _one_site(config: Config, site_id: str, *, strip_id: str = "") -> Site:
    """Return the site meant: by id, by being the only one, or by being the only one with that strip."""
    import difflib

    from gonogo.errors import Complaint

    if site_id:
        candidates = [s for s in config.sites if s.id == site_id]
    elif len(config.sites) == 1:
        candidates = list(config.sites)
    else:
        candidates = [s for s in config.sites if strip_id and any(strip.id == strip_id for strip in s.strips)]
    if len(candidates) == 1:
        return candidates[0]
    names = [s.id for s in config.sites]
    near = difflib.get_close_matches(site_id, names, n=1)
    raise ConfigError(
        [
            Complaint(
                place="command line",
                key="site",
                value=site_id,
                wrong="no such site." if site_id else "several sites fit.",
                right=f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}.",
            )
        ]
    )


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


def _one_strip(site: Site, strip_id: str) -> Strip:
    """Return a strip of a site by its id."""
    names = [s.id for s in site.strips]
    if strip_id in names:
        return site.strip(strip_id)
    raise _no_such("strip", strip_id, names)


def _units(word: str) -> str:
    """Return a system of units."""
    if word in ("metric", "us"):
        return word
    raise _no_such("--units", word, ["metric", "us"])


def _no_such(key: str, value: str, names: Sequence[str]) -> ConfigError:
    import difflib

    from gonogo.errors import Complaint

    near = difflib.get_close_matches(value, names, n=1)
    right = f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}."
    wrong = "is none known here."
    return ConfigError([Complaint(place="command line", key=key, value=value, wrong=wrong, right=right)])


def _usage(key: str, wrong: str, right: str) -> ConfigError:
    from gonogo.errors import Complaint

    return ConfigError([Complaint(place="command line", key=key, value="", wrong=wrong, right=right)])


@contextmanager
def _progress(what: str, total: int | None = None) -> Iterator[Callable[[str], None]]:
    """Show progress on a terminal; stay quiet in a log."""
    if not sys.stderr.isatty():
        yield lambda _text: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

    columns: list[Any] = [SpinnerColumn(), TextColumn("{task.description}")]
    if total and total > 1:
        columns += [BarColumn(), TextColumn("{task.completed}/{task.total}")]
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)

        def step(text: str) -> None:
            bar.update(task, description=text, advance=1 if total else 0)

        yield step


def parse_date_or_moment(text: str) -> date | datetime:
    """Return a date, or a moment where a time is given. Raises ConfigError naming what would be right."""
    from gonogo.errors import Complaint

    for reader in (date.fromisoformat, datetime.fromisoformat):
        try:
            return reader(text)
        except ValueError:
            continue
    wrong, right = "not a date.", "Write 2026-05-13, or 2026-05-13T06:10 for a moment of that day."
    raise ConfigError([Complaint(place="command line", key="--date", value=text, wrong=wrong, right=right)])


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit code; our own errors become words on stderr."""
    try:
        app(args=list(arguments), prog_name="gonogo")
    except SystemExit as stop:  # how the library ends every command, with the code of typer.Exit or of a usage error
        return stop.code if isinstance(stop.code, int) else Exit.OK
    except ConfigError as error:
        for complaint in error.complaints:
            print(complaint, file=sys.stderr)
        if len(error.complaints) > 1:
            print(f"{len(error.complaints)} faults.", file=sys.stderr)
        return Exit.CONFIG
    except GonogoError as error:
        print(f"gonogo: {error}", file=sys.stderr)
        return Exit.ATTENTION
    return Exit.OK

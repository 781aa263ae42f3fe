"""The commands. The `..._app` modules alone print; heavy imports stand inside the commands, so --help is quick."""

from __future__ import annotations

import contextlib
import logging
import os
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli import (
    ahead_app,
    book_app,
    check_app,
    demo_app,
    grid_app,
    new_app,
    person_app,
    replies_app,
    soil_app,
    strips_app,
)
from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    ConfigOption,
    LanguageOption,
    ReadersLanguage,
    ReadersUnits,
    UnitsOption,
    UsageError,
    WorkersOption,
    load_config,
    meant_by,
    one_site,
    parse_date_or_moment,
    progress,
    speaker_asked,
    takes,
    usage,
)
from gonogo.cli.exit_codes import epilog
from gonogo.cli.outcome import Exit, Printer, Screen
from gonogo.cli.record_app import record_app
from gonogo.errors import ConfigError, GonogoError

app = typer.Typer(
    name="gonogo",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "Every morning, strip by strip: compact, water the lift first, or wait.\n\n"
        "Start with `gonogo demo`: it needs no set-up and no network. Then `gonogo new` asks for your site and writes "
        "its config, which `gonogo check` reads. `gonogo morning --dry-run` shows today's mails without sending; "
        "`gonogo serve` does it every working day.\n\n"
        "Exit codes: 0 all well; 1 somebody must look; 2 wrong input, nothing was changed; 3 no verdict could be made "
        "and the mails say so."
    ),
)
app.add_typer(record_app, name="record", short_help="Record a test, rain, watering or surface work.")


def _version(is_asked: bool) -> None:
    if is_asked:
        from gonogo import __version__

        print(f"gonogo {__version__}")
        raise typer.Exit(Exit.OK)


@app.callback()
def _logging(
    verbose: Annotated[bool, typer.Option("--verbose", help="Say on stderr what is being done.")] = False,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", is_eager=True, callback=_version)
    ] = False,
) -> None:
    from gonogo.service import logs

    logs.set_up(level=logging.INFO if verbose else logging.WARNING, as_json=False, cleaner=logs.Cleaner())


@dataclass(frozen=True, kw_only=True)
class MorningOptions:
    """What `gonogo morning` is asked."""

    site: Annotated[str, typer.Argument(help="Site id; all sites when left out.")] = ""
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the mails; store and send nothing.")] = False
    on: Annotated[
        str,
        typer.Option(
            "--date",
            help="Another morning, such as 2026-05-13, as if run at its mail time (or at 2026-05-13T06:10). A day "
            "already past is shown, never sent.",
        ),
    ] = ""
    folder: Annotated[
        Path | None, typer.Option("--folder", help="With --dry-run: write the mails there instead of on the screen.")
    ] = None
    workers: WorkersOption = None
    language: ReadersLanguage = ""
    units: ReadersUnits = ""
    config: ConfigOption = CONFIG_FOLDER


@takes(MorningOptions)
def morning(asked: MorningOptions) -> None:
    """Make this morning's verdicts now and send the mails, for one site or for all.

    A morning that already ran is not run again: each site has one run for each date. Use --dry-run to look.
    """
    from gonogo.cli import mornings, readers

    is_read_otherwise = bool(asked.language or asked.units)
    if is_read_otherwise and not (asked.dry_run or asked.on):
        wrong = "goes with --dry-run: mails that are sent are in each reader's own language and units."
        raise usage("--language" if asked.language else "--units", wrong, "Add --dry-run, or leave it out.")
    loaded = readers.read_by(load_config(asked.config), language=asked.language, units=asked.units)
    sites = (one_site(loaded, asked.site),) if asked.site else loaded.sites
    printer = Printer()
    with progress("mornings", total=len(sites)) as step:
        request = mornings.MorningRequest(
            sites=sites,
            now_utc=datetime.now(UTC),
            on=parse_date_or_moment(asked.on) if asked.on else None,
            dry_run=asked.dry_run,
            folder=asked.folder,
            n_workers=asked.workers,
            speak=speaker_asked(asked.language or "en", asked.units or "metric"),
        )
        outcome = mornings.mornings(loaded, request, say=step, tell=printer.tell)
    printer.end()
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


def serve(
    config: ConfigOption = CONFIG_FOLDER,
    log: Annotated[
        str, typer.Option("--log", help="text or json; json in a log, text on a terminal, when left out.")
    ] = "",
    workers: WorkersOption = None,
) -> None:
    """Run the mornings and re-checks of all sites, each at its own local time, until stopped with Ctrl-C or SIGTERM.

    A morning missed while the machine was off is caught up until the site's deadline and not after. Two services on
    one database do no harm: each morning runs once and each mail goes once. A changed config is read again by itself;
    one with faults is not used, the operator is told, and the crews get a notice instead of a verdict. A start that
    cannot run (a config that is broken or missing, a database that refuses) tells them too, by the last config that was
    good or what can be read of this one, and is tried again until it works.
    """
    if log not in ("", "text", "json"):
        raise typer.BadParameter('Write "text" or "json".', param_hint="--log")
    from gonogo import config as configs
    from gonogo.service import logs, standby, stop_signals
    from gonogo.service import service as running

    as_json = log == "json" or (not log and not sys.stderr.isatty())
    logs.set_up(level=logging.INFO, as_json=as_json, cleaner=logs.Cleaner())
    halt, reread = threading.Event(), threading.Event()
    stop_signals.heed_signals(halt, reread)

    def start(loaded: configs.Config) -> None:
        logs.set_up(level=logging.INFO, as_json=as_json, cleaner=logs.Cleaner(logs.secrets_of(loaded)))
        running.serve(loaded, stop=halt, reread=reread, environ=os.environ, n_workers=workers)

    standby.run(config, environ=os.environ, halt=halt, start=start)


def status(
    units: UnitsOption = "metric", language: LanguageOption = "en", config: ConfigOption = CONFIG_FOLDER
) -> None:
    """Say how the last run of each site went, which mails wait or failed, and when the next run starts.

    Exit code 0 when all is well and 1 when somebody must look, for monitors.
    """
    from gonogo.cli import status as state

    speak = speaker_asked(language, units)
    outcome = state.status(load_config(config), now_utc=datetime.now(UTC), speak=speak)
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


COMMANDS: tuple[tuple[str, Callable[..., None], str], ...] = (
    ("demo", demo_app.demo, "Run one recorded morning; no config, no network."),
    ("new", new_app.new, "Write a first config: asks what options leave open."),
    ("check", check_app.check, "Read the config and name every fault in it."),
    ("strips", strips_app.strips, "List, add, change or end the strips of a site."),
    ("settings", check_app.settings, "Print every adjustable number and who set it."),
    ("morning", morning, "Make this morning's verdicts now and mail them."),
    ("weather", ahead_app.weather, "Show a site's weather: source, corrections, next hours and days."),
    ("outlook", ahead_app.outlook, "Show the days ahead: chances, hours, order of work."),
    ("whatif", ahead_app.whatif, "Show what a strip would do with other water, rain, disking or delay."),
    ("grid-fetch", grid_app.grid_fetch, "Bring the newest model run of the weather service `grid`."),
    ("serve", serve, "Run every site's mornings until stopped."),
    ("sent", book_app.sent, "Show the mails of a day as they were sent."),
    ("diary", book_app.diary, "Write the site's book: weather, work, tests, mails."),
    ("score", book_app.score, "Say how right the mails were."),
    ("inbox", replies_app.inbox, "Take answers to mails, from files or the mailbox."),
    ("sheet", replies_app.sheet, "Write a page to fill in by pen, per crew and day."),
    ("status", status, "Say what ran, what was sent and what failed."),
    ("forget", person_app.forget, "Remove a person from everything that is stored."),
    ("backtest", soil_app.backtest, "Measure how good the moisture forecast would have been."),
    ("learned", soil_app.learned_soil, "Show what readings taught of each strip's soil, or forget it."),
)
for _name, _command, _short_help in COMMANDS:
    app.command(_name, short_help=_short_help, epilog=epilog(_name))(_command)


def run(arguments: Sequence[str]) -> int:
    """Run one command and return its exit code; our own errors become words on stderr."""
    try:
        with contextlib.redirect_stdout(Screen(sys.stdout)):
            code = app(args=list(arguments), prog_name="gonogo", standalone_mode=False)
    except SystemExit as stop:  # how the library ends where a pipe was closed
        return stop.code if isinstance(stop.code, int) else Exit.OK
    except UsageError as error:
        error.show()
        if (meant := meant_by(error)) is not None:
            print(meant, file=sys.stderr)
        return Exit.CONFIG
    except typer.Abort:
        return Exit.ATTENTION
    except ConfigError as error:
        for fault in error.faults:
            print(fault, file=sys.stderr)
        if len(error.faults) > 1:
            print(f"{len(error.faults)} faults.", file=sys.stderr)
        return Exit.CONFIG
    except GonogoError as error:
        print(f"gonogo: {error}", file=sys.stderr)
        return Exit.ATTENTION
    return code if isinstance(code, int) else Exit.OK

"""Options that commands share, and what is made of their words: config, site, strip, date."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import MISSING, fields
from datetime import date, datetime
from functools import wraps
from inspect import Parameter, Signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_type_hints

import typer

from gonogo.errors import ConfigError

if TYPE_CHECKING:
    from gonogo.config import Config
    from gonogo.records.site import Site, Strip
    from gonogo.wording.language import Speaker

WorkersOption = Annotated[
    int | None,
    typer.Option(
        "--workers",
        min=1,
        max=256,
        help="Processes that make the runs, each on a core of its own; when left out as many as the machine has cores, "
        "and none for fewer than five sites.",
    ),
]
ConfigOption = Annotated[
    Path, typer.Option("--config", envvar="GONOGO_CONFIG", help="Folder with gonogo.toml and sites/*.toml.")
]
SiteOption = Annotated[str, typer.Option("--site", help="Site id; may be left out where the config has one site.")]
AtOption = Annotated[str, typer.Option("--at", help='When: "2026-05-12 06:40", site time. Now when left out.')]
CorrectsOption = Annotated[str, typer.Option("--corrects", help="Number of the stored entry that this one replaces.")]
LanguageOption = Annotated[str, typer.Option("--language", help="Language that it is written in: en, es, fr or pt.")]
UnitsOption = Annotated[str, typer.Option("--units", help="metric or us.")]
ReadersLanguage = Annotated[
    str,
    typer.Option("--language", help="Language of all shown mails: en, es, fr or pt; each reader's own when left out."),
]
ReadersUnits = Annotated[
    str, typer.Option("--units", help="Units of all shown mails: metric or us; each reader's own when left out.")
]
CONFIG_FOLDER = Path("config")

OptionsT = TypeVar("OptionsT")
UsageError: Any = typer.BadParameter.__bases__[0]  # of the library's own words for a wrong argument, whose home moves


def meant_by(error: Any) -> str | None:
    """Return what the argument is for that was left out or is impossible, None where the error is about no argument."""
    parameter: Any = getattr(error, "param", None)
    text = getattr(parameter, "help", None)
    if parameter is None or not text:
        return None
    name = max(parameter.opts, key=len) if parameter.param_type_name == "option" else parameter.name
    return f"{name}: {text}"


def load_config(folder: Path) -> Config:
    from gonogo import config

    return config.load(folder, environ=os.environ)


def one_site(config: Config, site_id: str, *, strip_id: str = "") -> Site:
    """Return the site meant: by id, by being the only one, or by being the only one with that strip."""
    import difflib

    from gonogo.errors import Fault

    if site_id:
        candidates = [s for s in config.sites if s.id == site_id]
    elif len(config.sites) == 1:
        candidates = list(config.sites)
    else:
        candidates = [s for s in config.sites if strip_id and s.strips_called(strip_id)]
    if len(candidates) == 1:
        return candidates[0]
    names = [s.id for s in config.sites]
    near = difflib.get_close_matches(site_id, names, n=1)
    raise ConfigError(
        [
            Fault(
                place="command line",
                key="site",
                value=site_id,
                wrong="no such site." if site_id else "several sites fit.",
                right=f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}.",
            )
        ]
    )


def one_strip(site: Site, strip_id: str) -> Strip:
    """Return a strip of a site by its id."""
    names = [s.id for s in site.strips]
    if strip_id in names:
        return site.strip(strip_id)
    raise no_such("strip", strip_id, names)


def speaker_asked(language: str, units: str) -> Speaker:
    """Return a language with a system of units. Raises ConfigError that names what there is."""
    from gonogo.wording.language import languages, speaker

    if units not in ("metric", "us"):
        raise no_such("--units", units, ["metric", "us"])
    if language not in languages():
        raise no_such("--language", language, languages())
    return speaker(language, units)


def no_such(key: str, value: str, names: Sequence[str]) -> ConfigError:
    import difflib

    from gonogo.errors import Fault

    near = difflib.get_close_matches(value, names, n=1)
    right = f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}."
    wrong = "is not known here."
    return ConfigError([Fault(place="command line", key=key, value=value, wrong=wrong, right=right)])


def usage(key: str, wrong: str, right: str) -> ConfigError:
    from gonogo.errors import Fault

    return ConfigError([Fault(place="command line", key=key, value="", wrong=wrong, right=right)])


def takes(record: type[OptionsT]) -> Callable[[Callable[[OptionsT], None]], Callable[..., None]]:
    """Make a command of a function of one record: each field of the record is an argument or option of the command."""

    def command_of(function: Callable[[OptionsT], None]) -> Callable[..., None]:
        hints = get_type_hints(record, include_extras=True)

        @wraps(function)
        def command(**given: Any) -> None:
            function(record(**given))

        command.__annotations__ = hints
        command.__signature__ = Signature(  # type: ignore[attr-defined]  # what inspect.signature looks for
            [
                Parameter(
                    part.name,
                    Parameter.KEYWORD_ONLY,
                    annotation=hints[part.name],
                    default=Parameter.empty if part.default is MISSING else part.default,
                )
                for part in fields(record)  # type: ignore[arg-type]  # a dataclass
            ]
        )
        return command

    return command_of


@contextmanager
def progress(what: str, total: int | None = None) -> Iterator[Callable[[str], None]]:
    """Show progress on a terminal; stay quiet in a log. What is printed meanwhile stands above the bar."""
    if not sys.stderr.isatty():
        yield lambda _text: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

    columns: list[Any] = [SpinnerColumn(), TextColumn("{task.description}")]
    if total and total > 1:
        columns += [BarColumn(), TextColumn("{task.completed}/{task.total}")]
    # Of a stdout that goes elsewhere nothing may be taken: the bar would print it on the terminal.
    is_above = sys.stdout.isatty()
    with Progress(*columns, console=Console(stderr=True), transient=True, redirect_stdout=is_above) as bar:
        task = bar.add_task(what, total=total)

        def step(text: str) -> None:
            bar.update(task, description=text, advance=1 if total else 0)

        yield step


def parse_date_or_moment(text: str) -> date | datetime:
    """Return a date, or a moment where a time is given. Raises ConfigError naming what would be right."""
    from gonogo.errors import Fault
    from gonogo.records.ranges import FIRST_YEAR, LAST_YEAR

    wrong = "not a date."
    for reader in (date.fromisoformat, datetime.fromisoformat):
        try:
            found = reader(text)
        except ValueError:
            continue
        if FIRST_YEAR <= found.year <= LAST_YEAR:
            return found
        wrong = "lies in no year of this century."
    right = "Write 2026-05-13, or 2026-05-13T06:10 for a moment of that day."
    raise ConfigError([Fault(place="command line", key="--date", value=text, wrong=wrong, right=right)])

"""Options that commands share, and what is made of their words: config, site, strip, date."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gonogo.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Callable

    from gonogo.config import Config
    from gonogo.records.site import Site, Strip

ConfigOption = Annotated[
    Path, typer.Option("--config", envvar="GONOGO_CONFIG", help="Folder with gonogo.toml and sites/*.toml.")
]
SiteOption = Annotated[str, typer.Option("--site", help="Site id; may be left out where the config has one site.")]
AtOption = Annotated[str, typer.Option("--at", help='When: "2026-05-12 06:40", site time. Now when left out.')]
CorrectsOption = Annotated[str, typer.Option("--corrects", help="Number of the stored entry that this one replaces.")]
CONFIG_FOLDER = Path("config")


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
        candidates = [s for s in config.sites if strip_id and any(strip.id == strip_id for strip in s.strips)]
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


def units_asked(word: str) -> str:
    """Return a system of units."""
    if word in ("metric", "us"):
        return word
    raise no_such("--units", word, ["metric", "us"])


def no_such(key: str, value: str, names: Sequence[str]) -> ConfigError:
    import difflib

    from gonogo.errors import Fault

    near = difflib.get_close_matches(value, names, n=1)
    right = f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}."
    wrong = "is none known here."
    return ConfigError([Fault(place="command line", key=key, value=value, wrong=wrong, right=right)])


def usage(key: str, wrong: str, right: str) -> ConfigError:
    from gonogo.errors import Fault

    return ConfigError([Fault(place="command line", key=key, value="", wrong=wrong, right=right)])


@contextmanager
def progress(what: str, total: int | None = None) -> Iterator[Callable[[str], None]]:
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
    from gonogo.errors import Fault

    for reader in (date.fromisoformat, datetime.fromisoformat):
        try:
            return reader(text)
        except ValueError:
            continue
    wrong, right = "not a date.", "Write 2026-05-13, or 2026-05-13T06:10 for a moment of that day."
    raise ConfigError([Fault(place="command line", key="--date", value=text, wrong=wrong, right=right)])

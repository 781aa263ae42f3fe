"""`gonogo new`: a first config from questions, options or lists."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import takes

ListOption = Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewOptions:
    """Arguments and options of `gonogo new`."""

    folder: Annotated[Path, typer.Argument(help="A folder that does not exist yet, or is empty.")]
    name: Annotated[str, typer.Option("--name", help="Name of the site.")] = ""
    place: Annotated[str, typer.Option("--place", help='"42.137 -94.368" or "42.137 N 94.368 W".')] = ""
    zone: Annotated[str, typer.Option("--zone", help="Time zone; found from the place when left out.")] = ""
    elevation: Annotated[str, typer.Option("--elevation", help='"325 m" or "1066 ft" above sea level.')] = ""
    units: Annotated[str, typer.Option("--units", help="metric or us: of the mails and of the answers.")] = ""
    language: Annotated[str, typer.Option("--language", help="Of the mails: en, es, fr or pt.")] = ""
    use: Annotated[str, typer.Option("--use", help="commercial or non-commercial.")] = ""
    operator: Annotated[str, typer.Option("--operator", help="Mail address of whoever looks after it.")] = ""
    shift: Annotated[str, typer.Option("--shift", help='"07:00-17:30".')] = ""
    days: Annotated[str, typer.Option("--days", help='"mon-fri" or "mon tue thu".')] = ""
    mixing_depth: Annotated[str, typer.Option("--mixing-depth", help='How deep water is mixed in: "300 mm".')] = ""
    crew: Annotated[list[str], typer.Option("--crew", help='A crew: "north=North crew"; may be repeated.')] = ()  # type: ignore[assignment]
    strips: Annotated[ListOption, typer.Option("--strips", help="CSV with a line per strip.")] = None
    people: Annotated[ListOption, typer.Option("--people", help="CSV with a line per person.")] = None
    machines: Annotated[ListOption, typer.Option("--machines", help="CSV with a line per roller or truck.")] = None
    materials: Annotated[ListOption, typer.Option("--materials", help="CSV with a line per material.")] = None


@takes(NewOptions)
def new(options: NewOptions) -> None:
    """Write a first config into a new folder: asks what options and CSV files leave open.

    Answers come from the terminal or, without one, as lines of standard input; an empty line takes the value in
    brackets. Numbers without a unit are in the units that were chosen. Nothing is written before all is answered and
    `gonogo check` accepts it, and nothing is ever overwritten. Columns of the CSV files: the keys of the config.
    """
    from gonogo.cli import new_answers, new_folder, new_things
    from gonogo.cli.new_questions import Asker
    from gonogo.config.dated import dated_warnings
    from gonogo.config.lists import MACHINES, MATERIALS, PEOPLE, STRIPS
    from gonogo.wording.language import languages

    now_utc = datetime.now(UTC)
    new_folder.require_empty(options.folder)
    asker = Asker(_next_line, _say, is_terminal=sys.stdin.isatty())
    named = {STRIPS: options.strips, PEOPLE: options.people, MACHINES: options.machines, MATERIALS: options.materials}
    lists = {name: path for name, path in named.items() if path is not None}
    given = new_things.Given(
        **{part.name: getattr(options, part.name) for part in fields(new_things.Given) if hasattr(options, part.name)},
        crews=tuple(options.crew),
        lists=lists,
    )
    made = new_answers.answers(asker, given, languages(), now_utc.date())
    config = new_folder.write(options.folder, made, lists, os.environ)
    n_strips = len(config.sites[0].strips)
    print(
        f"\n{options.folder}: {n_strips} strips of {made.name}, accepted by `gonogo check`; questions: {asker.n_asked}."
    )
    for warning in (*config.warnings, *dated_warnings(config, now_utc=now_utc)):
        print(f"Warning: {warning}")
    print(
        f"Next: gonogo check --config {options.folder}\n"
        f"      gonogo morning --dry-run --config {options.folder}\n"
        f"Then [mail] in {options.folder}/gonogo.toml, so that mails leave."
    )


def _next_line() -> str | None:
    line = sys.stdin.readline()
    return line.rstrip("\r\n") if line else None


def _say(text: str) -> None:
    print(text, end="", flush=True)
    if text.endswith(": ") and not sys.stdin.isatty():
        print(flush=True)

"""`gonogo demo`: one recorded morning of an invented site. Nothing is asked of the network, and nothing is sent."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import ReadersLanguage, ReadersUnits, progress
from gonogo.cli.outcome import Exit


def demo(
    folder: Annotated[Path, typer.Option("--folder", help="Where to write the mails.")] = Path("gonogo-demo"),
    rain: Annotated[bool, typer.Option("--rain", help="A day with rain in the morning, not a dry one.")] = False,
    reply: Annotated[
        bool, typer.Option("--reply", help="Show an answer to a mail too: a test result, and what follows.")
    ] = False,
    language: ReadersLanguage = "",
    units: ReadersUnits = "",
) -> None:
    """Run one morning of an invented site on recorded weather: no config, no network, nothing is sent.

    Writes each mail as .eml and .html into a folder, with an index.html to open in a browser.
    """
    from gonogo.cli import demo as demonstration

    choice = demonstration.DemoOptions(is_rainy=rain, has_reply=reply, language=language, units=units)
    with progress("one morning on recorded weather") as step:
        result = demonstration.run(folder, choice=choice, say=step)
    print(result.table)
    if result.reply:
        print(f"\n{result.reply}")
    print(f"\n{result.n_mails} mails written. Open this file in a browser:\n  {result.index}")
    print(f"The days ahead, as `gonogo outlook --html` writes them:\n  {result.outlook}")
    raise typer.Exit(Exit.OK)

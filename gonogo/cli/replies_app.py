"""`gonogo inbox` and `gonogo sheet`: answers from a file or the mailbox, and the page for the pen."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import CONFIG_FOLDER, ConfigOption, SiteOption, load_config, one_site, parse_date_or_moment


def inbox(
    files: Annotated[
        list[Path] | None, typer.Argument(help="Answers as .eml files; the mailbox of the config when left out.")
    ] = None,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Take answers to mails now: those of files, or all that lie in the mailbox. `gonogo serve` does it by itself.

    A mail that was taken before adds nothing. What is written back goes with the next delivery.
    """
    from gonogo.cli import inbox_report

    outcome = inbox_report.run(load_config(config), tuple(files or ()), clock_utc=lambda: datetime.now(UTC))
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


def sheet(
    crew: Annotated[str, typer.Argument(help="Crew id; every crew of the site when left out.")] = "",
    site: SiteOption = "",
    on: Annotated[str, typer.Option("--date", help="Local date, such as 2026-05-12; today when left out.")] = "",
    paper: Annotated[str, typer.Option("--paper", help="A4 or letter.")] = "A4",
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.", file_okay=False)] = Path("sheets"),
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Write a page for the pen: what each strip was told, with room for what was done, to phone in or photograph.

    One page a crew and day, in the language and units of the crew's first reader.
    """
    from gonogo.cli import sheets

    loaded = load_config(config)
    asked = one_site(loaded, site)
    now_utc = datetime.now(UTC)
    day = now_utc.astimezone(asked.zone).date()
    if on:
        found = parse_date_or_moment(on)
        day = found.date() if isinstance(found, datetime) else found
    print(sheets.write(loaded, asked, sheets.SheetOptions(crew_id=crew, day=day, paper=paper, folder=out)))

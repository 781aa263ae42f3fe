"""`gonogo sent`, `diary` and `score`: what was mailed, the site's book, and how right the mails were."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from gonogo.cli.arguments import (
    CONFIG_FOLDER,
    ConfigOption,
    LanguageOption,
    load_config,
    one_site,
    parse_date_or_moment,
    progress,
    speaker_asked,
    takes,
    usage,
)


def sent(
    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = "",
    on: Annotated[str, typer.Option("--date", help="Local date, such as 2026-05-12; today when left out.")] = "",
    person: Annotated[str, typer.Option("--person", help="Part of a reader's name or address.")] = "",
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder: each mail as .eml and .html.", file_okay=False)
    ] = None,
    config: ConfigOption = CONFIG_FOLDER,
) -> None:
    """Show the mails of a day exactly as they were sent, and what became of each.

    Nothing is computed again. A mail whose body is kept no longer is still listed with its delivery.
    """
    from gonogo.cli import sent_report

    loaded = load_config(config)
    asked = one_site(loaded, site)
    day = _date(on) if on else datetime.now(UTC).astimezone(asked.zone).date()
    outcome = sent_report.sent(loaded, asked, sent_report.SentOptions(day=day, person=person, folder=out))
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


@dataclass(frozen=True, slots=True, kw_only=True)
class DiaryOptions:
    """The words of `gonogo diary`."""

    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = ""
    month: Annotated[str, typer.Option("--month", help="A month, such as 2026-05.")] = ""
    since: Annotated[str, typer.Option("--since", help="Instead of --month: first local date.")] = ""
    until: Annotated[str, typer.Option("--until", help="With --since: last local date; today when left out.")] = ""
    out: Annotated[Path, typer.Option("--out", help="Folder to write to.", file_okay=False)] = Path("diary")
    verify: Annotated[
        Path | None, typer.Option("--verify", help="Write nothing: check a folder that was exported.", file_okay=False)
    ] = None
    language: LanguageOption = "en"
    units: Annotated[str, typer.Option("--units", help="metric or us, for the page to print.")] = "metric"
    config: ConfigOption = CONFIG_FOLDER


@takes(DiaryOptions)
def diary(asked: DiaryOptions) -> None:
    """Write the site's book: weather, strips, tests, entries and mails of a month, each as CSV, described by
    datapackage.json, and the month as one page to print.

    Forecast, model, weather service, gauge and the contract's station never share a column. Each row carries a hash
    over all rows before it; --verify finds an altered digit, a missing or an added row.
    """
    from gonogo.book.export import Covered
    from gonogo.cli import diary_report

    if asked.verify is not None:
        outcome = diary_report.verify(asked.verify)
    else:
        loaded = load_config(asked.config)
        site = one_site(loaded, asked.site)
        first, last = _span(asked, datetime.now(UTC).astimezone(site.zone).date())
        with progress("days", total=(last - first).days + 1) as step:
            outcome = diary_report.write(
                loaded,
                Covered(site=site.with_ended(), first=first, last=last),
                folder=asked.out,
                now_utc=datetime.now(UTC),
                speak=speaker_asked(asked.language, asked.units),
                say=step,
            )
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreOptions:
    """The words of `gonogo score`."""

    site: Annotated[str, typer.Argument(help="Site id; may be left out where the config has one site.")] = ""
    since: Annotated[str, typer.Option("--since", help="First local date; four weeks ago when left out.")] = ""
    until: Annotated[str, typer.Option("--until", help="Last local date; today when left out.")] = ""
    html: Annotated[Path | None, typer.Option("--html", help="Write a page with a picture to this file too.")] = None
    language: LanguageOption = "en"
    units: Annotated[str, typer.Option("--units", help="metric or us.")] = "metric"
    config: ConfigOption = CONFIG_FOLDER


@takes(ScoreOptions)
def score(asked: ScoreOptions) -> None:
    """Say how right a site's mails were: moisture as foreseen beside the tests that came later and beside "as last
    tested", chances beside what came true, rain beside the gauge, verdicts and litres beside tests, mails on time.

    Everything scored is what was stored and told at the time; no figure is given for fewer than 10 pairs.
    """
    from gonogo.book.export import Covered
    from gonogo.cli import score_report

    loaded = load_config(asked.config)
    site = one_site(loaded, asked.site)
    today = datetime.now(UTC).astimezone(site.zone).date()
    last = min(_date(asked.until), today) if asked.until else today
    first = _date(asked.since) if asked.since else last - timedelta(weeks=4) + timedelta(days=1)
    if last < first:
        raise usage("--since", f"{first} to {last}: no day of it has been.", "Name days up to today, the first first.")
    with progress("score"):
        outcome = score_report.show(
            loaded,
            Covered(site=site.with_ended(), first=first, last=last),
            speak=speaker_asked(asked.language, asked.units),
            html=asked.html,
        )
    print(outcome.text)
    raise typer.Exit(outcome.exit_code)


def _date(text: str) -> date:
    found = parse_date_or_moment(text)
    return found.date() if isinstance(found, datetime) else found


def _span(asked: DiaryOptions, today: date) -> tuple[date, date]:
    """First and last date asked for; days to come are left out."""
    if bool(asked.month) == bool(asked.since):
        raise usage("--month", "give a month, or --since.", "Write --month 2026-05, or --since 2026-05-01.")
    if asked.month:
        if not re.fullmatch(r"[0-9]{4}-(0[1-9]|1[0-2])", asked.month):
            raise usage("--month", f"{asked.month}: is no month.", "Write year and month, for example 2026-05.")
        first = _date(f"{asked.month}-01")
        last = (first.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
    else:
        first, last = _date(asked.since), _date(asked.until) if asked.until else today
    last = min(last, today)
    if last < first:
        raise usage("--since", f"{first} to {last}: no day of it has been.", "Name days up to today, the first first.")
    return first, last

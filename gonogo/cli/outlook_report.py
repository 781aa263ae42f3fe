"""What `gonogo outlook` shows: strips by days, order of work and changes, on the screen or as a page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from gonogo import times
from gonogo.cli.outcome import Exit, Outcome
from gonogo.config import Config
from gonogo.decide.conclusion import Conclusion
from gonogo.download.forecasts import Fetch, from_stored
from gonogo.download.rounds import Rounds
from gonogo.errors import GonogoError
from gonogo.morning import compute, previous
from gonogo.outgoing.frame import RunFrame
from gonogo.page import words
from gonogo.page.outlook import Told, page
from gonogo.records.field import Entry
from gonogo.records.site import Site
from gonogo.records.verdict import OutlookDay
from gonogo.service.clock import clock_utc
from gonogo.store.open import open_store

NAME_WIDTH, CELL_WIDTH = 22, 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a look ahead comes to; nothing of it is stored but the answer of the weather service."""

    conclusion: Conclusion
    entries: tuple[Entry, ...]


def look(config: Config, site: Site, *, now_utc: datetime, only_stored: bool, fetch: Fetch | None = None) -> Looked:
    """Judge a site as a morning would, now. only_stored: ask no service, use the newest stored answer."""
    store = open_store(config)
    try:
        frame = RunFrame(
            config=config,
            site=site,
            day=times.local_date(now_utc, site.zone),
            now_utc=now_utc,
            deadline_utc=now_utc,
            store=store,
            fetch=from_stored if only_stored else fetch or Rounds(config, clock_utc=clock_utc).fetch,
            keeps=not only_stored,
        )
        stored = previous.load(frame)
        conclusion = compute.conclude(frame, stored)
    finally:
        store.dispose()
    return Looked(conclusion=conclusion, entries=stored.entries)


def show(
    config: Config,
    site: Site,
    *,
    now_utc: datetime,
    units: str,
    html: Path | None = None,
    only_stored: bool = False,
    fetch: Fetch | None = None,
) -> Outcome:
    """Return the outlook of a site as text; with html, write the page there too and say where."""
    looked = look(config, site, now_utc=now_utc, only_stored=only_stored, fetch=fetch)
    conclusion = looked.conclusion
    if conclusion.judgement is None or not conclusion.has_verdict:
        reasons = "\n".join(f"  {fault}" for fault in conclusion.faults)
        reason = conclusion.reason or "The forecast is too old to be relied on."
        return Outcome(text=f"{site.name}: no outlook. {reason}\n{reasons}".rstrip(), exit_code=Exit.NO_VERDICT)
    lines = [text(site, conclusion, now_utc=now_utc, units=units)]
    if html is not None:
        write_page(html, site, looked, units)
        lines.append(f"Page written to {html}; it is complete in itself and prints on A4 and Letter.")
    return Outcome(text="\n\n".join(lines), exit_code=Exit.OK)


def write_page(path: Path, site: Site, looked: Looked, units: str) -> None:
    """Write the page of a look ahead. Raises GonogoError where it cannot be written."""
    conclusion = looked.conclusion
    assert conclusion.judgement is not None, "only a conclusion with a verdict has a page"
    told = Told(
        inputs=conclusion.judgement.inputs,
        decisions=conclusion.decisions,
        outlook=conclusion.outlook,
        order=conclusion.order,
        changes=conclusion.changes,
        entries=looked.entries,
        units=units,
    )
    try:
        path.write_text(page(told), encoding="utf-8")
    except OSError as error:
        raise GonogoError(f"{path} cannot be written: {error.strerror}. Name another file with --html.") from error


def text(site: Site, conclusion: Conclusion, *, now_utc: datetime, units: str) -> str:
    """Return the outlook as plain lines: strips by days, order of work, what has no place, what changed."""
    needed = next((d.facts["chance_needed"] for d in conclusion.decisions if "chance_needed" in d.facts), float("nan"))
    lines = [
        f"{site.name}, {now_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M} site time ({site.zone.key})",
        "Chance that the whole rolling time finds the lift right, and hours with at least "
        f"{words.percent(needed)}; w: if watered first that day.",
        "",
        *_days(site, conclusion, units),
    ]
    order = conclusion.order
    if order is not None:
        lines += ["", "Proposed order of work", words.proof(order, units)]
        for day, works in words.by_day(site, order):
            lines.append(f"  {day}")
            lines += [
                f"    {words.when(site, w)}  {site.crew(w.crew_id).name:<14.14}  {words.work(site, w, units)}"
                for w in works
            ]
        if order.unplanned:
            lines += ["", "Without a place", *(f"  {words.unplanned(site, one)}" for one in order.unplanned)]
    if conclusion.changes is not None:
        told = [f"  {words.change(site, one, units)}" for one in conclusion.changes]
        lines += ["", "Changed since the last run of the day before", *(told or ["  nothing worth a word"])]
    lines += [f"note: {fault}" for fault in conclusion.faults]
    lines += ["", "Advice from a model: tests, specification, local codes and the responsible engineer decide."]
    return "\n".join(lines)


def _days(site: Site, conclusion: Conclusion, units: str) -> list[str]:
    """The table: two lines a strip, a column a day."""
    days = list(dict.fromkeys(row.day for row in conclusion.outlook))
    by_strip: dict[str, list[OutlookDay]] = {}
    for row in conclusion.outlook:
        by_strip.setdefault(row.strip_id, []).append(row)
    head = "".join(f"{f'{day:%a} {day.day}':>{CELL_WIDTH}}" for day in days)
    lines = [f"{'':<{NAME_WIDTH}}{head}"]
    for decision in conclusion.decisions:
        cells = [words.cell(row) for row in by_strip[decision.strip_id]]
        name, verdict = site.strip(decision.strip_id).name, words.VERDICTS[decision.verdict]
        above = "".join(f"{one:>{CELL_WIDTH}}" for one, _ in cells)
        below = "".join(f"{two:>{CELL_WIDTH}}" for _, two in cells)
        lines.append(f"{name:<{NAME_WIDTH}.{NAME_WIDTH - 1}}{above}".rstrip())
        lines.append(f"  today {verdict:<{NAME_WIDTH - 8}}{below}".rstrip())
    rain = next(iter(by_strip.values()), [])
    lines.append(
        f"{'rain':<{NAME_WIDTH}}" + "".join(f"{words.amount('rain_mm', r.rain_mm, units):>{CELL_WIDTH}}" for r in rain)
    )
    lines.append(f"{'':<{NAME_WIDTH}}" + "".join(f"{words.percent(r.rain_chance):>{CELL_WIDTH}}" for r in rain))
    return lines

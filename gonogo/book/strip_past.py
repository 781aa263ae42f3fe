"""What was recorded of each strip, put in order once, so that the book of a year asks it as fast as that of a day."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from gonogo.moisture.lift_history import lifts_over_time
from gonogo.records.field import Entry, GaugeRain, GroundSeen, SurfaceWork, Watering
from gonogo.records.site import Site

CLOSES = ("rolled", "sealed")  # a test soon after is of the lift that was closed


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPast:
    """Water, work and what was seen on a strip, and its lifts, each list by time.

    done          (when, what); lifts (from when on, how many are done)
    """

    done: tuple[tuple[datetime, Watering | SurfaceWork | GroundSeen], ...] = field(default=(), repr=False)
    works: tuple[tuple[datetime, str], ...] = field(default=(), repr=False)
    lifts: tuple[tuple[datetime, int], ...] = field(default=(), repr=False)

    def between(self, start_utc: datetime, end_utc: datetime) -> list[Watering | SurfaceWork | GroundSeen]:
        """Return what was done and seen from a moment on and before another, oldest first."""
        first, last = (bisect_left(self.done, at, key=lambda row: row[0]) for at in (start_utc, end_utc))
        return [entry for _, entry in self.done[first:last]]

    def lift(self, at_utc: datetime) -> int:
        """Return the lift that lay there at a moment: a test soon after rolling is of the rolled one."""
        so_far = bisect_right(self.lifts, at_utc, key=lambda row: row[0])
        n_done = self.lifts[so_far - 1][1] if so_far else 0
        worked = bisect_right(self.works, at_utc, key=lambda row: row[0])
        is_closed = worked > 0 and self.works[worked - 1][1] in CLOSES
        return max(n_done if is_closed else n_done + 1, 1)


NOTHING_DONE = StripPast()


def strip_pasts(site: Site, entries: Sequence[Entry]) -> Mapping[str, StripPast]:
    """Return the past of each strip from the entries in force; of one that the site no longer has, without lifts."""
    by_strip: dict[str, list[Entry]] = {strip.id: [] for strip in site.strips}
    for entry in entries:
        if not isinstance(entry, GaugeRain):
            by_strip.setdefault(entry.strip_id, []).append(entry)
    known = {strip.id: strip for strip in site.strips}
    out = {}
    for strip_id, own in by_strip.items():
        done = sorted((e for e in own if isinstance(e, Watering | SurfaceWork | GroundSeen)), key=lambda e: e.at_utc)
        out[strip_id] = StripPast(
            done=tuple((e.at_utc, e) for e in done),
            works=tuple((e.at_utc, e.work) for e in done if isinstance(e, SurfaceWork)),
            lifts=tuple(lifts_over_time(known[strip_id], own)) if strip_id in known else (),
        )
    return out

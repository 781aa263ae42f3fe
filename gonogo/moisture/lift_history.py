"""What happened to a strip's present lift, from the entries."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from gonogo.moisture.density_tests import judged
from gonogo.moisture.ground_state import NOTHING_SEEN, GroundState, ground_state
from gonogo.records.field import ACCEPTED, BORROW, Entry, LiftResult, Reading, Spread, SurfaceWork, Watering
from gonogo.records.site import Material, Site, Strip, Surface
from gonogo.soil.density import DensityResult

# What work on the surface leaves behind. Rolled counts as sealed: a compacted surface takes in far less (common
# practice, no source).
SURFACE_AFTER: dict[str, Surface] = {
    "rolled": Surface.SEALED,
    "sealed": Surface.SEALED,
    "disked": Surface.SCARIFIED,
    "spread": Surface.LOOSE,
    "mixed": Surface.LOOSE,
}

NEW_LIFT, REWORK = "new_lift", "rework"
NOTHING_TOLD = Spread()
RESTED_H = 2.0  # a test so soon after rolling is of the rolled lift: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class FailedTest:
    """A density test that did not reach what is required, and what it came to."""

    reading: Reading
    result: DensityResult


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftHistory:
    """What happened to one strip's present lift, oldest first; what belongs to an earlier lift is left out.

    is_rolled    it has been rolled, no new one was spread since, and nothing speaks for one or for rework
    assumed      "" = as it was recorded; NEW_LIFT or REWORK = entries after "rolled" say that the lift which lies there
                 is another, or was broken up again, though nobody recorded it
    begins_utc   since when the entries are of this lift, None where they are all there are
    number       of the lift, 1 = the first that was recorded on the strip
    spread       what was recorded of the lift when it was spread
    arrived      how wet it came from the borrow, where that was recorded instead of a test; no test of the lift
    passed       what its last density test came to that reached what is required, None where none did
    failed       the density test that it failed since it was last rolled; it is open again
    n_passes     passes that were recorded on it so far; NaN where a rolling was recorded without their number
    is_rework    the engineer said that it is broken up and done again
    is_again     it was rolled before and is open again: it failed, or was broken up, and has not been rolled since
    ground       how the strip lies by what was seen of it
    offset_pct   by method of a test, how much higher than the oven it reads in this material [% points]
    """

    readings: tuple[Reading, ...]
    waterings: tuple[Watering, ...]
    works: tuple[SurfaceWork, ...]
    is_rolled: bool = False
    assumed: str = ""
    begins_utc: datetime | None = None
    number: int = 1
    spread: Spread = NOTHING_TOLD
    arrived: Reading | None = None
    passed: DensityResult | None = None
    failed: FailedTest | None = None
    is_rework: bool = False
    is_again: bool = False
    n_passes: float = 0.0
    ground: GroundState = NOTHING_SEEN
    offset_pct: Mapping[str, float] = field(default_factory=dict)

    def as_oven_pct(self, reading: Reading) -> float:
        """Return what the oven would have found where a test was taken [%]."""
        return reading.w_pct - self.offset_pct.get(reading.method, 0.0)

    @property
    def lift_from_utc(self) -> datetime | None:
        """When the present lift was spread, None where nobody recorded it."""
        return self.works[0].at_utc if self.works and self.works[0].work == "spread" else None

    def surface(self, strip: Strip) -> Surface:
        """Return the state that the last work left, or the one the config gives where there was none."""
        if not self.works:
            return Surface.LOOSE if self.assumed == NEW_LIFT else strip.surface
        return SURFACE_AFTER[self.works[-1].work]


def lift_history(strip: Strip, entries: Sequence[Entry], now_utc: datetime, site: Site | None = None) -> LiftHistory:
    """Return the history of a strip's present lift up to now. A new lift spread on it starts a new history.

    site   whose materials density tests are judged by; without one none is judged

    After "rolled", on a strip with lifts left, a moisture test, water or a disking means that a new lift lies there or
    that the old one was reworked, though nobody recorded it: the history goes on by the likelier of both, and says so.
    """
    own = _own(strip, entries, now_utc)
    reached = _walk(strip, own, site)
    if reached.begins_utc is not None:
        own = [e for e in own if e.at_utc >= reached.begins_utc]
    tested, arrived = _as_arrived(strip, reached, site)
    return LiftHistory(
        readings=(*tested, *(e for e in own if isinstance(e, Reading))),
        waterings=tuple(e for e in own if isinstance(e, Watering)),
        works=tuple(e for e in own if isinstance(e, SurfaceWork)),
        is_rolled=reached.is_rolled,
        assumed=reached.assumed,
        begins_utc=reached.begins_utc,
        number=max(reached.n_done, 1) if reached.is_rolled else reached.n_done + 1,
        spread=reached.spread,
        arrived=arrived,
        passed=reached.passed,
        failed=reached.failed,
        is_rework=reached.is_rework,
        is_again=reached.is_again,
        n_passes=reached.n_passes,
        ground=ground_state(strip.id, entries, now_utc),
    )


def lifts_done(strip: Strip, entries: Sequence[Entry], now_utc: datetime, site: Site | None = None) -> int:
    """Return how many lifts of a strip are done up to now by what was recorded; one rolled twice counts once.

    site   whose materials density tests are judged by; one that failed is not done
    """
    return _walk(strip, _own(strip, entries, now_utc), site).n_done


def lifts_over_time(strip: Strip, entries: Sequence[Entry]) -> Iterator[tuple[datetime, int]]:
    """Yield the moment of each entry of a strip, oldest first, and how many of its lifts are done from then on.

    The count after a moment's last entry is what `lifts_done` returns for it.
    """
    now = _Reached()
    for entry in _own(strip, entries, None):
        now = _after(now, entry, strip, None)
        yield entry.at_utc, now.n_done


_OfStrip = Reading | Watering | SurfaceWork | LiftResult


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reached:
    """What the entries of a strip come to: lifts rolled, and what lies there since when."""

    n_done: int = 0
    is_rolled: bool = False
    rolled_utc: datetime | None = None
    assumed: str = ""
    begins_utc: datetime | None = None
    spread: Spread = NOTHING_TOLD
    spread_utc: datetime | None = None
    passed: DensityResult | None = None
    failed: FailedTest | None = None
    is_rework: bool = False
    is_again: bool = False
    n_passes: float = 0.0

    def opened(self, **changed: Any) -> _Reached:
        """Return the lift as open again: it is no longer done, and what was recorded of it stays."""
        return replace(
            self, n_done=self.n_done - self.is_rolled, is_rolled=False, is_again=True, passed=None, **changed
        )


def _own(strip: Strip, entries: Sequence[Entry], now_utc: datetime | None) -> list[_OfStrip]:
    """A strip's entries up to now (None: all), oldest first."""
    own = [e for e in entries if isinstance(e, _OfStrip) and e.strip_id == strip.id]
    return sorted((e for e in own if now_utc is None or e.at_utc <= now_utc), key=lambda e: e.at_utc)


def _walk(strip: Strip, own: Sequence[_OfStrip], site: Site | None) -> _Reached:
    """Go through a strip's entries and return what they come to."""
    now = _Reached()
    for entry in own:
        now = _after(now, entry, strip, site)
    return now


def _after(now: _Reached, entry: _OfStrip, strip: Strip, site: Site | None) -> _Reached:
    """Return what a strip has come to after one more entry.

    A disking after rolling says rework: nobody disks a lift that was accepted. A test or water from RESTED_H after
    rolling on says a new lift where the strip has lifts left; a density test is of the rolled one, and where it fails
    the lift is open again, until it is rolled once more or the engineer accepts it.
    """
    if isinstance(entry, SurfaceWork):
        return _worked(now, entry, strip, site)
    if isinstance(entry, LiftResult):
        return _resulted(now, entry)
    if isinstance(entry, Reading) and entry.dry_density_kg_m3 is not None:
        return _tested(now, entry, strip, site) if now.failed is None else now
    if now.is_rolled and now.rolled_utc is not None and now.n_done < strip.lifts:
        if entry.at_utc - now.rolled_utc >= timedelta(hours=RESTED_H):
            return _Reached(n_done=now.n_done, assumed=NEW_LIFT, begins_utc=entry.at_utc)
    return now


def _resulted(now: _Reached, entry: LiftResult) -> _Reached:
    """Return what a strip has come to after the engineer's word on its lift."""
    if entry.result != ACCEPTED:
        return now.opened(is_rework=True)
    return replace(
        now,
        n_done=now.n_done + (not now.is_rolled),
        is_rolled=True,
        rolled_utc=entry.at_utc,
        failed=None,
        is_rework=False,
        is_again=False,
        assumed="",
    )


def _worked(now: _Reached, entry: SurfaceWork, strip: Strip, site: Site | None) -> _Reached:
    """Return what a strip has come to after work on it."""
    if entry.work == "spread":
        spread = entry.spread or NOTHING_TOLD
        return _Reached(n_done=now.n_done, begins_utc=entry.at_utc, spread=spread, spread_utc=entry.at_utc)
    if entry.work == "rolled":
        n_passes = now.n_passes + (math.nan if entry.passes is None else entry.passes)
        method = None if site is None else material_of(strip, now.spread, site).method
        if method is not None and n_passes < method.passes:  # the rest of its passes is still to come
            return replace(now, n_passes=n_passes)
        return replace(
            now,
            n_done=now.n_done + (not now.is_rolled),
            is_rolled=True,
            rolled_utc=entry.at_utc,
            assumed="",
            passed=None,
            failed=None,
            is_rework=False,
            is_again=False,
            n_passes=n_passes,
        )
    if entry.work == "disked" and (now.is_rolled or now.failed is not None or now.is_rework):
        # What failed is known to be reworked; what was thought done is only taken to be.
        assumed = REWORK if now.is_rolled else ""
        return _Reached(
            n_done=now.n_done - now.is_rolled,
            assumed=assumed,
            begins_utc=entry.at_utc,
            spread=now.spread,
            is_again=True,
        )
    return now


def _tested(now: _Reached, reading: Reading, strip: Strip, site: Site | None) -> _Reached:
    """Return what a strip has come to after a density test of it: accepted, or open again where it failed.

    A lift that nobody recorded as rolled was, where its density says so; where it does not, nothing is known of it.
    """
    material = None if site is None else material_of(strip, now.spread, site)
    found = None if material is None else judged(reading, material)
    if found is None or material is None:
        return now
    result, is_accepted = found
    if not now.is_rolled:
        if now.is_rework or not is_accepted or material.method is not None:
            return now
        now = replace(now, n_done=now.n_done + 1, is_rolled=True, rolled_utc=reading.at_utc, is_again=False, assumed="")
    return replace(now, passed=result) if is_accepted else now.opened(failed=FailedTest(reading=reading, result=result))


def material_of(strip: Strip, spread: Spread, site: Site) -> Material:
    """Return what a lift is made of: what was recorded when it was spread, else what the config says."""
    known = {material.id: material for material in site.materials}
    return known.get(spread.material_id or "", known[strip.material_id])


def _as_arrived(strip: Strip, reached: _Reached, site: Site | None) -> tuple[tuple[Reading, ...], Reading | None]:
    """Return the test that a lift was spread with, and how wet it came from the borrow; at most one of both."""
    spread, at_utc = reached.spread, reached.spread_utc
    if spread.method is None or at_utc is None or site is None:
        return (), None
    w_pct = material_of(strip, spread, site).borrow_w_pct if spread.w_pct is None else spread.w_pct
    if w_pct is None:
        return (), None
    reading = Reading(strip_id=strip.id, at_utc=at_utc, w_pct=w_pct, method=spread.method)
    return ((), reading) if spread.method == BORROW else ((reading,), None)

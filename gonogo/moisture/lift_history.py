"""What happened to a strip's present lift, from the entries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.site import Strip, Surface

# What work on the surface leaves behind. Rolled counts as sealed: a compacted surface takes in far less (common
# practice, no source).
SURFACE_AFTER: dict[str, Surface] = {
    "rolled": Surface.SEALED,
    "sealed": Surface.SEALED,
    "disked": Surface.SCARIFIED,
    "spread": Surface.LOOSE,
}

NEW_LIFT, REWORK = "new_lift", "rework"
RESTED_H = 2.0  # a test so soon after rolling is of the rolled lift: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftHistory:
    """What happened to one strip's present lift, oldest first; what belongs to an earlier lift is left out.

    is_rolled    it has been rolled, no new one was spread since, and nothing speaks for one or for rework
    assumed      "" = as it was recorded; NEW_LIFT or REWORK = entries after "rolled" say that the lift which lies there
                 is another, or was broken up again, though nobody recorded it
    begins_utc   since when the entries are of this lift, None where they are all there are
    """

    readings: tuple[Reading, ...]
    waterings: tuple[Watering, ...]
    works: tuple[SurfaceWork, ...]
    is_rolled: bool = False
    assumed: str = ""
    begins_utc: datetime | None = None

    @property
    def lift_from_utc(self) -> datetime | None:
        """When the present lift was spread, None where nobody recorded it."""
        return self.works[0].at_utc if self.works and self.works[0].work == "spread" else None

    def surface(self, strip: Strip) -> Surface:
        """Return the state that the last work left, or the one the config gives where there was none."""
        if not self.works:
            return Surface.LOOSE if self.assumed == NEW_LIFT else strip.surface
        return SURFACE_AFTER[self.works[-1].work]


def lift_history(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> LiftHistory:
    """Return the history of a strip's present lift up to now. A new lift spread on it starts a new history.

    After "rolled", on a strip with lifts left, a moisture test, water or a disking means that a new lift lies there or
    that the old one was reworked, though nobody recorded it: the history goes on by the likelier of both, and says so.
    """
    own = _own(strip, entries, now_utc)
    reached = _walk(strip, own)
    if reached.begins_utc is not None:
        own = [e for e in own if e.at_utc >= reached.begins_utc]
    return LiftHistory(
        readings=tuple(e for e in own if isinstance(e, Reading)),
        waterings=tuple(e for e in own if isinstance(e, Watering)),
        works=tuple(e for e in own if isinstance(e, SurfaceWork)),
        is_rolled=reached.is_rolled,
        assumed=reached.assumed,
        begins_utc=reached.begins_utc,
    )


def lifts_done(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> int:
    """Return how many lifts of a strip were rolled up to now by what was recorded; one rolled twice counts once."""
    return _walk(strip, _own(strip, entries, now_utc)).n_done


_OfStrip = Reading | Watering | SurfaceWork


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reached:
    """What the entries of a strip come to: lifts rolled, and what lies there since when."""

    n_done: int = 0
    is_rolled: bool = False
    rolled_utc: datetime | None = None
    assumed: str = ""
    begins_utc: datetime | None = None


def _own(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> list[_OfStrip]:
    """A strip's entries up to now, oldest first."""
    own = [e for e in entries if isinstance(e, _OfStrip) and e.strip_id == strip.id and e.at_utc <= now_utc]
    return sorted(own, key=lambda e: e.at_utc)


def _walk(strip: Strip, own: Sequence[_OfStrip]) -> _Reached:
    """Go through a strip's entries and return what they come to.

    A disking after rolling says rework: nobody disks a lift that was accepted. A test or water from RESTED_H after
    rolling on says a new lift where the strip has lifts left; a density test is of the rolled one.
    """
    now = _Reached()
    for entry in own:
        if isinstance(entry, SurfaceWork):
            if entry.work == "spread":
                now = _Reached(n_done=now.n_done, begins_utc=entry.at_utc)
            elif entry.work == "rolled":
                n_done = now.n_done + (not now.is_rolled)
                now = replace(now, n_done=n_done, is_rolled=True, rolled_utc=entry.at_utc, assumed="")
            elif entry.work == "disked" and now.is_rolled:
                now = _Reached(n_done=now.n_done - 1, assumed=REWORK, begins_utc=entry.at_utc)
        elif now.is_rolled and now.rolled_utc is not None and now.n_done < strip.lifts:
            is_density = isinstance(entry, Reading) and entry.dry_density_kg_m3 is not None
            if not is_density and entry.at_utc - now.rolled_utc >= timedelta(hours=RESTED_H):
                now = _Reached(n_done=now.n_done, assumed=NEW_LIFT, begins_utc=entry.at_utc)
    return now

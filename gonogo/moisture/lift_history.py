"""What happened to a strip's present lift, from the entries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """What happened to one strip's present lift, oldest first; what belongs to an earlier lift is left out."""

    readings: tuple[Reading, ...]
    waterings: tuple[Watering, ...]
    works: tuple[SurfaceWork, ...]

    @property
    def lift_from_utc(self) -> datetime | None:
        """When the present lift was spread, None where nobody recorded it."""
        return self.works[0].at_utc if self.works and self.works[0].work == "spread" else None

    @property
    def is_rolled(self) -> bool:
        """The present lift has been rolled and no new one was spread since."""
        return any(w.work == "rolled" for w in self.works)

    def surface(self, strip: Strip) -> Surface:
        """Return the state that the last work left, or the one the config gives where there was none."""
        return SURFACE_AFTER[self.works[-1].work] if self.works else strip.surface


def story(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> Story:
    """Return the story of a strip's present lift up to now. A new lift spread on it starts a new story."""
    own = [
        e
        for e in entries
        if isinstance(e, Reading | Watering | SurfaceWork) and e.strip_id == strip.id and e.at_utc <= now_utc
    ]
    own.sort(key=lambda e: e.at_utc)
    spread = [e.at_utc for e in own if isinstance(e, SurfaceWork) and e.work == "spread"]
    if spread:
        own = [e for e in own if e.at_utc >= spread[-1]]
    return Story(
        readings=tuple(e for e in own if isinstance(e, Reading)),
        waterings=tuple(e for e in own if isinstance(e, Watering)),
        works=tuple(e for e in own if isinstance(e, SurfaceWork)),
    )


def lifts_done(strip: Strip, entries: Sequence[Entry], now_utc: datetime) -> int:
    """Return how many lifts of a strip were recorded as rolled up to now; one rolled twice counts once."""
    works = sorted(
        (e for e in entries if isinstance(e, SurfaceWork) and e.strip_id == strip.id and e.at_utc <= now_utc),
        key=lambda e: e.at_utc,
    )
    n_done, is_rolled = 0, False
    for one in works:
        if one.work == "spread":
            is_rolled = False
        elif one.work == "rolled" and not is_rolled:
            n_done, is_rolled = n_done + 1, True
    return n_done

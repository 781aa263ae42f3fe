"""Why a strip changed between two runs: what was recorded, what fell, what is forecast, what the moisture did."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from gonogo import units
from gonogo.records.field import Entry, GroundSeen, Reading, SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.records.verdict import Decision
from gonogo.records.work_order import Why

# A rise that a printed tenth shows; smaller ones are rounding, on frozen ground for one.
PRINTED_PCT = units.QUANTITIES["w_pct"][0].step / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Both runs by strip and day, and what happened between them.

    rain_before, rain_now   rain [mm] and chance of a wet day, by date
    fallen_mm               rain and melt between the runs, NaN = unknown
    events                  what was recorded of each strip between the runs, as causes, oldest first
    badges                  by strip the words that the mails of the earlier and of this run show, as of PreviousRun
    """

    site: Site
    now_utc: datetime
    before: Mapping[str, Decision]
    now: Mapping[str, Decision]
    rain_before: Mapping[date, tuple[float, float]]
    rain_now: Mapping[date, tuple[float, float]]
    fallen_mm: tuple[float, float]
    events: Mapping[str, tuple[Why, ...]]
    settings: Mapping[str, float]
    badges: tuple[Mapping[str, str], Mapping[str, str]] = ({}, {})


def events(strip_id: str, between: Sequence[Entry]) -> tuple[Why, ...]:
    """Return what was recorded of a strip, as causes, oldest first."""
    found: list[Why] = []
    own = [
        e for e in between if isinstance(e, Reading | Watering | SurfaceWork | GroundSeen) and e.strip_id == strip_id
    ]
    for entry in sorted(own, key=lambda e: e.at_utc):
        if isinstance(entry, Reading):
            found.append(Why(key="reading", numbers={"reading_w_pct": entry.w_pct}, at_utc=entry.at_utc))
        elif isinstance(entry, Watering):
            found.append(Why(key="watered", numbers={"litres": entry.litres}, at_utc=entry.at_utc))
        elif isinstance(entry, GroundSeen):
            numbers = {} if entry.lying_mm is None else {"lying_mm": entry.lying_mm}
            found.append(Why(key=f"ground_{entry.state}", numbers=numbers, at_utc=entry.at_utc))
        else:
            key = entry.work if entry.work in ("rolled", "spread") else "worked"
            found.append(Why(key=key, at_utc=entry.at_utc))
    return tuple(found)


def why(sides: Sides, strip_id: str, until: date, *, is_verdict: bool = False) -> tuple[Why, ...]:
    """Return the causes that the two runs show for a strip, most telling first.

    until   last local date that matters; rain of later days is no cause
    """
    old, new = sides.before.get(strip_id), sides.now.get(strip_id)
    if old is None or new is None:
        return ()
    settings = sides.settings
    moisture = {"w_before_pct": old.w_now_pct, "w_now_pct": new.w_now_pct}
    found = [
        Why(key=c.key, numbers=c.numbers | moisture, at_utc=c.at_utc) if c.key == "reading" else c
        for c in sides.events[strip_id]
    ]
    if is_verdict and new.reason in ("day_off", "reading_too_old"):
        numbers = {"reading_age_h": new.reading_age_h} if new.reason == "reading_too_old" else {}
        found.append(Why(key=new.reason, numbers=numbers))
    moved_pct = new.w_now_pct - old.w_now_pct
    water_mm = math.fsum(sides.fallen_mm)
    if water_mm >= settings["change_rain_fell_mm"] and moved_pct >= PRINTED_PCT:
        key = "rain_and_melt" if sides.fallen_mm[1] > 0.0 else "rain_fell"
        found.append(Why(key=key, numbers={"rain_mm": water_mm}))
    common = [day for day in sides.rain_now if day in sides.rain_before and day <= until]
    rain_before, rain_now = (math.fsum(side[day][0] for day in common) for side in (sides.rain_before, sides.rain_now))
    if abs(rain_now - rain_before) >= settings["change_rain_mm"]:
        key = "rain_more" if rain_now > rain_before else "rain_less"
        found.append(Why(key=key, numbers={"rain_before_mm": rain_before, "rain_after_mm": rain_now}))
    has_own = any(c.key in ("reading", "watered", "spread") for c in found)
    if abs(moved_pct) >= settings["change_moisture_pct"] and not has_own:
        found.append(Why(key="wetter" if moved_pct > 0.0 else "drier", numbers=moisture))
    return tuple(found)

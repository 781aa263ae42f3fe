"""The way back of a wet strip as the plan tells it: when it is disked, when it is likely ready, or that it never is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from gonogo import times
from gonogo.decide.dry_back import REST_H, Disked, chance_inside, last_disking_before
from gonogo.decide.lift_state import middle_half_pct
from gonogo.decide.order.today import weather_chances
from gonogo.decide.outlook import days
from gonogo.decide.plan.basis import Basis
from gonogo.decide.plan.test_first import tests_after
from gonogo.decide.plan.test_limits import limits_pct
from gonogo.decide.windows import moment, starts_h
from gonogo.records.day_plan import DryBack, NextTry
from gonogo.records.shift import half_of

READY_CHANCE = 0.5  # from here on a test is as likely to release a strip as not
SOME_CHANCE = 0.2  # a lift that never reaches this is not brought back by disking


def way_back(basis: Basis, s: int) -> DryBack | None:
    """Return how the wet strip on row s comes back, None where disking was not asked for it; once."""
    if s not in basis.ways_back:
        basis.ways_back[s] = _way_back(basis, s)
    return basis.ways_back[s]


def _way_back(basis: Basis, s: int) -> DryBack | None:
    inputs, prepared = basis.inputs, basis.prepared
    strip = inputs.strips[s]
    path = basis.disked.get(strip.id)
    if path is None or math.isnan(prepared.rolling_h[s]):
        return None
    best = 0.0
    needed_h = prepared.rolling_h[s] + prepared.seal_h
    for hours in days(prepared):
        if not hours.is_working_day:
            continue
        starts = starts_h(hours, needed_h)
        dry = weather_chances(prepared, s, np.array(starts), needed_h).tolist()
        for start_h, dry_chance in zip(starts, dry, strict=True):
            before = last_disking_before(path, start_h - REST_H)
            if not before or not dry_chance >= READY_CHANCE:
                continue
            chance = chance_inside(inputs, s, path, start_h, prepared.rolling_h[s])
            best = max(best, 0.0 if math.isnan(chance) else chance)
            # The last test of a day is worth it earlier: a day hangs on it.
            is_last = hours.day == inputs.day and before[-1] == max(_on_day(basis, path.disk_utc), default=None)
            if chance >= (inputs.setting("test_worth_chance") if is_last else READY_CHANCE):
                at_utc = moment(start_h)
                day, half = half_of(basis.site, at_utc)
                ready = NextTry(day=day, half=half, at_utc=at_utc, chance=chance, after="disk")
                found = DryBack(disk_utc=before, ready=ready, chance=chance, is_hopeless=False)
                return _tested_today(basis, s, path, found, start_h) if hours.day == inputs.day else found
    return DryBack(disk_utc=path.disk_utc[:2], ready=None, chance=best, is_hopeless=best < SOME_CHANCE)


def _tested_today(basis: Basis, s: int, path: Disked, back: DryBack, ready_h: float) -> DryBack:
    """Return the way back of a strip that may be ready today, with the limits of its test and the one after that."""
    prepared = basis.prepared
    strip = basis.inputs.strips[s]
    members = path.w_pct[min(max(math.floor(ready_h) - prepared.cond.first_h, 0), len(path.w_pct) - 1)]
    before = float(np.mean(members)), float(np.std(members))
    material = basis.inputs.material(strip)
    low_pct, high_pct = limits_pct(material, prepared.chance_needed, before)
    if basis.inputs.lift(s).is_again:
        low_pct, high_pct = middle_half_pct(material)
    today = _on_day(basis, path.disk_utc)
    _, late_utc = tests_after(basis, strip, today)
    if late_utc is None or not moment(ready_h) < today[-1]:
        return replace(back, low_pct=low_pct, high_pct=high_pct)
    return replace(back, disk_utc=tuple(today), low_pct=low_pct, high_pct=high_pct, again_late_utc=late_utc)


def _on_day(basis: Basis, disk_utc: Sequence[datetime]) -> list[datetime]:
    """Return the diskings of today."""
    return [at for at in disk_utc if times.local_date(at, basis.site.zone) == basis.inputs.day]

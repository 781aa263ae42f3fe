"""How crews decide without a mail: a careful habit, the same with every evening sealed, and one who knows the truth."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from benchmarks.season.ground import STEP_H, Ground
from benchmarks.season.place import SHIFT_END_H, SHIFT_START_H
from benchmarks.season.sky import Floats
from benchmarks.season.strips import FREE, LYING, ROLLED_BAD, Step, StripNow, rolling_quarters, water_litres
from benchmarks.season.work import RAIN_STOPS_MM, Work

SPREAD_UNTIL_H = 8.5  # the borrow serves each crew from 7:00 to 9:15: three lifts a morning


class Policy(Protocol):
    """What decides. Each is called on working days at its hour."""

    def before_shift(self, work: Work) -> None:
        """Between the mail and the shift."""

    def each_quarter(self, work: Work) -> None:
        """Every quarter hour of the shift."""


def opened(strip: StripNow, after: list[Step]) -> list[Step]:
    """Return what every crew does first: spread the next lift, or break up one that failed."""
    if strip.state == FREE:
        return [Step(kind="spread", until_h=SPREAD_UNTIL_H), *after]
    if strip.state == ROLLED_BAD:
        return [Step(kind="disk"), *after]
    return after if strip.state == LYING else []


class Habit:
    """A gauge on every strip each morning; water to optimum, roll what is inside, disk what is wet, twice a day.

    Nothing is tested on a strip whose lift lies rolled and accepted until the next one is spread: such a test decides
    nothing. Who puts the gauge there too makes one test more on each strip-day that Tally.untested counts.
    """

    def __init__(self, *, seals_every_evening: bool) -> None:
        self.seals_every_evening = seals_every_evening

    def before_shift(self, work: Work) -> None:
        for rank, strip in enumerate(work.strips):
            strip.rank = rank
            strip.queue = opened(strip, [Step(kind="test", then=lambda w, s=strip: self._decided(s, w))])  # type: ignore[misc]
            if self.seals_every_evening:
                strip.seal_by_h = SHIFT_END_H

    def each_quarter(self, work: Work) -> None:
        return

    def _decided(self, strip: StripNow, w_pct: float) -> list[Step]:
        lot = strip.lot
        if w_pct < lot.low_pct:
            litres = water_litres(lot, w_pct, lot.kind.optimum_pct)
            return [Step(kind="water", litres=litres), Step(kind="roll")]
        if w_pct > lot.high_pct:
            return [Step(kind="disk", from_h=9.0), Step(kind="disk", from_h=13.0)]
        return [Step(kind="roll")]


class Oracle:
    """Knows the soil as it is and the weather to come; bound by the same machines and hours, not proven to be best."""

    MARGIN_PCT = 0.3

    def before_shift(self, work: Work) -> None:
        for strip in work.strips:
            strip.queue = opened(strip, [])
        self._rains(work)

    def each_quarter(self, work: Work) -> None:
        """Ask anew each half hour what every idle strip wants."""
        if work.hour % 0.5:
            return
        inside_until = self._inside_until_h(work)
        for s, strip in enumerate(work.strips):
            if strip.state == LYING and not strip.is_busy and not any(q.kind == "mix" for q in strip.queue):
                strip.rank = inside_until[s]
                strip.queue = self._wanted(work, strip, s)

    def _rains(self, work: Work) -> None:
        """Have everything loose sealed before the first rain of 1 mm until the next shift."""
        next_shift_h = 48.0 if work.day.weekday() == 5 else 24.0
        fallen = 0.0
        for k in range(int((next_shift_h - SHIFT_START_H + work.hour) / STEP_H)):
            fallen += work.rain_mm(work.now_h + k * STEP_H)
            if fallen >= 1.0:
                by_h = max(min(work.hour + k * STEP_H - 0.5, SHIFT_END_H), SHIFT_START_H)
                for strip in work.strips:
                    strip.seal_by_h = by_h
                return

    def _inside_until_h(self, work: Work) -> Floats:
        """Return when each strip, left alone, leaves its window today, (S,); the shift's end where it does not."""
        ground = work.ground.copy()
        found = np.full(len(work.strips), 24.0)
        low = np.array([s.lot.low_pct + s.lot.optimum_off_pct for s in work.strips])
        high = np.array([s.lot.high_pct + s.lot.optimum_off_pct for s in work.strips])
        for k in range(int((SHIFT_END_H - work.hour) / STEP_H)):
            w_pct = 100.0 * ground.lift_w
            is_out = (w_pct < low + self.MARGIN_PCT) | (w_pct > high - self.MARGIN_PCT)
            found = np.where(is_out & (found == 24.0), work.hour + k * STEP_H, found)
            self._pass(work, ground, work.now_h + k * STEP_H)
        return found

    @staticmethod
    def _pass(work: Work, ground: Ground, now_h: float) -> None:
        row = work.first_row + math.floor(now_h)
        ground.advance(work.rain_mm(now_h), float(work.open_water_mm[row]) * STEP_H)

    def _wanted(self, work: Work, strip: StripNow, s: int) -> list[Step]:
        lot = strip.lot
        off = work.true_pct(strip) - lot.kind.optimum_pct - lot.optimum_off_pct
        quarters = rolling_quarters(lot)
        is_dry_ahead = all(work.rain_mm(work.now_h + k * STEP_H) <= RAIN_STOPS_MM for k in range(quarters))
        if abs(off) <= lot.kind.half_window - self.MARGIN_PCT:
            return [Step(kind="roll")] if is_dry_ahead else []
        if off < 0.0:
            is_late = work.hour + 2.5 + STEP_H * quarters > SHIFT_END_H
            if is_late or work.rained_mm(work.now_h, work.now_h + 3.0) > 1.0:
                return []
            target = lot.kind.optimum_pct + lot.optimum_off_pct + 0.2
            return [Step(kind="water", litres=water_litres(lot, work.true_pct(strip), target))]
        was_disked_lately = float(work.ground.disked_h[s]) < 3.5
        is_dry_today = work.rained_mm(work.now_h, work.now_h + 8.0) < 1.0
        return [Step(kind="disk")] if is_dry_today and work.hour >= 8.5 and not was_disked_lately else []

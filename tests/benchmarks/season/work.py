"""Crews and machines by the quarter hour: what is asked of a strip, done step by step, and what comes of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from benchmarks.season import compaction, sky
from benchmarks.season.compaction import PASSES
from benchmarks.season.draws import draws
from benchmarks.season.ground import SEALED, STEP_H, Ground
from benchmarks.season.place import CREWS, LIFTS, SHIFT_END_H, SHIFT_START_H, ZONE, Place, laid_w
from benchmarks.season.strips import FINISHED, FREE, LYING, ROLLED_BAD, Step, StripNow, rolling_quarters
from benchmarks.season.tally import Tally

RAIN_STOPS_MM = 0.12  # in a quarter hour: machines stand
RETEST_MM = 3.0  # fallen since the last test, from which no crew rolls before a new one
SOAK_H = 1.0  # from the last drop to the first pass, mixing included
SOAK_TOP_H = 0.5  # of a light dose on a dry top, which is not mixed

Record = Callable[[dict[str, Any]], None]


class Work:
    """The works of a season. Hours `now_h` count from the first local midnight; `hour` is the hour of the local day."""

    def __init__(self, place: Place, true_sky: sky.Sky, ground: Ground, tally: Tally, record: Record) -> None:
        self.place, self.sky, self.ground, self.tally, self.record = place, true_sky, ground, tally, record
        self.strips = [StripNow(lot=lot) for lot in place.lots]
        self.open_water_mm = sky.open_water_mm(true_sky.weather)
        self.first_utc = datetime.combine(place.first_day, datetime.min.time(), ZONE).astimezone(UTC)
        self.first_row = true_sky.weather.row(self.first_utc)
        self.now_h = 0.0
        self.busy: dict[tuple[str, str], tuple[StripNow, Step, int]] = {}
        self.log: list[tuple[float, str, str]] = []
        self._episode_mm, self._dry_h, self._was_counted = 0.0, 0.0, False

    # --- clock, sky and truth ----------------------------------------------------------------------------------

    @property
    def hour(self) -> float:
        return self.now_h % 24.0

    @property
    def day(self) -> date:
        return self.place.first_day + timedelta(days=int(self.now_h // 24.0))

    def at_utc(self, now_h: float | None = None) -> datetime:
        return self.first_utc + timedelta(hours=self.now_h if now_h is None else now_h)

    def rain_mm(self, now_h: float) -> float:
        """True rain of the quarter hour that begins at an hour [mm]."""
        return float(self.sky.weather.rain_mm[self.first_row + math.floor(now_h)]) * STEP_H

    def rained_mm(self, from_h: float, until_h: float) -> float:
        rows = slice(self.first_row + math.floor(from_h), self.first_row + math.floor(until_h))
        return float(self.sky.weather.rain_mm[rows].sum())

    @property
    def is_raining(self) -> bool:
        return self.rain_mm(self.now_h) > RAIN_STOPS_MM

    def index(self, strip: StripNow) -> int:
        return self.strips.index(strip)

    def true_pct(self, strip: StripNow) -> float:
        return 100.0 * float(self.ground.lift_w[self.index(strip)])

    def is_loose(self, strip: StripNow) -> bool:
        """A lift lies there and neither drum has closed it."""
        return strip.state in (LYING, ROLLED_BAD) and self.ground.surface[self.index(strip)] != SEALED

    def say(self, strip: StripNow | None, what: str) -> None:
        self.log.append((self.now_h, strip.lot.id if strip else "", what))

    def enter(self, strip: StripNow, kind: str, at_h: float | None = None, **values: object) -> None:
        """Offer an entry to whoever records."""
        at_utc = self.at_utc(at_h)
        self.record({"kind": kind, "strip": strip.lot.id, "at": at_utc.isoformat()} | values)

    # --- a quarter of an hour ----------------------------------------------------------------------------------

    def advance(self) -> None:
        """Begin what can begin, let a quarter of an hour pass, and end what ends."""
        rain_mm = self.rain_mm(self.now_h)
        if SHIFT_START_H <= self.hour < SHIFT_END_H and self.day.weekday() < 6:
            self._begin_all()
        self._count(rain_mm)
        row = self.first_row + math.floor(self.now_h)
        self.ground.advance(rain_mm, float(self.open_water_mm[row]) * STEP_H)
        self.now_h += STEP_H
        for key, (strip, step, left) in list(self.busy.items()):
            if rain_mm > RAIN_STOPS_MM and step.kind in ("roll", "disk", "mix", "seal", "spread"):
                self._break_off(key, strip, step, left)
            elif left > 1:
                self.busy[key] = (strip, step, left - 1)
            else:
                del self.busy[key]
                strip.is_busy = False
                self._end(strip, step)

    def _count(self, rain_mm: float) -> None:
        """Count lifts that a rain catches loose, and quarter hours of the shift that a lift lies inside its window."""
        self._dry_h = 0.0 if rain_mm > 0.0 else self._dry_h + STEP_H
        if self._dry_h >= 6.0:
            self._episode_mm, self._was_counted = 0.0, False
        self._episode_mm += rain_mm
        if self._episode_mm >= 3.0 and not self._was_counted:
            self._was_counted = True
            caught = [strip for strip in self.strips if self.is_loose(strip)]
            self.tally.caught_loose += len(caught)
            for strip in caught:
                self.say(strip, "caught loose by rain")
        if SHIFT_START_H <= self.hour < SHIFT_END_H and rain_mm <= RAIN_STOPS_MM:
            for strip in self.strips:
                if strip.state == LYING and strip.lot.is_inside(self.true_pct(strip)):
                    strip.inside_quarters += 1

    def end_day(self) -> None:
        """Count who waited, and forget what was asked."""
        for strip in self.strips:
            if strip.inside_quarters >= 12 and not strip.was_rolled_today:
                self.tally.waited_inside += 1
                self.say(strip, f"waited inside, {self.true_pct(strip):.1f}")
            self.tally.untested += not strip.was_tested_today
            strip.inside_quarters, strip.was_rolled_today, strip.was_tested_today = 0, False, False
            strip.queue, strip.seal_by_h = [], math.inf

    # --- beginning -----------------------------------------------------------------------------------------------

    def _begin_all(self) -> None:
        for crew in CREWS:
            own = sorted((s for s in self.strips if s.lot.crew == crew), key=lambda s: s.turn)
            self._seal(crew, own)
            for strip in own:
                if not strip.is_busy and strip.queue:
                    self._begin_next(crew, strip)

    def _seal(self, crew: str, own: list[StripNow]) -> None:
        """Send the roller to seal while there is just time for all that shall be sealed."""
        due = [s for s in own if s.seal_by_h < math.inf and self.is_loose(s)]
        if not due or (crew, "roller") in self.busy or self.is_raining:
            return
        due.sort(key=lambda s: s.seal_by_h)
        is_time = any(self.hour + STEP_H * (k + 1) >= s.seal_by_h - 1e-9 for k, s in enumerate(due))
        free = [s for s in due if not s.is_busy]
        if is_time and free and self.hour < free[0].seal_by_h + 2.0:
            self._start(crew, free[0], Step(kind="seal"))

    def _begin_next(self, crew: str, strip: StripNow) -> None:
        step = strip.queue[0]
        if self.hour > step.until_h + 1e-9:
            self.say(strip, f"too late to {step.kind}")
            strip.queue = []
            return
        quarters = strip.quarters(step)
        if step.kind == "roll" and self._was_rained_on(strip):
            strip.queue.insert(0, Step(kind="test", then=lambda w: [step] if strip.lot.is_inside(w) else []))
            return
        is_time = self.hour >= step.from_h - 1e-9 and self.hour + STEP_H * quarters <= SHIFT_END_H + 1e-9
        is_soaked = step.kind not in ("roll", "test") or self.now_h >= strip.soaked_h
        is_dry = not self.is_raining or step.kind == "test"
        if (
            is_time
            and is_soaked
            and is_dry
            and (crew, step.machine) not in self.busy
            and (step.when is None or step.when())
        ):
            strip.queue.pop(0)
            self._start(crew, strip, replace(step, quarters=quarters))

    def _was_rained_on(self, strip: StripNow) -> bool:
        """Whether so much fell on a strip today, since its last test, that every specification asks for a new one."""
        tested_h = strip.tests[-1][0] if strip.tests else strip.laid_h
        since_h = max(tested_h, self.now_h - self.hour + SHIFT_START_H)
        return self.rained_mm(since_h, self.now_h) >= RETEST_MM and not self.is_raining

    def _start(self, crew: str, strip: StripNow, step: Step) -> None:
        if step.kind in ("water", "damp"):
            self._count_dose(strip, step)
        if step.kind == "water":
            if not self.is_loose(strip):  # opened before the first drop, as every crew knows
                self.ground.mix(self.index(strip), 0.0)
                self.enter(strip, "disked")
        if step.kind == "roll":
            strip.was_rolled_today = True
            if step.litres:
                self.tally.damped += 1
                self.ground.water(self.index(strip), step.litres / strip.lot.area_m2)
                self.enter(strip, "watered", litres=round(step.litres))
        strip.is_busy = True
        self.busy[crew, step.machine] = (strip, step, step.quarters)

    def _count_dose(self, strip: StripNow, step: Step) -> None:
        if step.kind == "damp":
            self.tally.damped += 1
        else:
            self.tally.doses += 1
        if step.kind == "water" and strip.lot.is_inside(self.true_pct(strip)):
            self.tally.doses_inside += 1
            self.say(strip, f"watered though inside, {self.true_pct(strip):.1f}")
        if strip.is_watered:
            self.tally.doubled_doses += 1
            self.say(strip, "watered again, and no test since says dry")
        strip.n_doses_untested += 1
        strip.is_watered = True
        strip.dosed_h = self.now_h

    # --- ending ----------------------------------------------------------------------------------------------------

    def _break_off(self, key: tuple[str, str], strip: StripNow, step: Step, left: int) -> None:
        """Rain stops a machine: rolling goes on later from where it stood, the rest begins anew."""
        del self.busy[key]
        strip.is_busy = False
        if step.kind == "seal":
            return
        if step.kind == "roll":
            strip.rolled_quarters = rolling_quarters(strip.lot) - left
        strip.queue.insert(0, step)
        self.say(strip, f"rain stops: {step.kind}")

    def _end(self, strip: StripNow, step: Step) -> None:
        s = self.index(strip)
        if step.kind == "test":
            self._tested(strip, step)
        elif step.kind in ("water", "damp"):
            self._watered(strip, step)
        elif step.kind == "mix":
            self.ground.mix(s, 0.85)
            self.enter(strip, "disked")
        elif step.kind == "disk":
            self._disked(strip)
        elif step.kind == "seal":
            self.ground.seal(s)
            self.tally.seals += 1
            self.enter(strip, "sealed")
        elif step.kind == "spread":
            self._spread(strip)
        elif step.kind == "roll":
            self._rolled(strip)

    def _tested(self, strip: StripNow, step: Step) -> None:
        lift = f"{strip.lift}.{strip.attempt}"
        w_pct = compaction.gauge_pct(self.place, strip.lot, lift, strip.n_tests, self.true_pct(strip))
        strip.n_tests += 1
        strip.was_tested_today = True
        strip.n_doses_untested = 0
        strip.is_watered = strip.is_watered and w_pct >= strip.lot.low_pct
        strip.tests.append((self.now_h, w_pct))
        self.tally.tests += 1
        self.say(strip, f"test {w_pct:.1f} (true {self.true_pct(strip):.1f})")
        self.enter(strip, "test", w_pct=w_pct)
        if step.then is not None:
            strip.queue = step.then(w_pct)

    def _watered(self, strip: StripNow, step: Step) -> None:
        factor = float(draws(self.place.seed, "truck", strip.lot.id, self.now_h).normal(1.0, 0.05))
        self.ground.water(self.index(strip), factor * step.litres / strip.lot.area_m2)
        self.enter(strip, "watered", litres=round(step.litres))
        self.say(strip, f"watered {step.litres:.0f} L, {step.litres / strip.lot.area_m2:.1f} L/m2")
        strip.dosed_h = self.now_h
        if step.kind == "damp":
            strip.soaked_h = self.now_h + SOAK_TOP_H
            return
        strip.soaked_h = self.now_h + SOAK_H
        strip.queue.insert(0, Step(kind="mix"))

    def _disked(self, strip: StripNow) -> None:
        self.ground.mix(self.index(strip), 0.6)
        strip.rolled_quarters = 0
        self.tally.diskings += 1
        if strip.state == ROLLED_BAD:  # reworked: from here on it is a lift to be rolled
            strip.state, strip.laid_h = LYING, self.now_h
            strip.tests = []
            self.enter(strip, "reworked")
        else:
            self.enter(strip, "disked")
        self.say(strip, f"disked, {self.true_pct(strip):.1f}")

    def _spread(self, strip: StripNow) -> None:
        strip.lift += 1
        strip.state, strip.laid_h, strip.attempt = LYING, self.now_h, 0
        strip.tests, strip.n_tests, strip.rolled_quarters = [], 0, 0
        strip.n_doses_untested, strip.is_watered = 0, False
        wetted = self.rained_mm(max(self.now_h - 72.0, -72.0), self.now_h)
        self.ground.spread(self.index(strip), laid_w(self.place, self.index(strip), strip.lift, wetted))
        self.say(strip, f"lift {strip.lift} spread at {self.true_pct(strip):.1f}")
        self.enter(strip, "spread")

    def _rolled(self, strip: StripNow) -> None:
        s, lot = self.index(strip), strip.lot
        upper, lower = (100.0 * float(half[s]) for half in self.ground.halves_w)
        true = compaction.relative_compaction_pct(lot, (upper, lower), PASSES)
        self.ground.roll(s)
        strip.attempt += 1
        strip.rolled_quarters, strip.queue = 0, []
        strip.n_doses_untested, strip.is_watered = 0, False  # whatever was put on is rolled in
        self.tally.rolled_again += strip.attempt > 1
        is_good = compaction.is_dense(self.place, lot, strip.lift, strip.attempt, true)
        self.say(
            strip, f"rolled lift {strip.lift} at {0.5 * (upper + lower):.1f}: {'accepted' if is_good else 'FAILED'}"
        )
        self.enter(strip, "rolled", passes=PASSES)
        self._density_tested(strip, true, (upper, lower), is_good=is_good)
        self.tally.failed += not is_good
        self.tally.accepted += is_good
        strip.state = ROLLED_BAD if not is_good else FINISHED if strip.lift == LIFTS else FREE

    def _density_tested(
        self, strip: StripNow, true_pct: float, halves_pct: tuple[float, float], *, is_good: bool
    ) -> None:
        """Offer the density test of a rolled lift as an entry: what it found is what the crew goes by."""
        found_pct = compaction.found_pct(self.place, strip.lot, strip.lift, strip.attempt, true_pct)
        found_pct = (
            max(found_pct, compaction.REQUIRED_PCT) if is_good else min(found_pct, compaction.REQUIRED_PCT - 0.1)
        )
        lift = f"{strip.lift} rolled {strip.attempt}"
        w_pct = compaction.gauge_pct(self.place, strip.lot, lift, 0, sum(halves_pct) / 2.0)
        self.enter(strip, "density", w_pct=w_pct, dry_density_kg_m3=found_pct / 100.0 * strip.lot.kind.max_density)

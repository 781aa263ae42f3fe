"""A crew that does what its mails say, and records all, half or none of it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from benchmarks.season import forecast
from benchmarks.season.draws import draws
from benchmarks.season.ground import STEP_H
from benchmarks.season.place import LOOK_H, MAIL_H, SHIFT_END_H, SHIFT_START_H
from benchmarks.season.policies import opened
from benchmarks.season.season import World
from benchmarks.season.strips import FREE, LYING, ROLLED_BAD, Step, StripNow, rolling_quarters, water_litres
from benchmarks.season.told import Instruction, Mail, Product
from benchmarks.season.work import Work

GAUGE_AT_H = (7.0, 17.25)


class Mails:
    """Follows its mails to the letter.

    What a mail does not order is not done: where a test says "call", the strip waits. A lift freshly laid is tested
    once, as any specification asks; where the mail has no word for it, it is rolled after all that was ordered if it is
    inside (rolls_fresh), else it waits for tomorrow's. A test of the crew's own that is newer than the mail is heeded:
    nothing is rolled that it found outside, or watered that it found inside.
    """

    def __init__(
        self, world: World, product: Product, *, share: float, has_look: bool, rolls_fresh: bool = True
    ) -> None:
        self.world, self.product, self.share, self.has_look = world, product, share, has_look
        self.rolls_fresh = rolls_fresh
        self.entries: list[dict[str, Any]] = []
        self.unrecorded_lifts: dict[str, dict[str, Any]] = {}
        self.gauge_from_h = -13.0
        self.mail = Mail(crews=())
        self.mail_h = 0.0

    # --- recording ---------------------------------------------------------------------------------------------

    def record(self, made: dict[str, Any]) -> None:
        """Keep an entry, or forget it, with the crew's share."""
        is_kept = draws(self.world.seed, "entry", *made.values()).random() < self.share
        if is_kept:
            self.entries.append(made)
        if made["kind"] in ("spread", "reworked"):
            self.unrecorded_lifts[made["strip"]] = {} if is_kept else made

    def _record_asked(self, work: Work, strip: StripNow) -> None:
        """The mail takes a fresh lift for the old one and asks for it: another chance that it is recorded."""
        made = self.unrecorded_lifts.get(strip.lot.id)
        if made and draws(self.world.seed, "asked", strip.lot.id, work.day).random() < self.share:
            self.entries.append(made)
            self.unrecorded_lifts[strip.lot.id] = {}

    def _read_gauge(self, work: Work) -> None:
        rain_mm = work.rained_mm(self.gauge_from_h, work.now_h)
        self.record(
            {
                "kind": "gauge",
                "from": work.at_utc(self.gauge_from_h).isoformat(),
                "at": work.at_utc().isoformat(),
                "rain_mm": round(rain_mm, 1),
            }
        )
        self.gauge_from_h = work.now_h

    # --- reading mails -------------------------------------------------------------------------------------------

    def _ask(self, work: Work, issue: str, at_h: float) -> Mail:
        now_utc = work.at_utc(work.now_h - work.hour + at_h)
        known = [e for e in self.entries if datetime.fromisoformat(e["at"]) <= now_utc]
        fetched_utc = now_utc - timedelta(minutes=10)
        return self.product.ask(
            {
                "issue": issue,
                "day": work.day.isoformat(),
                "now": now_utc.isoformat(),
                "body": forecast.body(self.world.sky, fetched_utc),
                "entries": known,
            }
        )

    def before_shift(self, work: Work) -> None:
        self.mail, self.mail_h = self._ask(work, "morning", MAIL_H), work.now_h - work.hour + MAIL_H
        spread = {crew: self._spreads(work, crew) for crew in self.mail.crews}
        for strip in sorted(work.strips, key=lambda s: s.lift):
            told = self.mail.strips[strip.lot.id]
            strip.rank = told.rank
            self._heed(work, strip, told)
            if strip.state == LYING:
                work.say(strip, f"mail: {told.said} (true {work.true_pct(strip):.1f})")
            if strip.state == FREE:
                spread[strip.lot.crew] -= 1
                if spread[strip.lot.crew] < 0:
                    work.say(strip, "not spread before the rain")
                    strip.queue = []
                    continue
            strip.queue = self._steps(work, strip, told)

    def each_quarter(self, work: Work) -> None:
        if work.hour in GAUGE_AT_H:
            self._read_gauge(work)
        if self.has_look and work.hour == LOOK_H:
            self._look(work)

    def _look(self, work: Work) -> None:
        looked = self._ask(work, f"look-{LOOK_H:02.0f}00", LOOK_H)
        for strip in work.strips:
            if strip.lot.crew not in looked.crews or strip.state not in (LYING, FREE, ROLLED_BAD):
                continue
            told = looked.strips[strip.lot.id]
            if strip.state == LYING and self._is_unknown(work, strip):
                continue
            begun = [s for s in strip.queue if s.kind in ("spread", "mix")] if strip.state != LYING else []
            mixing = [s for s in strip.queue if s.kind == "mix"]
            strip.rank = told.rank
            self._heed(work, strip, told)
            if strip.state == LYING:
                work.say(strip, f"look: {told.said} (true {work.true_pct(strip):.1f})")
                if not told.goes_on:
                    strip.queue = [*mixing, *self._follow(work, strip, told)]
            elif begun:
                strip.queue = self._steps(work, strip, told)
        self.mail = Mail(
            crews=self.mail.crews,
            strips=self.mail.strips | looked.strips,
            rain_h=self.mail.rain_h | looked.rain_h,
            spread_before_rain=self.mail.spread_before_rain | looked.spread_before_rain,
        )
        if looked.crews:
            self.mail_h = work.now_h

    def _heed(self, work: Work, strip: StripNow, told: Instruction) -> None:
        """Sealing, and the request to record a lift."""
        strip.seal_by_h = float("inf") if told.seal_by_h is None else max(told.seal_by_h, work.hour)
        if told.is_said_rolled and strip.state == LYING:
            work.tally.without_word += work.hour == SHIFT_START_H
            self._record_asked(work, strip)

    def _is_unknown(self, work: Work, strip: StripNow) -> bool:
        """Whether a lift was laid today and not recorded: then the crew knows that no mail speaks of it yet."""
        is_of_today = strip.laid_h >= work.now_h - work.hour
        return is_of_today and bool(self.unrecorded_lifts.get(strip.lot.id))

    def _spreads(self, work: Work, crew: str) -> int:
        """How many lifts a crew spreads: where the mail says so, no more than can be rolled and sealed before rain."""
        if not self.mail.spread_before_rain.get(crew):
            return len(work.strips)
        own = [s for s in work.strips if s.lot.crew == crew]
        rain_h = self.mail.rain_h.get(crew)
        until_h = min(SHIFT_END_H if rain_h is None else rain_h, SHIFT_END_H) - 0.5
        rolling_h = STEP_H * max(rolling_quarters(s.lot) for s in own)
        n_told = sum(self.mail.strips[s.lot.id].verdict in ("roll", "water") for s in own if s.state == LYING)
        return max(int((until_h - SHIFT_START_H - 0.75) / rolling_h) - n_told, 0)

    # --- from words to steps --------------------------------------------------------------------------------------

    def _steps(self, work: Work, strip: StripNow, told: Instruction) -> list[Step]:
        """What a strip's day begins with, and what the mail has done after it."""
        if strip.state == LYING:
            return self._follow(work, strip, told)
        if strip.state == ROLLED_BAD and not told.is_said_rolled:  # the mail knows that it failed
            return opened(strip, self._follow(work, strip, told))
        if told.new_lift is None:
            return opened(strip, [Step(kind="test", then=lambda w: self._fresh(strip, w))])
        after = self._follow(work, strip, told.new_lift)
        placement = [] if after and after[0].kind == "test" else [Step(kind="test")]
        return opened(strip, [*placement, *after])

    def _fresh(self, strip: StripNow, w_pct: float) -> list[Step]:
        """What comes of the first test of a lift that the mail did not know."""
        return [Step(kind="roll")] if self.rolls_fresh and strip.lot.is_inside(w_pct) else []

    def _follow(self, work: Work, strip: StripNow, told: Instruction) -> list[Step]:
        """What the mail has the crew do on a lift that lies there."""
        if told.is_said_rolled:
            return []
        if told.test_first or (told.stop_if_watered and self._is_watered(work, strip, told)):
            if strip.tests and work.now_h - strip.tests[-1][0] <= 2.0 and not strip.n_doses_untested:
                return self._after_test(work, strip, told, strip.tests[-1][1])
            return [Step(kind="test", then=lambda w: self._after_test(work, strip, told, w))]
        if told.verdict == "roll":
            return [self._rolling(work, strip, told)]
        if told.verdict == "water":
            return self._watering(work, strip, told, told.litres)
        return self._disking(work, strip, told, told.disk_at_h)

    def _is_watered(self, work: Work, strip: StripNow, told: Instruction) -> bool:
        """Whether the strip was watered since its last test, and since the water that the mail knows of."""
        since_h = -math.inf if told.stop_since_h is None else work.now_h - work.hour + told.stop_since_h
        return strip.n_doses_untested > 0 and strip.dosed_h > since_h + STEP_H

    def _after_test(
        self, work: Work, strip: StripNow, told: Instruction, w_pct: float, *, is_mean: bool = False
    ) -> list[Step]:
        lot = strip.lot
        if told.is_at_edge(lot.low_pct, lot.high_pct, w_pct) and not is_mean:
            return [
                Step(
                    kind="test",
                    then=lambda second: self._after_test(work, strip, told, 0.5 * (w_pct + second), is_mean=True),
                )
            ]
        low_pct, high_pct = (told.limits_of_mean if is_mean else told.limits)(lot.low_pct, lot.high_pct)
        if told.is_damped(w_pct):
            return [replace(self._rolling(work, strip, told), when=None, litres=told.edge_damp_litres)]
        if low_pct <= w_pct <= high_pct:
            return [replace(self._rolling(work, strip, told), when=None)]  # the tests of this branch decide
        if told.is_aired(high_pct, w_pct) and not is_mean:
            disk = Step(kind="disk", from_h=min(told.above_disk_at_h))
            rolling = replace(self._rolling(work, strip, told), when=None, litres=0.0)
            return [disk, replace(rolling, from_h=max(told.air_roll_h or 0.0, rolling.from_h))]
        if w_pct > high_pct:
            return self._disk_and_test(work, strip, told, sorted(told.above_disk_at_h), told.tests_after_disk_h(w_pct))
        if told.below_litres_point is None:
            work.say(strip, "called: below the window")
            return []
        per_point = water_litres(lot, 0.0, 1.0)
        litres = told.below_litres_point * water_litres(lot, w_pct, lot.kind.optimum_pct) / per_point
        water, *after = self._watering(work, strip, told, litres)
        return [replace(water, when=None), *after]  # this very test orders it, by the limits that the mail prints

    def _rolling(self, work: Work, strip: StripNow, told: Instruction) -> Step:
        """Roll within the hours said; where none are said, while the weather that the mail gives holds."""
        until_h = told.roll_until_h
        lasts_h = STEP_H * rolling_quarters(strip.lot)
        rain_h = self.mail.rain_h.get(strip.lot.crew)
        if until_h is None and rain_h is not None and rain_h > work.hour:
            until_h = rain_h
        last_h = SHIFT_END_H if until_h is None else max(until_h - lasts_h, told.roll_from_h or 0.0)
        return Step(
            kind="roll",
            from_h=told.roll_from_h or 0.0,
            until_h=last_h,
            litres=told.damp_litres,
            when=lambda: self._fits(strip, "roll"),
        )

    def _watering(self, work: Work, strip: StripNow, told: Instruction, litres: float) -> list[Step]:
        kind = "water" if told.is_mixed else "damp"
        water = Step(kind=kind, from_h=told.water_from_h or 0.0, litres=litres, when=lambda: self._fits(strip, "water"))
        if told.test_after_water:
            return [water, Step(kind="test", then=lambda w: self._after_water(work, strip, told, w))]
        return [water, replace(self._rolling(work, strip, told), when=None)]  # the test before the water is over

    def _after_water(self, work: Work, strip: StripNow, told: Instruction, w_pct: float) -> list[Step]:
        if strip.lot.is_inside(w_pct):
            return [self._rolling(work, strip, told)]
        if w_pct > strip.lot.high_pct and told.above_disk_at_h:
            return self._disking(work, strip, told, told.above_disk_at_h)
        work.say(strip, "called: outside the window after watering")
        return []

    def _disking(self, work: Work, strip: StripNow, told: Instruction, at_h: tuple[float, ...]) -> list[Step]:
        """Disk; where the mail says when, test, and roll what is inside or disk on what is not, and so once more."""
        return self._disk_and_test(work, strip, told, sorted(at_h), told.tests_after_disk_h(None))

    def _disk_and_test(
        self, work: Work, strip: StripNow, told: Instruction, at_h: list[float], tests_h: list[float]
    ) -> list[Step]:
        if not tests_h:
            return [Step(kind="disk", from_h=h) for h in at_h]
        before = [h for h in at_h if h < tests_h[0]]
        rest = at_h[len(before) :]
        lot = strip.lot

        def decide(w_pct: float, *, is_mean: bool = False) -> list[Step]:
            low_pct, high_pct = (told.limits_of_mean if is_mean else told.limits)(lot.low_pct, lot.high_pct)
            if low_pct <= w_pct <= high_pct:
                return [replace(self._rolling(work, strip, told), when=None)] if told.rolls_after_disk else []
            later = [h for h in told.tests_after_disk_h(w_pct) if h > tests_h[0]]
            return self._disk_and_test(work, strip, told, rest, later) if w_pct > high_pct else []

        def then(w_pct: float) -> list[Step]:
            if told.is_at_edge(lot.low_pct, lot.high_pct, w_pct):
                return [Step(kind="test", then=lambda second: decide(0.5 * (w_pct + second), is_mean=True))]
            return decide(w_pct)

        return [*(Step(kind="disk", from_h=h) for h in before), Step(kind="test", from_h=tests_h[0], then=then)]

    def _fits(self, strip: StripNow, what: str) -> bool:
        """Whether the crew's own newest test, if newer than the mail, allows what the mail says."""
        if not strip.tests or strip.tests[-1][0] <= self.mail_h:
            return True
        w_pct = strip.tests[-1][1]
        return strip.lot.is_inside(w_pct) if what == "roll" else w_pct < strip.lot.low_pct

"""One season of one policy: fifteen working days, from a seed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from benchmarks.season.compaction import gauge_pct
from benchmarks.season.place import SHIFT_END_H, SHIFT_START_H, WORKING_DAYS, Place, draw_place, first_ground
from benchmarks.season.policies import Policy
from benchmarks.season.sky import Sky, draw_sky
from benchmarks.season.tally import Tally
from benchmarks.season.work import Record, Work

N_DAYS = 17  # fifteen working days, from a Monday on, Sundays off
FIRST_TEST_H = -13.5  # the evening before


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """What all policies of a seed share."""

    seed: int
    place: Place
    sky: Sky

    @property
    def first_tests(self) -> dict[str, float]:
        """The tests of the first lifts, made the evening before, by strip [%]."""
        ground = first_ground(self.place)
        return {
            lot.id: gauge_pct(self.place, lot, "first", 0, 100.0 * float(ground.lift_w[s]))
            for s, lot in enumerate(self.place.lots)
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """A season as it went. log: (hour since the first midnight, strip, what happened)."""

    policy: str
    seed: int
    climate: str
    tally: Tally
    log: tuple[tuple[float, str, str], ...]


def draw_world(seed: int) -> World:
    place = draw_place(seed)
    return World(seed=seed, place=place, sky=draw_sky(seed, place.first_day, N_DAYS))


def live(world: World, name: str, policy: Policy, record: Record = lambda _: None, *, n_days: int = N_DAYS) -> Season:
    """Live a season, or its first days, through under a policy and return how it went.

    record   gets each entry that the crews might make, as it happens
    """
    tally = Tally()
    work = Work(world.place, world.sky, first_ground(world.place), tally, record)
    while work.now_h < 24.0 * n_days:
        is_working = work.day.weekday() in WORKING_DAYS
        if is_working and work.hour == SHIFT_START_H:
            policy.before_shift(work)
        if is_working and SHIFT_START_H <= work.hour < SHIFT_END_H:
            policy.each_quarter(work)
        work.advance()
        if is_working and work.hour == SHIFT_END_H:
            work.end_day()
    return Season(policy=name, seed=world.seed, climate=world.sky.climate.name, tally=tally, log=tuple(work.log))


def day_and_hour(world: World, now_h: float) -> tuple[date, float]:
    """Return the local date and hour of a moment of the log."""
    return date.fromordinal(world.place.first_day.toordinal() + int(now_h // 24)), now_h % 24.0

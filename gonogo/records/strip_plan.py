"""One strip of the day plan, and what it is made of; the plan itself stands in day_plan.py."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

from gonogo.records.last_test import LastTest
from gonogo.records.verdict import Verdict, WaterPlan


class Badge(StrEnum):
    """The word on a strip's badge. TEST and DONE are kinds of the verdict "wait"."""

    COMPACT = "compact"
    WATER_FIRST = "water_first"
    TEST = "test"
    WAIT = "wait"
    DONE = "done"


class Task(StrEnum):
    """What is done on a strip."""

    SPREAD = "spread"
    DISK = "disk"
    TEST = "test"
    WATER = "water"
    MIX = "mix"
    SOAK = "soak"
    DAMP = "damp"
    ROLL = "roll"
    SEAL = "seal"


class Then(StrEnum):
    """What a test's result has a crew do."""

    ROLL = "roll"
    WATER = "water"
    CALL = "call"  # call the truck: it is not on its way, or has no time of its own for this strip
    DISK = "disk"
    HOLD = "hold"
    RECORD = "record"  # nothing to do on the strip but to record what was done


class Half(StrEnum):
    """Half of a working day; the afternoon begins at noon of site time."""

    MORNING = "morning"
    AFTERNOON = "afternoon"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotRecorded:
    """Work that an earlier plan told and that no entry and no test confirms or denies: begun or unknown.

    task         WATER, DISK or ROLL
    told_utc     moment of the run that told it
    start_utc, end_utc   the hours it was told for
    litres       told, 0 for rolling
    chance_done  share of the members in which it was done, after the tests since
    is_running   its told hours are not over yet
    lift         that it was told of: above the one that lies there, the lift was to be spread first, and nobody
                 recorded that either; 0 where the plan does not say
    """

    task: Task
    told_utc: datetime
    start_utc: datetime
    end_utc: datetime
    litres: float
    chance_done: float
    is_running: bool
    lift: int = 0

    def is_of_coming(self, lift: int) -> bool:
        """Whether it was told of a lift that was to be spread first. lift: the number of the one that lies there."""
        return self.task == Task.ROLL and self.lift > lift


@dataclass(frozen=True, slots=True, kw_only=True)
class TestFirst:
    """A test that decides, and what each result means.

    why               a key of decide/plan_keys.TEST_CAUSES
    by_utc            when its result is needed, None where the day does not say
    low_pct, high_pct limits of the result [%]: between them the lift is inside its window with the chance that the site
                      asks for, the error of one gauge test considered; a little narrower than the window itself
    again_from_pct, again_to_pct   a result outside those limits and inside these is at the edge [%]: a second test is
                      made beside it; at the dry edge that reaches below the window where water would follow
    mean_low_pct, mean_high_pct   limits of the mean of both [%]; NaN, all four, where a single result decides
    damp_from_pct, damp_litres   a result, or a mean, from here to low_pct is inside at the dry edge: the strip is
                      rolled with so much water on its top, which is not mixed in; NaN where it is not
    air_to_pct, air_roll_utc   up to this result above high_pct it is disked, and rolled from then on; NaN, None: not
    inside, below, above   what is done with the result inside the window, below it and above it
    target_pct, litres_per_pct   below: litres = (target - result) x litres_per_pct, at most litres_most; NaN = call
    is_mixed_in       below: whether the water is mixed into the lift; clean sand takes it in without
    is_tested_after_water   below: whether it is tested once more once it has soaked in; else it is rolled then
    disk_utc          above: when it is disked, empty where it is not
    again_utc         above: when it is tested again after the disking, to be rolled today if it is inside then
    again_late_utc    above: and once more after the last disking of the day; None where it could not be rolled then
    again_up_to_pct, late_up_to_pct   the highest result after which the test at again_utc, or again_late_utc, is worth
                      its while [%]; NaN where it is not made
    if_done           what is done if the unrecorded work turns out to be done; None where nothing is unrecorded
    """

    __test__ = False  # the name begins as pytest's classes do

    why: str
    by_utc: datetime | None
    low_pct: float
    high_pct: float
    inside: Then
    below: Then
    above: Then
    target_pct: float = math.nan
    litres_per_pct: float = math.nan
    litres_most: float = math.nan
    is_mixed_in: bool = True
    is_tested_after_water: bool = True
    mean_low_pct: float = math.nan
    mean_high_pct: float = math.nan
    again_from_pct: float = math.nan
    again_to_pct: float = math.nan
    damp_from_pct: float = math.nan
    damp_litres: float = math.nan
    disk_utc: tuple[datetime, ...] = ()
    air_to_pct: float = math.nan
    air_roll_utc: datetime | None = None
    again_utc: datetime | None = None
    again_late_utc: datetime | None = None
    again_up_to_pct: float = math.nan
    late_up_to_pct: float = math.nan
    if_done: Then | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One piece of today's work.

    strip_id     "" for sealing, which is a crew's (see Sealing.strips)
    lift         1 = the first recorded lift of the strip; sealing: 0
    machine_id   roller or truck by its id in the config; "" where the config names none (gauge, disk, grader)
    end_utc      rolling: last pass with turning at the ends; watering: last drop
    latest_utc   rolling: "roll by", its last pass; watering: "water by", its last drop; test: its result; None = open
    is_after_test   done only if the test before it on the strip allows
    chance       rolling: that it finds the lift inside its window, dry and unfrozen all the time; else NaN
    water        watering and damping: the dose as the driver works it
    passes, lanes   rolling: passes over each lane, whole lanes across the strip; else 0
    """

    task: Task
    strip_id: str
    lift: int
    crew_id: str
    machine_id: str
    start_utc: datetime
    end_utc: datetime
    latest_utc: datetime | None = None
    is_after_test: bool = False
    chance: float = math.nan
    litres: float = 0.0
    water: WaterPlan | None = None
    passes: int = 0
    lanes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTry:
    """When a strip is likely to be rolled next, by half days.

    chance       of its best hours there
    after        what has to come first: "" as it lies, "water", "disk", or "spread" for a lift still to come
    is_planned   it has that place in the order of work; else nobody has promised it a machine
    """

    day: date
    half: Half
    at_utc: datetime
    chance: float
    after: str = ""
    is_planned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DryBack:
    """The way back of a wet lift.

    disk_utc     when it is disked, oldest first; empty where rain decides
    ready        from when it is likely inside again if it is disked so, None = not within the forecast
    chance       that it is inside then, given that a test on that morning says so
    is_hopeless  the forecast with disking does not bring it back: remove or treat, as the engineer says
    low_pct, high_pct   limits of the test that says whether it is ready today, as those of TestFirst; NaN where none is
    again_late_utc   where it may be ready today and was not: when it is tested once more after the last disking
    """

    disk_utc: tuple[datetime, ...]
    ready: NextTry | None
    chance: float
    is_hopeless: bool
    low_pct: float = math.nan
    high_pct: float = math.nan
    again_late_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewLift:
    """A lift that is to be spread this morning, or that fresh tests say was spread, as it is taken to be.

    lift           its number
    is_assumed     entries since "rolled" say that it lies there already, though nobody recorded its spreading: ask
    is_rework      as likely it is the old lift, reworked
    w_pct          as the borrow delivers it [%]; thickness_m  as spread
    spread_utc     from when it may lie there; None where it lies already or where none is to be spread
    is_if_rolled   only if the lift below was rolled, which was told and is not recorded
    stop           a key of decide/plan_keys.SPREAD_STOPS where none is to be spread this morning, else ""
    test           its test with the branches; roll_by_utc: when it would have left its window if nobody rolls it
    """

    lift: int
    is_assumed: bool
    is_rework: bool
    w_pct: float
    thickness_m: float
    spread_utc: datetime | None
    stop: str
    test: TestFirst | None
    roll_by_utc: datetime | None
    is_if_rolled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPlan:
    """One strip today.

    rank          place in working order, from 1; strips that are done come last
    lift, lifts   the lift that lies there, and how many the strip gets in all
    reason        a key of keys.REASONS
    why_not       why a strip that may be worked has no place today: a key of decide/plan_keys.NO_PLACE; "" where it has
                  one or where `reason` says it already
    is_tested     False: no test of this lift counts, and no view shows w_* as figures
    w_*_pct       water content where the day's work begins: mean, 10 to 90 % band, upper and lower half
    chance_in_window, chance_too_dry, chance_too_wet   in the hours in which it is rolled today as it lies; without such
                  a place in the best stretch of today, NaN where none was computed
    low_pct, high_pct, optimum_pct   the window [%]
    roll_from_utc, roll_by_utc   hours in which rolling may stand (last pass by); None where it may not today
    water_by_utc  last drop at the latest, so that it soaks in and is rolled; None where no water is told, or
                  its hours are over
    test          a test that decides, None where none does
    not_recorded  told work of which nobody knows, oldest first
    next          when it is tried next if not today
    finished_utc  when the last of its lifts was rolled or accepted; None where lifts are left, or nobody recorded when
    watered_utc   the last water on record since its last test, None where there is none
    """

    strip_id: str
    crew_id: str
    rank: int
    lift: int
    lifts: int
    verdict: Verdict
    badge: Badge
    reason: str
    why_not: str
    is_tested: bool
    w_now_pct: float
    w_p10_pct: float
    w_p90_pct: float
    w_top_pct: float
    w_base_pct: float
    chance_in_window: float
    chance_too_dry: float
    chance_too_wet: float
    low_pct: float
    high_pct: float
    optimum_pct: float
    roll_from_utc: datetime | None
    roll_by_utc: datetime | None
    water_by_utc: datetime | None
    last_test: LastTest | None
    test: TestFirst | None
    not_recorded: tuple[NotRecorded, ...]
    next: NextTry | None
    dry_back: DryBack | None = None
    new_lift: NewLift | None = None
    finished_utc: datetime | None = None
    watered_utc: datetime | None = None

    def as_it_lies(self, made_utc: datetime, begins_utc: datetime | None) -> StripPlan:
        """Return what a plan made then told of the lift that lies there since: of the one to be spread, once it was."""
        coming = self.new_lift
        if coming is None or coming.test is None or begins_utc is None or begins_utc <= made_utc:
            return self
        own = replace(self, lift=coming.lift, test=coming.test, new_lift=None)
        return replace(
            own, chance_in_window=math.nan, chance_too_dry=math.nan, chance_too_wet=math.nan
        )  # of that below

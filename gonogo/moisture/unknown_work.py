"""Work that was told and of which nobody knows whether it was done: told is not done, not recorded is not undone.

A strip with such work is simulated once without it and once for each variant of what may have been done. The members
then carry all of them, each with its share: at first the site's `told_is_done_chance`, after a test by how well each
foresaw the result (Bayes' rule).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.told_result import before_rolling, deciding, ordered
from gonogo.records.day_plan import DayPlan, Job, StripPlan, Task, Then, first_told_utc
from gonogo.records.field import SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.readings import METHOD_ERROR_PCT, SPOT_SCATTER_PCT

Floats = npt.NDArray[np.float64]

TRACKED = (Task.WATER, Task.DISK, Task.ROLL)  # damping is gone with the day's sun
SURFACE_WORK = {Task.DISK: "disked", Task.ROLL: "rolled"}
SOON_H = 0.25  # a test so long after work began was made with its effect in the soil: our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldWork:
    """One piece of work as an earlier plan told it.

    chance   that it was done, before any test of it [-]
    is_open  neither an entry nor a test since says whether it was done; is_aired: it is rolled once it was disked
    """

    strip_id: str
    task: Task
    lift: int
    told_utc: datetime
    start_utc: datetime
    end_utc: datetime
    litres: float
    chance: float
    is_open: bool = True
    is_aired: bool = False


def told_work(
    site: Site, histories: Sequence[LiftHistory], plans: Sequence[DayPlan], now_utc: datetime, done_chance: float
) -> dict[str, tuple[ToldWork, ...]]:
    """Return by strip the told work whose hour has come and that no entry confirms or denies, oldest first.

    histories      of the present lifts, in the order of site.strips
    plans        earlier day plans, oldest first; each is in force until the next that tells of the strip
    done_chance  told_is_done_chance [-]

    Of each kind only the newest counts: an older one was never followed by a second order without a test. Work that
    had begun when a plan told it was told before: an entry since then answers it, whatever was told again meanwhile.
    """
    found: dict[str, tuple[ToldWork, ...]] = {}
    first_utc = first_told_utc(plans)
    for strip, history in zip(site.strips, histories, strict=True):
        newest: dict[Task, ToldWork] = {}
        own = [(plan, told) for plan in plans if (told := plan.strip(strip.id)) is not None]
        ends = [plan.made_utc for plan, _ in own[1:]] + [now_utc] * bool(own)
        for (plan, told), in_force_until in zip(own, ends, strict=True):
            for work in (*_by_jobs(plan, told, history, done_chance), *_by_branches(plan, told, history, done_chance)):
                since_utc = first_utc.get((work.strip_id, work.task, work.lift, work.start_utc), work.told_utc)
                if work.start_utc <= min(in_force_until, now_utc) and not _is_answered(work, history, since_utc):
                    newest[work.task] = work
        works = sorted(newest.values(), key=lambda w: (w.start_utc, w.task))
        if works:
            found[strip.id] = tuple(replace(w, is_open=not _is_tested(w, history)) for w in works)
    return found


def _by_jobs(plan: DayPlan, told: StripPlan, history: LiftHistory, done_chance: float) -> list[ToldWork]:
    """The work that a plan gave an hour; what was to follow a test counts unless the test spoke against it."""
    found = []
    for job in plan.jobs_of(told.strip_id):
        chance = done_chance
        if job.task not in TRACKED:
            continue
        if job.is_after_test:
            told = told.as_it_lies(plan.made_utc, history.begins_utc)
            until_utc = job.start_utc + timedelta(hours=SOON_H)
            act = before_rolling(told, deciding(history, plan.made_utc, until_utc))
            if act not in (None, Then.ROLL):
                continue
            if act is None and told.test is not None and not math.isnan(job.chance):
                chance *= job.chance
        found.append(_from_job(plan, job, chance))
    return found


def _from_job(plan: DayPlan, job: Job, chance: float) -> ToldWork:
    return ToldWork(
        strip_id=job.strip_id,
        task=job.task,
        lift=job.lift,
        told_utc=plan.made_utc,
        start_utc=job.start_utc,
        end_utc=job.end_utc,
        litres=job.litres,
        chance=chance,
    )


def _by_branches(plan: DayPlan, told: StripPlan, history: LiftHistory, done_chance: float) -> list[ToldWork]:
    """The work that a branch of a told test ordered, once the test is on record.

    A lift that was spread since has the branches of its own test: of these only water and rolling after airing are
    asked for, as a lift that it found inside is told anew, and its rolling has an hour of its own.
    """
    lies = told.as_it_lies(plan.made_utc, history.begins_utc)
    test = lies.test
    tests = deciding(history, plan.made_utc, plan.made_utc + timedelta(hours=24))
    if test is None or not tests:
        return []
    act, w_pct = ordered(test, tests)
    start_utc, litres, air_utc = tests[-1].at_utc + timedelta(hours=SOON_H), 0.0, None
    if test.air_roll_utc is not None and test.high_pct < w_pct <= test.air_to_pct:
        task, start_utc = Task.ROLL, (air_utc := test.air_roll_utc)
    elif act in (Then.WATER, Then.CALL) and test.litres_per_pct > 0.0:
        task, litres = Task.WATER, min((test.target_pct - w_pct) * test.litres_per_pct, test.litres_most)
    elif lies is told and act == Then.ROLL:
        task = Task.ROLL
    else:
        return []
    if air_utc is None and any(job.task == task for job in plan.jobs_of(told.strip_id)):
        return []
    return [
        ToldWork(
            strip_id=told.strip_id,
            task=task,
            lift=lies.lift,
            told_utc=plan.made_utc,
            start_utc=start_utc,
            end_utc=start_utc + timedelta(hours=1),
            litres=litres,
            chance=done_chance,
            is_aired=air_utc is not None,
        )
    ]


def _is_answered(work: ToldWork, history: LiftHistory, told_utc: datetime) -> bool:
    """Whether an entry since it was told says that it was done, or that it was not."""
    if history.begins_utc is not None and history.begins_utc > work.start_utc:
        return True
    if work.task == Task.WATER:
        return any(w.at_utc >= told_utc for w in history.waterings) or any(
            w.work == "rolled" and w.at_utc >= work.start_utc for w in history.works
        )
    if work.task == Task.ROLL and history.passed is not None and work.lift <= history.number:
        return True  # its density says so
    answers = ("disked", "rolled") if work.task == Task.DISK else ("rolled", "disked", "sealed")
    since = {"disked": work.start_utc} if work.is_aired else {}
    return any(w.work in answers and w.at_utc >= since.get(w.work, told_utc) for w in history.works)


def _is_tested(work: ToldWork, history: LiftHistory) -> bool:
    since_utc = (work.end_utc if work.task == Task.ROLL else work.start_utc) + timedelta(hours=SOON_H)
    return any(r.at_utc >= since_utc for r in history.readings)


# --- members that carry both ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One variant of what was done of the told work: the strip's row, its share, and what then happened to the lift."""

    s: int
    share: float
    works: tuple[ToldWork, ...]
    history: LiftHistory


def variants(
    site: Site, histories: Sequence[LiftHistory], unknown: Mapping[str, tuple[ToldWork, ...]]
) -> tuple[Variant, ...]:
    """Return the variants of unknown work that may have been done; none of it done is the rest of the shares.

    Work is done in its order: what comes later only where the earlier was done.
    """
    found = []
    for s, (strip, history) in enumerate(zip(site.strips, histories, strict=True)):
        works = unknown.get(strip.id, ())
        reached = 1.0
        for n in range(1, len(works) + 1):
            reached *= works[n - 1].chance
            next_chance = works[n].chance if n < len(works) else 0.0
            found.append(
                Variant(s=s, share=reached * (1.0 - next_chance), works=works[:n], history=_done(history, works[:n]))
            )
    return tuple(found)


def _done(history: LiftHistory, works: Sequence[ToldWork]) -> LiftHistory:
    """The lift's history with told work done as it was told."""
    waterings = [
        Watering(strip_id=w.strip_id, at_utc=w.start_utc, litres=w.litres) for w in works if w.task == Task.WATER
    ]
    surface = [
        SurfaceWork(strip_id=w.strip_id, at_utc=w.end_utc, work=SURFACE_WORK[w.task])
        for w in works
        if w.task in SURFACE_WORK
    ]
    return replace(
        history,
        waterings=tuple(sorted((*history.waterings, *waterings), key=lambda w: w.at_utc)),
        works=tuple(sorted((*history.works, *surface), key=lambda w: w.at_utc)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixed:
    """Moisture whose members carry unknown work, and the share of them in which each was done.

    chance_done  by strip and kind of work
    likeliest    (S,) the variant that is likelier than all others of its strip, -1 where that is none of them
    """

    moisture: StripMoisture
    chance_done: Mapping[tuple[str, Task], float]
    likeliest: npt.NDArray[np.int64]


def mixed(
    base: StripMoisture,
    done: StripMoisture,
    variants: Sequence[Variant],
    *,
    hour_of: Callable[[datetime], int],
    rng_of: Callable[[str], np.random.Generator],
) -> Mixed:
    """Return the members of `base`, whose paths are written over, with each variant's share of them from `done`.

    base     moisture without any of the unknown work, (H + 1, S, M); done: of each variant, (H + 1, V, M)
    hour_of  the row of a moment; rng_of: by strip id, a stream of its own, so that no strip's work moves another

    Source: Bayes' rule over the variants, each foreseeing a test as a normal distribution. Checked in
    tests/moisture/test_unknown_work.py.
    """
    paths: dict[str, Any] = {name: getattr(base, name) for name in ("w_pct", "w_top_pct", "w_base_pct")}
    n_strips, n_members = paths["w_pct"].shape[1:]
    chance_done: dict[tuple[str, Task], float] = {}
    likeliest = np.full(n_strips, -1)
    for s in sorted({variant.s for variant in variants}):
        own = [v for v, variant in enumerate(variants) if variant.s == s]
        priors = [1.0 - sum(variants[v].share for v in own), *(variants[v].share for v in own)]
        candidates = [base.w_pct[:, s], *(done.w_pct[:, v] for v in own)]
        shares = _posterior(priors, candidates, variants[own[0]], hour_of)
        order = rng_of(variants[own[0]].works[0].strip_id).permutation(n_members)
        stops = np.round(np.cumsum(shares) * n_members).astype(int)
        for k, v in enumerate(own, start=1):
            taken = order[stops[k - 1] : stops[k]]
            for name, path in paths.items():
                path[:, s, taken] = getattr(done, name)[:, v, taken]
        if (best := int(np.argmax(shares))) > 0:
            likeliest[s] = own[best - 1]
        for work in variants[own[-1]].works:
            chance_done[work.strip_id, work.task] = float(
                sum(share for share, v in zip(shares[1:], own, strict=True) if work in variants[v].works)
            )
    # What the readings taught, by the likeliest history of each strip.
    knowledge = tuple(done.knowledge[v] if v >= 0 else base.knowledge[s] for s, v in enumerate(likeliest.tolist()))
    return Mixed(
        moisture=replace(base, **paths, knowledge=knowledge),
        chance_done=chance_done,
        likeliest=likeliest,
    )


def _posterior(
    priors: Sequence[float], candidates: Sequence[Floats], variant: Variant, hour_of: Callable[[datetime], int]
) -> Floats:
    """Return each candidate's share after the tests since the first unknown work."""
    since_utc = variant.works[0].start_utc + timedelta(hours=SOON_H)
    logs = np.log(np.maximum(np.array(priors), 1e-9))
    readings = variant.history.readings
    for reading in readings[1:]:  # a lift starts from its first test, whatever was done before
        row = hour_of(reading.at_utc) - 1  # the row before it pulls
        if reading.at_utc < since_utc or not 0 <= row < len(candidates[0]):
            continue
        error = math.hypot(METHOD_ERROR_PCT[reading.method], SPOT_SCATTER_PCT)
        for k, path in enumerate(candidates):
            variance = float(np.var(path[row])) + error**2
            logs[k] -= 0.5 * (
                math.log(variance) + (variant.history.as_oven_pct(reading) - float(np.mean(path[row]))) ** 2 / variance
            )
    shares = np.exp(logs - logs.max())
    return np.asarray(shares / shares.sum())

"""What each crew seals today, by when and with which machine.

Sealed is what lies loose when rain is likely before the next working morning, nights, weekends and holidays included;
without such rain a loose lift may lie. All of it is closed before the rain and before the shift's end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np

from gonogo.decide.plan.basis import Basis
from gonogo.decide.plan.rain import spells
from gonogo.decide.windows import epoch_h, moment
from gonogo.records.day_plan import Job, Sealing, Task
from gonogo.records.site import Crew, Drum, Roller, Site, Surface

MARGIN_H = 0.25  # a forecast's rain comes a quarter hour early often enough: our own choice


def sealings(basis: Basis, jobs: Sequence[Job]) -> tuple[Sealing, ...]:
    """Return the sealing of each crew that has loose lifts when rain is likely, also where it rolls nothing today."""
    today = basis.prepared.today
    rain_h = rain_before_next_shift_h(basis)
    if rain_h is None or not today.is_working_day or today.hours <= 0.0:
        return ()
    by_h = min(rain_h - MARGIN_H, today.until_h)
    found = []
    for crew in basis.site.crews:
        strips = _loose(basis, crew, jobs, by_h)
        start_h = max(by_h - basis.prepared.seal_h, today.from_h)
        if not strips or not by_h > today.from_h:
            continue
        roller = sealing_roller(basis.site, crew, basis.inputs.day)
        found.append(
            Sealing(
                crew_id=crew.id,
                strips=strips,
                start_utc=moment(start_h),
                by_utc=moment(by_h),
                roller_id=roller.id,
                drum=roller.drum,
                why="rain_today" if rain_h < today.until_h else "rain_before_next_shift",
                rain_utc=moment(rain_h),
            )
        )
    counts = {roller.id: roller.count for crew in basis.site.crews for roller in crew.rollers}
    from_utc = moment(max(epoch_h(basis.inputs.now_utc), today.from_h))
    return one_after_another(found, counts, jobs, from_utc)


def one_after_another(
    found: Sequence[Sealing], counts: Mapping[str, int], jobs: Sequence[Job], from_utc: datetime
) -> tuple[Sealing, ...]:
    """Return the sealings with their hours apart where crews share a machine: it closes one crew's lifts at a time.

    counts   by roller id, how many of that kind there are; one where it is not named

    from_utc   before which none begins

    The first crew's begins earlier by the time of each that follows, though not before the machine has rolled what it
    rolls until then; where that leaves less time, it is shared evenly.
    """
    shifted = {}
    for roller_id in dict.fromkeys(sealing.roller_id for sealing in found):
        own = [sealing for sealing in found if sealing.roller_id == roller_id]
        n_turns = math.ceil(len(own) / counts.get(roller_id, 1))
        by_utc, lasts = own[0].by_utc, own[0].by_utc - own[0].start_utc
        rolled = [job.end_utc for job in jobs if job.task == Task.ROLL and job.machine_id == roller_id]
        begins_utc = max(
            by_utc - n_turns * lasts, min(from_utc, own[0].start_utc), *(at for at in rolled if at <= own[0].start_utc)
        )
        turn = (by_utc - begins_utc) / n_turns
        for k, sealing in enumerate(own):
            end_utc = by_utc - (n_turns - 1 - k * n_turns // len(own)) * turn
            shifted[sealing.crew_id] = replace(sealing, start_utc=end_utc - turn, by_utc=end_utc)
    return tuple(shifted.get(sealing.crew_id, sealing) for sealing in found)


def rain_before_next_shift_h(basis: Basis) -> float | None:
    """Return when the first rain worth sealing for begins before the next working morning [epoch h], None without."""
    inputs, cond = basis.inputs, basis.prepared.cond
    if basis.next_shift_utc is None:
        return None
    from_h = max(epoch_h(inputs.now_utc), basis.prepared.today.from_h)
    least_mm, least_chance = inputs.setting("seal_rain_mm"), inputs.setting("seal_rain_chance")
    last = min(epoch_h(basis.next_shift_utc), float(cond.first_h + len(cond.is_calm)))
    rows = slice(max(int(from_h) - cond.first_h, 0), int(last) - cond.first_h)
    fallen = np.cumsum(cond.site_rain_mm[rows], axis=0)
    if not len(fallen):
        return None
    by_amount = np.mean(fallen >= least_mm, axis=1) >= least_chance
    reached = by_amount | (np.mean(fallen > 0.0, axis=1) >= inputs.setting("seal_any_rain_chance"))
    if not reached[-1]:
        return None
    at_h = float(cond.first_h + rows.start + int(np.argmax(reached)))
    begun = [
        epoch_h(spell.from_utc) for spell in spells(basis.prepared, from_h, last) if epoch_h(spell.from_utc) <= at_h
    ]
    return max(min(begun[-1] if begun else at_h, at_h), from_h)


def sealing_roller(site: Site, crew: Crew, day: date) -> Roller:
    """Return the machine that closes a crew's lifts on a day: a padded drum leaves a surface that takes in rain.

    The crew's sealing roller, else its own where one is smooth or pneumatic, else another of the site, else its own
    after all; of those that are on site.
    """
    named = (crew.sealing_roller,) if crew.sealing_roller is not None else ()
    others = (roller for c in (crew, *site.crews) for roller in c.rollers if roller.drum != Drum.PADDED)
    return next((roller for roller in (*named, *others) if day not in roller.away), crew.roller)


def _loose(basis: Basis, crew: Crew, jobs: Sequence[Job], by_h: float) -> tuple[str, ...]:
    """Return the strips that are likely to lie loose by a moment, or may if their test does not release them."""
    inputs = basis.inputs
    by_utc = moment(by_h)
    found = []
    for s, strip in enumerate(inputs.strips):
        if strip.crew_id != crew.id:
            continue
        own = [job for job in jobs if job.strip_id == strip.id]
        is_opened = any(job.task in (Task.SPREAD, Task.DISK, Task.WATER) for job in own)
        lies_loose = inputs.is_rolled(s) != 1.0 and inputs.surface(s) != Surface.SEALED
        is_closed = any(
            job.task == Task.ROLL and not job.is_after_test and job.end_utc <= by_utc + timedelta(minutes=1)
            for job in own
        )
        if (is_opened or lies_loose) and not is_closed:
            found.append(strip.id)
    return tuple(found)

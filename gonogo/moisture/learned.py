"""What the readings of a strip taught of its soil, from one morning to the next and from one lift to the next.

A morning simulates the weather that it has, two weeks back, and learns from the readings in it. What it learned
is kept with the time of the last reading that went into it, and a later morning starts from what was learned up to its
own first reading: no reading counts twice. The next lift of the same material takes over a stated share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from gonogo.records.site import Strip
from gonogo.soil.ground import FILL, NATURAL, SCORE_NAMES
from gonogo.soil.knowledge import Knowledge, nothing_known
from gonogo.soil.strip import LEARNABLE
from gonogo.weather.frost import FrostBefore


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedSoil:
    """What one strip's lift had taught by a moment.

    lift_from_utc   when the lift was spread, None where that was never recorded
    through_utc     the last reading that went into it; a reset holds the moment of the reset
    n_readings      readings that taught, over all mornings of this lift
    score_mean, score_sd   by name of the ground's scores; 0 and 1 before any reading
    is_reset        what was learned of the strip before is forgotten
    ground          a key of soil.ground
    correlation     of the scores, row by row; empty where nobody kept it: none
    n_seen, highest, lowest   readings of this lift so far, and the contents between which they lay [m3/m3], or None
    season          state of the weather so far at through_utc, see soil/season.py; empty where nobody kept it
    frost_index_degc_h   frost that the ground's surface held at through_utc, None where nobody kept it
    """

    strip_id: str
    material_id: str
    lift_from_utc: datetime | None
    through_utc: datetime
    n_readings: int
    score_mean: Mapping[str, float]
    score_sd: Mapping[str, float]
    is_reset: bool = False
    ground: str = FILL
    correlation: tuple[tuple[float, ...], ...] = ()
    n_seen: int = 0
    highest: float | None = None
    lowest: float | None = None
    season: tuple[float, ...] = ()
    frost_index_degc_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A strip's present lift as a morning sees it: when it was spread, and its readings on the model's hours."""

    strip: Strip
    from_utc: datetime | None
    readings_utc: tuple[datetime, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What a morning starts from: by strip what is known, the record it was taken from, and whether that is its own."""

    knowledge: tuple[Knowledge, ...]
    taken_from: tuple[LearnedSoil | None, ...]

    def of_strips(self, rows: Sequence[int]) -> Prior:
        """Return what is known of some of the strips."""
        return Prior(
            knowledge=tuple(self.knowledge[s] for s in rows), taken_from=tuple(self.taken_from[s] for s in rows)
        )


def prior(lifts: Sequence[Lift], stored: Sequence[LearnedSoil], *, share_next_lift: float) -> Prior:
    """Return what is known of each strip's soil before its first reading of this morning.

    stored            what was ever learned on the site, in the order in which it was stored
    share_next_lift   share of it that a new lift takes over from one before of the same material, 0 to 1

    Where neither the strip's own lift nor an earlier one on it has taught anything, the newest record of any strip
    of the same material on the site counts as an earlier lift.
    """
    in_force = in_force_of(stored)
    found = [_before(lift, in_force, share_next_lift) for lift in lifts]
    return Prior(
        knowledge=tuple(_knowledge(lift, learned, share) for lift, (learned, share) in zip(lifts, found, strict=True)),
        taken_from=tuple(learned for learned, _ in found),
    )


def in_force_of(stored: Sequence[LearnedSoil]) -> tuple[LearnedSoil, ...]:
    """Return what was learned since each strip's last reset, without the resets."""
    last_reset = {learned.strip_id: i for i, learned in enumerate(stored) if learned.is_reset}
    return tuple(learned for i, learned in enumerate(stored) if i > last_reset.get(learned.strip_id, -1))


def _before(lift: Lift, in_force: Sequence[LearnedSoil], share_next_lift: float) -> tuple[LearnedSoil | None, float]:
    """The record that a lift starts from, and which share of it counts."""
    alike = [
        learned
        for learned in in_force
        if learned.material_id == lift.strip.material_id and learned.ground == lift.strip.ground
    ]
    own = [
        learned
        for learned in alike
        if learned.strip_id == lift.strip.id
        and learned.lift_from_utc == lift.from_utc
        and (not lift.readings_utc or learned.through_utc <= lift.readings_utc[0])
    ]
    if own:
        return max(own, key=lambda learned: learned.through_utc), 1.0
    others = [
        learned for learned in alike if (learned.strip_id, learned.lift_from_utc) != (lift.strip.id, lift.from_utc)
    ]
    if not others or share_next_lift <= 0.0:
        return None, 0.0
    newest = max(others, key=lambda learned: (learned.strip_id == lift.strip.id, learned.through_utc, learned.strip_id))
    return newest, share_next_lift


def _knowledge(lift: Lift, learned: LearnedSoil | None, share: float) -> Knowledge:
    """What a record and the share of it that counts come to."""
    names = SCORE_NAMES[lift.strip.ground]
    if learned is None:
        return nothing_known(len(names))
    whole = _as_knowledge(learned, names)
    if share < 1.0:
        return whole.discounted(share)
    if not lift.readings_utc or learned.through_utc < lift.readings_utc[0]:
        return whole
    # Its last reading is this morning's first, which is about to be counted again.
    return replace(whole, n_readings=max(learned.n_seen - 1, 0))


def learned_from_readings(
    lifts: Sequence[Lift], before: Prior, after: Sequence[Knowledge], seasons: Sequence[tuple[float, ...]]
) -> tuple[LearnedSoil, ...]:
    """Return what this morning's readings taught, one record for each strip of which any reading did.

    after     what is known after the morning, in the order of the lifts; seasons the state at each one's last reading
    """
    out: list[LearnedSoil] = []
    for s, (lift, known) in enumerate(zip(lifts, after, strict=True)):
        names = SCORE_NAMES[lift.strip.ground]
        if known.n_taught == before.knowledge[s].n_taught or not lift.readings_utc:
            continue
        sd = known.sd
        correlation = known.covariance / np.maximum(np.outer(sd, sd), 1e-12)
        out.append(
            LearnedSoil(
                strip_id=lift.strip.id,
                material_id=lift.strip.material_id,
                lift_from_utc=lift.from_utc,
                through_utc=lift.readings_utc[-1],
                n_readings=known.n_taught,
                score_mean=dict(zip(names, known.mean.tolist(), strict=True)),
                score_sd=dict(zip(names, sd.tolist(), strict=True)),
                ground=lift.strip.ground,
                correlation=tuple(tuple(row) for row in correlation.tolist()),
                n_seen=known.n_readings,
                highest=known.highest if np.isfinite(known.highest) else None,
                lowest=known.lowest if np.isfinite(known.lowest) else None,
                season=seasons[s],
            )
        )
    return tuple(out)


def season_put_down(state: tuple[float, ...], at_utc: datetime, frost_index_degc_h: float | None = None) -> LearnedSoil:
    """Return the record of a site's season at a moment, which belongs to no strip and teaches of no soil.

    state   empty where no strip asks for it; frost_index_degc_h: see weather/frost.py
    """
    return LearnedSoil(
        strip_id="",
        material_id="",
        lift_from_utc=None,
        through_utc=at_utc,
        n_readings=0,
        score_mean={},
        score_sd={},
        ground=NATURAL,
        season=state,
        frost_index_degc_h=frost_index_degc_h,
    )


def frost_put_down(stored: Sequence[LearnedSoil]) -> FrostBefore | None:
    """Return the newest frost that was put down, None where none was."""
    kept = [record for record in stored if record.frost_index_degc_h is not None]
    if not kept:
        return None
    newest = max(kept, key=lambda record: record.through_utc)
    return FrostBefore(at_utc=newest.through_utc, index_degc_h=newest.frost_index_degc_h or 0.0)


def reset(strip: Strip, at_utc: datetime) -> LearnedSoil:
    """Return the record that makes a strip start from its soil's defaults again."""
    return LearnedSoil(
        strip_id=strip.id,
        material_id=strip.material_id,
        lift_from_utc=None,
        through_utc=at_utc,
        n_readings=0,
        score_mean={},
        score_sd={},
        is_reset=True,
        ground=strip.ground,
    )


def factors(learned: LearnedSoil) -> dict[str, tuple[float, float, float]]:
    """Return of each parameter by meaning its value against the default: low, middle, high end (10 to 90 %).

    Of fill these are factors, exp(spread * score); of natural ground, whose scales differ, they are scores.
    """
    z = 1.2816  # the standard normal's tenth
    out = {}
    for name in SCORE_NAMES[learned.ground]:
        mean, sd = learned.score_mean.get(name, 0.0), learned.score_sd.get(name, 1.0)
        ends = [mean + k * sd for k in (-z, 0.0, z)]
        if learned.ground == FILL:
            ends = [float(LEARNABLE[name].factor(end)) for end in ends]
        out[name] = (ends[0], ends[1], ends[2])
    return out


def _as_knowledge(learned: LearnedSoil, names: Sequence[str]) -> Knowledge:
    """A record as knowledge; a parameter that it does not name has taught nothing."""
    sd = np.array([learned.score_sd.get(name, 1.0) for name in names])
    correlation = np.array(learned.correlation) if len(learned.correlation) == len(names) else np.eye(len(names))
    return Knowledge(
        mean=np.array([learned.score_mean.get(name, 0.0) for name in names]),
        covariance=correlation * np.outer(sd, sd),
        n_readings=learned.n_seen,
        n_taught=learned.n_readings,
        highest=np.nan if learned.highest is None else learned.highest,
        lowest=np.nan if learned.lowest is None else learned.lowest,
    )

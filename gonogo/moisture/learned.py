"""What the readings of a strip taught of its soil, from one morning to the next and from one lift to the next.

A morning marches through the weather that it has, two weeks back, and learns from the readings in it. What it learned
is kept with the time of the last reading that went into it, and a later morning starts from what was learned up to its
own first reading: no reading counts twice. The next lift of the same material takes over a stated share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from gonogo.records.site import Strip
from gonogo.soil.strip import LEARNABLE, Learned, nothing_learned


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedSoil:
    """What one strip's lift had taught by a moment.

    lift_from_utc   when the lift was spread, None where that was never recorded
    through_utc     the last reading that went into it; a reset holds the moment of the reset
    n_readings      readings that taught, over all mornings of this lift
    score_mean, score_sd   by name of strip.LEARNABLE; 0 and 1 before any reading. The parameter is its default times
                    exp(spread * score)
    is_reset        what was learned of the strip before is forgotten
    """

    strip_id: str
    material_id: str
    lift_from_utc: datetime | None
    through_utc: datetime
    n_readings: int
    score_mean: Mapping[str, float]
    score_sd: Mapping[str, float]
    is_reset: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """A strip's present lift as a morning sees it: when it was spread, and its readings on the model's hours."""

    strip: Strip
    from_utc: datetime | None
    readings_utc: tuple[datetime, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What a morning starts from: by strip, what it was taken from and which share of it (0 where nothing was)."""

    learned: Learned
    taken_from: tuple[LearnedSoil | None, ...]
    share: tuple[float, ...]


def prior(lifts: Sequence[Lift], stored: Sequence[LearnedSoil], *, share_next_lift: float) -> Prior:
    """Return what is known of each strip's soil before its first reading of this morning.

    stored            what was ever learned on the site, in the order in which it was stored
    share_next_lift   share of it that a new lift takes over from one before of the same material, 0 to 1

    Where neither the strip's own lift nor an earlier one on it has taught anything, the newest lesson from any strip
    of the same material on the site counts as an earlier lift.
    """
    in_force = in_force_of(stored)
    mean, sd = nothing_learned(len(lifts)).score_mean.copy(), nothing_learned(len(lifts)).score_sd.copy()
    taken_from: list[LearnedSoil | None] = []
    shares: list[float] = []
    for s, lift in enumerate(lifts):
        found, share = _before(lift, in_force, share_next_lift)
        taken_from.append(found)
        shares.append(share)
        if found is not None:
            passed = _as_scores(found).discounted(share)
            mean[:, s], sd[:, s] = passed.score_mean[:, 0], passed.score_sd[:, 0]
    return Prior(learned=Learned(score_mean=mean, score_sd=sd), taken_from=tuple(taken_from), share=tuple(shares))


def in_force_of(stored: Sequence[LearnedSoil]) -> tuple[LearnedSoil, ...]:
    """Return what was learned since each strip's last reset, without the resets."""
    last_reset = {one.strip_id: i for i, one in enumerate(stored) if one.is_reset}
    return tuple(one for i, one in enumerate(stored) if i > last_reset.get(one.strip_id, -1))


def _before(lift: Lift, in_force: Sequence[LearnedSoil], share_next_lift: float) -> tuple[LearnedSoil | None, float]:
    """The lesson that a lift starts from, and which share of it counts."""
    alike = [one for one in in_force if one.material_id == lift.strip.material_id]
    own = [
        one
        for one in alike
        if one.strip_id == lift.strip.id
        and one.lift_from_utc == lift.from_utc
        and (not lift.readings_utc or one.through_utc <= lift.readings_utc[0])
    ]
    if own:
        return max(own, key=lambda one: one.through_utc), 1.0
    others = [one for one in alike if (one.strip_id, one.lift_from_utc) != (lift.strip.id, lift.from_utc)]
    if not others or share_next_lift <= 0.0:
        return None, 0.0
    newest = max(others, key=lambda one: (one.strip_id == lift.strip.id, one.through_utc, one.strip_id))
    return newest, share_next_lift


def lessons(lifts: Sequence[Lift], before: Prior, learned: Learned, n_taught: Sequence[int]) -> tuple[LearnedSoil, ...]:
    """Return what this morning's readings taught, one record for each strip of which any reading did.

    learned    scores after the morning, in the order of the lifts
    n_taught   readings of each strip that taught: the first of a lift only says where it starts
    """
    names = tuple(LEARNABLE)
    out: list[LearnedSoil] = []
    for s, (lift, n) in enumerate(zip(lifts, n_taught, strict=True)):
        if n == 0 or not lift.readings_utc:
            continue
        source = before.taken_from[s]
        n_before = source.n_readings if source is not None and before.share[s] == 1.0 else 0
        out.append(
            LearnedSoil(
                strip_id=lift.strip.id,
                material_id=lift.strip.material_id,
                lift_from_utc=lift.from_utc,
                through_utc=lift.readings_utc[-1],
                n_readings=n_before + n,
                score_mean=dict(zip(names, learned.score_mean[:, s].tolist(), strict=True)),
                score_sd=dict(zip(names, learned.score_sd[:, s].tolist(), strict=True)),
            )
        )
    return tuple(out)


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
    )


def factors(one: LearnedSoil) -> dict[str, tuple[float, float, float]]:
    """Return of each parameter the factor on its default: low, middle and high end of what is likely (10 to 90 %)."""
    z = 1.2816  # the standard normal's tenth
    out = {}
    for name, row in LEARNABLE.items():
        mean, sd = one.score_mean.get(name, 0.0), one.score_sd.get(name, 1.0)
        low, middle, high = (float(row.factor(mean + k * sd)) for k in (-z, 0.0, z))
        out[name] = (low, middle, high)
    return out


def _as_scores(one: LearnedSoil) -> Learned:
    """The scores of one record (P, 1); a parameter that it does not name has taught nothing."""
    mean = np.array([[one.score_mean.get(name, 0.0)] for name in LEARNABLE])
    sd = np.array([[one.score_sd.get(name, 1.0)] for name in LEARNABLE])
    return Learned(score_mean=mean, score_sd=sd)

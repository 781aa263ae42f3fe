"""Moisture of all strips as an ensemble: members march through the weather and each reading pulls them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.balance import march
from gonogo.soil.compaction import theta_from_w_pct, w_pct_from_theta
from gonogo.soil.filter import GATE_SD, pull
from gonogo.soil.layers import SoilState
from gonogo.soil.strip import (
    SCORE_LIMIT,
    Learned,
    StripSoil,
    drawn_scores,
    drawn_start,
    nothing_learned,
    params_from_scores,
    standardised,
)
from gonogo.soil.unexplained import SoilTest, gains

Floats = npt.NDArray[np.float64]

# Standard deviation of one test against the true water content of the same soil [% points]. From memory: about
# 2.7 % of the value for the oven (ASTM D2216), 0.3 to 0.5 points for a gauge (D6938) and more between gauges,
# 0.5 to 1 for the microwave (D4643), 1 for carbide (D4944); the hand: common practice, no source.
METHOD_ERROR_PCT: dict[str, float] = {
    "oven": 0.4,
    "nuclear gauge": 0.6,
    "microwave": 0.7,
    "carbide": 1.0,
    "hand feel": 2.0,
}
# One test stands for one spot; the mean of the strip lies elsewhere by about this much: common practice, no source.
SPOT_SCATTER_PCT = 0.6
# Day to day, evaporation differs from what weather and soil make it by about this share: the best bare-soil models miss
# a lysimeter by 0.39 to 0.69 mm a day (Allen 2011, Agric. Water Manage. 99, 8-18), of 3 to 4 mm.
DEMAND_SPREAD = 0.15
CONFIRM_WITHIN_H = 72  # a second far-off reading within this time that agrees with the first is believed
IMPOSSIBLE = "reading_impossible"
FAR = "reading_far"
CONFIRMED = "reading_confirmed"
UNEXPLAINED = "water_unexplained"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingAt:
    """A moisture test placed on the model's axes.

    strip   index of the strip
    hour    index of the hour at whose start it counts, 0 to H
    w_pct   water content of the lift [% of dry mass]
    sd_pct  error of the method [% points], a value of METHOD_ERROR_PCT
    """

    strip: int
    hour: int
    w_pct: float
    sd_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StripMoisture:
    """Water content of every strip, hour and member.

    w_pct, w_top_pct, w_base_pct   lift mean, top (up to 100 mm) and base [%], (H + 1, S, M) at the start of the hour;
                                   in the hour of a reading after it has pulled; the last row is the end
    closure_error_mm               largest gap of the water balance of any member between two readings [mm]
    learned                        what the readings taught of each strip's soil
    n_taught                       (S,) readings that taught: the first of a lift only says where it starts
    reading_flags                  (index of the reading, key, text) of each reading that did not fit, and of the last
                                   reading of a strip that holds more water than rain and truck explain
    """

    w_pct: Floats
    w_top_pct: Floats
    w_base_pct: Floats
    closure_error_mm: float
    learned: Learned
    n_taught: npt.NDArray[np.int64]
    reading_flags: tuple[tuple[int, str, str], ...]


def run(
    strips: StripSoil,
    *,
    hour_utc: npt.NDArray[np.datetime64],
    et0_mm: Floats,
    kc_max: Floats,
    rain_members_mm: Floats,
    frozen: npt.NDArray[np.bool_],
    readings: Sequence[ReadingAt],
    watering_mm: Floats,
    surface: npt.NDArray[np.int64],
    rng: np.random.Generator,
    prior: Learned | None = None,
) -> StripMoisture:
    """Return the moisture of S strips over H hours as M members, pulled by the readings on the way.

    hour_utc         start of each hour (H,)
    et0_mm           reference evapotranspiration (H,) or (H, M); kc_max (H,)
    rain_members_mm  liquid water at the ground (H, M), at least two members
    frozen           (H,); watering_mm (H, S); surface (H, S) index into rain.SURFACES
    prior            what was learned before on these strips, or None

    A strip without readings has a wide start around its optimum. The first reading of a lift is where its members
    start from: what lay there before it was spread is nobody's knowledge. Later readings pull. One outside physics
    changes nothing; a later one far outside the members' band hardly counts until a second one agrees. Both are flagged
    and kept by the caller.
    Raises SoilError for a reading off the axes or one member, and what balance.march raises.
    Source: see soil/filter.py and soil/balance.py. Checked in tests/soil/test_ensemble.py.
    """
    n_hours, n_members, n_strips = len(hour_utc), rain_members_mm.shape[1], strips.omc_pct.size
    if n_members < 2:
        raise SoilError(f"{n_members} member: at least two are needed for a spread, for example 50.")
    for i, r in enumerate(readings):
        if not (0 <= r.strip < n_strips and 0 <= r.hour <= n_hours and np.isfinite(r.w_pct) and r.sd_pct > 0.0):
            raise SoilError(f"reading {i} ({r}): strip, hour, water content or error lies off the axes. Leave it out.")
    scores = drawn_scores(nothing_learned(n_strips) if prior is None else prior, n_members, rng)
    state = drawn_start(strips, n_members, rng)
    demand_mm = _members_demand_mm(et0_mm, hour_utc, n_members, rng)
    judge = _Judge(strips, readings, rng)
    top = np.empty((n_hours + 1, n_strips, n_members))
    base = np.empty_like(top)
    closure_error_mm = 0.0
    stops = sorted({r.hour for r in readings} | {0, n_hours})
    for begin, end in zip(stops, [*stops[1:], n_hours], strict=True):
        state, scores = judge.assimilated(begin, state, scores)
        top[begin], base[begin] = state.top_mm, state.base_mm
        if begin == end:
            continue
        span = slice(begin, end)
        path = march(
            state,
            params_from_scores(strips, scores),
            et0_mm=demand_mm[span],
            rain_mm=rain_members_mm[span],
            watering_mm=watering_mm[span],
            surface=surface[span],
            surface_before=surface[begin - 1] if begin else None,
            frozen=frozen[span],
            kc_max=kc_max[span],
        )
        top[begin : end + 1], base[begin : end + 1] = path.top_mm, path.base_mm
        closure_error_mm = max(closure_error_mm, path.closure_error_mm)
        state = SoilState(top_mm=path.top_mm[-1], base_mm=path.base_mm[-1])
    judge.look_for_unexplained_water(
        hour_utc,
        et0_mm=et0_mm if et0_mm.ndim == 1 else et0_mm.mean(axis=-1),
        kc_max=kc_max,
        rain_mm=rain_members_mm.mean(axis=-1),
        frozen=frozen,
        watering_mm=watering_mm,
        surface=surface,
    )
    lift_mm, top_mm = strips.lift_thickness_mm[:, None], strips.top_mm[:, None]
    density_kg_m3 = strips.dry_density_kg_m3[:, None]
    return StripMoisture(
        w_pct=np.asarray(w_pct_from_theta((top + base) / lift_mm, density_kg_m3)),
        w_top_pct=np.asarray(w_pct_from_theta(top / top_mm, density_kg_m3)),
        w_base_pct=np.asarray(w_pct_from_theta(base / (lift_mm - top_mm), density_kg_m3)),
        closure_error_mm=closure_error_mm,
        learned=Learned(score_mean=scores.mean(axis=-1), score_sd=scores.std(axis=-1, ddof=1)),
        n_taught=judge.n_taught,
        reading_flags=tuple(judge.flags),
    )


def _members_demand_mm(
    et0_mm: Floats, hour_utc: npt.NDArray[np.datetime64], n_members: int, rng: np.random.Generator
) -> Floats:
    """Return evaporative demand (H, M) whose members differ from day to day around the given one."""
    _, of_day = np.unique(hour_utc.astype("datetime64[D]"), return_inverse=True)
    draws = np.zeros((0, n_members)) if of_day.size == 0 else rng.standard_normal((of_day[-1] + 1, n_members))
    factor = np.exp(DEMAND_SPREAD * draws)
    factor /= factor.mean(axis=-1, keepdims=True)  # the members' mean is the given demand
    return np.asarray((et0_mm if et0_mm.ndim == 2 else et0_mm[:, None]) * factor[of_day])


class _Judge:
    """Brings the readings of an hour to the members, and remembers the ones that did not fit."""

    def __init__(self, strips: StripSoil, readings: Sequence[ReadingAt], rng: np.random.Generator) -> None:
        self.strips, self.readings, self.rng = strips, readings, rng
        self.tested: set[int] = set()
        self.flags: list[tuple[int, str, str]] = []
        self.suspects: dict[int, ReadingAt] = {}
        self.n_taught = np.zeros(strips.omc_pct.size, dtype=np.int64)

    def assimilated(self, hour: int, state: SoilState, scores: Floats) -> tuple[SoilState, Floats]:
        """Return state and scores after all readings of this hour, a strip's own ones one after the other."""
        waiting = [i for i, r in enumerate(self.readings) if r.hour == hour and self._is_possible(i)]
        while waiting:
            batch: dict[int, int] = {}
            for i in waiting:
                batch.setdefault(self.readings[i].strip, i)
            waiting = [i for i in waiting if i not in batch.values()]
            first = [i for strip, i in batch.items() if strip not in self.tested]
            later = [i for strip, i in batch.items() if strip in self.tested]
            if first:
                state = self._started(first, state)
            if later:
                state, scores = self._pulled(later, state, scores)
                self.n_taught[[self.readings[i].strip for i in later]] += 1
            self.tested.update(batch)
        return state, scores

    def look_for_unexplained_water(self, hour_utc: npt.NDArray[np.datetime64], **weather: npt.NDArray[Any]) -> None:
        """Flag the last reading of each strip that holds more water than rain and truck explain."""
        impossible = {i for i, key, _ in self.flags if key == IMPOSSIBLE}
        used = [(i, r) for i, r in enumerate(self.readings) if i not in impossible]
        tests = [
            SoilTest(strip=r.strip, hour=r.hour, w_pct=r.w_pct, sd_pct=float(np.hypot(r.sd_pct, SPOT_SCATTER_PCT)))
            for _, r in used
        ]
        for gain in gains(self.strips, tests, **weather):
            last = max((r.hour, i) for i, r in used if r.strip == gain.strip)[1]
            days = (self.readings[last].hour - gain.since_hour) / 24.0
            self.flags.append(
                (
                    last,
                    UNEXPLAINED,
                    f"over {days:.1f} days the tests found {gain.gain_pct:.1f} points more water than rain and truck "
                    f"explain (expected change {gain.expected_change_pct:+.1f} points): ground water, a spring, a "
                    "leak, standing water, or more than was recorded.",
                )
            )

    def _started(self, batch: list[int], state: SoilState) -> SoilState:
        """Return the state with strips started from their first reading.

        The mean of the lift is the reading with its error. How far its layers lie apart a test of the whole lift does
        not say: anything from none (spread this morning) to what the model has (lying there all along).
        """
        chosen = [self.readings[i] for i in batch]
        at = np.array([r.strip for r in chosen])
        n_members = state.top_mm.shape[1]
        sd_pct = np.hypot(np.array([r.sd_pct for r in chosen]), SPOT_SCATTER_PCT)[:, None]
        w_pct = np.array([r.w_pct for r in chosen])[:, None]
        drawn = w_pct + sd_pct * standardised(self.rng.standard_normal((len(batch), n_members)))
        lift_mm = self.strips.lift_thickness_mm[at, None]
        thick_top = self.strips.top_mm[at, None]
        thick_base = lift_mm - thick_top
        total = np.clip(drawn, 0.1 * w_pct, self.strips.saturated_w_pct[at, None])
        total = theta_from_w_pct(total, self.strips.dry_density_kg_m3[at, None]) * lift_mm
        even_top = total * (thick_top / lift_mm)
        modelled_top = state.top_mm[at] - (state.top_mm[at] + state.base_mm[at]) * (thick_top / lift_mm)
        wanted = even_top + self.rng.uniform(size=even_top.shape) * modelled_top
        sat = self.strips.theta_sat[at, None]
        top, base = state.top_mm.copy(), state.base_mm.copy()
        # Neither layer may end below dry or past full; the lift keeps the mean that was measured.
        top[at] = np.clip(wanted, np.maximum(total - sat * thick_base, 0.0), np.minimum(sat * thick_top, total))
        base[at] = total - top[at]
        return SoilState(top_mm=top, base_mm=base)

    def _is_possible(self, i: int) -> bool:
        """Say whether physics allows a reading; flag it if not."""
        r = self.readings[i]
        saturated = float(self.strips.saturated_w_pct[r.strip])
        if 0.0 < r.w_pct <= saturated + 2.0 * r.sd_pct:
            return True
        self.flags.append(
            (
                i,
                IMPOSSIBLE,
                f"{r.w_pct:.1f} % cannot be: at this density the pores are full at {saturated:.1f} %. "
                "The reading is kept and not used. Repeat the test, or correct density or specific gravity.",
            )
        )
        return False

    def _is_confirmed(self, r: ReadingAt) -> bool:
        """Say whether an earlier far-off reading of the strip said the same."""
        suspect = self.suspects.get(r.strip)
        if suspect is None or r.hour - suspect.hour > CONFIRM_WITHIN_H:
            return False
        both_pct = float(np.hypot(np.hypot(r.sd_pct, suspect.sd_pct), SPOT_SCATTER_PCT * np.sqrt(2.0)))
        return abs(r.w_pct - suspect.w_pct) <= 2.0 * both_pct

    def _pulled(self, batch: list[int], state: SoilState, scores: Floats) -> tuple[SoilState, Floats]:
        """Return state and scores after at most one reading a strip."""
        chosen = [self.readings[i] for i in batch]
        at = np.array([r.strip for r in chosen])
        mm_per_pct = self.strips.mm_per_pct[at]
        expected = (state.top_mm[at] + state.base_mm[at]) / mm_per_pct[:, None]
        confirmed = np.array([self._is_confirmed(r) for r in chosen])
        pulled = pull(
            state.top_mm[at],
            state.base_mm[at],
            scores[:, at],
            mm_per_pct=mm_per_pct,
            w_pct=np.array([r.w_pct for r in chosen]),
            sd_pct=np.hypot(np.array([r.sd_pct for r in chosen]), SPOT_SCATTER_PCT),
            is_confirmed=confirmed,
        )
        for k, (i, r) in enumerate(zip(batch, chosen, strict=True)):
            low, high = np.percentile(expected[k], (10.0, 90.0))
            band = f"{r.w_pct:.1f} % against the expected {low:.1f} to {high:.1f} %"
            if confirmed[k]:
                self.flags.append((i, CONFIRMED, f"{band}: a second test says so, and it is believed."))
                self.suspects.pop(r.strip, None)
            elif pulled.distance_sd[k] > GATE_SD:
                self.flags.append((i, FAR, f"{band}: kept, but it hardly counts until a second test agrees."))
                self.suspects[r.strip] = r
        top, base, new_scores = state.top_mm.copy(), state.base_mm.copy(), scores.copy()
        sat = self.strips.theta_sat[at, None]
        full_top = sat * self.strips.top_mm[at, None]
        full_base = sat * self.strips.lift_thickness_mm[at, None] - full_top
        # Where one layer would be pulled past full or dry, the other takes the rest, so that the lift keeps its mean.
        total = np.clip(pulled.top_mm + pulled.base_mm, 0.0, full_top + full_base)
        base[at] = np.clip(pulled.base_mm, np.maximum(total - full_top, 0.0), np.minimum(full_base, total))
        top[at] = total - base[at]
        new_scores[:, at] = np.clip(pulled.scores, -SCORE_LIMIT, SCORE_LIMIT)
        return SoilState(top_mm=top, base_mm=base), new_scores

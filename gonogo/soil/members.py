"""The members of strips on their way through the weather, and what a reading does to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from gonogo.soil.balance import simulate
from gonogo.soil.error_growth import TERMS, model_error, terms
from gonogo.soil.ground import Ground
from gonogo.soil.knowledge import Knowledge, answers, whitened
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.readings import CONFIRMED, FAR, Together, upper_part, weighed
from gonogo.soil.sky import Sky
from gonogo.soil.strip import StripSoil

Floats = npt.NDArray[np.float64]

START_DRAWS = 2  # of the error of a reading, in turn: that of one reading says nothing of the next one's


@dataclass(slots=True, kw_only=True)
class _Since:
    """What has happened to a strip since its last reading: where that was, and what its simulation closed with."""

    hour: int = -1
    theta: float = np.nan
    n_starts: int = 0
    side_doubted: float = 0.0
    closed_rest: Floats | None = field(default=None, repr=False)
    closed_surprise: float = 0.0
    closed_variance: float = np.inf


class Members:
    """The members of all strips on their way, and the paths they leave behind."""

    def __init__(
        self,
        strips: StripSoil,
        ground: Ground,
        sky: Sky,
        knowledge: Sequence[Knowledge],
        rngs: Sequence[np.random.Generator],
    ) -> None:
        n_hours, n_members, n_strips = len(sky.frozen), sky.rain_mm.shape[-1], strips.omc_pct.size
        self.strips, self.ground, self.sky, self.knowledge = strips, ground, sky, list(knowledge)
        n_draws = ground.n_scores + START_DRAWS
        drawn = np.stack([whitened(rng, n_draws, n_members) for rng in rngs])
        self.draws, self.starts = drawn[:, : ground.n_scores], drawn[:, ground.n_scores :]
        self.unknown = np.stack([(rng.permutation(n_members) + 0.5) / n_members for rng in rngs])
        self.steps = ground.growth.steps(n_members)
        self.state = ground.start(self.starts.transpose(1, 0, 2))
        self.since = [_Since() for _ in range(n_strips)]
        self.model = [self._model(k) for k in self.knowledge]  # mean and root of the scores that the members run with
        self.is_loosened = ground.loosened_at <= 0
        self.params = self._params()
        self.untested = (self.state.top_mm + self.state.base_mm) / self.params.column_mm
        self.rained_mm = np.vstack([np.zeros(1), np.cumsum(sky.rain_mm.mean(axis=-1))[:, None]])[:, 0]
        self.raw = np.empty((n_strips, n_members))
        shape = (n_hours + 1, n_strips, n_members)
        self.theta, self.top, self.base = np.empty(shape), np.empty(shape), np.empty(shape)
        self.terms = np.full((n_hours + 1, n_strips, len(TERMS)), np.nan)
        self.is_apart_known = np.zeros(n_strips, dtype=np.bool_)
        self.closure_error_mm = 0.0
        self.expected_pct: dict[int, tuple[float, float]] = {}  # by index of a reading that did not fit: 10 to 90 %

    def lift_pct(self, theta: Floats) -> Floats:
        """Contents [m3/m3] as per cent of dry mass."""
        return theta * (100_000.0 / self.strips.dry_density_kg_m3)[:, None]

    def _model(self, known: Knowledge) -> tuple[Floats, Floats]:
        if self.ground.is_carried:
            return known.mean, known.root
        return np.zeros_like(known.mean), np.eye(known.mean.size)

    def _scores(self) -> Floats:
        return np.stack([mean[:, None] + root @ z for (mean, root), z in zip(self.model, self.draws, strict=True)], 1)

    def _params(self) -> SoilParams:
        """The parameters of every member by what is known now, of lifts as they lie now."""
        at = [x.theta if x.hour >= 0 else float(self.strips.start_theta[s]) for s, x in enumerate(self.since)]
        hours = [max(x.hour, 0) for x in self.since]
        return self.ground.params(self._scores(), np.array(at), hours, self.knowledge, self.is_loosened)

    def keep(self, begin: int, end: int) -> None:
        """Simulate from a stop to the next and keep the path, moved by what is known and spread by its error."""
        self._write(begin, self.state.top_mm[None], self.state.base_mm[None])
        work = self.ground.loosened_at[~self.is_loosened]
        changes = sorted({begin, *work[(work >= begin) & (work < end)].tolist()})
        for first, last in zip(changes, [*changes[1:], end], strict=True):
            self._loosen(first)
            if last > first:
                path = simulate(self.state, self.params, self.sky.between(first, last))
                self.closure_error_mm = max(self.closure_error_mm, path.closure_error_mm)
                self.state = SoilState(top_mm=path.top_mm[-1], base_mm=path.base_mm[-1])
                self._write(first + 1, path.top_mm[1:], path.base_mm[1:])
        rows = slice(begin, end + 1)
        theta = self.theta[rows].copy()
        self.raw = theta[-1]
        self.theta[rows] = self._placed(theta, begin)
        moved, most = self.theta[rows] - theta, self.strips.theta_sat[:, None]
        for layer in (self.top, self.base):
            layer[rows] = np.clip(layer[rows] + moved, 0.0, most)

    def _write(self, hour: int, top_mm: Floats, base_mm: Floats) -> None:
        """Take down the contents of lift and layers from an hour on, as they were simulated, from water [mm]."""
        rows, shape = slice(hour, hour + len(top_mm)), self.raw.shape
        thick_base = np.broadcast_to(np.asarray(self.params.base_thickness_mm), shape)
        self.theta[rows] = (top_mm + base_mm) / self.params.column_mm
        self.top[rows] = top_mm / np.broadcast_to(self.params.top_thickness_mm, shape)
        self.base[rows] = base_mm / thick_base if np.any(thick_base > 0.0) else self.top[rows]

    def _loosen(self, hour: int) -> None:
        """Turn the lifts that are spread, disked or mixed in an hour into loose ones, from its start on.

        Not before: what was simulated up to then was another lift, with what lay below it. The mean of the lift stays,
        its layers are alike.
        """
        now = (self.ground.loosened_at <= hour) & ~self.is_loosened
        if not now.any():
            return
        theta = (self.state.top_mm + self.state.base_mm) / self.params.column_mm
        self.is_loosened = self.is_loosened | now
        self.params = self._params()
        top_mm = np.broadcast_to(self.params.top_thickness_mm, theta.shape)
        column_mm = np.broadcast_to(self.params.column_mm, theta.shape)
        self.state.top_mm[now] = (theta * top_mm)[now]
        self.state.base_mm[now] = (theta * (column_mm - top_mm))[now]
        self.is_apart_known = self.is_apart_known | now

    def _placed(self, theta: Floats, begin: int) -> Floats:
        """Return contents as given out: moved by what is known, spread by the error that grows since the reading."""
        mean, answer, rest = answers(theta, self.draws)
        out = theta.copy()
        hours = np.arange(begin, begin + len(theta))
        for s, since in enumerate(self.since):
            if since.hour < 0:
                continue
            moved, soil, other = self._moved(s, mean[:, s], answer[:, s], rest[:, s])
            variance = soil.var(axis=-1, ddof=1)
            self.terms[hours, s] = self._terms(s, hours, moved, variance)
            half = self.ground.growth.half_width(self.terms[hours, s])
            order = np.argsort(np.argsort(soil + 1e-9 * self.draws[s, 0], axis=-1), axis=-1)
            out[:, s] = moved[:, None] + other + half[:, None] * self.steps[order]
        return np.clip(out, 0.02 * self.strips.theta_sat[:, None], self.strips.theta_sat[:, None])

    def _moved(self, s: int, mean: Floats, answer: Floats, rest: Floats) -> tuple[Floats, Floats, Floats]:
        """Mean (H,), soil part (H, M) and rest (H, M) of a strip's contents, given what is known of its soil."""
        known, since, at = self.knowledge[s], self.since[s], self.model[s][0]
        if self.ground.is_carried:
            soil = answer @ self.draws[s]
        else:
            mean, soil = mean + answer @ (known.mean - at), answer @ (known.root @ self.draws[s])
        if since.closed_rest is not None:
            # What the last simulation missed for no fault of the soil may go on, as rain of the day of the reading.
            n = rest.shape[-1] - 1 - self.ground.n_scores
            shared = rest @ since.closed_rest / max(n, 1)
            own = (rest**2).sum(axis=-1) / max(n, 1) * ((since.closed_rest**2).sum() / max(n, 1))
            # A squared correlation of 1 / n is what chance alone gives.
            shared = shared * np.maximum(0.0, 1.0 - own / np.maximum(max(n, 1) * shared**2, 1e-30))
            gain = shared / since.closed_variance
            mean = mean + gain * since.closed_surprise
            rest = rest - gain[:, None] * since.closed_rest
        return mean, soil, rest

    def _terms(self, s: int, hours: npt.NDArray[np.int64], theta: Floats, variance: Floats) -> Floats:
        since = self.since[s]
        return terms(
            lead_h=hours - since.hour,
            soil_variance=variance,
            theta=np.full_like(theta, since.theta),
            rain_mm=self.rained_mm[hours] - self.rained_mm[since.hour],
            thickness_mm=self.strips.lift_thickness_mm[s],
            n_taught=self.knowledge[s].n_taught,
        )

    def spread(self, s: int) -> None:
        """Lay a new lift on a strip: as wet as one of which nothing is known, whatever fell on the strip before.

        Its layers are alike, and from here on they lie apart as simulated.
        """
        self.since[s] = _Since()
        total = self.untested[s] * self.params.column_mm[s]
        self.state.top_mm[s] = total * (self.params.top_thickness_mm[s] / self.params.column_mm[s])
        self.state.base_mm[s] = total - self.state.top_mm[s]
        self.is_apart_known[s] = True

    def read(self, test: Together) -> list[tuple[int, str, str]]:
        """Take in a test: it teaches of the soil what the simulation before it missed, and places the members."""
        s, hour, since = test.strip, test.hour, self.since[test.strip]
        test = test.of_lift(lambda depth_mm: self._above_part_pct(s, depth_mm))
        to_theta = self.strips.dry_density_kg_m3[s] / 100_000.0
        theta, error = test.w_pct * to_theta, test.error_pct * to_theta
        flags: list[tuple[int, str, str]] = []
        placed, variance, closed = theta, error**2, _Since()
        if since.hour >= 0:
            placed, variance, flags, closed = self._closed(test, theta, error)
        self.knowledge[s] = self.knowledge[s].read(placed)
        self.since[s] = _Since(
            hour=hour,
            theta=placed,
            n_starts=since.n_starts + 1,
            side_doubted=np.sign(theta - closed.theta) if any(key == FAR for _, key, _ in flags) else 0.0,
            closed_rest=closed.closed_rest,
            closed_surprise=closed.closed_surprise,
            closed_variance=closed.closed_variance,
        )
        self.model[s] = self._model(self.knowledge[s])
        self._restart(s, placed, variance)
        return flags

    def _above_part_pct(self, s: int, depth_mm: float) -> tuple[float, float]:
        """Return by how much the lift is wetter than its upper part, mean and standard deviation [% points]."""
        top_mm = np.broadcast_to(self.params.top_thickness_mm, self.raw.shape)[s]
        base_mm = np.broadcast_to(np.asarray(self.params.base_thickness_mm), self.raw.shape)[s]
        if depth_mm >= self.strips.lift_thickness_mm[s] or not np.all(base_mm > 0.0):
            return 0.0, 0.0
        top, base = self.state.top_mm[s] / top_mm, self.state.base_mm[s] / base_mm
        lift = (self.state.top_mm[s] + self.state.base_mm[s]) / (top_mm + base_mm)
        more = (lift - upper_part(top, base, top_mm, depth_mm)) * self._apart(s)
        more_pct = more * (100_000.0 / self.strips.dry_density_kg_m3[s])
        return float(more_pct.mean()), float(more_pct.std(ddof=1))

    def _apart(self, s: int) -> Floats | float:
        """Share of the difference between the layers, as simulated, that a test leaves in place.

        Time, weather and work since a lift was spread or turned over have made all of it. Nobody knows how long an
        unrecorded lift has lain: its layers are anything from alike to as simulated.
        """
        return 1.0 if self.is_apart_known[s] else self.unknown[s]

    def _closed(
        self, test: Together, theta: float, error: float
    ) -> tuple[float, float, list[tuple[int, str, str]], _Since]:
        """Return content and variance after a test that closes a simulation, its flags, and what was missed."""
        s, since, known = test.strip, self.since[test.strip], self.knowledge[test.strip]
        mean, answer, rest = (a[0] for a in answers(self.raw[None, s : s + 1], self.draws[s : s + 1]))
        moved, soil, other = self._moved(s, mean, answer, rest)
        expected, soil_variance = float(moved[0]), float(soil.var(ddof=1))
        spread = float((other**2).sum()) / max(other.size - 1 - self.ground.n_scores, 1)
        half = self.ground.growth.half_width(self._terms(s, np.array([test.hour]), moved, np.array([soil_variance])))
        variance = spread + float(half[0]) ** 2 * float(self.steps.var())
        verdict = weighed(
            theta=theta, error=error, expected=expected, variance=variance, side_before=since.side_doubted
        )
        rain_mm = float(self.rained_mm[test.hour] - self.rained_mm[since.hour])
        missed = model_error(since.theta, rain_mm, test.hour - since.hour)
        other_variance = spread + missed**2 + error**2
        root = self.model[s][1]
        in_scores = np.linalg.solve(root, answer[0]) if self.ground.is_carried else answer[0]
        surprise = theta - expected
        total = float(in_scores @ known.covariance @ in_scores) + other_variance
        self.knowledge[s] = known.taught(in_scores, surprise, other_variance)
        limit = 3.0 * np.sqrt(total)
        closed = _Since(
            theta=expected,
            closed_rest=rest[0],
            closed_surprise=float(np.clip(surprise, -limit, limit)),
            closed_variance=total,
        )
        flags = []
        if verdict.flag is not None:
            half_pct = 1.2816 * np.sqrt(variance)
            to_pct = 100_000.0 / self.strips.dry_density_kg_m3[s]
            low, high = max((expected - half_pct) * to_pct, 0.0), (expected + half_pct) * to_pct
            self.expected_pct |= dict.fromkeys(test.indices, (low, high))
            band = f"{test.w_pct:.1f} % against the expected {low:.1f} to {high:.1f} %"
            end = (
                "a second test says so, and it is believed."
                if verdict.flag == CONFIRMED
                else "both are held possible until a second test settles it."
            )
            flags = [(i, verdict.flag, f"{band}: {end}") for i in test.indices]
        return verdict.mean, verdict.variance, flags, closed

    def _restart(self, s: int, theta: float, variance: float) -> None:
        """Start the members of a strip again around a content."""
        strips = self.strips
        draw = self.starts[s, self.since[s].n_starts % START_DRAWS]
        most = strips.theta_sat[s]
        held = np.clip(theta + np.sqrt(variance) * draw, 0.02 * most, most)
        # As simulated: before what the test taught of the column's depth.
        mean = (self.state.top_mm[s] + self.state.base_mm[s]) / self.params.column_mm[s]
        apart = (self.state.top_mm[s] / self.params.top_thickness_mm[s] - mean) * self._apart(s)
        self.params = self._params()
        top, base = self.ground.placed(self.params, held, apart, s)
        self.state.top_mm[s], self.state.base_mm[s] = top, base
        self.raw[s] = held

"""The members of strips on their way through the weather, and what a reading does to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
import numpy.typing as npt

from gonogo.soil.balance import simulate_into
from gonogo.soil.error_growth import TERMS, model_error, terms
from gonogo.soil.ground import Ground
from gonogo.soil.knowledge import Knowledge, answers, whitened
from gonogo.soil.layers import LEAST_FILLED, SoilParams, SoilState, as_contents
from gonogo.soil.readings import CONFIRMED, FAR, Together, upper_part, weighed
from gonogo.soil.since_reading import SinceReading
from gonogo.soil.sky import Sky
from gonogo.soil.strip import StripSoil

Floats = npt.NDArray[np.float64]

START_DRAWS = 2  # of the error of a reading, in turn: that of one reading says nothing of the next one's


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
        self.since = [SinceReading() for _ in range(n_strips)]
        self.given_out = [0] * n_strips  # hours whose contents stand as they are given out; the rest as simulated
        self.model = [self._model(k) for k in self.knowledge]  # mean and root of the scores that the members run with
        self.is_loosened = ground.loosened_at <= 0
        self.params = self._params(range(n_strips))
        self.untested = (self.state.top_mm + self.state.base_mm) / self.params.column_mm
        self.rained_mm = np.vstack([np.zeros(1), np.cumsum(sky.rain_mm.mean(axis=-1))[:, None]])[:, 0]
        self.raw = np.empty((n_strips, n_members))
        shape = (n_hours + 1, n_strips, n_members)
        self.theta, self.top, self.base = np.empty(shape), np.empty(shape), np.empty(shape)
        self.terms = np.full((n_hours + 1, n_strips, len(TERMS)), np.nan)
        self.is_apart_known = np.zeros(n_strips, dtype=np.bool_)
        self.closure_error_mm = 0.0
        self.expected_pct: dict[int, tuple[float, float]] = {}  # by index of a reading that did not fit: 10 to 90 %

    def as_lift_pct(self) -> None:
        """Give out what is left of all strips, and turn all contents [m3/m3] into per cent of dry mass, in place."""
        for s in range(len(self.since)):
            self.place(s, len(self.theta))
        for contents in (self.theta, self.top, self.base):
            contents *= (100_000.0 / self.strips.dry_density_kg_m3)[:, None]

    def _model(self, known: Knowledge) -> tuple[Floats, Floats]:
        if self.ground.is_carried:
            return known.mean, known.root
        return np.zeros_like(known.mean), np.eye(known.mean.size)

    def _params(self, which: Sequence[int]) -> SoilParams:
        """The parameters of the members of some strips by what is known now, of lifts as they lie now."""
        since = [self.since[s] for s in which]
        at = [x.theta if x.hour >= 0 else float(self.strips.start_theta[s]) for s, x in zip(which, since, strict=True)]
        own = self.ground if len(which) == len(self.since) else self.ground.only(which)
        scores = [self.model[s][0][:, None] + self.model[s][1] @ self.draws[s] for s in which]
        known, is_loosened = [self.knowledge[s] for s in which], self.is_loosened[list(which)]
        return own.params(np.stack(scores, 1), np.array(at), [max(x.hour, 0) for x in since], known, is_loosened)

    def _renew(self, s: int) -> None:
        """Take what a test taught of a strip into its parameters."""
        own = self._params([s])
        for parameter in fields(SoilParams):
            column = getattr(self.params, parameter.name)
            if column.ndim == 2:
                column[s] = getattr(own, parameter.name)[0]

    def keep(self, begin: int, end: int) -> None:
        """Simulate from a stop to the next and keep the path as it is, until the strip's next test or the end."""
        self.top[begin], self.base[begin] = self.state.top_mm, self.state.base_mm
        here = slice(begin, begin + 1)
        as_contents(self.top[here], self.base[here], self.theta[here], self.params)
        work = self.ground.loosened_at[~self.is_loosened]
        changes = sorted({begin, *work[(work >= begin) & (work < end)].tolist()})
        for first, last in zip(changes, [*changes[1:], end], strict=True):
            self._loosen(first)
            if last > first:
                rows = slice(first + 1, last + 1)
                into = SoilState(top_mm=self.top[rows], base_mm=self.base[rows])
                error_mm = simulate_into(into, self.state, self.params, self.sky.between(first, last))
                self.closure_error_mm = max(self.closure_error_mm, error_mm)
                self.state = SoilState(top_mm=self.top[last].copy(), base_mm=self.base[last].copy())
                as_contents(into.top_mm, into.base_mm, self.theta[rows], self.params)
        self.raw = self.theta[end].copy()

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
        self.params = self._params(range(len(self.since)))
        top_mm = np.broadcast_to(self.params.top_thickness_mm, theta.shape)
        column_mm = np.broadcast_to(self.params.column_mm, theta.shape)
        self.state.top_mm[now] = (theta * top_mm)[now]
        self.state.base_mm[now] = (theta * (column_mm - top_mm))[now]
        self.is_apart_known = self.is_apart_known | now

    def place(self, s: int, end: int) -> None:
        """Give out a strip's contents of the hours before one that were not given out yet.

        They are moved by what is known and spread by the error that grows since the reading.
        """
        since, rows, full = self.since[s], slice(self.given_out[s], end), float(self.strips.theta_sat[s])
        self.given_out[s] = end
        if rows.start >= end:
            return
        theta, placed = self.theta[rows, s], self.theta[rows, s]
        if since.hour >= 0:
            hours = np.arange(rows.start, rows.stop)
            moved, soil, other = self._moved(s, *answers(theta, self.draws[s]))
            self.terms[hours, s] = self._terms(s, hours, moved, soil.var(axis=-1, ddof=1))
            half = self.ground.growth.half_width(self.terms[hours, s])
            # The driest by its soil stands at the lowest step.
            order = np.argsort(soil + 1e-9 * self.draws[s, 0], axis=-1)
            placed = np.empty_like(soil)
            np.put_along_axis(placed, order, half[:, None] * self.steps, axis=-1)
            placed += other
            placed += moved[:, None]
        placed = np.clip(placed, LEAST_FILLED * full, full)
        shift = placed - theta
        for layer in (self.top[rows, s], self.base[rows, s]):
            layer += shift
            np.clip(layer, 0.0, full, out=layer)
        self.theta[rows, s] = placed

    def _moved(self, s: int, mean: Floats, answer: Floats, soil: Floats, rest: Floats) -> tuple[Floats, Floats, Floats]:
        """Mean (H,), soil part (H, M) and rest (H, M) of a strip's contents, given what is known of its soil.

        Arguments as `answers` gives them.
        """
        known, since, at = self.knowledge[s], self.since[s], self.model[s][0]
        if not self.ground.is_carried:
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

    def _terms(self, s: int, hours: npt.NDArray[np.int64], expected: Floats, variance: Floats) -> Floats:
        since = self.since[s]
        # What the truck put on is known: only what weather makes of the content has errors like those of the stations.
        put_on_mm = np.append(0.0, np.cumsum(self.sky.watering_mm[since.hour : hours[-1], s]))[hours - since.hour]
        column_mm = np.broadcast_to(self.params.column_mm, self.raw.shape)[s].mean()
        return terms(
            lead_h=hours - since.hour,
            soil_variance=variance,
            theta=np.full_like(expected, since.theta),
            expected=expected - put_on_mm / column_mm,
            rain_mm=self.rained_mm[hours] - self.rained_mm[since.hour],
            thickness_mm=self.strips.lift_thickness_mm[s],
            n_taught=self.knowledge[s].n_taught,
        )

    def spread(self, s: int, hour: int) -> None:
        """Lay a new lift on a strip: as wet as one of which nothing is known, whatever fell on the strip before.

        Its layers are alike, and from here on they lie apart as simulated.
        """
        self.place(s, hour)
        self.since[s] = SinceReading()
        total = self.untested[s] * self.params.column_mm[s]
        self.state.top_mm[s] = total * (self.params.top_thickness_mm[s] / self.params.column_mm[s])
        self.state.base_mm[s] = total - self.state.top_mm[s]
        self.is_apart_known[s] = True

    def read(self, test: Together) -> list[tuple[int, str, str]]:
        """Take in a test: it teaches of the soil what the simulation before it missed, and places the members."""
        s, hour, since = test.strip, test.hour, self.since[test.strip]
        self.place(s, hour)
        test = test.of_lift(lambda depth_mm: self._above_part_pct(s, depth_mm))
        to_theta = self.strips.dry_density_kg_m3[s] / 100_000.0
        theta, error = test.w_pct * to_theta, test.error_pct * to_theta
        notes: list[tuple[int, str, str]] = []
        placed, variance, closed = theta, error**2, SinceReading()
        if since.hour >= 0:
            placed, variance, notes, closed = self._closed(test, theta, error)
        self.knowledge[s] = self.knowledge[s].read(placed)
        self.since[s] = SinceReading(
            hour=hour,
            theta=placed,
            n_starts=since.n_starts + 1,
            side_doubted=np.sign(theta - closed.theta) if any(key == FAR for _, key, _ in notes) else 0.0,
            closed_rest=closed.closed_rest,
            closed_surprise=closed.closed_surprise,
            closed_variance=closed.closed_variance,
        )
        self.model[s] = self._model(self.knowledge[s])
        self._restart(s, placed, variance)
        return notes

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
    ) -> tuple[float, float, list[tuple[int, str, str]], SinceReading]:
        """Return content and variance after a test that closes a simulation, its notes, and what was missed."""
        s, since, known = test.strip, self.since[test.strip], self.knowledge[test.strip]
        mean, answer, answered, rest = answers(self.raw[None, s], self.draws[s])
        moved, soil, other = self._moved(s, mean, answer, answered, rest)
        expected, soil_variance = float(moved[0]), float(soil.var(ddof=1))
        spread = float((other**2).sum()) / max(other.size - 1 - self.ground.n_scores, 1)
        half = self.ground.growth.half_width(self._terms(s, np.array([test.hour]), moved, np.array([soil_variance])))
        variance = spread + float(half[0]) ** 2 * float(self.steps.var())
        after = weighed(theta=theta, error=error, expected=expected, variance=variance, side_before=since.side_doubted)
        rain_mm = float(self.rained_mm[test.hour] - self.rained_mm[since.hour])
        missed = model_error(since.theta, rain_mm, test.hour - since.hour)
        other_variance = spread + missed**2 + error**2
        root = self.model[s][1]
        in_scores = np.linalg.solve(root, answer[0]) if self.ground.is_carried else answer[0]
        surprise = theta - expected
        total = float(in_scores @ known.covariance @ in_scores) + other_variance
        self.knowledge[s] = known.taught(in_scores, surprise, other_variance)
        limit = 3.0 * np.sqrt(total)
        closed = SinceReading(
            theta=expected,
            closed_rest=rest[0],
            closed_surprise=float(np.clip(surprise, -limit, limit)),
            closed_variance=total,
        )
        notes = []
        if after.note is not None:
            half_pct = 1.2816 * np.sqrt(variance)
            to_pct = 100_000.0 / self.strips.dry_density_kg_m3[s]
            low, high = max((expected - half_pct) * to_pct, 0.0), (expected + half_pct) * to_pct
            self.expected_pct |= dict.fromkeys(test.indices, (low, high))
            band = f"{test.w_pct:.1f} % against the expected {low:.1f} to {high:.1f} %"
            end = (
                "a second test says so, and it is believed."
                if after.note == CONFIRMED
                else "both are held possible until a second test settles it."
            )
            notes = [(i, after.note, f"{band}: {end}") for i in test.indices]
        return after.mean, after.variance, notes, closed

    def _restart(self, s: int, theta: float, variance: float) -> None:
        """Start the members of a strip again around a content."""
        strips = self.strips
        draw = self.starts[s, self.since[s].n_starts % START_DRAWS]
        most = strips.theta_sat[s]
        held = np.clip(theta + np.sqrt(variance) * draw, LEAST_FILLED * most, most)
        # As simulated: before what the test taught of the column's depth.
        mean = (self.state.top_mm[s] + self.state.base_mm[s]) / self.params.column_mm[s]
        apart = (self.state.top_mm[s] / self.params.top_thickness_mm[s] - mean) * self._apart(s)
        self._renew(s)
        top, base = self.ground.placed(self.params, held, apart, s)
        self.state.top_mm[s], self.state.base_mm[s] = top, base
        self.raw[s] = held

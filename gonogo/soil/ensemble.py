"""Moisture of all strips as an ensemble: members run through the weather, readings place them and teach.

At each reading of a strip its members start again from what the reading and the simulation before it say together. How
a simulation answers to the soil's scores, and what its closing reading taught of them, moves every later content; an
error that grows with the days since the reading is put around it. So the members that decide are spread as the errors
that were measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.by_strip import ByStrip, columns
from gonogo.soil.ground import Ground
from gonogo.soil.knowledge import Knowledge
from gonogo.soil.members import Members
from gonogo.soil.readings import IMPOSSIBLE, ReadingAt, together
from gonogo.soil.sky import Sky
from gonogo.soil.strip import StripSoil
from gonogo.soil.waypoint import Waypoint, taken_on, waypoint

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripMoisture:
    """Water content of every strip, hour and member.

    w_pct, w_top_pct, w_base_pct   lift mean, top (up to 100 mm) and base [%], (H + 1, S, M) at the start of the hour;
                                   in the hour of a reading after it has corrected them; the last row is the end;
                                   by strip where their numbers of members differ
    closure_error_mm               largest gap of the water balance of any member between two readings [mm]
    knowledge                      what is known of each strip's soil after its readings
    error_terms                    what the error's half width was made from (H + 1, S, TERMS), NaN before a reading
    expected_pct                   by index of a reading that did not fit, what had been expected: 10 and 90 % [%]
    waypoint                       from where the same strips can be taken on, of a run of its own
    reading_flags                  (index of the reading, key, text) of each reading that did not fit, and of the last
                                   reading of a strip that holds more water than rain and truck explain
    """

    w_pct: Floats | ByStrip
    w_top_pct: Floats | ByStrip
    w_base_pct: Floats | ByStrip
    closure_error_mm: float
    knowledge: tuple[Knowledge, ...]
    error_terms: Floats
    reading_flags: tuple[tuple[int, str, str], ...]
    expected_pct: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    waypoint: Waypoint | None = field(default=None, repr=False)

    def of_strips(self, rows: Sequence[int]) -> StripMoisture:
        """Return the moisture of some strips, without flags, which count the readings of all of them."""
        own = list(rows)
        return replace(
            self,
            w_pct=columns(self.w_pct, own),
            w_top_pct=columns(self.w_top_pct, own),
            w_base_pct=columns(self.w_base_pct, own),
            knowledge=tuple(self.knowledge[s] for s in own),
            error_terms=self.error_terms[:, own],
            reading_flags=(),
            expected_pct={},
            waypoint=None,
        )


def run(
    strips: StripSoil,
    ground: Ground,
    sky: Sky,
    *,
    readings: Sequence[ReadingAt],
    knowledge: Sequence[Knowledge],
    rngs: Sequence[np.random.Generator],
    spread_at: Sequence[tuple[int, int]] = (),
) -> StripMoisture:
    """Return the moisture of S strips of one kind of ground over H hours as M members.

    knowledge   what is known of each strip's soil before the first of the readings
    rngs        a stream of random numbers for each strip, so that no strip moves another
    spread_at   (hour, strip) at which a lift was spread: it starts there, and its layers are alike

    A strip without readings has a wide start. The first reading of a lift is where its members start from: how wet it
    came, and what fell on what lay there before it, is nobody's knowledge. One outside physics changes nothing, one
    far from what was expected widens the members until a second one settles it; both are flagged and kept by the
    caller.
    Raises SoilError for a reading off the axes or one member, and what balance.simulate raises.
    Source: see soil/knowledge.py, soil/readings.py and soil/balance.py. Checked in tests/soil/test_ensemble.py.
    """
    n_hours, n_members, n_strips = len(sky.frozen), sky.rain_mm.shape[-1], strips.omc_pct.size
    if n_members < 2:
        raise SoilError(f"{n_members} member: at least two are needed for a spread, for example 50.")
    for i, r in enumerate(readings):
        if not (0 <= r.strip < n_strips and 0 <= r.hour <= n_hours and np.isfinite(r.w_pct) and r.error_pct > 0.0):
            raise SoilError(f"reading {i} ({r}): strip, hour, water content or error lies off the axes. Leave it out.")
    members = Members(strips, ground, sky, knowledge, rngs)
    flags = _impossible(strips, readings)
    barred = {i for i, _, _ in flags}
    tests = together([(i, r) for i, r in enumerate(readings) if i not in barred])
    stops = sorted({t.hour for t in tests} | {hour for hour, _ in spread_at} | {0, n_hours})
    last, stood = max((hour for hour in stops if hour < n_hours), default=0), None
    for begin, end in zip(stops, [*stops[1:], n_hours], strict=True):
        for strip in (s for hour, s in spread_at if hour == begin):
            members.spread(strip, begin)
        for test in (t for t in tests if t.hour == begin):
            flags += members.read(test)
        if begin == last:
            stood = waypoint(members, begin)
        members.keep(begin, end)
    members.as_lift_pct()
    is_last = n_hours not in {t.hour for t in tests} | {hour for hour, _ in spread_at}
    return replace(
        _moisture(members),
        reading_flags=tuple(flags),
        expected_pct=members.expected_pct,
        waypoint=stood if is_last else None,
    )


def run_on(before: Waypoint, columns: Sequence[int], ground: Ground, sky: Sky) -> StripMoisture:
    """Return the moisture of some strips of a run, had their sky been another one from its waypoint on; without flags.

    columns       the strips' places in the run
    ground, sky   of these strips; up to the hour of the waypoint as in the run

    Bit by bit what `run` returns for them. Checked in tests/moisture/test_later_work.py.
    """
    return _moisture(taken_on(before, columns, ground, sky))


def _moisture(members: Members) -> StripMoisture:
    """Return what members came to, their contents in per cent, without flags."""
    return StripMoisture(
        w_pct=members.theta,
        w_top_pct=members.top,
        w_base_pct=members.base,
        closure_error_mm=members.closure_error_mm,
        knowledge=tuple(members.knowledge),
        error_terms=members.terms,
        reading_flags=(),
    )


def _impossible(strips: StripSoil, readings: Sequence[ReadingAt]) -> list[tuple[int, str, str]]:
    """Return the flags of the readings that physics does not allow."""
    flags = []
    for i, r in enumerate(readings):
        saturated = float(strips.saturated_w_pct[r.strip])
        if not 0.0 < r.w_pct <= saturated + 2.0 * r.sd_pct:
            flags.append(
                (
                    i,
                    IMPOSSIBLE,
                    f"{r.w_pct:.1f} % cannot be: at this density the pores are full at {saturated:.1f} %. "
                    "The reading is kept and not used. Repeat the test, or correct density or specific gravity.",
                )
            )
    return flags

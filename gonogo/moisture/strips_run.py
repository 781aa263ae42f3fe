"""Strips of a site through the hours of its weather, with whatever happened to them: the run behind every moisture."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from gonogo.moisture.hourly_work import hour_index, loosened_at, surface_states, turned_over, watering_mm
from gonogo.moisture.later_work import StripWaypoint, taken_on
from gonogo.moisture.learned import Prior
from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.strip_snow import SiteSnow, hour_of_snow, is_own, row_of, strip_snow
from gonogo.records.field import BORROW, Reading
from gonogo.records.site import Site, Strip
from gonogo.soil import ensemble, ground, unexplained
from gonogo.soil.by_strip import side_by_side
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.ground import Ground, Tables
from gonogo.soil.ponding import soaked_in_mm
from gonogo.soil.readings import (
    BORROW_ERROR_PCT,
    IMPOSSIBLE,
    METHOD_ERROR_PCT,
    PROBE,
    PROBE_ERROR_PCT,
    SPOT_SCATTER_PCT,
    ReadingAt,
)
from gonogo.soil.season import Season
from gonogo.soil.sky import Sky, moist_share
from gonogo.soil.strip import StripSoil, strip_soil

ERROR_PCT = {**METHOD_ERROR_PCT, PROBE: PROBE_ERROR_PCT, BORROW: BORROW_ERROR_PCT}


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """All that runs of a site's strips have in common.

    sky      of the site; its watering and surface are put in for the strips of a run
    season   the weather so far at every hour
    snow     of the site; a strip that was cleared, or on which snow was seen, has its own melt water
    prior    what is known of each strip of the site before its first reading
    root     of the random numbers; each strip has a stream of its own
    """

    site: Site
    hour_utc: npt.NDArray[np.datetime64]
    sky: Sky
    snow: SiteSnow
    season: Season
    prior: Prior
    root: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StripsRun:
    """Moisture of some strips, and the readings that found a place on the hours, as its flags count them.

    waypoints   by place among the strips, from where they can be taken on
    """

    moisture: StripMoisture
    readings: tuple[Reading, ...]
    waypoints: Mapping[int, StripWaypoint] = field(default_factory=dict)

    def split(self, n_strips: int, n_readings: int) -> tuple[StripsRun, StripsRun]:
        """Return the first strips, whose readings are the first ones, and the rest."""
        return self._part(slice(None, n_strips), 0, n_readings), self._part(
            slice(n_strips, None), n_readings, len(self.readings)
        )

    def _part(self, strips: slice, first: int, end: int) -> StripsRun:
        whole = self.moisture
        moisture = replace(
            whole,
            w_pct=whole.w_pct[:, strips],
            w_top_pct=whole.w_top_pct[:, strips],
            w_base_pct=whole.w_base_pct[:, strips],
            knowledge=whole.knowledge[strips],
            error_terms=whole.error_terms[:, strips],
            reading_flags=tuple((i - first, key, text) for i, key, text in whole.reading_flags if first <= i < end),
            expected_pct={i - first: band for i, band in whole.expected_pct.items() if first <= i < end},
        )
        return StripsRun(moisture=moisture, readings=self.readings[first:end])


def run_strips(
    start: Start,
    rows: Sequence[int],
    histories: Sequence[LiftHistory],
    before: Mapping[int, StripWaypoint] | None = None,
) -> StripsRun:
    """Simulate the strips on some rows of the site, a row as often as it stands there, each with its history.

    before   by row, from where strips can be taken on; what is taken on comes to the same, but without flags

    The strips of each kind of ground run together and are put back in the order of the rows. Raises SoilError.
    """
    strips = [start.site.strips[s] for s in rows]
    placed, placed_from = place(histories, start.hour_utc)
    whole = _soil(start.site, strips)
    turned = turned_over(histories, start.hour_utc)
    sky = replace(
        start.sky,
        watering_mm=watering_mm(strips, histories, start.hour_utc),
        surface=surface_states(strips, histories, start.hour_utc),
        turned=turned if turned.any() else None,
        moist=moist_share(turned, start.sky.et0_mm * start.sky.kc_max, whole.rew_mm) if turned.any() else None,
    )
    known = [start.prior.knowledge[s] for s in rows]
    parts: list[tuple[list[int], StripMoisture]] = []
    flags: list[tuple[int, str, str]] = []
    expected_pct: dict[int, tuple[float, float]] = {}
    waypoints: dict[int, StripWaypoint] = {}
    for kind, own in _groups(strips, histories):
        soil, above = whole.only(own), _above(start, sky, strips[own[0]], histories[own[0]])
        happened = [histories[i] for i in own]
        below = _ground(kind, soil, start, happened)
        if before and all(rows[i] in before for i in own):
            since = taken_on([before[rows[i]] for i in own], happened, start.hour_utc, below, above.of_strips(own))
            if since is not None:
                parts.append((own, since))
                continue
        mine = [(i, replace(r, strip=own.index(r.strip))) for i, r in enumerate(placed) if r.strip in own]
        found = ensemble.run(
            soil,
            below,
            above.of_strips(own),
            readings=[r for _, r in mine],
            knowledge=[known[i] for i in own],
            rngs=[strip_rng(start.root, strips[i].id) for i in own],
            spread_at=[(hour, own.index(i)) for hour, i in _spread(histories, start.hour_utc) if i in own],
        )
        parts.append((own, found))
        if found.waypoint is not None:
            waypoints |= {
                i: StripWaypoint(history=happened[k], waypoint=found.waypoint, column=k) for k, i in enumerate(own)
            }
        flags += [(mine[i][0], key, text) for i, key, text in found.reading_flags]
        expected_pct |= {mine[i][0]: band for i, band in found.expected_pct.items()}
        if kind == ground.FILL:
            barred = {i for i, key, _ in found.reading_flags if key == IMPOSSIBLE}
            wet = unexplained.flags(soil, above, own, [(i, r) for i, (_, r) in enumerate(mine) if i not in barred])
            flags += [(mine[i][0], key, text) for i, key, text in wet]
    moisture = replace(together(parts), reading_flags=tuple(sorted(flags)), expected_pct=expected_pct, waypoint=None)
    return StripsRun(moisture=moisture, readings=tuple(placed_from), waypoints=waypoints)


def _groups(strips: Sequence[Strip], histories: Sequence[LiftHistory]) -> Iterator[tuple[str, list[int]]]:
    """Yield the strips that run together, with their kind of ground; one with a pond runs alone."""
    for kind in ground.SCORE_NAMES:
        groups: dict[object, list[int]] = {}
        for i, strip in enumerate(strips):
            if strip.ground == kind:
                seen = histories[i].ground
                alone = i if seen.pond_utc is not None else None
                groups.setdefault((hour_of_snow(seen), seen.snow_mm, alone), []).append(i)
        for own in groups.values():
            yield kind, own


def _above(start: Start, sky: Sky, strip: Strip, history: LiftHistory) -> Sky:
    """Return what comes from above on the strips of a group: rain, melt water of a strip's own snow, its pond."""
    seen = history.ground
    if not is_own(seen):
        return sky
    more_mm = strip_snow(start.snow, seen)[1] - start.snow.melt_mm
    if seen.pond_utc is not None:
        first, n_hours = max(row_of(seen.pond_utc, start.hour_utc), 0), len(start.hour_utc)
        end = n_hours if seen.drained_utc is None else row_of(seen.drained_utc, start.hour_utc)
        more_mm = more_mm + soaked_in_mm(
            seen.pond_mm,
            range(first, min(end, n_hours)),
            sky.et0_mm,
            sky.frozen,
            soil_class=start.site.material(strip.material_id).soil_class,
            surface=history.surface(strip),
        )
    return replace(sky, rain_mm=np.maximum(sky.rain_mm + more_mm[:, None], 0.0))


def together(parts: Sequence[tuple[Sequence[int], StripMoisture]]) -> StripMoisture:
    """Return the moisture of all strips from that of some of them each, with the places of these; without its flags."""
    if len(parts) == 1:
        return parts[0][1]
    place = np.argsort([i for own, _ in parts for i in own]).tolist()
    found = [moisture for _, moisture in parts]
    known = [knowledge for moisture in found for knowledge in moisture.knowledge]
    return StripMoisture(
        w_pct=side_by_side([moisture.w_pct for moisture in found], place),
        w_top_pct=side_by_side([moisture.w_top_pct for moisture in found], place),
        w_base_pct=side_by_side([moisture.w_base_pct for moisture in found], place),
        closure_error_mm=max(moisture.closure_error_mm for moisture in found),
        knowledge=tuple(known[k] for k in place),
        error_terms=np.concatenate([moisture.error_terms for moisture in found], axis=1)[:, place],
        reading_flags=(),
    )


def strip_rng(root: int, strip_id: str, *purpose: int) -> np.random.Generator:
    """Return a stream of random numbers of a strip's own: one more strip on the site moves no other."""
    return np.random.default_rng([root, zlib.crc32(strip_id.encode()), *purpose])


def place(
    histories: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64]
) -> tuple[list[ReadingAt], list[Reading]]:
    """Return readings on the model's axes, with the records they came from; what is older than the weather is left."""
    placed: list[ReadingAt] = []
    placed_from: list[Reading] = []
    for i, history in enumerate(histories):
        arrived = () if history.arrived is None else (history.arrived,)
        for reading in (*arrived, *history.readings):
            hour = hour_index(reading.at_utc, hour_utc)
            if 0 <= hour <= len(hour_utc):
                is_probe = reading.method == PROBE
                error_pct = ERROR_PCT[reading.method]
                placed.append(
                    ReadingAt(
                        strip=i,
                        hour=hour,
                        w_pct=history.as_oven_pct(reading),
                        sd_pct=error_pct,
                        spot_sd_pct=0.0 if is_probe else SPOT_SCATTER_PCT,
                        depth_mm=np.inf if reading.depth_mm is None else reading.depth_mm,
                    )
                )
                placed_from.append(reading)
    return placed, placed_from


def _ground(kind: str, soil: StripSoil, start: Start, histories: Sequence[LiftHistory]) -> Ground:
    tables = Tables()
    if kind == ground.NATURAL:
        return ground.Natural(strips=soil, season=start.season, table=tables.population, growth=tables.growth[kind])
    loose_from = np.array([loosened_at(history, start.hour_utc) for history in histories], dtype=np.int64)
    return ground.Fill(strips=soil, growth=tables.growth[kind], loosened_at=loose_from)


def _spread(histories: Sequence[LiftHistory], hour_utc: npt.NDArray[np.datetime64]) -> list[tuple[int, int]]:
    """Hours within the weather in which a lift was spread, with its place among the histories."""
    return [
        (hour, i)
        for i, history in enumerate(histories)
        if history.lift_from_utc is not None
        and 0 <= (hour := hour_index(history.lift_from_utc, hour_utc)) < len(hour_utc)
    ]


def _soil(site: Site, strips: Sequence[Strip]) -> StripSoil:
    materials = [site.material(strip.material_id) for strip in strips]
    return strip_soil(
        soil_class=[m.soil_class for m in materials],
        lift_thickness_mm=[1000.0 * s.lift_thickness_m for s in strips],
        dry_density_kg_m3=[s.dry_density_kg_m3 for s in strips],
        specific_gravity=[m.specific_gravity for m in materials],
        omc_pct=[m.omc_pct for m in materials],
        theta_fc=[m.theta_fc for m in materials],
        theta_wp=[m.theta_wp for m in materials],
    )

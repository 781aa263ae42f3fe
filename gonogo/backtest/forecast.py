"""Forecasts from the readings of a station-year, each made by the very function that a morning calls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from gonogo import times
from gonogo.backtest.folder import StationYear
from gonogo.backtest.hours import DAY, Hours
from gonogo.moisture.learned import LearnedSoil, season_put_down
from gonogo.moisture.simulate import Kept, simulate
from gonogo.records.field import Reading
from gonogo.records.site import Material, Site, Strip, Surface
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ground import NATURAL
from gonogo.soil.readings import PROBE
from gonogo.soil.reference_et import hourly_et0_mm
from gonogo.soil.season import BUCKETS_MM, Season, season

Floats = npt.NDArray[np.float64]

READINGS = ("weekly", "first")  # all readings up to the issue day, or the issue day's own alone
HORIZON = 10
N_MEMBERS = 50  # as a morning has where nobody set another number
NOON_H = 12  # for which a probe's daily mean stands
DENSITY_KG_M3 = 1000.0  # so that per cent of dry mass are per cent of volume: stations tell no density
SPECIFIC_GRAVITY = 2.65
# A station tells no class: taken for that whose field capacity is nearest to its first reading over the share that the
# weather so far has left of it, from where it emptied a small bucket to where it filled it.
SHARE_OF_FC = (0.4, 0.9)
STRIP = "station"


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Contents of the ten days after some issue days (N,), each (N, HORIZON) [m3/m3].

    day        (N,) index of the issue day in its station-year
    mean, p10, p90; sd of the members
    gap_days   (N,) days of weather that stand filled
    terms      (N, HORIZON, TERMS) what the error was made from; members (N, HORIZON, M)
    """

    day: npt.NDArray[np.int64]
    mean: Floats = field(repr=False)
    p10: Floats = field(repr=False)
    p90: Floats = field(repr=False)
    gap_days: npt.NDArray[np.int64] = field(repr=False)
    terms: Floats = field(repr=False)
    members: Floats = field(repr=False)


def forecasts(
    station: StationYear,
    of: Hours,
    readings: str,
    *,
    ground: str = NATURAL,
    settings: Mapping[str, float],
) -> Forecast:
    """Return the forecasts of a station-year from every reading day whose ten days lie within it, oldest first.

    Each is a morning's: the station is a strip, its readings are tests, what it learned is carried on as it is stored.
    Nothing after the ten days is looked at. Checked in tests/backtest/test_forecast.py.
    """
    site, whole = station_site(station, ground), of.weather
    so_far = season(
        whole.rain_mm + whole.melt_mm, np.maximum(hourly_et0_mm(whole.air, site.place), 0.0), whole.temp_degc
    )
    stored: list[LearnedSoil] = []
    days, parts = [], []
    done: list[int] = []
    for day in station.readings.tolist():
        is_issue = day + HORIZON < len(station.day)
        known = [d for d in ([*done[-1:], day] if readings == "weekly" else [day]) if day - d <= 2 * HORIZON]
        done.append(day)
        if not is_issue and readings == "first":
            continue
        if readings == "first" or len(done) == 1:
            site = station_site(station, ground, day, so_far)
        first = known[0] * DAY + NOON_H
        weather = of.between(first, min(day + HORIZON, len(station.day) - 1))
        at_utc = times.as_datetime(weather.hour_utc[0])
        now_utc = at_utc + timedelta(hours=DAY * (day - known[0]))
        put_down = season_put_down(tuple(so_far.at(first).tolist()), at_utc)
        entries = [
            Reading(
                strip_id=STRIP,
                at_utc=at_utc + timedelta(hours=DAY * (d - known[0])),
                w_pct=100.0 * float(station.theta[d]),
                method=PROBE,
            )
            for d in known
        ]
        simulated = simulate(
            site,
            now_utc=now_utc,
            weather=weather,
            entries=entries,
            settings=settings,
            rng=np.random.default_rng([station.year, day]),
            kept=Kept(learned=[*stored, put_down]),
        )
        stored += [learned for learned in simulated.learned if learned.strip_id == STRIP]
        if is_issue:
            days.append(day)
            moisture, first_h = simulated.moisture, DAY * (day - known[0]) + NOON_H
            parts.append((moisture.w_pct[:, 0] / 100.0, moisture.error_terms[:, 0], first_h))
    return _forecast(station, of, days, parts)


def _forecast(
    station: StationYear, of: Hours, days: Sequence[int], parts: Sequence[tuple[Floats, Floats, int]]
) -> Forecast:
    n_members = of.weather.rain_members_mm.shape[1]
    members = np.empty((len(days), HORIZON, n_members))
    terms = np.empty((len(days), HORIZON, parts[0][1].shape[-1] if parts else 0))
    for i, (theta, of_error, first) in enumerate(parts):
        members[i] = theta[first : first + HORIZON * DAY].reshape(HORIZON, DAY, -1).mean(axis=1)
        terms[i] = of_error[first : first + HORIZON * DAY].reshape(HORIZON, DAY, -1).mean(axis=1)
    low, high = np.percentile(members, (10.0, 90.0), axis=-1) if len(days) else (members[..., 0], members[..., 0])
    day = np.array(days, dtype=np.int64)
    gaps = [int(of.is_gap[d : d + HORIZON + 1].sum()) for d in days]
    return Forecast(
        day=day,
        mean=members.mean(axis=-1),
        p10=low,
        p90=high,
        gap_days=np.array(gaps, dtype=np.int64),
        terms=terms,
        members=members,
    )


def station_site(station: StationYear, ground: str, day: int | None = None, so_far: Season | None = None) -> Site:
    """Return a station as a site of one strip; what it lacks of a site's facts plays no part in its moisture.

    day, so_far   a day with a reading, by which and by the weather up to it its class is taken where the station tells
                  none; a place of which nothing is asked but where it lies needs neither
    """
    nearest = next(iter(SOIL_CLASSES))
    if day is not None and so_far is not None:
        nearest = nearest_class(float(station.theta[day]), float(so_far.at(day * DAY + NOON_H)[1]) / BUCKETS_MM[1])
    soil_class = station.station.soil_class if station.station.soil_class in SOIL_CLASSES else nearest
    row = SOIL_CLASSES[soil_class]
    strip = Strip(
        id=STRIP, name=STRIP, crew_id="", material_id="soil", length_m=1.0, width_m=1.0,
        lift_thickness_m=station.thickness_mm / 1000.0, dry_density_kg_m3=DENSITY_KG_M3, surface=Surface.LOOSE,
        ground=ground,
    )  # fmt: skip
    material = Material(
        id="soil", name="soil", soil_class=soil_class, omc_pct=100.0 * row.theta_fc, mdd_kg_m3=DENSITY_KG_M3,
        test="none",
        window_low_pct=-2.0, window_high_pct=2.0, required_compaction_pct=95.0, specific_gravity=SPECIFIC_GRAVITY,
        theta_fc=row.theta_fc, theta_wp=row.theta_wp,
    )  # fmt: skip
    noon = time(NOON_H)
    return Site(
        id=station.station.id, name=station.station.id, latitude_deg=station.station.latitude_deg,
        longitude_deg=station.station.longitude_deg, elevation_m=station.station.elevation_m, zone=ZoneInfo("UTC"),
        working_days=(), shift_start=noon, shift_end=noon, mail_at=noon, deadline=noon, holidays=(), mixing_depth_m=0.3,
        crews=(), materials=(material,), strips=(strip,),
    )  # fmt: skip


def nearest_class(theta: float, wetness: float) -> str:
    """Return the class of a soil that holds theta [m3/m3] where the weather filled a small bucket to a share."""
    drained = theta / float(np.interp(wetness, (0.0, 1.0), SHARE_OF_FC))
    return min(SOIL_CLASSES, key=lambda name: abs(SOIL_CLASSES[name].theta_fc - drained))

"""The hourly table that every service is brought into, and how far it may be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from gonogo.records.field import GaugeRain
from gonogo.records.site import Site
from gonogo.soil.rain import melt_mm
from gonogo.times import as_datetime, as_hour
from gonogo.weather import frost, skill
from gonogo.weather.checks import CHECKS, Asked, passed
from gonogo.weather.forecast_status import (
    WIDENING,
    ForecastStatus,
    age_h,
    lowest,
    status_by_age,
    status_by_clock,
    status_by_model_run,
)
from gonogo.weather.gauge import override
from gonogo.weather.members import LEAST_ENSEMBLE, expected_rain_mm, of_ensemble_mm, rain_members_mm, whole_members_mm
from gonogo.weather.past import EarlierForecast, Filled, filled, wanted_since_utc
from gonogo.weather.table import ParsedForecast

__all__ = ["CHECKS", "EarlierForecast", "HourlyWeather", "check"]

Floats = npt.NDArray[np.float64]

PAST_FORECAST_WIDENING = 1.5  # rain of days gone by that only a forecast vouches for; our own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyWeather:
    """Checked weather of one site; row h is the hour [hour_utc[h], hour_utc[h] + 1 h).

    hour_utc             (H,)   datetime64[h], rising by one hour, no gap
    temp_degc, rh_pct, wind_2m_m_s, pressure_kpa   (H,)  at the start of the hour
    shortwave_w_m2       (H,)   mean over the hour
    rain_mm              (H,)   liquid water of the hour, expected amount
    rain_chance          (H,)   0 to 1, chance of rain in the hour; NaN where the service has none
    snow_mm              (H,)   water equivalent falling as snow in the hour (not part of rain_mm)
    surface_temp_degc    (H,)   soil surface, NaN where the service has none
    weather_code         (H,)   WMO code 4677 as a float, NaN where the service has none
    rain_members_mm      (H, M) equally likely rain amounts; their spread is the forecast's
    thunder_chance       (H,)   0 to 1, NaN where the service says nothing of it
    melt_mm              (H,)   water that lying snow gives off in the hour, on top of rain
    frost_depth_mm       (H,)   how deep the frost stands in the lift that freezes deepest, at the end of the hour
    spread_factor        by what the site's own gauge has taught to widen the rain's spread, 1 without
    """

    service: str
    attribution: tuple[tuple[str, str], ...]  # (text, link), printed in every mail
    fetched_utc: datetime
    status: ForecastStatus
    notes: tuple[str, ...]  # sentences for the mail's foot
    hour_utc: npt.NDArray[np.datetime64]
    temp_degc: Floats
    rh_pct: Floats
    wind_2m_m_s: Floats
    pressure_kpa: Floats
    shortwave_w_m2: Floats
    rain_mm: Floats
    rain_chance: Floats
    snow_mm: Floats
    surface_temp_degc: Floats
    weather_code: Floats
    rain_members_mm: Floats
    thunder_chance: Floats = field(default_factory=lambda: np.zeros(0))
    melt_mm: Floats = field(default_factory=lambda: np.zeros(0))
    frost_depth_mm: Floats = field(default_factory=lambda: np.zeros(0))
    spread_factor: float = 1.0

    def __post_init__(self) -> None:
        """Fill in what a maker of the record left out: thunder unknown, no snow lying, no frost in the ground."""
        for name, value in (("thunder_chance", np.nan), ("melt_mm", 0.0), ("frost_depth_mm", 0.0)):
            if not len(getattr(self, name)):
                object.__setattr__(self, name, np.full(len(self.hour_utc), value))

    @property
    def water_members_mm(self) -> Floats:
        """Liquid water that reaches the ground in each hour, (H, M) [mm]: rain, and snow as it melts."""
        return np.asarray(self.rain_members_mm + self.melt_mm[:, None])

    @property
    def is_ground_frozen(self) -> npt.NDArray[np.bool_]:
        """Whether frost stands in the lift in the hour, (H,)."""
        return np.asarray(self.frost_depth_mm >= frost.FROZEN_FROM_MM)


def fallen_mm(weather: HourlyWeather, since_utc: datetime, until_utc: datetime) -> tuple[float, float]:
    """Return expected rain and melt between two moments [mm], NaN where the table begins later and nobody knows."""
    since = as_hour(since_utc)
    if since < weather.hour_utc[0]:
        return float("nan"), float("nan")
    passed = (weather.hour_utc >= since) & (weather.hour_utc < as_hour(until_utc))
    return float(weather.rain_mm[passed].sum()), float(weather.melt_mm[passed].sum())


def check(
    parsed: ParsedForecast,
    *,
    site: Site,
    now_utc: datetime,
    fetched_utc: datetime,
    gauge: Sequence[GaugeRain],
    n_members: int,
    rng: np.random.Generator,
    earlier: Sequence[EarlierForecast] = (),
    clock_offset_s: float = np.nan,
) -> HourlyWeather:
    """Return a service's forecast as checked, repaired and gauge-corrected weather of a site.

    parsed        the service's answer in our names
    now_utc       the moment that the run stands for
    fetched_utc   when the answer came
    gauge         the site's own rain readings, in the order in which they were entered
    n_members     members of rain
    earlier       the site's stored answers: they stand for the past where the service has none, and with the gauge they
                  teach how wrong the service has been here
    clock_offset_s   the service's clock less the machine's when the answer came [s], NaN where it is not known

    Raises WeatherError where a fault cannot be repaired (see CHECKS). Age and clocks reject nothing here: they set
    `status`, and with ForecastStatus.NONE nobody is told to compact.
    """
    # A logger leaves thousands of readings; those from before the past that is wanted cannot say anything here.
    gauge = [reading for reading in gauge if reading.until_utc >= wanted_since_utc(now_utc)]
    front = filled(parsed, earlier, gauge, now_utc=now_utc)
    table, notes = passed(Asked(parsed=front.parsed, site=site, now_utc=now_utc))
    column = {name: table[name].to_numpy(dtype=np.float64) for name in table.columns}
    hour_utc = table.index.to_numpy().astype("datetime64[h]")
    statuses = [
        status_by_age(age_h(fetched_utc, now_utc)),
        status_by_clock(clock_offset_s),
        status_by_model_run(parsed.issued_utc, now_utc),
    ]
    trust = lowest(*statuses)
    notes = [*_told(front, parsed, site, statuses, clock_offset_s), *notes]

    learned = skill.spread_factor(skill.pairs(earlier, gauge, service=parsed.service, now_utc=now_utc))
    if learned != 1.0:
        notes.append(f"The spread of the rain follows the site's own gauge: {learned:.1f} times the usual.")
    lead_h = (hour_utc.astype("datetime64[s]").astype(np.float64) - now_utc.timestamp()) / 3600.0
    widening = np.full(len(hour_utc), WIDENING[trust] * learned)
    row = (front.hour_utc - hour_utc[0]).astype(np.int64)
    inside = (row >= 0) & (row < len(hour_utc))
    lead_h[row[inside]] = front.lead_h[inside]
    widening[row[inside & (front.lead_h > 0.0)]] *= PAST_FORECAST_WIDENING

    snow_share = np.divide(
        column["snow_mm"],
        column["snow_mm"] + column["rain_mm"],
        out=np.zeros(len(hour_utc)),
        where=column["snow_mm"] > 0.0,
    )
    rain_mm = expected_rain_mm(
        column["rain_mm"],
        np.where(column["snow_mm"] > 0, np.nan, column["rain_chance"]),
        np.nan_to_num(column["chance_span_h"], nan=1.0),
    )
    ensemble_mm, lost_note = _ensemble(front.parsed, hour_utc, snow_share)
    if ensemble_mm is not None:
        rain_mm = ensemble_mm.mean(axis=1)
    rain_mm, gauged_share, gauge_notes = override(hour_utc, rain_mm, gauge, now_utc=now_utc)
    members_mm = rain_members_mm(
        rain_mm,
        column["rain_chance"],
        lead_h,
        n_members=n_members,
        rng=rng,
        widening=widening,
        gauged_share=gauged_share,
    )
    if ensemble_mm is not None:
        drawn = of_ensemble_mm(ensemble_mm, rain_mm, n_members=n_members, rng=rng, widening=np.maximum(widening, 1.0))
        members_mm = np.where(gauged_share[:, None] > 0.0, members_mm, drawn)
    return HourlyWeather(
        service=parsed.service,
        attribution=parsed.attribution,
        fetched_utc=fetched_utc,
        status=trust,
        notes=(*notes, *lost_note, *gauge_notes),
        hour_utc=hour_utc,
        temp_degc=column["temp_degc"],
        rh_pct=column["rh_pct"],
        wind_2m_m_s=column["wind_2m_m_s"],
        pressure_kpa=column["pressure_kpa"],
        shortwave_w_m2=column["shortwave_w_m2"],
        rain_mm=rain_mm,
        rain_chance=column["rain_chance"],
        snow_mm=column["snow_mm"],
        surface_temp_degc=column["surface_temp_degc"],
        weather_code=column["weather_code"],
        rain_members_mm=members_mm,
        thunder_chance=column["thunder_chance"],
        melt_mm=melt_mm(column["snow_mm"], column["temp_degc"]),
        frost_depth_mm=_frost_depth_mm(site, column["temp_degc"], column["surface_temp_degc"]),
        spread_factor=learned,
    )


def _told(
    front: Filled, parsed: ParsedForecast, site: Site, statuses: Sequence[ForecastStatus], clock_offset_s: float
) -> list[str]:
    """Return the sentences on clocks and on where the past comes from."""
    notes = []
    if statuses[1] is not ForecastStatus.FRESH:
        ahead = "ahead of" if clock_offset_s < 0 else "behind"
        notes.append(
            f"The clock of the machine is {_span(abs(clock_offset_s))} {ahead} the weather service's: it must be set."
        )
    if statuses[2] is not ForecastStatus.FRESH and parsed.issued_utc is not None:
        made = parsed.issued_utc.astimezone(site.zone)
        notes.append(f"The service's own forecast is old: it was made on {made:%Y-%m-%d %H:%M}.")
    if len(front.hour_utc):
        since = as_datetime(front.hour_utc[0]).astimezone(site.zone)
        parts = []
        if front.n_forecasts:
            parts.append(f"from {front.n_forecasts} earlier forecasts, so its rain is less sure")
        if front.n_borrowed:
            parts.append(f"for {front.n_borrowed} hours from the rain gauge, sun and air as on the days after")
        notes.append(f"The service gives no past: the weather since {since:%Y-%m-%d %H:%M} is {'; '.join(parts)}.")
    return notes


def _span(seconds: float) -> str:
    """Return a time span as people say it."""
    span = timedelta(seconds=round(seconds))
    return f"{span.days} days" if span >= timedelta(days=2) else f"{span.total_seconds() / 3600:.1f} h"


def _ensemble(
    parsed: ParsedForecast, hour_utc: npt.NDArray[np.datetime64], snow_share: Floats
) -> tuple[Floats | None, list[str]]:
    """Return the rain of an ensemble's members on the table's hours, (H, K), None where there is no usable ensemble."""
    if parsed.rain_members_mm is None:
        return None, []
    said = ~np.isnan(parsed.rain_members_mm).all(axis=1)
    hours = pd.DatetimeIndex(parsed.table["hour_utc"].to_numpy()[said])
    first = ~hours.duplicated()
    on_hours = pd.DataFrame(parsed.rain_members_mm[said][first], index=hours[first].as_unit("s"))
    members = on_hours.reindex(pd.DatetimeIndex(hour_utc).as_unit("s")).to_numpy(dtype=np.float64)
    # Hours put in front of the service's own have no members: all of them had the same past.
    since = int(np.argmax(~np.isnan(members).all(axis=1)))
    if since:
        return None, ["The ensemble does not reach back as far as the table: its members were not used."]
    members, n_lost = whole_members_mm(members)
    if members.shape[1] < LEAST_ENSEMBLE:
        return None, ["The ensemble has too few whole members: the spread was taken from the chance of rain."]
    notes = [f"{n_lost} of {members.shape[1] + n_lost} members of the ensemble end early and were left out."]
    return members * (1.0 - snow_share)[:, None], notes if n_lost else []


def _frost_depth_mm(site: Site, temp_degc: Floats, surface_temp_degc: Floats) -> Floats:
    """Return the depth of frost in the lift of the site that freezes deepest, (H,) [mm]."""
    surface = frost.surface_degc(temp_degc, surface_temp_degc)
    deepest = np.zeros(len(temp_degc))
    if not (surface < 0.0).any():
        return deepest
    soil_degc = float(temp_degc.mean())
    for strip in site.strips:
        material = site.material(strip.material_id)
        depth = frost.frost_depth_mm(
            surface,
            dry_density_kg_m3=strip.dry_density_kg_m3,
            w_pct=frost.DRY_SHARE * material.omc_pct,
            is_granular=material.is_granular,
            soil_degc=soil_degc,
        )
        deepest = np.maximum(deepest, depth)
    return deepest

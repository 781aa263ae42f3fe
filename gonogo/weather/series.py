"""The hourly table that every service is brought into, and how far it may be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from gonogo.records.air import HourlyAir
from gonogo.records.field import GaugeRain
from gonogo.records.site import Site
from gonogo.times import as_hour
from gonogo.weather import frost, skill
from gonogo.weather.asked import Asked
from gonogo.weather.checks import CHECKS, MAX_BRIDGED_H, passed
from gonogo.weather.forecast_status import WIDENING, ForecastStatus, judged
from gonogo.weather.frost import FrostBefore
from gonogo.weather.gauge import override
from gonogo.weather.members import draw, ensemble_mm, expected_rain_mm, of_ensemble_mm
from gonogo.weather.notes import Note, note
from gonogo.weather.past import FULL_SHARE, Filled, filled, wanted_since_utc
from gonogo.weather.precipitation import of_unknown_hours, without_rain_ahead
from gonogo.weather.snow_and_frost import deepest_frost_mm, lying_snow
from gonogo.weather.table import ReceivedForecast

if TYPE_CHECKING:
    import pandas as pd  # takes long to import: where a table is at hand

__all__ = ["CHECKS", "HourlyWeather", "check"]

Floats = npt.NDArray[np.float64]

AS_CHECKED = (
    "temp_degc",
    "rh_pct",
    "wind_2m_m_s",
    "pressure_kpa",
    "shortwave_w_m2",
    "rain_chance",
    "snow_mm",
    "surface_temp_degc",
    "weather_code",
    "thunder_chance",
)
# What an HourlyWeather holds where its maker left an array out.
NONE_LYING = dict.fromkeys(("melt_mm", "snow_lying_mm", "frost_index_degc_h", "frost_depth_mm"), 0.0)
ABSENT = {"thunder_chance": np.nan, "rain_unknown": False, **NONE_LYING}
RAIN_COLUMNS = ("precip_mm", "rain_mm", "snow_mm", "rain_chance", "chance_span_h")
UNKNOWN_WIDENING = 2.0  # rain of hours that nobody told; our own choice
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
    rain_peaks_mm        (H, M) the same as a stop for rain is judged by, see weather/members.py; by default the same
    thunder_chance       (H,)   0 to 1, NaN where the service says nothing of it
    melt_mm              (H,)   water that lying snow gives off in the hour, on top of rain
    snow_lying_mm        (H,)   depth of the snow that lies at the start of the hour
    frost_index_degc_h   (H,)   frost that the ground's surface holds, at the end of the hour, see weather/frost.py
    rain_unknown         (H,)   hours whose rain neither service nor gauge told: their members carry what may be
    frost_depth_mm       (H,)   how deep the frost stands in the lift that freezes deepest, at the end of the hour
    spread_factor        by what the site's own gauge has taught to widen the rain's spread, 1 without
    """

    service: str
    attribution: tuple[tuple[str, str], ...]  # (text, link), printed in every mail
    fetched_utc: datetime
    status: ForecastStatus
    notes: tuple[Note, ...]  # what was done to it, for the mail's foot
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
    rain_peaks_mm: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    thunder_chance: Floats = field(default_factory=lambda: np.zeros(0))
    melt_mm: Floats = field(default_factory=lambda: np.zeros(0))
    snow_lying_mm: Floats = field(default_factory=lambda: np.zeros(0))
    frost_index_degc_h: Floats = field(default_factory=lambda: np.zeros(0))
    frost_depth_mm: Floats = field(default_factory=lambda: np.zeros(0))
    rain_unknown: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    spread_factor: float = 1.0

    def __post_init__(self) -> None:
        """Fill in what a maker of the record left out: thunder unknown, no snow or frost, rain known."""
        for name, value in ABSENT.items():
            if not len(getattr(self, name)):
                object.__setattr__(self, name, np.full(len(self.hour_utc), value))
        if self.rain_peaks_mm.shape != self.rain_members_mm.shape:
            object.__setattr__(self, "rain_peaks_mm", self.rain_members_mm)

    @property
    def air(self) -> HourlyAir:
        return HourlyAir(
            hour_utc=self.hour_utc,
            temp_degc=self.temp_degc,
            rh_pct=self.rh_pct,
            wind_2m_m_s=self.wind_2m_m_s,
            shortwave_w_m2=self.shortwave_w_m2,
            pressure_kpa=self.pressure_kpa,
        )

    @property
    def water_members_mm(self) -> Floats:
        """Water that reaches the ground in each hour, (H, M) [mm]: rain, and snow as it melts; not to be written."""
        if not self.melt_mm.any():
            return self.rain_members_mm
        return np.asarray(self.rain_members_mm + self.melt_mm[:, None])

    @property
    def is_ground_frozen(self) -> npt.NDArray[np.bool_]:
        """Whether frost stands in the lift in the hour, (H,)."""
        return np.asarray(self.frost_depth_mm >= frost.FROZEN_FROM_MM)


def fallen_mm(weather: HourlyWeather, since_utc: datetime, until_utc: datetime) -> tuple[float, float]:
    """Return expected rain and melt between two moments [mm], NaN where nobody knows.

    The table begins later, or the rain of more than three hours in between was not told.
    """
    since = as_hour(since_utc)
    if since < weather.hour_utc[0]:
        return float("nan"), float("nan")
    passed = (weather.hour_utc >= since) & (weather.hour_utc < as_hour(until_utc))
    if weather.rain_unknown[passed].sum() > MAX_BRIDGED_H:
        return float("nan"), float("nan")
    return float(weather.rain_mm[passed].sum()), float(weather.melt_mm[passed].sum())


def check(
    received: ReceivedForecast,
    *,
    site: Site,
    now_utc: datetime,
    n_members: int,
    rng: np.random.Generator,
    gauge: Sequence[GaugeRain] = (),
    earlier: Sequence[ReceivedForecast] = (),
) -> HourlyWeather:
    """Return a service's forecast as checked and gauge-corrected weather of a site.

    received      the service's answer in our names, and when it came
    now_utc       the moment that the run stands for
    n_members     members of rain
    gauge         the site's own rain readings, in the order in which they were entered
    earlier       the site's stored answers: they stand for the past where the service has none, and with the gauge they
                  teach how wrong the service has been here

    Raises WeatherError where a forecast cannot be used (see CHECKS). Age and clocks reject nothing here: they set
    `status`, and with ForecastStatus.NONE nobody is told to compact.
    """
    parsed = received.parsed
    # A logger leaves thousands of readings; those from before the past that is wanted cannot say anything here.
    gauge = [reading for reading in gauge if reading.until_utc >= wanted_since_utc(now_utc)]
    front = filled(parsed, earlier, gauge, now_utc=now_utc)
    checked = received.checked if front.parsed is parsed else None
    table, notes = checked or passed(Asked(parsed=front.parsed, site=site, now_utc=now_utc))
    notes = [*notes, *received.doubts]
    if received.doubts:
        table = without_rain_ahead(table, now_utc)
    status, status_notes = judged(received, now_utc)
    learned = skill.spread_factor(skill.pairs(earlier, gauge, service=parsed.service, now_utc=now_utc))
    if learned != 1.0:
        notes.append(note("spread_learned", spread_ratio=learned))
    rain = _rain(front, table, gauge, now_utc, widening=WIDENING[status] * learned)
    column = {name: table[name].to_numpy(dtype=np.float64) for name in table.columns}
    hour_utc = table.index.to_numpy().astype("datetime64[h]")
    surface_degc = frost.surface_degc(column["temp_degc"], column["surface_temp_degc"])
    frost_index = frost.index_degc_h(surface_degc)
    return HourlyWeather(
        service=parsed.service,
        attribution=parsed.attribution,
        fetched_utc=received.fetched_utc,
        status=status,
        notes=(*status_notes, *front.notes(), *notes, *rain.notes),
        hour_utc=hour_utc,
        rain_mm=rain.rain_mm,
        **rain.members_mm(n_members, rng),
        rain_unknown=rain.is_unknown,
        frost_index_degc_h=frost_index,
        frost_depth_mm=deepest_frost_mm(site, column["temp_degc"], surface_degc, frost_index),
        **lying_snow(column["snow_mm"], column["temp_degc"], column["snow_depth_mm"]),
        spread_factor=learned,
        **{name: column[name] for name in AS_CHECKED},
    )


def with_frost(weather: HourlyWeather, site: Site, before: FrostBefore) -> HourlyWeather:
    """Return a site's weather with the frost that its ground held at a moment, as an earlier run or the site put it."""
    surface_degc = frost.surface_degc(weather.temp_degc, weather.surface_temp_degc)
    index = frost.index_degc_h(surface_degc, before=frost.at_row(before, weather.hour_utc))
    depth_mm = deepest_frost_mm(site, weather.temp_degc, surface_degc, index)
    return replace(weather, frost_index_degc_h=index, frost_depth_mm=depth_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rain:
    """The rain of a site before members are drawn: amounts, how sure they are, and an ensemble's own members or None.

    rain_mm, chance, lead_h, widening, gauged_share, is_unknown   (H,); ensemble_mm (H, K)
    """

    rain_mm: Floats
    chance: Floats
    is_unknown: npt.NDArray[np.bool_]
    lead_h: Floats
    widening: Floats
    gauged_share: Floats
    ensemble_mm: Floats | None
    notes: tuple[Note, ...]

    def members_mm(self, n_members: int, rng: np.random.Generator) -> dict[str, Floats]:
        """Return equally likely rain (H, M) and its peaks: by the chance of rain, or the ensemble's without a gauge."""
        drawn_by_chance = draw(
            self.rain_mm,
            self.chance,
            self.lead_h,
            n_members=n_members,
            rng=rng,
            widening=self.widening,
            gauged_share=self.gauged_share,
        )
        by_chance = drawn_by_chance.amounts_mm()
        if self.ensemble_mm is None:
            return {"rain_members_mm": by_chance, "rain_peaks_mm": drawn_by_chance.peaks_mm(self.lead_h, by_chance)}
        widening = np.maximum(self.widening, 1.0)
        is_given, ensemble_mm = ~np.isnan(self.ensemble_mm[:, 0]), np.nan_to_num(self.ensemble_mm)
        drawn = of_ensemble_mm(ensemble_mm, self.rain_mm, n_members=n_members, rng=rng, widening=widening)
        is_drawn = is_given & (self.gauged_share == 0.0) & ~self.is_unknown
        members = np.where(is_drawn[:, None], drawn, by_chance)
        return {"rain_members_mm": members, "rain_peaks_mm": members}


def _rain(
    front: Filled, table: pd.DataFrame, gauge: Sequence[GaugeRain], now_utc: datetime, *, widening: float
) -> _Rain:
    """Return the rain of a checked table, the gauge's where it has any. widening: of the whole forecast [-]."""
    hour_utc = table.index.to_numpy().astype("datetime64[h]")
    column = {name: table[name].to_numpy(dtype=np.float64) for name in RAIN_COLUMNS}
    lead_h = (hour_utc.astype("datetime64[s]").astype(np.float64) - now_utc.timestamp()) / 3600.0
    widened = np.full(len(hour_utc), widening)
    row = (front.hour_utc - hour_utc[0]).astype(np.int64)
    inside = (row >= 0) & (row < len(hour_utc))
    lead_h[row[inside]] = front.lead_h[inside]
    widened[row[inside & (front.lead_h > 0.0)]] *= PAST_FORECAST_WIDENING

    snow_share = np.divide(
        column["snow_mm"],
        column["snow_mm"] + column["rain_mm"],
        out=np.zeros(len(hour_utc)),
        where=column["snow_mm"] > 0.0,
    )
    members_mm, lost_note = ensemble_mm(front.parsed, hour_utc, snow_share, now_utc)
    expected_mm = expected_rain_mm(
        column["rain_mm"],
        np.where(column["snow_mm"] > 0, np.nan, column["rain_chance"]),
        np.nan_to_num(column["chance_span_h"], nan=1.0),
    )
    if members_mm is not None:
        expected_mm = np.where(np.isnan(members_mm[:, 0]), expected_mm, members_mm.mean(axis=1))
    is_unknown = np.isnan(column["precip_mm"])
    expected_mm, chance = of_unknown_hours(expected_mm, column["rain_chance"], is_unknown)
    widened[is_unknown] *= UNKNOWN_WIDENING
    rain_mm, gauged_share, gauge_notes = override(hour_utc, expected_mm, gauge, now_utc=now_utc)
    return _Rain(
        rain_mm=rain_mm,
        chance=chance,
        is_unknown=is_unknown & (gauged_share < FULL_SHARE),
        lead_h=lead_h,
        widening=widened,
        gauged_share=gauged_share,
        ensemble_mm=members_mm,
        notes=(*lost_note, *gauge_notes),
    )

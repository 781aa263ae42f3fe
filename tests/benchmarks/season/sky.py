"""The true weather of a season, hour by hour: fronts, showers and the days between them, drawn from a seed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt
from benchmarks.season.draws import draws

Floats = npt.NDArray[np.float64]

LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M = 41.62, -93.08, 290.0
BACK_DAYS, AHEAD_DAYS = 17, 14  # hours known before the first day of a season and after its last
WET_MM = 0.1  # an hour with at least this is wet, as a weather service's chance of rain counts it


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """How wet a fortnight is. front_days: mean days between fronts; shower_chance: of an afternoon without front."""

    name: str
    front_days: float
    shower_chance: float
    cloud: float


# Our own choices: 40, 64 and 98 mm in an average fortnight.
CLIMATES = (
    Climate(name="dry", front_days=7.0, shower_chance=0.10, cloud=0.25),
    Climate(name="mixed", front_days=4.0, shower_chance=0.18, cloud=0.4),
    Climate(name="wet", front_days=2.3, shower_chance=0.28, cloud=0.55),
)
FRONT_H, SHOWER_H = 9.0, 2.0  # mean lengths


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """One rain. key: names it, so that its forecast errors stay its own; start: hour of the season's axis."""

    key: str
    start: int
    amounts_mm: tuple[float, ...]
    is_thunder: bool = False

    @property
    def total_mm(self) -> float:
        return sum(self.amounts_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """The sky apart from its rains, (H,): warmth above the season's mean, dew point below it, cloud, wind at 10 m."""

    warmth_degc: Floats
    dew_below_degc: Floats
    cloud: Floats
    wind_m_s: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Weather by hour, (H,). Row h is the hour that begins at `first_utc` + h."""

    first_utc: datetime
    temp_degc: Floats
    dew_degc: Floats
    cloud: Floats
    wind_m_s: Floats
    light_w_m2: Floats
    rain_mm: Floats
    is_thunder: npt.NDArray[np.bool_]

    def row(self, at_utc: datetime) -> int:
        return math.floor((at_utc - self.first_utc) / timedelta(hours=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """The truth of a season, and rains that never come but may be forecast."""

    seed: int
    climate: Climate
    first_utc: datetime
    background: Background
    spells: tuple[Spell, ...]
    phantoms: tuple[Spell, ...]
    weather: Weather


def draw_sky(seed: int, first_day: date, n_days: int) -> Sky:
    """Return the sky of a season that begins on a date; the climate goes round with the seed."""
    climate = CLIMATES[seed % len(CLIMATES)]
    midnight = datetime(first_day.year, first_day.month, first_day.day, tzinfo=UTC)
    first_utc = midnight - timedelta(days=BACK_DAYS)
    n_hours = 24 * (BACK_DAYS + n_days + AHEAD_DAYS)
    background = _background(seed, climate, n_hours)
    spells = _spells(seed, "rain", climate, n_hours)
    return Sky(
        seed=seed,
        climate=climate,
        first_utc=first_utc,
        background=background,
        spells=spells,
        phantoms=_spells(seed, "phantom", climate, n_hours),
        weather=weather(first_utc, background, spells),
    )


def wet_share(climate: Climate) -> float:
    """Return the share of hours that are wet in the long run [-]."""
    return (FRONT_H / climate.front_days + climate.shower_chance * SHOWER_H) / 24.0


def _spells(seed: int, kind: str, climate: Climate, n_hours: int) -> tuple[Spell, ...]:
    """Draw fronts at any hour and showers in the afternoon (local noon is about 18 UTC)."""
    rng = draws(seed, kind)
    spells: list[Spell] = []
    at = rng.exponential(24.0 * climate.front_days)
    while at < n_hours - 30:
        length = max(3, min(20, round(rng.gamma(5.0, FRONT_H / 5.0))))
        total = rng.lognormal(math.log(10.0), 0.75)
        shape = rng.gamma(1.5, size=length) * np.sin(np.pi * (np.arange(length) + 0.7) / (length + 0.4))
        spells.append(_spell(f"{kind}-front-{len(spells)}", round(at), total * shape / shape.sum(), total > 20.0))
        at += length + rng.exponential(24.0 * climate.front_days)
    for day in range(n_hours // 24 - 1):
        if rng.random() < climate.shower_chance:
            length = int(rng.integers(1, 4))
            total = rng.lognormal(math.log(4.5), 0.8)
            start = 24 * day + int(rng.integers(19, 27))
            shape = rng.gamma(2.0, size=length)
            spells.append(_spell(f"{kind}-shower-{day}", start, total * shape / shape.sum(), rng.random() < 0.5))
    return tuple(sorted(spells, key=lambda s: s.start))


def _spell(key: str, start: int, amounts_mm: Floats, is_thunder: bool) -> Spell:
    return Spell(key=key, start=start, amounts_mm=tuple(float(a) for a in amounts_mm), is_thunder=bool(is_thunder))


def _background(seed: int, climate: Climate, n_hours: int) -> Background:
    rng = draws(seed, "background")
    return Background(
        warmth_degc=3.0 * wandering(rng, n_hours, 60.0),
        dew_below_degc=np.clip(9.0 + 3.0 * wandering(rng, n_hours, 50.0), 2.0, 20.0),
        cloud=np.clip(climate.cloud + 0.3 * wandering(rng, n_hours, 20.0), 0.0, 1.0),
        wind_m_s=np.clip(4.2 + 1.6 * wandering(rng, n_hours, 24.0), 0.5, 14.0),
    )


def wandering(rng: np.random.Generator, n_hours: int, memory_h: float) -> Floats:
    """Return noise of mean 0 and deviation 1 that forgets itself within a time, (H,)."""
    keeps = math.exp(-1.0 / memory_h)
    steps = rng.normal(size=n_hours) * math.sqrt(1.0 - keeps**2)
    value = rng.normal()
    found = np.empty(n_hours)
    for hour in range(n_hours):
        value = keeps * value + steps[hour]
        found[hour] = value
    return found


def rain_by_hour(spells: Sequence[Spell], n_hours: int) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return rain [mm] and whether it thunders, (H,)."""
    rain, thunder = np.zeros(n_hours), np.zeros(n_hours, dtype=bool)
    for spell in spells:
        for k, amount in enumerate(spell.amounts_mm):
            if 0 <= spell.start + k < n_hours:
                rain[spell.start + k] += amount
                thunder[spell.start + k] |= spell.is_thunder and amount >= 2.0
    return rain, thunder


def weather(first_utc: datetime, background: Background, spells: Sequence[Spell]) -> Weather:
    """Return the weather that a background and its rains make: under rain it is overcast, cool and damp."""
    n_hours = len(background.cloud)
    rain, thunder = rain_by_hour(spells, n_hours)
    near = np.convolve((rain > WET_MM).astype(float), np.array([0.3, 0.7, 1.0, 0.7, 0.3]), mode="same").clip(0.0, 1.0)
    cloud = np.maximum(background.cloud, 0.97 * near)
    hours = [first_utc + timedelta(hours=h + 0.5) for h in range(n_hours)]
    solar_h = np.array([(t.hour + t.minute / 60.0 + LONGITUDE_DEG / 15.0) % 24.0 for t in hours])
    season = np.array([math.sin(2.0 * math.pi * (t.timetuple().tm_yday - 112) / 365.0) for t in hours])
    mean = 11.0 + 12.5 * season + background.warmth_degc
    swing = (6.5 - 4.0 * cloud) * np.cos(2.0 * np.pi * (solar_h - 15.0) / 24.0)
    temp = mean + swing - 2.5 * near
    dew = np.minimum(mean - background.dew_below_degc * (1.0 - 0.6 * near), temp - 0.3)
    clear = np.array([1030.0 * max(_sun_sine(t), 0.0) ** 1.1 for t in hours])
    daytime = 0.6 + 0.4 * np.cos(2.0 * np.pi * (solar_h - 14.0) / 24.0)
    return Weather(
        first_utc=first_utc,
        temp_degc=temp,
        dew_degc=dew,
        cloud=cloud,
        wind_m_s=background.wind_m_s * daytime + 1.0 * near,
        light_w_m2=clear * (1.0 - 0.75 * cloud**3.4),
        rain_mm=rain,
        is_thunder=thunder,
    )


def _sun_sine(at_utc: datetime) -> float:
    """Sine of the sun's height; the equation of time is left out."""
    declination = math.radians(23.44) * math.sin(2 * math.pi * (at_utc.timetuple().tm_yday - 81) / 365.0)
    angle = math.radians(15.0 * (at_utc.hour + at_utc.minute / 60.0 + LONGITUDE_DEG / 15.0 - 12.0))
    latitude = math.radians(LATITUDE_DEG)
    return math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(angle)


def vapour_kpa(temp_degc: Floats) -> Floats:
    """Return saturation vapour pressure (Magnus form)."""
    return np.asarray(0.6108 * np.exp(17.27 * temp_degc / (temp_degc + 237.3)))


def open_water_mm(sky: Weather) -> Floats:
    """Return the evaporation of a wet surface by hour [mm], (H,).

    Combination form of Penman (1948), with hourly radiation and a plain longwave term; constants from memory.
    """
    slope = 4098.0 * vapour_kpa(sky.temp_degc) / (sky.temp_degc + 237.3) ** 2
    psychrometric = 0.000665 * (101.3 - 0.0113 * ELEVATION_M)
    net_mj = 0.0036 * (0.75 * sky.light_w_m2 - 70.0 * (1.0 - 0.75 * sky.cloud))
    deficit = np.maximum(vapour_kpa(sky.temp_degc) - vapour_kpa(sky.dew_degc), 0.0)
    wind_part = 6.43 / 24.0 * (1.0 + 0.536 * 0.748 * sky.wind_m_s) * deficit
    latent = 2.45
    total = (slope * net_mj + psychrometric * wind_part) / (slope + psychrometric) / latent
    return np.asarray(np.maximum(total, 0.0))

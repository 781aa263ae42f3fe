"""Reference evapotranspiration against an independent open-source library over many climates."""

from __future__ import annotations

import numpy as np
import pytest
from daily_et0 import daily_et0_mm

from gonogo.records.air import HourlyAir, Place
from gonogo.soil import reference_et, sun

refet = pytest.importorskip("refet", reason="the test extra holds the library to compare with")


@pytest.mark.parametrize("latitude_deg", [-55.0, -20.0, 0.0, 35.0, 52.0, 63.0])
def test_daily_values_agree_with_an_independent_library(latitude_deg: float) -> None:
    rng = np.random.default_rng(round(latitude_deg) + 90)
    n = 200
    low, day_of_year = rng.uniform(-5.0, 22.0, n), rng.integers(1, 366, n)
    high = low + rng.uniform(3.0, 18.0, n)
    vapour = reference_et.saturation_vapour_kpa(low - rng.uniform(0.0, 8.0, n))
    wind = rng.uniform(0.6, 7.0, n)
    top = sun.extraterrestrial_mj_m2_d(np.radians(latitude_deg), day_of_year)
    shortwave = top * rng.uniform(0.2, 0.75, n)
    ours = daily_et0_mm(
        high, low, vapour_kpa=vapour, wind_2m_m_s=wind, shortwave_mj_m2_d=shortwave,
        day_of_year=day_of_year, latitude_deg=latitude_deg, elevation_m=400.0,
    )  # fmt: skip
    theirs = refet.Daily(
        tmin=low, tmax=high, ea=vapour, rs=shortwave, uz=wind, zw=2.0, elev=400.0, lat=latitude_deg,
        doy=day_of_year, method="asce", rso_type="simple",
    ).eto()  # fmt: skip
    has_sun = np.asarray(top) > 1.0  # without sun the two take the sky for clear in different ways
    assert has_sun.sum() > 100
    assert np.abs(ours - theirs)[has_sun].max() < 0.02


def test_still_air_counts_as_half_a_metre_a_second() -> None:
    """FAO-56, ch. 3; ASCE-EWRI 2005."""

    def of_day(wind_2m_m_s: float) -> float:
        return float(
            daily_et0_mm(
                25.0, 12.0, vapour_kpa=1.4, wind_2m_m_s=wind_2m_m_s, shortwave_mj_m2_d=22.0,
                day_of_year=170, latitude_deg=45.0, elevation_m=100.0,
            )
        )  # fmt: skip

    def of_hour(wind_2m_m_s: float) -> float:
        air = HourlyAir(
            hour_utc=np.array(["2026-06-19T12"], "datetime64[h]"),
            temp_degc=np.array([25.0]),
            rh_pct=np.array([40.0]),
            wind_2m_m_s=np.array([wind_2m_m_s]),
            shortwave_w_m2=np.array([700.0]),
        )
        (found,) = reference_et.hourly_et0_mm(air, Place(latitude_deg=45.0, longitude_deg=0.0, elevation_m=100.0))
        return float(found)

    for et0_mm in (of_day, of_hour):
        assert et0_mm(0.0) == et0_mm(0.5) < et0_mm(0.51)


def test_only_a_sun_above_0_3_rad_tells_of_cloud() -> None:
    """ASCE-EWRI 2005: of lower sun measured over clear-sky radiation says nothing; the hour before it stands."""
    hour_utc = np.datetime64("2026-06-19T00") + np.arange(24).astype("timedelta64[h]")
    counts = []
    for longitude_deg in np.linspace(-7.0, 7.0, 57):
        place = Place(latitude_deg=45.0, longitude_deg=float(longitude_deg), elevation_m=0.0)
        stand = sun.sun_hours(hour_utc, latitude_deg=45.0, longitude_deg=float(longitude_deg))
        clear = 0.75 * stand.extraterrestrial_mj_m2_h / 0.0036
        evening = 12 + int(np.flatnonzero(stand.sin_elevation[12:] < np.sin(0.34))[0])  # the first hour of low sun
        dimmed = clear.copy()
        dimmed[evening] *= 0.5
        night = [
            reference_et.hourly_et0_mm(
                HourlyAir(
                    hour_utc=hour_utc,
                    temp_degc=np.full(24, 15.0),
                    rh_pct=np.full(24, 60.0),
                    wind_2m_m_s=np.full(24, 2.0),
                    shortwave_w_m2=shortwave,
                ),
                place,
            )[23]
            for shortwave in (clear, dimmed)
        ]
        counts.append(stand.sin_elevation[evening] >= np.sin(0.3))
        assert (night[0] != night[1]) == counts[-1], longitude_deg
    assert 5 < sum(counts) < 52


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), [(39.5, -118.8), (-33.0, 151.0), (52.0, 5.0), (1.0, 103.8)])
def test_hours_of_high_sun_agree_with_an_independent_library(latitude_deg: float, longitude_deg: float) -> None:
    rng = np.random.default_rng(7)
    hour_utc = np.datetime64("2026-03-01T00") + np.arange(24 * 60).astype("timedelta64[h]")
    stand = sun.sun_hours(hour_utc, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    temp, rh = rng.uniform(5.0, 35.0, hour_utc.size), rng.uniform(15.0, 95.0, hour_utc.size)
    wind = rng.uniform(0.6, 7.0, hour_utc.size)
    shortwave = stand.extraterrestrial_mj_m2_h * rng.uniform(0.3, 0.75, hour_utc.size)
    air = HourlyAir(hour_utc=hour_utc, temp_degc=temp, rh_pct=rh, wind_2m_m_s=wind, shortwave_w_m2=shortwave / 0.0036)
    place = Place(latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=50.0)
    ours = reference_et.hourly_et0_mm(air, place)
    theirs = refet.Hourly(
        tmean=temp, ea=reference_et.saturation_vapour_kpa(temp) * rh / 100.0, rs=shortwave, uz=wind, zw=2.0,
        elev=50.0, lat=latitude_deg, lon=longitude_deg, doy=stand.day_of_year,
        time=hour_utc.astype("datetime64[h]").astype(int) % 24, method="asce",
    ).eto()  # fmt: skip
    is_high = stand.sin_elevation > np.sin(0.35)
    assert is_high.sum() > 300
    assert np.abs(ours - theirs)[is_high].max() < 0.01

"""Write the invented weather of the recorded mornings: tests/mornings/<morning>/weather/*.json.

    python tests/make_mornings.py            writes the files
    python tests/make_mornings.py --check    exit code 1 where a file differs from what would be written

Places and weather are invented. The demo's body is the one that `tests/make_fixtures.py` writes.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from weather_forms import met_norway, nws, open_meteo_ensemble
from weather_scenario import Day, Scenario, Shower, body

FOLDER = Path(__file__).parent / "mornings"


def spell(around: date, every_day: Day, **other: Day) -> dict[date, Day]:
    """Return four weeks of the same day, but for others by their offset: p0 = today, p1 = tomorrow, m1 = yesterday."""
    by_offset = {(-1 if name[0] == "m" else 1) * int(name[1:]): day for name, day in other.items()}
    return {around + timedelta(days=n): by_offset.get(n, every_day) for n in range(-17, 15)}


def showers(zone: ZoneInfo, *told: tuple[str, tuple[float, ...], float, bool]) -> tuple[Shower, ...]:
    """Return showers whose first hour is written on the site's clock."""
    return tuple(
        (datetime.fromisoformat(first).replace(tzinfo=zone), amounts, chance, thunder)
        for first, amounts, chance, thunder in told
    )


def later(scenario: Scenario, *, days: int = 0, hours: int = 0, seed: int = 0, **changes: Any) -> Scenario:
    """Return a scenario told some time later, by a forecast of its own where a seed is given."""
    moved = scenario.morning_utc + timedelta(days=days, hours=hours)
    return replace(scenario, morning_utc=moved, seed=seed or scenario.seed, **changes)


def scenario(
    place: tuple[float, float, float], zone: str, at: str, every_day: Day, *, rain: tuple[Any, ...] = (), **other: Day
) -> Scenario:
    """Return a morning's scenario. place: latitude, longitude, elevation; at: when the forecast was made, in UTC."""
    at_utc = datetime.fromisoformat(at).replace(tzinfo=UTC)
    info = ZoneInfo(zone)
    return Scenario(
        latitude_deg=place[0],
        longitude_deg=place[1],
        elevation_m=place[2],
        zone=info,
        morning_utc=at_utc,
        seed=int(at_utc.timestamp()) // 3600,
        days=spell(at_utc.astimezone(info).date(), every_day, **other),
        showers=showers(info, *rain),
    )


HEAVY_RAIN = scenario(
    (51.18, 4.93, 12.0),
    "Europe/Brussels",
    "2026-04-15T03:00",
    Day(5, 13, 5, 0.5, 4.0),
    rain=(
        ("2026-04-07T11:00", (0.5, 1.5, 0.8), 1.0, False),
        ("2026-04-13T14:00", (2.0, 6.5, 9.0, 4.0, 1.5), 1.0, True),
        ("2026-04-14T02:00", (1.0, 1.6, 2.4, 3.1, 3.0, 2.6, 2.2, 1.9, 1.5, 1.2, 0.9, 0.6), 1.0, False),
        ("2026-04-17T13:00", (0.6, 1.4, 0.5), 0.45, False),
        ("2026-04-21T05:00", (0.8, 1.2, 1.6, 0.9), 0.55, False),
    ),
    m2=Day(7, 14, 9, 0.9, 7.0),
    m1=Day(6, 10, 8, 0.97, 6.0),
    p0=Day(4, 14, 4, 0.3, 5.5),
    p1=Day(4, 17, 5, 0.1, 4.5),
)
DRY_HOT = scenario(
    (37.24, -5.58, 60.0),
    "Europe/Madrid",
    "2026-07-14T03:30",
    Day(18, 36, 9, 0.03, 4.0),
    m1=Day(20, 39, 6, 0.0, 6.5),
    p0=Day(21, 40, 5, 0.02, 7.5),
    p1=Day(21, 38, 7, 0.05, 8.0),
)
FROST_SNOW = scenario(
    (60.42, 25.08, 40.0),
    "Europe/Helsinki",
    "2026-03-10T04:00",
    Day(-7, 1, -9, 0.4, 3.0),
    rain=(
        ("2026-03-02T05:00", (0.4, 0.8, 1.0, 0.7, 0.3), 1.0, False),
        ("2026-03-08T02:00", (0.6, 1.2, 1.5, 1.4, 0.8, 0.5), 1.0, False),
        ("2026-03-12T22:00", (0.5, 1.2, 1.0, 0.6), 0.7, False),
    ),
    m1=Day(-5, 3, -5, 0.1, 2.5),
    p0=Day(-6, 4, -4, 0.1, 2.5),
    p1=Day(0, 7, 0, 0.5, 4.0),
    p2=Day(2, 8, 3, 0.8, 5.0),
    p3=Day(2, 9, 2, 0.3, 4.0),
    **{f"p{n}": Day(3, 11, 2, 0.2, 4.0) for n in range(4, 15)},
)
CLEARED_SNOW = replace(
    scenario(
        (48.21, 14.33, 310.0),
        "Europe/Vienna",
        "2026-11-24T03:30",
        Day(2, 7, 1, 0.6, 2.5),
        rain=(("2026-11-23T19:00", (3.0, 5.0, 7.0, 8.0, 7.0, 5.0, 4.0, 2.0), 1.0, False),),
        m1=Day(1.2, 5, 0, 0.8, 2.0),
        p0=Day(0.8, 2.6, 0, 0.9, 2.0),
        p1=Day(0.8, 2.8, 0, 0.9, 2.0),
        p2=Day(0.9, 3.5, 0, 0.8, 2.0),
    ),
    snow_below_degc=4.5,
)
NO_FORECAST = scenario(
    (41.31, -93.12, 290.0),
    "America/Chicago",
    "2026-06-03T13:50",
    Day(12, 25, 11, 0.3, 4.5),
    rain=(
        ("2026-05-30T15:00", (1.0, 2.5, 0.7), 1.0, True),
        ("2026-06-05T18:00", (0.5, 3.0, 2.2, 0.8), 0.6, True),
    ),
)
SECOND_LIFT = scenario(
    (45.31, 9.64, 80.0),
    "Europe/Rome",
    "2026-06-08T03:30",
    Day(14, 27, 13, 0.25, 2.5),
    rain=(
        ("2026-06-05T17:00", (0.8, 3.5, 1.5), 1.0, True),
        ("2026-06-12T15:00", (0.6, 2.5, 1.1), 0.5, True),
    ),
)
MANY_STRIPS = scenario(
    (40.12, -88.31, 220.0),
    "America/Chicago",
    "2026-09-15T10:00",
    Day(11, 24, 11, 0.2, 3.5),
    rain=(
        ("2026-09-11T02:00", (0.5, 1.5, 2.5, 1.5, 0.5), 1.0, False),
        ("2026-09-17T09:00", (0.5, 1.5, 1.5, 0.8), 0.6, False),
    ),
)
FAILED_LIFT = scenario(
    (47.62, 18.33, 140.0),
    "Europe/Budapest",
    "2026-06-17T03:00",
    Day(13, 25, 12, 0.25, 2.5),
    rain=(("2026-06-13T16:00", (0.8, 2.2, 0.7), 1.0, False),),
)
WATERED_BY_TEST = scenario(
    (46.31, 17.12, 140.0),
    "Europe/Budapest",
    "2026-06-23T03:00",
    Day(14, 27, 11, 0.2, 2.5),
    rain=(("2026-06-17T16:00", (0.8, 1.9, 0.6), 1.0, False),),
)
AIRED_BY_TEST = scenario(
    (46.31, 17.12, 140.0),
    "Europe/Budapest",
    "2026-06-23T03:00",
    Day(14, 27, 11, 0.2, 2.5),
    rain=(
        ("2026-06-17T16:00", (0.8, 1.9, 0.6), 1.0, False),
        ("2026-06-24T10:00", (0.6, 0.9, 0.4), 0.9, False),  # after the test, before it could have aired
    ),
)
TREATED = scenario(
    (48.91, 2.71, 110.0),
    "Europe/Paris",
    "2026-09-10T03:00",
    Day(11, 21, 11, 0.3, 3.0),
    rain=(("2026-09-12T14:00", (1.1, 2.6, 1.8), 0.7, False),),
)
RECHECK = scenario(
    (52.63, 13.12, 35.0),
    "Europe/Berlin",
    "2026-06-16T03:00",
    Day(12, 23, 11, 0.3, 3.5),
    rain=(
        ("2026-06-12T16:00", (1.2, 2.8, 0.9), 1.0, False),
        ("2026-06-19T12:00", (0.6, 1.8, 0.6), 0.5, False),
    ),
)
NEW_RAIN = (
    *RECHECK.showers,
    *showers(RECHECK.zone, ("2026-06-16T13:00", (1.5, 3.8, 3.0, 1.2, 0.6), 0.92, True)),
)
SOUTHERN = scenario(
    (-33.71, -60.28, 55.0),
    "America/Argentina/Buenos_Aires",
    "2026-10-20T08:00",
    Day(11, 23, 11, 0.3, 4.0),
    rain=(
        ("2026-10-16T20:00", (1.0, 3.5, 4.0, 2.0, 0.5), 1.0, True),
        ("2026-10-21T15:00", (0.6, 3.0, 2.5, 1.0), 0.75, True),
    ),
    m1=Day(10, 25, 9, 0.05, 5.0),
    p0=Day(12, 27, 11, 0.1, 6.0),
)
NO_PAST = scenario(
    (59.83, 10.72, 90.0),
    "Europe/Oslo",
    "2026-08-18T03:00",
    Day(10, 19, 10, 0.4, 3.0),
    rain=(
        ("2026-08-18T20:00", (0.4, 1.2, 1.4, 0.6), 0.8, False),
        ("2026-08-21T08:00", (0.6, 1.4, 0.9), 0.6, False),
    ),
)
MEMBERS = scenario(
    (35.27, -97.36, 350.0),
    "America/Chicago",
    "2026-05-20T10:00",
    Day(16, 29, 17, 0.35, 6.0),
    rain=(
        ("2026-05-18T16:00", (1.5, 4.0, 1.0), 1.0, True),
        ("2026-05-20T15:00", (0.8, 4.5, 3.0, 0.7), 0.6, True),
        ("2026-05-23T02:00", (1.0, 2.0, 1.5), 0.5, True),
    ),
)
RAIN_BEFORE_START = scenario(
    (52.38, -1.44, 95.0),
    "Europe/London",
    "2026-09-22T03:30",
    Day(9, 17, 9, 0.5, 4.0),
    rain=(
        ("2026-09-19T12:00", (0.4, 1.0, 0.5), 1.0, False),
        ("2026-09-22T05:00", (1.6, 2.4, 0.5), 0.95, False),
        ("2026-09-24T17:00", (0.5, 1.0, 0.8), 0.5, False),
    ),
    p0=Day(10, 18, 10, 0.4, 4.5),
)
ODD_TESTS = scenario(
    (47.62, 2.11, 110.0),
    "Europe/Paris",
    "2026-05-27T03:30",
    Day(10, 21, 9, 0.3, 3.5),
    rain=(("2026-05-22T13:00", (0.8, 2.2, 1.0), 1.0, False), ("2026-05-30T14:00", (0.6, 1.5), 0.5, False)),
)
DRYING = scenario(
    (-29.92, 28.41, 1500.0),
    "Africa/Johannesburg",
    "2026-02-12T03:00",
    Day(13, 26, 12, 0.2, 3.0),
    rain=(
        ("2026-02-08T15:00", (3.0, 7.0, 4.0, 1.0), 1.0, True),
        ("2026-02-10T16:00", (2.0, 4.0, 1.0), 1.0, True),
        ("2026-02-17T16:00", (1.0, 3.0, 1.0), 0.5, True),
    ),
)
STORM = scenario(
    (44.09, -103.18, 980.0),
    "America/Denver",
    "2026-04-28T11:00",
    Day(3, 15, 1, 0.4, 5.0),
    rain=(("2026-04-29T09:00", (0.6, 1.2, 1.0, 0.4), 0.7, False),),
    p0=Day(4, 18, 1, 0.2, 36.0),
    p1=Day(2, 9, 2, 0.8, 9.0),
)
SUBGRADE = scenario(
    (51.28, 9.37, 210.0),
    "Europe/Berlin",
    "2026-05-05T03:00",
    Day(7, 17, 7, 0.4, 3.5),
    rain=(
        ("2026-04-29T11:00", (0.8, 2.6, 2.0, 0.9), 1.0, False),
        ("2026-05-02T03:00", (0.4, 0.9, 0.6), 1.0, False),
        ("2026-05-08T14:00", (0.7, 1.9, 0.8), 0.6, False),
    ),
    p0=Day(8, 20, 7, 0.2, 3.0),
)

BODIES: Mapping[str, Callable[[], dict[str, Any]]] = {
    "heavy_rain/weather/0415.json": lambda: body(HEAVY_RAIN),
    "dry_hot/weather/0714.json": lambda: body(DRY_HOT),
    "frost_snow/weather/0310.json": lambda: body(FROST_SNOW),
    "frost_snow/weather/0317.json": lambda: body(later(FROST_SNOW, days=7, seed=11)),
    "cleared_snow/weather/1124.json": lambda: body(CLEARED_SNOW),
    "cleared_snow/weather/1125.json": lambda: body(later(CLEARED_SNOW, days=1, seed=18)),
    "cleared_snow/weather/1126.json": lambda: body(later(CLEARED_SNOW, days=2, seed=19)),
    "no_forecast/weather/0603.json": lambda: body(NO_FORECAST),
    "second_lift/weather/0608.json": lambda: body(SECOND_LIFT),
    "second_lift/weather/0609.json": lambda: body(later(SECOND_LIFT, days=1, seed=12)),
    "second_lift/weather/0610.json": lambda: body(later(SECOND_LIFT, days=2, seed=13)),
    "failed_lift/weather/0617.json": lambda: body(FAILED_LIFT),
    "failed_lift/weather/0617_0930.json": lambda: body(later(FAILED_LIFT, hours=4, seed=16)),
    "aired_by_test/weather/0623.json": lambda: body(AIRED_BY_TEST),
    "aired_by_test/weather/0624.json": lambda: body(later(AIRED_BY_TEST, hours=24, seed=21)),
    "watered_by_test/weather/0623.json": lambda: body(WATERED_BY_TEST),
    "watered_by_test/weather/0623_1030.json": lambda: body(later(WATERED_BY_TEST, hours=5, seed=20)),
    "treated/weather/0910.json": lambda: body(TREATED),
    "treated/weather/0910_0930.json": lambda: body(later(TREATED, hours=4, seed=17)),
    "many_strips/weather/0915.json": lambda: body(MANY_STRIPS),
    "recheck/weather/0615.json": lambda: body(later(RECHECK, days=-1, seed=14)),
    "recheck/weather/0616.json": lambda: body(RECHECK),
    "recheck/weather/0616_0900.json": lambda: body(later(RECHECK, hours=4, seed=15, showers=NEW_RAIN)),
    "southern/weather/1020.json": lambda: body(SOUTHERN),
    "no_past/weather/0818.json": lambda: met_norway(NO_PAST, body(NO_PAST)["hourly"]),
    "no_past/weather/0819.json": lambda: met_norway(later(NO_PAST, days=1), body(later(NO_PAST, days=1))["hourly"]),
    "members/weather/0520.json": lambda: open_meteo_ensemble(MEMBERS, body(MEMBERS)),
    "rain_before_start/weather/0922.json": lambda: body(RAIN_BEFORE_START),
    "odd_tests/weather/0527.json": lambda: body(ODD_TESTS),
    "drying/weather/0212.json": lambda: body(DRYING),
    "subgrade/weather/0505.json": lambda: body(SUBGRADE),
    "subgrade/weather/0507.json": lambda: body(later(SUBGRADE, days=2, seed=18)),
    "storm/weather/0428.json": lambda: nws(STORM, body(STORM)["hourly"]),
}


def main() -> int:
    """Write or compare the files; return the exit code."""
    differ = False
    for name, made in BODIES.items():
        path, wanted = FOLDER / name, json.dumps(made(), ensure_ascii=False, separators=(",", ":")) + "\n"
        if path.exists() and path.read_text(encoding="utf-8") == wanted:
            continue
        differ = True
        if "--check" not in sys.argv[1:]:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(wanted, encoding="utf-8")
            print(f"wrote {path}")
    return 1 if differ and "--check" in sys.argv[1:] else 0


if __name__ == "__main__":
    sys.exit(main())

"""Write the invented weather of the demo and of the tests: fixtures/weather/<service>/harrow_flats.json.

    python tests/make_fixtures.py            writes the files
    python tests/make_fixtures.py --check    exit code 1 where a file differs from what would be written

One scenario, told in the form of each service: the other bodies are made from the first one's hours.

Place and weather are invented. The body has the shape of the service's answer to our own request: times as seconds
since 1970 in GMT, 15 days back and 12 ahead, a state AT each stamp and a sum or mean of the hour that ENDS at it.
The scenario, in local days of America/Chicago (the morning is Tuesday 2026-05-12, asked at 05:00):

    04-27 to 05-06  ordinary spring with two showers
    05-07, 05-08    rain, 9 mm and 5 mm
    05-09           clearing, breezy
    05-10, 05-11    two sunny drying days
    05-12           dry and warm until late afternoon, then 8 mm with thunder, 17:00 to 22:00
    05-13           wet, 14 mm
    05-14           1 mm early, clearing at noon
    05-15 to 05-17  sunny, drying
    05-18           an afternoon shower of 5 mm
    05-19 to 05-22  mixed, 2 mm on 05-21
    Ahead of the morning every hour has a small chance of rain that grows with the days and the clouds.

The rainy day of the demo (open_meteo/harrow_flats_rain.json) has the same past until the evening before; then 3 mm
fall in the night and 11 mm from 5:00 to noon, and the days after are those above.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from weather_forms import grid, met_norway, nws, nws_place, open_meteo_ensemble
from weather_scenario import Day, Scenario, Shower, body, text

ZONE = ZoneInfo("America/Chicago")
FOLDER = Path(__file__).parent.parent / "fixtures" / "weather"

DAYS: dict[date, Day] = {
    date(2026, 4, 26): Day(6, 17, 4, 0.4, 4.5),
    date(2026, 4, 27): Day(6, 18, 4, 0.3, 4.5),
    date(2026, 4, 28): Day(7, 17, 7, 0.6, 5.0),
    date(2026, 4, 29): Day(8, 13, 9, 0.95, 5.5),
    date(2026, 4, 30): Day(5, 16, 5, 0.4, 5.0),
    date(2026, 5, 1): Day(5, 18, 5, 0.2, 4.0),
    date(2026, 5, 2): Day(7, 20, 8, 0.4, 4.5),
    date(2026, 5, 3): Day(10, 17, 11, 0.85, 5.5),
    date(2026, 5, 4): Day(7, 18, 7, 0.4, 5.0),
    date(2026, 5, 5): Day(7, 20, 7, 0.2, 4.0),
    date(2026, 5, 6): Day(9, 21, 9, 0.4, 4.5),
    date(2026, 5, 7): Day(11, 18, 12, 0.9, 5.5),
    date(2026, 5, 8): Day(9, 13, 9, 0.95, 5.0),
    date(2026, 5, 9): Day(7, 18, 6, 0.4, 6.5),
    date(2026, 5, 10): Day(8, 22, 6, 0.05, 5.5),
    date(2026, 5, 11): Day(9, 24, 7, 0.05, 6.0),
    date(2026, 5, 12): Day(11, 25, 10, 0.25, 6.5),
    date(2026, 5, 13): Day(11, 14, 11, 0.97, 5.5),
    date(2026, 5, 14): Day(8, 17, 8, 0.6, 5.0),
    date(2026, 5, 15): Day(7, 20, 7, 0.1, 4.5),
    date(2026, 5, 16): Day(9, 23, 8, 0.1, 5.0),
    date(2026, 5, 17): Day(10, 24, 9, 0.15, 5.5),
    date(2026, 5, 18): Day(12, 23, 13, 0.55, 5.0),
    date(2026, 5, 19): Day(11, 21, 11, 0.45, 4.5),
    date(2026, 5, 20): Day(10, 22, 10, 0.35, 4.5),
    date(2026, 5, 21): Day(11, 19, 12, 0.7, 5.0),
    date(2026, 5, 22): Day(10, 21, 10, 0.4, 4.5),
    date(2026, 5, 23): Day(10, 22, 10, 0.4, 4.5),
}

SHOWERS: tuple[Shower, ...] = (
    (datetime(2026, 4, 29, 6, tzinfo=ZONE), (0.3, 0.8, 1.6, 1.4, 0.9, 0.6, 0.4), 1.0, False),
    (datetime(2026, 5, 3, 15, tzinfo=ZONE), (0.6, 2.1, 1.0, 0.3), 1.0, False),
    (datetime(2026, 5, 7, 16, tzinfo=ZONE), (0.4, 1.2, 2.3, 1.9, 1.1, 0.7, 0.4, 0.5, 0.3, 0.2), 1.0, False),
    (datetime(2026, 5, 8, 5, tzinfo=ZONE), (0.3, 0.6, 0.9, 1.0, 0.8, 0.6, 0.5, 0.3), 1.0, False),
    (datetime(2026, 5, 12, 17, tzinfo=ZONE), (0.6, 2.4, 2.9, 1.4, 0.7), 0.9, True),
    (
        datetime(2026, 5, 13, 3, tzinfo=ZONE),
        (0.4, 0.8, 1.2, 1.5, 1.6, 1.4, 1.2, 1.1, 1.0, 1.1, 0.9, 0.7, 0.6, 0.5),
        0.93,
        False,
    ),
    (datetime(2026, 5, 14, 1, tzinfo=ZONE), (0.4, 0.4, 0.2), 0.5, False),
    (datetime(2026, 5, 18, 14, tzinfo=ZONE), (0.7, 2.2, 1.5, 0.6), 0.6, True),
    (datetime(2026, 5, 21, 10, tzinfo=ZONE), (0.4, 0.8, 0.6, 0.2), 0.4, False),
)

RAINY_DAYS = DAYS | {date(2026, 5, 12): Day(10, 15, 10, 0.95, 5.5), date(2026, 5, 13): Day(9, 18, 8, 0.6, 5.0)}
EVENING_BEFORE = datetime(2026, 5, 11, 21, tzinfo=ZONE)
RAINY_SHOWERS: tuple[Shower, ...] = (
    *(shower for shower in SHOWERS if not EVENING_BEFORE <= shower[0] < datetime(2026, 5, 14, tzinfo=ZONE)),
    (datetime(2026, 5, 12, 0, tzinfo=ZONE), (0.4, 0.9, 1.0, 0.7), 0.95, False),
    (datetime(2026, 5, 12, 5, tzinfo=ZONE), (0.8, 1.6, 2.4, 2.3, 1.7, 1.2, 1.0), 0.96, False),
)

SCENARIO = Scenario(
    latitude_deg=42.137,
    longitude_deg=-94.368,
    elevation_m=325.0,
    zone=ZONE,
    morning_utc=datetime(2026, 5, 12, 10, 0, tzinfo=UTC),
    seed=20260512,
    days=DAYS,
    showers=SHOWERS,
)
RAINY = replace(SCENARIO, days=RAINY_DAYS, showers=RAINY_SHOWERS)


def texts() -> dict[Path, str]:
    """Return every file's text by its path."""
    whole = body(SCENARIO)
    bodies = {
        "open_meteo/harrow_flats.json": whole,
        "open_meteo/harrow_flats_rain.json": body(RAINY),
        "open_meteo_ensemble/harrow_flats.json": open_meteo_ensemble(SCENARIO, whole),
        "met_norway/harrow_flats.json": met_norway(SCENARIO, whole["hourly"]),
        "grid/harrow_flats.json": grid(SCENARIO, whole["hourly"]),
        "nws/harrow_flats.json": nws(SCENARIO, whole["hourly"]),
        "nws/harrow_flats_place.json": nws_place(SCENARIO),
    }
    return {FOLDER / name: text(content) for name, content in bodies.items()}


def main() -> int:
    """Write or compare the files; return the exit code."""
    wanted = texts()
    if "--check" in sys.argv[1:]:
        return 0 if all(p.exists() and p.read_text(encoding="utf-8") == content for p, content in wanted.items()) else 1
    for path, content in wanted.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
        print(f"wrote {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

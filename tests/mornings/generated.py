"""Ten generated mornings, a second net beside the recorded ones: soil, place, weather and tests drawn from a seed.

    python tests/mornings/record.py generated       writes generated.json again

Each is one site of four strips through config, weather, moisture, verdicts and order of work, without store and mails.
Draws come from random.Random, whose numbers are the same in every version of Python.
"""

from __future__ import annotations

import random
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import one_site_config
import record
from one_site_config import SOILS, ZONE
from weather_scenario import Day, Scenario, Shower, body, text

N_MORNINGS = 10
N_STRIPS = 4
DRAWN_SOILS = [name for name in SOILS if name != "silt"]  # as they were when these mornings were first drawn
METHODS = ("oven", "nuclear gauge", "microwave", "carbide", "hand feel")


def mornings() -> dict[str, Any]:
    """Return what every generated morning comes to, by its number."""
    return {f"morning {n}": morning(n) for n in range(1, N_MORNINGS + 1)}


def morning(n: int) -> dict[str, Any]:
    """Return what the n-th generated morning comes to."""
    draw = random.Random(n)
    day = date(2026, draw.randint(1, 12), draw.randint(1, 28))
    day += timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)
    at_utc = datetime(day.year, day.month, day.day, 5, 30, tzinfo=UTC)
    latitude_deg = round(draw.choice((-1, 1)) * draw.uniform(5.0, 58.0), 2)
    is_summer = (4 <= day.month <= 9) == (latitude_deg > 0.0)
    scenario = _scenario(
        draw, at_utc, latitude_deg, warmth=draw.uniform(0.45, 1.0) if is_summer else draw.uniform(0.1, 0.5)
    )
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        one_site_config.write(folder, f"drawn-{n}", _site(draw, scenario, at_utc), text(body(scenario)))
        found = record.judged(folder, {"at": at_utc, "weather": "body.json"}, _entries(draw, at_utc))
    return {"place": f"{latitude_deg} degrees, {at_utc:%Y-%m-%d}", **found}


def _scenario(draw: random.Random, at_utc: datetime, latitude_deg: float, *, warmth: float) -> Scenario:
    """Four weeks of weather. warmth: 0 = around -8 degC, 1 = around 32 degC."""
    days: dict[date, Day] = {}
    showers: list[Shower] = []
    cloudiness, raininess = draw.uniform(0.1, 0.8), draw.uniform(0.05, 0.4)
    for ahead in range(-16, 13):
        day = (at_utc + timedelta(days=ahead)).date()
        middle = -8.0 + 40.0 * warmth + draw.uniform(-4.0, 4.0)
        swing = draw.uniform(2.0, 8.0)
        cloud = min(1.0, max(0.0, cloudiness + draw.uniform(-0.4, 0.4)))
        low = middle - swing
        dew = min(low + draw.uniform(-8.0, 1.0), 24.0)
        days[day] = Day(round(low, 1), round(middle + swing, 1), round(dew, 1), round(cloud, 2), draw.uniform(1.5, 9.0))
        if draw.random() < raininess:
            first = datetime(day.year, day.month, day.day, draw.randint(0, 21), tzinfo=ZONE)
            amounts = tuple(round(draw.uniform(0.2, 5.0), 1) for _ in range(draw.randint(1, 7)))
            showers.append((first, amounts, draw.uniform(0.4, 0.95) if ahead >= 0 else 1.0, draw.random() < 0.3))
    return Scenario(
        latitude_deg=latitude_deg,
        longitude_deg=0.4,
        elevation_m=round(draw.uniform(5.0, 900.0)),
        zone=ZONE,
        morning_utc=at_utc - timedelta(minutes=30),
        seed=draw.randint(1, 10**6),
        days=days,
        showers=tuple(showers),
    )


def _site(draw: random.Random, scenario: Scenario, at_utc: datetime) -> str:
    """The site's file: one material a strip, one crew, a test the day before and perhaps an earlier one."""
    lines = [
        "[site]",
        'name = "Drawn site"',
        f"latitude_deg = {scenario.latitude_deg}",
        f"longitude_deg = {scenario.longitude_deg}",
        f"elevation_m = {scenario.elevation_m}",
        f'zone = "{ZONE.key}"',
        'working_days = ["mon", "tue", "wed", "thu", "fri"]',
        'shift_start = "07:00"\nshift_end = "17:00"\nmail_at = "05:45"\ndeadline = "09:00"',
        "mixing_depth_m = 0.30",
        "[roller.drum]",
        f'name = "Drum"\ndrum = "{draw.choice(("smooth", "padded"))}"\nrolled_width_m = 2.1\noverlap_m = 0.15',
        f"speed_km_h = {draw.uniform(3.0, 6.0):.1f}\npasses = {draw.randint(4, 9)}\nefficiency = 0.75",
        "[truck.water]",
        'name = "Truck"\nbar_width_m = 3.2\nspeed_min_km_h = 2.0\nspeed_max_km_h = 9.0',
        f"tank_litres = {draw.randrange(6000, 20000, 500)}\nflow_litres_min = {draw.randrange(400, 1000, 50)}",
        f"fill_time_min = {draw.randint(6, 15)}\ntravel_time_min = {draw.randint(3, 15)}",
        '[crew.own]\nname = "Crew"\nroller = "drum"\ntruck = "water"',
        '[[crew.own.person]]\nname = "Alex Reed"\naddress = "crew@example.com"\nrole = "superintendent"',
    ]
    for n in range(1, N_STRIPS + 1):
        soil = draw.choice(DRAWN_SOILS)
        omc_pct, mdd_kg_m3, spread_kg_m3 = SOILS[soil]
        low, high = round(draw.uniform(-3.0, -1.5), 1), round(draw.uniform(1.5, 3.0), 1)
        tested_utc = at_utc - timedelta(hours=draw.uniform(10.0, 40.0))
        lines += [
            f'[material.m{n}]\nname = "Soil {n}"\nsoil_class = "{soil}"\ntest = "ASTM D698"',
            f"omc_pct = {omc_pct}\nmdd_kg_m3 = {mdd_kg_m3}\nwindow_points = [{low}, {high}]",
            "required_compaction_pct = 95",
            f'[strip.T{n}]\ncrew = "own"\nmaterial = "m{n}"',
            f"length_m = {draw.randint(60, 160)}\nwidth_m = {draw.randint(6, 14)}",
            f"lift_thickness_m = {draw.choice((0.15, 0.2, 0.25, 0.3))}\ndry_density_kg_m3 = {spread_kg_m3}",
            f'surface = "{draw.choice(("loose", "scarified", "sealed"))}"\nlifts = {draw.randint(1, 2)}',
            f"[strip.T{n}.reading]\nw_pct = {omc_pct + draw.uniform(-4.0, 3.0):.1f}",
            f'at = {tested_utc:%Y-%m-%d %H:%M:00}\nmethod = "{draw.choice(METHODS)}"',
        ]
    return "\n".join(lines) + "\n"


def _entries(draw: random.Random, at_utc: datetime) -> str:
    """What was recorded: perhaps the gauge, a watering, a disk or a seal, and tests of the days before."""
    rows = ["kind,strip,at,until,w_pct,method,rain_mm,litres,work"]

    def before(hours: float) -> str:
        return f"{at_utc - timedelta(hours=hours):%Y-%m-%d %H:%M}"

    for n in range(1, N_STRIPS + 1):
        if draw.random() < 0.4:
            rows.append(f"reading,T{n},{before(draw.uniform(60, 200))},,{draw.uniform(9.0, 22.0):.1f},oven,,,")
        if draw.random() < 0.3:
            rows.append(f"watering,T{n},{before(draw.uniform(11, 60))},,,,,{draw.randint(2000, 14000)},")
        if draw.random() < 0.3:
            at = before(draw.uniform(11, 90))
            rows.append(f"surface,T{n},{at},,,,,,{draw.choice(('disked', 'sealed', 'spread'))}")
    if draw.random() < 0.5:
        rows.append(f"rain,,{before(48)},{before(1)},,,{draw.uniform(0.0, 15.0):.1f},,")
    return "\n".join(rows) + "\n"

"""The mornings of the table: one site a soil class and weather, a strip for every deviation and lift."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import one_site_config
import record
from one_site_config import SOILS, ZONE
from weather_scenario import Day, Scenario, Shower, body, text

from gonogo.field import entries
from gonogo.morning import compute
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.frame import RunFrame
from gonogo.records.strip_plan import StripPlan
from gonogo.records.verdict import Decision
from gonogo.soil.classes import SOIL_CLASSES

MAIL_UTC = {"summer": datetime(2026, 6, 17, 5, 30, tzinfo=UTC), "winter": datetime(2026, 2, 18, 5, 30, tzinfo=UTC)}
LATITUDE_DEG = 45.0
DEVIATIONS = tuple(range(-6, 7))
LIFTS_MM = (200, 300)
WINDOW = (-2.0, 2.0)


@dataclass(frozen=True)
class Sky:
    """One weather of the table: season, the days before, the day itself, and showers (hours from 0:00 of the day)."""

    season: str
    before: Day
    today: Day
    showers: tuple[tuple[int, tuple[float, ...], float, bool], ...] = ()


MILD = Day(9, 17, 10, 0.8, 2.5)  # clouded: neither rain nor strong evaporation, the "=" of the guide
SKIES: dict[str, Sky] = {
    "dry hot": Sky("summer", Day(17, 34, 9, 0.05, 5.0), Day(18, 36, 8, 0.05, 5.0)),
    "mild": Sky("summer", MILD, MILD),
    "drizzle": Sky("summer", MILD, Day(10, 15, 10, 0.9, 2.0), ((5, (0.2,) * 14, 0.9, False),)),
    "heavy rain": Sky("summer", MILD, Day(11, 15, 11, 1.0, 3.0), ((5, (3.0,) * 14, 0.95, False),)),
    "thunder": Sky("summer", MILD, Day(14, 28, 15, 0.4, 3.0), ((14, (6.0, 9.0, 3.0), 0.8, True),)),
    # Fifteen centimetres fell two days before; it lies on, and nothing melts in the night.
    "snow lying": Sky("winter", Day(-3, 2, -4, 0.7, 2.0), Day(-2, 3, -3, 0.5, 2.0), ((-40, (2.7,) * 8, 1.0, False),)),
    "frost": Sky("winter", Day(-9, -2, -11, 0.2, 2.0), Day(-9, -2, -11, 0.2, 2.0)),
}


@dataclass(frozen=True)
class Morning:
    """One morning: what it is made of, and what came out."""

    soil: str
    sky: str
    deviation: int
    lift_mm: int
    decision: Decision
    plan: StripPlan

    @property
    def ratio(self) -> float:
        optimum = SOILS[self.soil][0]
        return (optimum + self.deviation) / optimum


def mornings(
    soil: str, sky_name: str, deviations: Sequence[int] = DEVIATIONS, lifts_mm: Sequence[int] = LIFTS_MM
) -> Iterator[Morning]:
    """Yield the mornings of a soil class in a weather, each strip as if it had the machines to itself."""
    sky = SKIES[sky_name]
    at_utc = MAIL_UTC[sky.season]
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        one_site_config.write(folder, "table", _site(soil, deviations, lifts_mm), text(body(_scenario(sky, at_utc))))
        conclusion = _concluded(folder, at_utc, _tests(soil, at_utc, deviations, lifts_mm))
    decisions = {d.strip_id: d for d in conclusion.decisions}
    for deviation in deviations:
        for lift_mm in lifts_mm:
            strip_id = _strip_id(deviation, lift_mm)
            yield Morning(soil, sky_name, deviation, lift_mm, decisions[strip_id], conclusion.plan.strip(strip_id))


def _strip_id(deviation: int, lift_mm: int) -> str:
    return f"D{deviation:+d}x{lift_mm}".replace("+", "p").replace("-", "m")


def _scenario(sky: Sky, at_utc: datetime) -> Scenario:
    midnight = at_utc.replace(hour=0, minute=0)
    days = {(midnight + timedelta(days=n)).date(): sky.today if n >= 0 else sky.before for n in range(-16, 13)}
    showers: tuple[Shower, ...] = tuple(
        (midnight.replace(tzinfo=ZONE) + timedelta(hours=first), amounts, chance, thunder)
        for first, amounts, chance, thunder in sky.showers
    )
    return Scenario(
        latitude_deg=LATITUDE_DEG,
        longitude_deg=0.4,
        elevation_m=120.0,
        zone=ZONE,
        morning_utc=at_utc - timedelta(minutes=30),
        seed=7,
        days=days,
        showers=showers,
    )


def _site(soil: str, deviations: Sequence[int], lifts_mm: Sequence[int]) -> str:
    omc_pct, mdd_kg_m3, spread_kg_m3 = SOILS[soil]
    is_clayey = SOIL_CLASSES[soil].group == "clayey"
    n = len(deviations)
    lines = [
        '[site]\nname = "Table"',
        f"latitude_deg = {LATITUDE_DEG}\nlongitude_deg = 0.4\nelevation_m = 120",
        f'zone = "{ZONE.key}"\nworking_days = ["mon", "tue", "wed", "thu", "fri"]',
        'shift_start = "07:00"\nshift_end = "17:00"\nmail_at = "05:45"\ndeadline = "09:00"\nmixing_depth_m = 0.35',
        f'[material.soil]\nname = "Soil"\nsoil_class = "{soil}"\ntest = "ASTM D698"',
        f"omc_pct = {omc_pct}\nmdd_kg_m3 = {mdd_kg_m3}\nwindow_points = [{WINDOW[0]}, {WINDOW[1]}]",
        "required_compaction_pct = 95",
    ]
    for lift_mm in lifts_mm:  # a crew for each, with a roller and a truck for every strip
        lines += [
            f'[roller.r{lift_mm}]\nname = "Drum"\ndrum = "{"padded" if is_clayey else "smooth"}"\nrolled_width_m = 2.1',
            f"overlap_m = 0.15\nspeed_km_h = 4.5\npasses = 6\nefficiency = 0.75\ncount = {n}",
            f'[truck.t{lift_mm}]\nname = "Truck"\nbar_width_m = 3.2\nspeed_min_km_h = 2.0\nspeed_max_km_h = 9.0',
            f"tank_litres = 12000\nflow_litres_min = 700\nfill_time_min = 8\ntravel_time_min = 5\ncount = {n}",
            f'[crew.c{lift_mm}]\nname = "Crew"\nroller = "r{lift_mm}"\ntruck = "t{lift_mm}"',
            f'[[crew.c{lift_mm}.person]]\nname = "Alex Reed"\naddress = "crew@example.com"\nrole = "superintendent"',
        ]
        for deviation in deviations:
            lines += [
                f'[strip.{_strip_id(deviation, lift_mm)}]\ncrew = "c{lift_mm}"\nmaterial = "soil"\nsurface = "loose"',
                "length_m = 80\nwidth_m = 8",
                f"lift_thickness_m = {lift_mm / 1000}\ndry_density_kg_m3 = {spread_kg_m3}",
            ]
    return "\n".join(lines) + "\n"


def _tests(soil: str, at_utc: datetime, deviations: Sequence[int], lifts_mm: Sequence[int]) -> str:
    """Spread the afternoon before, and an oven test of an hour ago."""
    lines = ["kind,strip,at,w_pct,method,work"]
    for deviation in deviations:
        for lift_mm in lifts_mm:
            name = _strip_id(deviation, lift_mm)
            spread, tested = at_utc - timedelta(hours=14), at_utc - timedelta(hours=1)
            lines.append(f"surface,{name},{spread:%Y-%m-%d %H:%M},,,spread")
            lines.append(f"reading,{name},{tested:%Y-%m-%d %H:%M},{SOILS[soil][0] + deviation},oven,")
    return "\n".join(lines) + "\n"


def _concluded(folder: Path, at_utc: datetime, csv_text: str) -> Any:
    loaded = record.load(folder / "config", folder)
    site = loaded.sites[0]
    # Every strip has its own machines: any order will do, and the search for the best of them takes no time.
    settings = {name: {**own, "plan_time_limit_s": 1.0} for name, own in loaded.settings.items()}
    loaded = replace(loaded, settings=settings)
    written = entries.parse_csv(csv_text, "entries.csv", site, at_utc)
    frame = RunFrame(
        config=loaded,
        site=site,
        day=at_utc.date(),
        now_utc=at_utc,
        deadline_utc=at_utc,
        store=None,
        fetch=record.fetch_of({"weather": "body.json"}, folder),
        keeps=False,
    )
    known = (*loaded.readings[site.id], *(line.entry for line in written))
    return compute.conclude(frame, StoredInputs(entries=known))

"""A small invented site for tests; each test changes what it is about."""

from __future__ import annotations

from datetime import time
from typing import Any
from zoneinfo import ZoneInfo

from gonogo.records.site import Crew, Drum, Material, Recipient, Roller, Site, Strip, Surface, Truck

CLAY = Material(
    id="clay",
    name="Red clay",
    soil_class="silty_clay",
    omc_pct=16.5,
    mdd_kg_m3=1760.0,
    test="standard Proctor",
    window_low_pct=-2.0,
    window_high_pct=2.0,
    required_compaction_pct=95.0,
    specific_gravity=2.70,
    theta_fc=0.36,
    theta_wp=0.23,
)
PADDED = Roller(
    id="pad-1",
    name="Padded drum 12 t",
    drum=Drum.PADDED,
    rolled_width_m=2.1,
    overlap_m=0.15,
    speed_km_h=4.0,
    passes=6,
    efficiency=0.75,
)
TRUCK = Truck(
    id="truck-1",
    name="Water truck 10 m3",
    tank_litres=10_000.0,
    bar_width_m=3.0,
    flow_litres_min=600.0,
    fill_time_min=12.0,
    travel_time_min=8.0,
    speed_min_km_h=3.0,
    speed_max_km_h=10.0,
)
CREW = Crew(
    id="north",
    name="North crew",
    roller=PADDED,
    truck=TRUCK,
    recipients=(
        Recipient(name="Ana Boss", address="ana@example.com", role="superintendent"),
        Recipient(name="Dee Driver", address="dee@example.com", role="driver", units="us"),
        Recipient(name="Pat Plan", address="pat@example.com", role="planner"),
    ),
)
STRIP = Strip(
    id="N1",
    name="North 1",
    crew_id="north",
    material_id="clay",
    length_m=100.0,
    width_m=8.0,
    lift_thickness_m=0.25,
    dry_density_kg_m3=1400.0,
    surface=Surface.LOOSE,
)


def small_site(**changes: Any) -> Site:
    """Return a site with one crew, one material and one strip, with some fields changed."""
    fields: dict[str, Any] = {
        "id": "test-site",
        "name": "Test embankment",
        "latitude_deg": 42.0,
        "longitude_deg": -94.0,
        "elevation_m": 325.0,
        "zone": ZoneInfo("America/Chicago"),
        "working_days": (0, 1, 2, 3, 4),
        "shift_start": time(7, 0),
        "shift_end": time(17, 30),
        "mail_at": time(5, 30),
        "deadline": time(11, 0),
        "holidays": (),
        "mixing_depth_m": 0.30,
        "crews": (CREW,),
        "materials": (CLAY,),
        "strips": (STRIP,),
    }
    return Site(**(fields | changes))

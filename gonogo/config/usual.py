"""What a machine or a lift usually has, where the config does not say: each value is then marked "assumed"."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gonogo.config.table import Table
from gonogo.config.tables import RollerTable, StripTable, TruckTable
from gonogo.records.site import Material

# Efficiency: 45 working minutes an hour, as in a worked example of rolling production (tests/published/
# rolling_production.toml). Passes: the middle of the 4 to 8 of BS 6031:1981 for fine-grained soil. Width and speed of
# an ordinary roller: common practice.
ROLLERS: Mapping[str, Mapping[str, float]] = {
    "padded": {"rolled_width_m": 2.1, "overlap_m": 0.15, "speed_km_h": 5.0, "passes": 6, "efficiency": 0.75},
    "smooth": {"rolled_width_m": 2.1, "overlap_m": 0.15, "speed_km_h": 4.0, "passes": 6, "efficiency": 0.75},
    "pneumatic": {"rolled_width_m": 2.0, "overlap_m": 0.2, "speed_km_h": 5.0, "passes": 6, "efficiency": 0.75},
}
# A spray bar that empties its tank in a quarter of an hour, a pump that fills it with 1 m3 a minute: common practice.
EMPTIES_IN_MIN = 16.0
FILLS_LITRES_MIN = 1000.0
TRUCK: Mapping[str, float] = {
    "bar_width_m": 3.0,
    "travel_time_min": 8.0,
    "speed_min_km_h": 2.0,
    "speed_max_km_h": 8.0,
}
OF_TANK = ("flow_litres_min", "fill_time_min")  # which follow from the size of the tank
# Dry density of a lift as a share of the laboratory's maximum: common practice. Loose fill has 75 to 90 %; ground that
# lies there and what was rolled smooth are denser.
SHARE_OF_MAXIMUM = {"loose": 0.80, "scarified": 0.85, "sealed": 0.90}
NATURAL_SHARE = 0.90


def roller_usual(drum: str) -> Mapping[str, float]:
    """Return what a roller with such a drum usually has, by field."""
    return ROLLERS[drum]


def truck_usual(tank_litres: float) -> Mapping[str, float]:
    """Return what a water truck with such a tank usually has, by field."""
    flow_litres_min, fill_time_min = tank_litres / EMPTIES_IN_MIN, 2.0 + tank_litres / FILLS_LITRES_MIN
    return {**TRUCK, **dict(zip(OF_TANK, (round(flow_litres_min, -1), round(fill_time_min)), strict=True))}


def roller_values(table: RollerTable) -> dict[str, Any]:
    """Return the fields of a roller, with the names of those that are assumed under "assumed"."""
    return _filled(table, roller_usual(table.drum))


def truck_values(table: TruckTable) -> dict[str, Any]:
    """Return the fields of a water truck, with the names of those that are assumed under "assumed"."""
    return _filled(table, truck_usual(table.tank_litres))


def dry_density_kg_m3(strip: StripTable, material: Material) -> float:
    """Return the dry density that such a lift usually has as it lies [kg/m3]."""
    share = NATURAL_SHARE if strip.ground == "natural" else SHARE_OF_MAXIMUM[strip.surface]
    return round(share * material.mdd_kg_m3, -1)


def with_densities(
    strips: Mapping[str, StripTable], materials: Mapping[str, Material | None]
) -> tuple[dict[str, StripTable], frozenset[str]]:
    """Return the strips, each with a dry density where its material is known, and the ids of those assumed."""
    filled, assumed = {}, set()
    for strip_id, strip in strips.items():
        material = materials.get(strip.material)
        if "dry_density_kg_m3" not in strip.model_fields_set and material is not None:
            strip = strip.model_copy(update={"dry_density_kg_m3": dry_density_kg_m3(strip, material)})
            assumed.add(strip_id)
        filled[strip_id] = strip
    return filled, frozenset(assumed)


def _filled(table: Table, usual: Mapping[str, float]) -> dict[str, Any]:
    given = table.model_dump()
    assumed = tuple(name for name in usual if given[name] is None)
    return {**given, **{name: usual[name] for name in assumed}, "assumed": assumed}

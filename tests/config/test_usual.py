"""What a config leaves out of a machine or a lift is as usual, and is said to be assumed."""

from __future__ import annotations

from config_copy import SITE, Copy

from gonogo.config import check_report
from gonogo.config.usual import truck_usual


def test_what_a_roller_leaves_out_is_as_its_drum_usually_has_it(example: Copy) -> None:
    for line in ("rolled_width_m = 2.10\n", "speed_km_h = 5.0\n", "efficiency = 0.75 "):
        example.edit(SITE, line, "\n" if line.endswith("\n") else "# ")
    roller = example.load().sites[0].crew("north").roller
    assert roller.assumed == ("rolled_width_m", "speed_km_h", "efficiency")
    assert (roller.rolled_width_m, roller.speed_km_h, roller.efficiency) == (2.1, 5.0, 0.75)


def test_what_a_truck_leaves_out_follows_its_tank(example: Copy) -> None:
    example.edit(SITE, "flow_litres_min = 900", "# ")
    example.edit(SITE, "bar_width_m = 3.6 ", "# ")
    truck = example.load().sites[0].crew("north").truck
    assert truck is not None
    assert truck.assumed == ("bar_width_m", "flow_litres_min")
    assert (truck.bar_width_m, truck.flow_litres_min) == (3.0, 940)
    assert dict(truck_usual(10_000.0)) == {
        "bar_width_m": 3.0,
        "travel_time_min": 8.0,
        "speed_min_km_h": 2.0,
        "speed_max_km_h": 8.0,
        "flow_litres_min": 620,
        "fill_time_min": 12,
    }


def test_a_density_that_is_left_out_is_a_share_of_the_maximum(example: Copy) -> None:
    example.edit(SITE, "dry_density_kg_m3 = 1400 ", "# ")
    example.edit(SITE, "dry_density_kg_m3 = 1580\n", "")
    site = example.load().sites[0]
    clay = site.material("clay").mdd_kg_m3
    assert site.strip("N1").dry_density_kg_m3 == round(0.8 * clay, -1)
    assert site.strip("N5").dry_density_kg_m3 == round(0.9 * clay, -1)  # rolled smooth
    assert [s.id for s in site.strips if s.is_density_assumed] == ["N1", "N5"]


def test_the_report_names_what_is_assumed(example: Copy) -> None:
    assert "Assumed" not in check_report(example.load())
    example.edit(SITE, "dry_density_kg_m3 = 1400 ", "# ")
    example.edit(SITE, "flow_litres_min = 900", "# ")
    flat = " ".join(check_report(example.load()).split())
    assert "Assumed, as usual for its kind: Big water truck: flow_litres_min = 940" in flat
    assert "dry_density_kg_m3 of N1 1410" in flat

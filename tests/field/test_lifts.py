"""A lift as it was spread, and what was decided of one: told in any way, and refused where it is impossible."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sites import CLAY, STRIP, small_site

from gonogo.errors import ConfigError
from gonogo.field import entries
from gonogo.field.record import entry_text
from gonogo.records.field import BORROW, LiftResult, Spread, SurfaceWork

NOW = datetime(2026, 5, 12, 12, 0, tzinfo=UTC)
SAND = replace(CLAY, id="sand", name="Sand", omc_pct=11.0, mdd_kg_m3=1950.0, borrow_w_pct=8.5)
SITE = replace(small_site(), materials=(CLAY, SAND), strips=(STRIP,))


def told(**fields: str) -> SurfaceWork:
    row = {"kind": "surface", "strip": STRIP.id, "work": "spread", **fields}
    (new,) = entries.parse([("command line", row)], SITE, NOW)
    assert isinstance(new.entry, SurfaceWork)
    return new.entry


def test_a_spread_lift_says_what_it_is() -> None:
    fields = {"thickness_m": "0.2", "dry_density_kg_m3": "1500", "material": "sand", "area_share": "0.5"}
    assert told(**fields, w_pct="9.5", method="oven").spread == Spread(
        thickness_m=0.2, dry_density_kg_m3=1500.0, material_id="sand", area_share=0.5, w_pct=9.5, method="oven"
    )


def test_counted_trucks_stand_for_a_thickness() -> None:
    spread = told(loads="10", load_m3="12", area_share="0.5").spread
    assert spread is not None
    assert spread.thickness_m == pytest.approx(10 * 12 / (0.5 * STRIP.area_m2))


def test_a_lift_may_be_as_wet_as_the_borrow() -> None:
    assert told(material="sand", method="borrow").spread == Spread(material_id="sand", method=BORROW)


def test_a_spread_without_thickness_says_that_the_config_s_stands() -> None:
    said = entry_text(replace(SITE, strips=(replace(STRIP, following_lift_thickness_m=0.2),)), told())
    assert f"thickness not told: {1000 * STRIP.lift_thickness_m:.0f} mm, 200 mm from the second lift on" in said
    assert "200 mm (30 loads of 12 m3)" not in said
    assert "250 mm" in entry_text(SITE, told(thickness_m="0.25"))


@pytest.mark.parametrize(
    ("fields", "key", "remedy"),
    [
        ({"thickness_m": "0.61"}, "thickness_m", "lies outside 0.05 to 0.6"),
        ({"thickness_m": "250"}, "thickness_m", "looks like millimetres"),
        ({"loads": "500", "load_m3": "12"}, "loads", "make a lift of"),
        ({"loads": "30"}, "load_m3", "belong together"),
        ({"loads": "30", "load_m3": "12", "thickness_m": "0.2"}, "thickness_m", "told twice"),
        ({"area_share": "50"}, "area_share", "looks like percent"),
        ({"material": "sandd"}, "material", 'Did you mean "sand"?'),
        ({"method": "borrow"}, "w_pct", "no borrow_w_pct"),
        ({"w_pct": "15.0"}, "method", "missing"),
        ({"w_pct": "60", "method": "oven"}, "w_pct", "pores hold"),
        ({"work": "rolled", "thickness_m": "0.2"}, "thickness_m", "brings no new lift"),
    ],
)
def test_what_no_lift_can_be_is_refused_in_words(fields: dict[str, str], key: str, remedy: str) -> None:
    with pytest.raises(ConfigError) as caught:
        told(**fields)
    found = [f for f in caught.value.faults if f.key == key]
    assert remedy in found[0].wrong + found[0].right
    assert "Nothing was stored" in found[0].right


@pytest.mark.parametrize("dry_density", ["1910", "1850"])
def test_a_density_that_cannot_be_is_refused(dry_density: str) -> None:
    # 108.5 % of the maximum; and above the zero-air-voids line at 18 %.
    row = {"kind": "reading", "strip": STRIP.id, "w_pct": "18", "method": "oven", "dry_density_kg_m3": dry_density}
    with pytest.raises(ConfigError, match=r"is impossible.*Nothing was stored"):
        entries.parse([("command line", row)], SITE, NOW)


def test_what_was_decided_of_a_lift_is_recorded() -> None:
    row = {"kind": "lift", "strip": STRIP.id, "result": "accepted"}
    (new,) = entries.parse([("command line", row)], SITE, NOW)
    assert new.entry == LiftResult(strip_id=STRIP.id, at_utc=NOW, result="accepted")
    with pytest.raises(ConfigError, match="accepted"):
        entries.parse([("command line", row | {"result": "fine"})], SITE, NOW)

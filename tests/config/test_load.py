"""Whole files: every fault of every file at once, unreadable files, lines, warnings, and what a good config becomes."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from config_copy import SITE, WORDS, Copy

from gonogo.config import fault_report, load
from gonogo.config.kinds import BINDERS
from gonogo.config.lines import Lines
from gonogo.decide.water.dose import target_w_pct
from gonogo.errors import ConfigError
from gonogo.records.site import Drum, Method, Surface

GONOGO = "gonogo.toml"


def test_every_fault_of_every_file_is_reported_in_one_go(example: Copy) -> None:
    second = example.folder / "sites" / "second.toml"
    second.write_text((example.folder / SITE).read_text())
    example.edit(GONOGO, 'kind = "folder"', 'kind = "pigeon"')
    example.edit(GONOGO, "compact_chance_min = 0.7", "compact_chance_min = 7")
    example.edit(SITE, "latitude_deg = 42.137", "latitude_deg = 142")
    example.edit(SITE, "omc_pct = 12.4", "omc_pct = 0.124")
    example.edit(SITE, 'crew = "north"', 'crew = "nort"\nlength = 3')
    example.edit("sites/second.toml", 'surface = "loose"', 'surface = "soft"')
    found = {(Path(c.place.rpartition(":")[0]).name, c.key) for c in example.faults()}
    assert found == {
        ("gonogo.toml", "mail.kind"),
        ("gonogo.toml", "settings.compact_chance_min"),
        ("harrow-flats.toml", "site.latitude_deg"),
        ("harrow-flats.toml", "material.silty_sand.omc_pct"),
        ("harrow-flats.toml", "strip.N1.crew"),
        ("harrow-flats.toml", "strip.N1.length"),
        ("second.toml", "strip.N1.surface"),
    }


def test_a_fault_names_its_line_and_the_value_as_it_stood(example: Copy) -> None:
    example.edit(SITE, 'surface = "loose"', 'surface = "soft"')
    (fault,) = example.faults()
    path, _, line = fault.place.rpartition(":")
    assert Path(path).read_text().splitlines()[int(line) - 1].startswith('surface = "soft"')
    assert fault.value == '"soft"'


def test_the_fault_report_counts_and_lists(example: Copy) -> None:
    example.edit(SITE, "elevation_m = 325", "")
    example.edit(SITE, 'surface = "loose"', 'surface = "soft"')
    with pytest.raises(ConfigError) as caught:
        example.load()
    text = fault_report(caught.value)
    assert text.count("harrow-flats.toml") == 2
    assert "2 faults. Nothing was changed" in text


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"name = '\xe9'", b"a = 1\x00"])
def test_bytes_that_are_no_text_are_refused(content: bytes, example: Copy) -> None:
    (example.folder / SITE).write_bytes(content)
    assert [c.key for c in example.faults()] == ["file"]


@pytest.mark.parametrize("change", ["\ufeff{}", "windows"])
def test_files_from_a_windows_editor_are_read(change: str, example: Copy) -> None:
    path = example.folder / SITE
    text = path.read_text(encoding="utf-8")
    data = text.replace("\n", "\r\n") if change == "windows" else change.format(text)
    path.write_bytes(data.encode("utf-8"))
    assert len(example.load().sites[0].strips) == 10


def test_a_missing_service_file_is_named_and_the_sites_are_checked_all_the_same(example: Copy) -> None:
    (example.folder / GONOGO).unlink()
    example.edit(SITE, 'surface = "loose"', 'surface = "soft"')
    first, second = example.faults()
    assert first.place == str(example.folder / GONOGO)
    assert second.key == "strip.N1.surface"


def test_a_folder_without_sites_is_refused(example: Copy) -> None:
    (example.folder / SITE).unlink()
    (fault,) = example.faults()
    assert "sites/" in fault.right


def test_a_folder_in_place_of_a_file_is_refused(example: Copy) -> None:
    (example.folder / "sites" / "odd.toml").mkdir()
    assert [c.key for c in example.faults()] == ["file"]


def test_a_site_file_whose_name_is_no_id_is_refused(example: Copy) -> None:
    (example.folder / SITE).rename(example.folder / "sites" / "2 hills.toml")
    assert [c.key for c in example.faults()] == ["file name"]


def test_an_empty_site_file_lacks_every_table(example: Copy) -> None:
    (example.folder / SITE).write_text("")
    keys = {c.key for c in example.faults()}
    assert {"site.name", "site.zone", "material", "roller", "crew", "strip"} <= keys
    assert "truck" not in keys


@pytest.mark.parametrize("section", ["site", "material", "roller", "truck", "crew", "strip", "settings"])
@pytest.mark.parametrize("value", ["3", "[1]", '"text"', "[{}]"])
def test_a_value_in_place_of_a_table_is_refused(section: str, value: str, example: Copy) -> None:
    (example.folder / SITE).write_text(f"{section} = {value}\n")
    assert any(c.key == section for c in example.faults())


# --- warnings ------------------------------------------------------------------------------------------------

WARNINGS = {
    "later lifts where there are none": ("lifts = 2", "lifts = 1", {"strip.N1.following_lift_thickness_m"}),
    "later lifts too thick to mix": ("following_lift_thickness_m = 0.25", "following_lift_thickness_m = 0.4",
        {"strip.N1.following_lift_thickness_m"}),
    "a crew without a truck": ('truck = "big"                          # leave it out where the crew has none', "",
                               {"crew.north.truck", "truck.big"}),
    "a crew without strips": ("[crew.south]", '[crew.idle]\nname = "Idle"\nroller = "smooth"\n[[crew.idle.person]]\n'
                              'name = "A"\naddress = "a@example.com"\nrole = "driver"\n[crew.south]',
                              {"crew.idle"}),
    "a lift beyond mixing": ("mixing_depth_m = 0.30 ", "mixing_depth_m = 0.25 ", {"strip.S4.lift_thickness_m"}),
    "a truck of two crews": ('truck = "small"', 'truck = "big"', {"truck.small"}),
    "a curve with two points swapped": ("[1668, 1730, 1762, 1739, 1672]", "[1668, 1762, 1730, 1739, 1672]",
                                        {"material.clay.curve_w_pct"}),
    "a curve whose parabola invents density": ("[1668, 1730, 1762, 1739, 1672]", "[1480, 1520, 1762, 1755, 1500]",
                                               {"material.clay.curve_w_pct"}),
    "a curve with a gap": ("[14.1, 16.0, 18.1, 20.0, 22.1]", "[12.5, 13.9, 18.1, 20.0, 22.1]",
                           {"material.clay.curve_w_pct"}),
    "a mail after the start": ('mail_at = "05:30"', 'mail_at = "07:30"', {"site.mail_at"}),
}  # fmt: skip


@pytest.mark.parametrize("case", WARNINGS)
def test_what_is_odd_but_possible_is_a_warning(case: str, example: Copy) -> None:
    old, new, keys = WARNINGS[case]
    example.edit(SITE, old, new)
    warnings = example.load().warnings
    assert {w.key for w in warnings} == keys
    assert all(w.wrong and w.right and SITE in w.place for w in warnings)


def test_the_example_has_no_warning(example: Copy) -> None:
    assert example.load().warnings == ()


# --- what a good config becomes ------------------------------------------------------------------------------


def test_a_site_becomes_records(example: Copy) -> None:
    site = example.load().site("harrow-flats")
    assert (site.name, site.zone.key) == ("Harrow Flats embankment", "America/Chicago")
    assert site.working_days == (0, 1, 2, 3, 4, 5)
    assert (site.shift_start, site.shift_end, site.mail_at) == (time(7), time(17, 30), time(5, 30))
    assert site.holidays == (date(2026, 5, 25), date(2026, 7, 3))
    north, south = site.crews
    assert (north.roller.drum, south.roller.drum) == (Drum.PADDED, Drum.SMOOTH)
    assert [p.units for p in north.recipients] == ["us", "us", "us"]
    assert [p.role for p in south.recipients] == ["superintendent", "driver", "planner"]
    assert site.strip("N5").surface is Surface.SEALED
    assert site.strip("S2").passes == 8
    assert not site.strip("S2").may_vibrate
    assert site.strip("S2").distance_to_structure_m == 6.0


def test_a_person_may_have_units_and_language_of_its_own(example: Copy) -> None:
    example.edit(SITE, 'role = "driver"', 'role = "driver"\nunits = "metric"\nlanguage = "es"')
    people = example.load().sites[0].crews[0].recipients
    assert [(p.units, p.language) for p in people] == [("us", "en"), ("metric", "es"), ("us", "en")]


def test_a_curve_is_fitted_and_its_points_are_kept(example: Copy) -> None:
    clay = example.load().sites[0].material("clay")
    assert 16.0 < clay.omc_pct < 20.0
    assert 1762.0 <= clay.mdd_kg_m3 < 1775.0
    assert clay.curve_w_pct == (14.1, 16.0, 18.1, 20.0, 22.1)
    assert clay.assumed == ()


def test_clean_sand_has_full_pores_for_a_wet_edge_and_is_watered_to_half_of_its_window(example: Copy) -> None:
    sand = example.load().sites[0].material("drain_sand")
    # By hand: 95 % of 1760 is 1672 kg/m3; 100 (1/1.672 - 1/2.65) = 22.07 %, 11.07 points above optimum.
    assert (sand.window_low_pct, sand.window_high_pct) == (-3.0, pytest.approx(11.07, abs=0.01))
    assert target_w_pct(sand) == pytest.approx(11.0 + 2.0)


def test_a_binder_has_what_specifications_ask_where_the_config_says_nothing(example: Copy) -> None:
    example.edit(SITE, "[material.silty_sand.oversize]", '[material.clay.treated]\nbinder = "lime"\nnights = 3\n\n'
                 "[material.silty_sand.oversize]")  # fmt: skip
    binder = example.load().sites[0].material("clay").binder
    assert binder == replace(BINDERS["lime"], nights=3)


def test_a_method_stands_in_place_of_a_density(example: Copy) -> None:
    example.edit(SITE, "required_compaction_pct = 95           # % of the maximum dry density\n", "")
    example.edit(SITE, "[material.silty_sand.oversize]", "[material.clay.method_specification]\npasses = 8\n"
                 'layer_max_m = 0.3\nrollers = ["padfoot"]\n\n[material.silty_sand.oversize]')  # fmt: skip
    clay = example.load().sites[0].material("clay")
    assert clay.method == Method(passes=8, layer_max_m=0.3, roller_ids=("padfoot",))
    assert math.isnan(clay.required_compaction_pct)


def test_the_laboratory_s_optimum_is_kept_where_coarse_grains_are_corrected_for(example: Copy) -> None:
    site = example.load().sites[0]
    assert site.material("silty_sand").laboratory_omc_pct == 12.4
    assert site.material("clay").laboratory_omc_pct is None


def test_oversize_lowers_the_optimum_and_raises_the_maximum(example: Copy) -> None:
    sand = example.load().sites[0].material("silty_sand")
    # By hand: 0.9 * 12.4 + 0.1 * 1.5; 1 / (0.9 / 1890 + 0.1 / 2620).
    assert sand.omc_pct == pytest.approx(11.31, abs=1e-9)
    assert sand.mdd_kg_m3 == pytest.approx(1944.17, abs=0.01)


def test_a_window_as_a_ratio_becomes_points(example: Copy) -> None:
    sand = example.load().sites[0].material("silty_sand")
    assert sand.window_low_pct == pytest.approx(-0.15 * 11.31)
    assert sand.window_high_pct == pytest.approx(0.15 * 11.31)


def test_what_the_laboratory_does_not_give_comes_from_the_soil_class_and_is_marked(example: Copy) -> None:
    sand = example.load().sites[0].material("drain_sand")
    assert sand.assumed == ("specific_gravity", "theta_fc", "theta_wp")
    assert (sand.specific_gravity, sand.theta_fc, sand.theta_wp) == (2.65, 0.12, 0.045)
    assert sand.is_granular


@pytest.mark.parametrize(
    ("written", "at_utc"),
    [
        ("2026-05-11 16:30:00", datetime(2026, 5, 11, 21, 30, tzinfo=UTC)),  # summer time, UTC-5
        ("2026-01-11 16:30:00", datetime(2026, 1, 11, 22, 30, tzinfo=UTC)),  # winter time, UTC-6
        ("2026-05-11T16:30:00+02:00", datetime(2026, 5, 11, 14, 30, tzinfo=UTC)),
        ("2026-05-11T16:30:00Z", datetime(2026, 5, 11, 16, 30, tzinfo=UTC)),
        ("2025-11-02T01:30:00-06:00", datetime(2025, 11, 2, 7, 30, tzinfo=UTC)),  # the second of two
    ],
)
def test_the_time_of_a_reading_is_local_or_carries_its_offset(written: str, at_utc: datetime, example: Copy) -> None:
    example.edit(SITE, "at = 2026-05-11 16:30:00", f"at = {written}")
    reading = example.load().readings["harrow-flats"][0]
    assert (reading.strip_id, reading.at_utc) == ("N1", at_utc)


def test_a_strip_without_a_reading_has_none(example: Copy) -> None:
    example.edit(SITE, '[strip.N2.reading]\nw_pct = 14.3\nat = 2026-05-11 15:30:00\nmethod = "oven"', "")
    ids = [r.strip_id for r in example.load().readings["harrow-flats"]]
    assert len(ids) == 9
    assert "N2" not in ids


def test_two_sites_may_name_their_strips_alike(example: Copy) -> None:
    (example.folder / "sites" / "second.toml").write_text((example.folder / SITE).read_text())
    config = example.load()
    assert [site.id for site in config.sites] == ["harrow-flats", "second"]
    assert len(config.readings["second"]) == 10


def test_nothing_is_written(example: Copy) -> None:
    before = {path: path.stat().st_mtime_ns for path in example.folder.rglob("*")}
    example.load()
    assert {path: path.stat().st_mtime_ns for path in example.folder.rglob("*")} == before


def test_the_installed_words_are_enough_for_the_example(example: Copy) -> None:
    assert load(example.folder, environ={}) == load(example.folder, environ={}, vocabulary=WORDS)


# --- lines ---------------------------------------------------------------------------------------------------

TEXT = """\
a = 1
[strip.N1]
length_m = 5
[strip.N1.reading]
w_pct = 3
[[crew.a.person]]
name = "x"
[[crew.a.person]]
name = "y"
[crew.a.person.more]
b = 2
["odd name".x]
'c d' = 4
e.f = 5
"""


@pytest.mark.parametrize(
    ("loc", "line"),
    [
        (("a",), 1),
        (("strip", "N1", "length_m"), 3),
        (("strip", "N1", "missing"), 2),
        (("strip", "N1", "reading", "w_pct"), 5),
        (("strip", "N1", "reading", "missing"), 4),
        (("crew", "a", "person", 0, "name"), 7),
        (("crew", "a", "person", 1, "name"), 9),
        (("crew", "a", "person", 1, "more", "b"), 11),
        (("odd name", "x", "c d"), 13),
        (("odd name", "x", "e", "f"), 14),
        (("crew", "a"), 6),
        (("strip", "N2"), None),
        (("nowhere",), None),
    ],
)
def test_the_line_of_a_key_is_found_or_its_table(loc: tuple[str | int, ...], line: int | None) -> None:
    assert Lines(TEXT).line_of(loc) == line

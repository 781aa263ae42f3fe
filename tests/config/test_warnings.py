"""Each warning by its number: what sets it off, that its right neighbour does not, and how it is accepted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from config_copy import SITE, Copy

from gonogo.config import check_report
from gonogo.config.acceptance import judge
from gonogo.config.dated import dated_warnings
from gonogo.config.warning_numbers import BY_CALENDAR, BY_FILE, BY_STORE, WARNINGS, label, numbers_report
from gonogo.errors import Fault

GONOGO = "gonogo.toml"
NOW_UTC = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
SMTP = 'kind = "smtp"\nhost = "mail.example.com"'
COMMERCIAL = 'use = "non-commercial"'
S9 = '[strip.S9]\nname = "s1  west PLATFORM"\ncrew = "south"\nmaterial = "silty_sand"\nlength_m = 20\nwidth_m = 5\n'
S9 += 'lift_thickness_m = 0.2\ndry_density_kg_m3 = 1520\nsurface = "loose"\n'

# file, what stands in the example, what sets the warning off, and its key.
BY_ITSELF = {
    10: (GONOGO, '[[weather]]', '[watch]\nping_url_file = "open.txt"\n[[weather]]', "watch.ping_url_file"),
    11: (GONOGO, '"sqlite:///gonogo.sqlite3"', '"sqlite:///open.sqlite3"', "store.url"),
    12: (GONOGO, COMMERCIAL, 'use = "commercial"', "weather.0.service"),
    13: (GONOGO, 'kind = "folder"\nfolder = "mails"                       # starts at this folder', SMTP, "operator"),
    20: (SITE, 'mail_at = "05:30"', 'mail_at = "07:30"', "site.mail_at"),
    21: (SITE, "mixing_depth_m = 0.30 ", "mixing_depth_m = 0.25 ", "strip.S4.lift_thickness_m"),
    22: (SITE, "[crew.south]", '[crew.idle]\nname = "Idle"\nroller = "smooth"\n[[crew.idle.person]]\nname = "A"\n'
        'address = "a@example.com"\nrole = "superintendent"\n[crew.south]', "crew.idle"),
    23: (SITE, 'truck = "small"', "", "crew.south.truck"),
    24: (SITE, "lifts = 2", "lifts = 1", "strip.N1.following_lift_thickness_m"),
    25: (SITE, "following_lift_thickness_m = 0.25", "following_lift_thickness_m = 0.4",
        "strip.N1.following_lift_thickness_m"),
    27: (SITE, 'truck = "small"', 'truck = "big"', "truck.small"),
    28: (SITE, "[strip.S2]", f"{S9}[strip.S2]", "strip.S9.name"),
    29: (SITE, 'role = "superintendent"                # superintendent, driver or planner: who gets which mail',
        'role = "driver"', "crew.north"),
    30: (SITE, "[1668, 1730, 1762, 1739, 1672]", "[1668, 1762, 1730, 1739, 1672]", "material.clay.curve_w_pct"),
    31: (SITE, 'material = "drain_sand"', 'material = "silty_sand"', "material.drain_sand"),
    32: (SITE, "dry_density_kg_m3 = 1400", "dry_density_kg_m3 = 1680", "strip.N1.dry_density_kg_m3"),
    33: (SITE, "flow_litres_min = 900", "flow_litres_min = 25", "truck.big.flow_litres_min"),
    34: (SITE, "w_pct = 24.0", "w_pct = 29.0", "strip.N3.reading.w_pct"),
}  # fmt: skip

# Edits of the site's file, and the key.
BY_DATE_AND_PLACE = {
    40: [("longitude_deg = -94.368", "longitude_deg = -71.5")],
    41: [("latitude_deg = 42.137", "latitude_deg = 32.5"), ("longitude_deg = -94.368", "longitude_deg = -61.5"),
        ('"America/Chicago"', '"America/Argentina/Cordoba"')],
    42: [("latitude_deg = 42.137", "latitude_deg = 27.0"), ("longitude_deg = -94.368", "longitude_deg = -92.0")],
    50: [("at = 2026-05-11 16:30:00", "at = 2027-05-11 16:30:00")],
    51: [("at = 2026-05-11 16:30:00", "at = 2025-07-11 16:30:00")],
    52: [("finish_by = 2026-05-20", "finish_by = 2026-05-11")],
    53: [("holidays = [2026-05-25, 2026-07-03]",
        "holidays = [2026-05-12, 2026-05-13, 2026-05-14, 2026-05-15, 2026-05-16, 2026-05-18]")],
    54: [("holidays = [2026-05-25, 2026-07-03]", "holidays = [2026-05-18]"),
        ('address = "north.driver@example.com"', 'address = "north.driver@example.com"\nmail_days = ["mon"]')],
}  # fmt: skip
KEYS = {40: "site.zone", 41: "site.latitude_deg", 42: "site.latitude_deg", 50: "strip.N1.reading.at",
    51: "strip.N1.reading.at", 52: "strip.N1.finish_by", 53: "site.holidays",
    54: "crew.north.person.1.mail_days"}  # fmt: skip
ELSEWHERE = {1, 35, 43, *BY_STORE}  # below, in test_lists.py, and in tests/cli/test_checking.py


@pytest.mark.parametrize("number", BY_ITSELF)
def test_a_file_sets_its_warning_off(number: int, example: Copy) -> None:
    for name in ("open.txt", "open.sqlite3"):
        (example.folder / name).write_text("https://watch.example.com/gonogo")
        (example.folder / name).chmod(0o644)
    file, old, new, key = BY_ITSELF[number]
    assert number not in {w.number for w in example.load().warnings}
    example.edit(file, old, new)
    found = [w for w in example.load().warnings if w.number == number]
    (first,) = (w for w in found if w.key == key)
    assert file in first.place
    assert all(w.wrong and w.right for w in found)


@pytest.mark.parametrize("number", BY_DATE_AND_PLACE)
def test_day_and_place_set_their_warning_off(number: int, example: Copy) -> None:
    assert dated_warnings(example.load(), now_utc=NOW_UTC) == ()
    for old, new in BY_DATE_AND_PLACE[number]:
        example.edit(SITE, old, new)
    found = dated_warnings(example.load(), now_utc=NOW_UTC)
    assert [(w.number, w.key) for w in found] == [(number, KEYS[number])]
    assert SITE in found[0].place


def test_every_number_is_set_off_by_a_test() -> None:
    assert {*BY_ITSELF, *BY_DATE_AND_PLACE, *ELSEWHERE} == set(WARNINGS)
    assert BY_FILE | BY_CALENDAR | BY_STORE == set(WARNINGS)
    assert numbers_report().count("W") == len(WARNINGS)


def test_the_zone_of_the_demo_at_56_west_is_warned_of(example: Copy) -> None:
    example.edit(SITE, "latitude_deg = 42.137", "latitude_deg = -32.4")
    example.edit(SITE, "longitude_deg = -94.368", "longitude_deg = -56.0")
    (warning,) = dated_warnings(example.load(), now_utc=NOW_UTC)
    assert (warning.number, warning.key) == (40, "site.zone")
    assert "America/Montevideo" in warning.right


def test_a_site_far_from_all_others_is_warned_of(example: Copy) -> None:
    text = (example.folder / SITE).read_text(encoding="utf-8")
    far = text.replace("latitude_deg = 42.137", "latitude_deg = 31.0")
    (example.folder / "sites" / "other.toml").write_text(far, encoding="utf-8")
    found = dated_warnings(example.load(), now_utc=NOW_UTC)
    assert {w.number for w in found} == {43}
    assert len(found) == 2
    near = text.replace("latitude_deg = 42.137", "latitude_deg = 41.0")
    (example.folder / "sites" / "other.toml").write_text(near, encoding="utf-8")
    assert dated_warnings(example.load(), now_utc=NOW_UTC) == ()


def test_an_old_test_in_the_file_does_no_harm_once_a_newer_one_is_recorded(example: Copy) -> None:
    example.edit(SITE, "at = 2026-05-11 16:30:00", "at = 2025-07-11 16:30:00")
    newest = {("harrow-flats", "N1"): NOW_UTC - timedelta(hours=2)}
    assert dated_warnings(example.load(), now_utc=NOW_UTC, newest_test_utc=newest) == ()


def test_an_accepted_warning_stands_with_its_reason_and_no_longer_as_a_warning(example: Copy) -> None:
    example.edit(SITE, "w_pct = 24.0", "w_pct = 29.0")
    example.add(SITE, '[accepted_warnings]\n"W34 strip.N3.reading.w_pct" = "it is drained first"')
    config = example.load()
    judged = judge(config.acceptances, config.warnings)
    assert judged.standing == ()
    assert [w.number for w, _ in judged.accepted] == [34]
    text = check_report(config)
    assert "Warnings: none" in text
    assert "W34 strip.N3.reading.w_pct: it is drained first" in text


def test_a_number_alone_accepts_all_of_its_kind_in_its_own_file(example: Copy) -> None:
    example.edit(SITE, "w_pct = 24.0", "w_pct = 29.0")
    example.edit(SITE, "w_pct = 18.9", "w_pct = 5.0")
    example.add(GONOGO, '[accepted_warnings]\nW34 = "another file"')
    config = example.load()
    assert {w.number for w in judge(config.acceptances, config.warnings).standing} == {1, 34}
    example.add(SITE, '[accepted_warnings]\nW34 = "both are known"')
    config = example.load()
    assert {w.number for w in judge(config.acceptances, config.warnings).standing} == {1}


def test_an_acceptance_that_nothing_answers_to_is_said_where_it_was_looked_for(example: Copy) -> None:
    example.add(SITE, '[accepted_warnings]\n"W34 strip.N3.reading.w_pct" = "it was"\n"W52" = "agreed"')
    config = example.load()
    (idle,) = judge(config.acceptances, config.warnings).standing
    assert idle.number == 1
    assert idle.key.endswith("W34 strip.N3.reading.w_pct")
    assert int(idle.place.rpartition(":")[2]) > 300
    more = judge(config.acceptances, config.warnings, looked_for=BY_FILE | BY_CALENDAR).standing
    assert len(more) == 2


@pytest.mark.parametrize("entry", ['W99 = "x"', 'W34 = ""', "W34 = 3", '"34 strip.N1" = "x"', 'W01 = "x"'])
def test_an_acceptance_that_cannot_be_is_a_fault(entry: str, example: Copy) -> None:
    example.add(SITE, f"[accepted_warnings]\n{entry}")
    (fault,) = example.faults()
    assert fault.key.startswith("accepted_warnings.")
    assert fault.right


def test_many_alike_are_said_once_with_every_key(example: Copy) -> None:
    config = example.load()
    later = dated_warnings(config, now_utc=NOW_UTC + timedelta(days=100))
    text = " ".join(check_report(config, later).split())
    assert text.count("weather is known for 14 days back") == 1
    assert all(f"strip.{strip.id}.reading.at" in text for strip in config.sites[0].strips)


def test_a_warning_is_printed_with_its_number() -> None:
    warning = Fault(place="a.toml:3", key="b", value="", wrong="is odd.", right="Look.", number=7)
    assert label(warning.number) == "W07"
    assert str(warning) == "a.toml:3: b: is odd. Look."

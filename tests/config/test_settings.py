"""The table of adjustable numbers is whole, and merges default, operator and site in that order."""

from __future__ import annotations

import pytest
from config_copy import SITE, Copy

from gonogo.config import setting_rows, settings_in_force, settings_report
from gonogo.config.settings import ORDERED

SITE_ID = "harrow-flats"


@pytest.mark.parametrize("name", setting_rows())
def test_a_setting_has_unit_range_source_and_help_and_lies_in_its_range(name: str) -> None:
    row = setting_rows()[name]
    assert row.unit
    assert row.min < row.max
    assert row.min <= row.value <= row.max
    assert len(row.source) > 10
    assert len(row.help) > 20
    assert name == name.lower()


def test_defaults_keep_the_order_that_is_asked_of_settings() -> None:
    rows = setting_rows()
    for low, high in ORDERED:
        assert rows[low].value < rows[high].value


def test_the_site_wins_over_the_operator_and_the_operator_over_the_default(example: Copy) -> None:
    example.edit("gonogo.toml", "compact_chance_min = 0.7", "compact_chance_min = 0.75\nwind_stop_m_s = 12")
    example.edit(SITE, "reading_max_age_h = 48", "compact_chance_min = 0.8")
    config = example.load()
    values, origins = config.settings[SITE_ID], config.setting_origin[SITE_ID]
    assert (values["compact_chance_min"], origins["compact_chance_min"]) == (0.8, "site")
    assert (values["wind_stop_m_s"], origins["wind_stop_m_s"]) == (12.0, "operator")
    default = setting_rows()["reading_max_age_h"].value
    assert (values["reading_max_age_h"], origins["reading_max_age_h"]) == (default, "default")
    assert set(values) == set(setting_rows()) == set(origins)


def test_an_operator_setting_is_accepted_from_the_operator(example: Copy) -> None:
    example.edit("gonogo.toml", "compact_chance_min = 0.7", "ensemble_members = 60")
    assert example.load().settings[SITE_ID]["ensemble_members"] == 60.0


def test_yes_and_no_become_numbers(example: Copy) -> None:
    example.edit(SITE, "reading_max_age_h = 48", "needs_daylight = false")
    assert example.load().settings[SITE_ID]["needs_daylight"] == 0.0


def test_settings_that_are_no_table_are_refused(example: Copy) -> None:
    example.edit("gonogo.toml", 'use = "non-commercial"', 'use = "non-commercial"\nsettings = 3')
    example.edit("gonogo.toml", "[settings]\ncompact_chance_min = 0.7", "")
    assert [c.key for c in example.faults()] == ["settings"]


def test_the_report_shows_each_setting_with_its_value_range_origin_source_and_help(example: Copy) -> None:
    example.edit(SITE, "reading_max_age_h = 48", "reading_max_age_h = 36\nneeds_daylight = false")
    config = example.load()
    text = settings_report(config, SITE_ID)
    flat = " ".join(text.split())
    assert "reading_max_age_h = 36 h (site; 6 to 240 h; site or operator may change it)" in flat
    assert "needs_daylight = false (site; true or false;" in flat
    assert "ensemble_members = 50 count (default; 10 to 500 count; operator may change it)" in flat
    for setting in settings_in_force(config, SITE_ID):
        assert setting.name in text
        assert " ".join(setting.row.help.split()) in flat
        assert " ".join(setting.row.source.split()) in flat


def test_the_report_without_a_config_shows_the_defaults() -> None:
    text = settings_report(None)
    assert text.startswith("Defaults")
    assert "(operator;" not in text
    assert all(name in text for name in setting_rows())


def test_the_report_refuses_an_unknown_site(example: Copy) -> None:
    with pytest.raises(KeyError):
        settings_report(example.load(), "elsewhere")

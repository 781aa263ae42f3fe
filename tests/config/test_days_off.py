"""Public holidays, dates worked all the same, times of standing still and a site's end, as a site's file says them."""

from __future__ import annotations

import importlib.util
from datetime import date

import pytest
from config_copy import SITE, Copy

from gonogo.config import check_report
from gonogo.records.site import Stop

TYPED = "holidays = [2026-05-25, 2026-07-03]"
STOP = '[[site.stop]]\nfirst_day = 2026-12-21\nlast_day = 2027-01-08\nreason = "winter break"\n'
MATERIALS = '[material.clay]\nname = "Grey lean clay"'

# What stands behind the typed holidays, key of the fault, words of "wrong" and "right".
FAULTS = {
    "no such country": ('holiday_country = "USA"', "site.holiday_country", "no country", "ISO 3166"),
    "country in small letters": ('holiday_country = "us"', "site.holiday_country", "no country", '"US"'),
    "no such state": (
        'holiday_country = "US"\nholiday_state = "Iowa"',
        "site.holiday_state",
        "no part of US",
        'Did you mean "IA"?',
    ),
    "no state at all": (
        'holiday_country = "US"\nholiday_state = "Harrow"',
        "site.holiday_state",
        "no part of US",
        "Write one of: AK",
    ),
    "state alone": ('holiday_state = "IA"', "site.holiday_state", "without site.holiday_country", "country"),
    "a date both off and worked": (
        "working_dates = [2026-07-03]",
        "site.working_dates.0",
        "among site.holidays",
        "Delete",
    ),
    "an end of another century": ("ends_on = 1926-05-01", "site.ends_on", "century", "2026"),
    "an end that is text": ('ends_on = "30/11/2026"', "site.ends_on", "date in another order", "2026-11-30"),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_names_key_and_remedy(case: str, example: Copy) -> None:
    lines, key, wrong, right = FAULTS[case]
    example.edit(SITE, TYPED, f"{TYPED}\n{lines}")
    fault = next(f for f in example.faults() if f.key == key)
    assert wrong in fault.wrong
    assert right in fault.right


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong"),
    [
        ("last_day = 2027-01-08", "last_day = 2026-01-08", "site.stop.0.last_day", "before first_day"),
        ("last_day = 2027-01-08\n", "", "site.stop.0.last_day", "missing"),
        ("reason =", "why =", "site.stop.0.why", "no key"),
    ],
)
def test_a_stop_that_cannot_be_is_refused(old: str, new: str, key: str, wrong: str, example: Copy) -> None:
    example.edit(SITE, MATERIALS, STOP.replace(old, new) + MATERIALS)
    assert [(f.key, wrong in f.wrong) for f in example.faults()] == [(key, True)]


def test_what_a_file_says_of_days_off_stands_in_the_site_and_in_the_report(example: Copy) -> None:
    calendar = 'holiday_country = "US"\nholiday_state = "IA"\nworking_dates = [2026-05-30]\nends_on = 2027-11-30'
    example.edit(SITE, TYPED, f"{TYPED}\n{calendar}")
    example.edit(SITE, MATERIALS, STOP + MATERIALS)
    config = example.load()
    site = config.sites[0]
    assert (site.holiday_country, site.holiday_state) == ("US", "IA")
    assert site.stops == (Stop(first_day=date(2026, 12, 21), last_day=date(2027, 1, 8), reason="winter break"),)
    report = check_report(config)
    for said in (
        "2 typed holidays, public holidays of US-IA, 1 date worked all the same",
        "Stands still: 2026-12-21 to 2027-01-08 (winter break)",
        "Ends on 2027-11-30: no mails after it",
    ):
        assert said in report


def test_a_calendar_without_its_library_says_what_to_install(example: Copy, monkeypatch: pytest.MonkeyPatch) -> None:
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "holidays" else found(name))
    example.edit(SITE, TYPED, f'{TYPED}\nholiday_country = "US"')
    (fault,) = example.faults()
    assert "library holidays" in fault.wrong
    assert 'pip install "gonogo[holidays]"' in fault.right

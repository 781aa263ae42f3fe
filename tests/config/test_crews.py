"""Unlike machines of a crew, days away, and the mails that a person wants, as a site's file says them."""

from __future__ import annotations

from datetime import date, time

import pytest
from config_copy import SITE, Copy

ROLLER = 'roller = "padfoot"\ntruck = "big"'
BIG = 'name = "Big water truck"'
DRIVER = 'address = "north.driver@example.com"\nrole = "driver"'

# what stands in the example, what in its place, key of the fault, words of "wrong" and "right"
FAULTS = {
    "neither roller nor rollers": (ROLLER, 'truck = "big"', "crew.north.roller", "missing", "rollers"),
    "roller beside rollers": (ROLLER, f'{ROLLER}\nrollers = ["smooth"]', "crew.north.rollers", "beside", "Put all"),
    "truck beside trucks": (ROLLER, f'{ROLLER}\ntrucks = ["small"]', "crew.north.trucks", "beside", "Put all"),
    "no such truck": ('truck = "big" ', 'trucks = ["big", "smal"] ', "crew.north.trucks.1", "no truck", '"small"'),
    "a roller twice": (
        'roller = "padfoot"\n',
        'rollers = ["padfoot", "padfoot"]\n',
        "crew.north.rollers.1",
        "twice",
        "count",
    ),
    "no trucks": ('truck = "big" ', "trucks = [] ", "crew.north.trucks", "too few", "tanker"),
    "a padded sealing roller": (
        'roller = "padfoot"\n',
        'roller = "padfoot"\nsealing_roller = "padfoot"\n',
        "crew.north.sealing_roller",
        "padded drum",
        "smooth",
    ),
    "no sealing roller": (
        'roller = "padfoot"\n',
        'roller = "padfoot"\nsealing_roller = "smoth"\n',
        "crew.north.sealing_roller",
        "no roller",
        '"smooth"',
    ),
    "away in no year": (BIG, f"{BIG}\naway = [1926-05-14]", "truck.big.away.0", "century", "2026"),
    "away in quotes": (BIG, f'{BIG}\naway = ["14/05/2026"]', "truck.big.away.0", "begins with the year", "2026-05-14"),
    "another crew's truck": (DRIVER, f'{DRIVER}\ntruck = "small"', "crew.north.person.1.truck", "no truck", "big"),
    "a planner's truck": (
        'role = "superintendent" ',
        'role = "superintendent"\ntruck = "big" ',
        "crew.north.person.0.truck",
        "driver",
        "Delete",
    ),
    "the same address twice": (
        DRIVER,
        f'{DRIVER}\nsecond_address = "North.Driver@example.com"',
        "crew.north.person.1.second_address",
        "itself",
        "another",
    ),
    "days off alone": (DRIVER, f'{DRIVER}\nmail_days = ["sun"]', "crew.north.person.1.mail_days", "no mail", "mon"),
    "no such mail": (DRIVER, f'{DRIVER}\nmails = ["evening"]', "crew.north.person.1.mails.0", "known", "morning"),
    "quiet without end": (
        DRIVER,
        f'{DRIVER}\nquiet_from = "19:00"',
        "crew.north.person.1.quiet_until",
        "missing",
        "05",
    ),
    "quiet for no time": (
        DRIVER,
        f'{DRIVER}\nquiet_from = "19:00"\nquiet_until = "19:00"',
        "crew.north.person.1.quiet_until",
        "equals",
        "again",
    ),
    "quiet past the deadline": (
        DRIVER,
        f'{DRIVER}\nquiet_from = "19:00"\nquiet_until = "09:30"',
        "crew.north.person.1.quiet_until",
        "site.deadline = 09:00",
        "before",
    ),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_names_key_and_remedy(case: str, example: Copy) -> None:
    old, new, key, wrong, right = FAULTS[case]
    example.edit(SITE, old, new)
    faults = example.faults()
    hits = [fault for fault in faults if fault.key == key]
    assert hits, [str(fault) for fault in faults]
    assert any(wrong in fault.wrong and right in fault.right for fault in hits), [str(fault) for fault in hits]


def test_machines_and_wishes_stand_in_the_site(example: Copy) -> None:
    example.edit(SITE, ROLLER, 'rollers = ["padfoot", "smooth"]\nsealing_roller = "smooth"\ntrucks = ["big", "small"]')
    example.edit(SITE, BIG, f"{BIG}\naway = [2026-05-14]")
    wishes = (
        'truck = "small"\nsecond_address = "sam@example.org"\nmail_days = ["wed", "mon"]\nmails = ["morning"]\n'
        'only_changes = true\nquiet_from = "19:00"\nquiet_until = "05:00"'
    )
    example.edit(SITE, DRIVER, f"{DRIVER}\n{wishes}")
    crew = example.load().sites[0].crew("north")
    assert [machine.id for machine in (*crew.rollers, *crew.trucks)] == ["padfoot", "smooth", "big", "small"]
    assert crew.sealing_roller is not None
    assert crew.sealing_roller.id == "smooth"
    assert crew.truck is not None
    assert crew.truck.away == (date(2026, 5, 14),)
    driver, second = crew.recipients[1], crew.recipients[3]
    assert (driver.truck_id, driver.mail_days, driver.mails) == ("small", (0, 2), ("morning",))
    assert (driver.only_changes, driver.quiet) == (True, (time(19), time(5)))
    assert second.address == "sam@example.org"
    assert (second.name, second.mail_days) == (driver.name, driver.mail_days)

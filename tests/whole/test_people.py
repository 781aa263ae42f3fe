"""Who gets which mail of a morning: drivers of unlike trucks, people of several crews, wishes, a second address."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from functools import cache

import pytest
from example_mornings import concluded_example, example_config, example_frame, plain_of

from gonogo.config import Config
from gonogo.decide.conclusion import Conclusion
from gonogo.morning.previous import _with_partners
from gonogo.outgoing import mails
from gonogo.records.site import Crew, Recipient, Site
from gonogo.store.queued import Envelope


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return example_config(tmp_path_factory.mktemp("people"))


@cache
def came(loaded_id: int, site: Site) -> Conclusion:
    """What a site comes to: its machines matter, its people do not."""
    return concluded_example(replace(KNOWN[loaded_id], sites=(site,)))


KNOWN: dict[int, Config] = {}


def sent(loaded: Config, *people: tuple[str, Recipient], **machines: object) -> list[Envelope]:
    """The mails of the example's morning to people of its crews alone; machines: fields of the south crew."""
    site = loaded.sites[0]

    def crew(its: Crew) -> Crew:
        changed = replace(its, **(machines if its.id == "south" else {}), recipients=())
        return replace(changed, recipients=tuple(person for crew_id, person in people if crew_id == its.id))

    empty = replace(site, crews=tuple(replace(crew(c), recipients=()) for c in site.crews))
    KNOWN[id(loaded)] = loaded
    conclusion = came(id(loaded), empty)
    full = replace(site, crews=tuple(crew(c) for c in site.crews))
    frame = example_frame(replace(loaded, sites=(full,)), None, keeps=False)  # type: ignore[arg-type]
    made, faults = mails.mails(frame, conclusion, before={})
    assert faults == ()
    return list(made)


def person(address: str, role: str = "superintendent", **changes: object) -> Recipient:
    return Recipient(**({"name": address.split("@")[0], "address": address, "role": role} | changes))


def test_each_driver_of_unlike_trucks_has_the_cards_of_his_own_truck(loaded: Config) -> None:
    big = loaded.sites[0].crew("north").truck
    assert big is not None
    small = loaded.sites[0].crew("south").truck
    drivers = [("south", person(f"{name}@example.com", "driver", truck_id=name)) for name in ("big", "small")]
    mixed = ("south", person("both@example.com", "driver"))
    made = sent(loaded, *drivers, mixed, truck=small, more_trucks=(big,))
    texts = {mail.name: plain_of(mail) for mail in made}
    strips = ("S3 East platform", "S4 Drainage blanket")
    one = {name: [strip for strip in strips if strip in texts[name]] for name in ("big", "small")}
    assert one["big"]
    assert one["small"]
    assert sorted(one["big"] + one["small"]) == sorted(strips)
    assert all(strip in texts["both"] for strip in strips)
    assert "Big water truck, 15,000 L a load." in texts["big"]
    assert "Small water truck" not in texts["big"]
    assert "Big water truck" in texts["both"]
    assert "Small water truck" in texts["both"]


def test_a_person_of_several_crews_gets_one_mail_with_the_strips_of_all(loaded: Config) -> None:
    made = sent(
        loaded,
        ("north", person("both@example.com")),
        ("south", person("Both@example.com")),
        ("south", person("one@example.com")),
    )
    assert sorted(mail.address.lower() for mail in made) == ["both@example.com", "one@example.com"]
    text = plain_of(next(mail for mail in made if mail.name == "both"))
    assert all(name in text for name in ("N1 Ramp toe", "S1 West platform"))
    assert "North crew, South crew" in text
    assert "N1 Ramp toe" not in plain_of(next(mail for mail in made if mail.name == "one"))


def test_wishes_are_heeded_when_mails_are_made(loaded: Config) -> None:
    made = sent(
        loaded,
        ("north", person("all@example.com")),
        ("north", person("monday@example.com", mail_days=(0,))),  # the morning is a Tuesday
        ("north", person("later@example.com", mails=("recheck",))),
        ("north", person("changes@example.com", only_changes=True)),  # there is nothing to compare with
        ("north", person("late@example.com", quiet=(time(19), time(6)))),
    )
    by_name = {mail.name: mail for mail in made}
    assert set(by_name) == {"all", "changes", "late"}
    assert by_name["all"].send_utc is None
    assert f"{by_name['late'].send_utc:%H:%M}" == "11:00"  # six o'clock on site


def test_a_crew_that_was_mailed_under_anothers_name_was_mailed(loaded: Config) -> None:
    site = loaded.sites[0]
    at_utc = example_frame(loaded, None).now_utc  # type: ignore[arg-type]
    assert _with_partners(site, {"north": (7, at_utc)}) == {"north": (7, at_utc), "south": (7, at_utc)}  # one planner
    alone = tuple(replace(c, recipients=(person(f"{c.id}@example.com"),)) for c in site.crews)
    assert _with_partners(replace(site, crews=alone), {"north": (7, at_utc)}) == {"north": (7, at_utc)}

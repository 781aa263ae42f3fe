"""Crews of a site's file: which machines they have and when these are away, and which mails their people want."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, time
from typing import Any, cast

from gonogo.config.crew_tables import CrewTable, PersonTable, RollerTable, TruckTable
from gonogo.config.lines import Loc
from gonogo.config.table import DAYS
from gonogo.config.tables import SiteTable
from gonogo.config.toml_file import ConfigFile
from gonogo.config.usual import roller_values, truck_values
from gonogo.config.values import choose_from
from gonogo.records.ranges import FIRST_YEAR, LAST_YEAR
from gonogo.records.site import Crew, Drum, Recipient, Roller, Truck

_LISTS = {"roller": "rollers", "truck": "trucks"}


def check_crews(
    file: ConfigFile, crews: Mapping[str, CrewTable], machines: Mapping[str, Mapping[str, Any]], head: SiteTable | None
) -> None:
    """Add a fault for machines that no table describes or that stand twice, and for mails that could never come.

    machines   the file's tables of "roller" and of "truck" by id, None for one with a fault
    """
    for section, tables in machines.items():
        for name, table in tables.items():
            for n, day in enumerate(table.away if table is not None else ()):
                _check_year(file, (section, name, "away", n), day)
    for crew_id, crew in crews.items():
        loc: Loc = ("crew", crew_id)
        for key in _LISTS:
            _check_machines(file, loc, key, crew, tuple(machines[key]))
        if crew.roller is None and crew.rollers is None:
            right = 'Write, for example, roller = "padfoot", or rollers = ["padfoot", "smooth"].'
            file.add_fault((*loc, "roller"), "is missing.", right)
        _check_sealing(file, loc, crew, machines["roller"])
        for n, person in enumerate(crew.person):
            _check_person(file, (*loc, "person", n), person, crew)
            if head is not None:
                _check_mails(file, (*loc, "person", n), person, head)


def _check_year(file: ConfigFile, loc: Loc, day: date) -> None:
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        file.add_fault(loc, "lies in no year of this century.", "Write, for example, 2026-05-25.")


def _check_machines(file: ConfigFile, loc: Loc, key: str, crew: CrewTable, known: Sequence[str]) -> None:
    """Add a fault for a list beside a single machine, for a name of none, and for one that stands twice."""
    listed = getattr(crew, _LISTS[key])
    if listed is None:
        return
    if getattr(crew, key) is not None:
        file.add_fault((*loc, _LISTS[key]), f"stands beside {key}.", f"Put all of them into {_LISTS[key]}.")
    for n, name in enumerate(listed):
        if name not in known:
            file.add_fault((*loc, _LISTS[key], n), f"is no {key} of this file.", choose_from(name, known))
        elif name in listed[:n]:
            right = f"Delete it; where there are several of one kind, write count in [{key}.{name}]."
            file.add_fault((*loc, _LISTS[key], n), "stands there twice.", right)


def _check_sealing(file: ConfigFile, loc: Loc, crew: CrewTable, rollers: Mapping[str, RollerTable | None]) -> None:
    name = crew.sealing_roller
    if name is None:
        return
    if name not in rollers:
        wrong, right = "is no roller of this file.", choose_from(name, list(rollers))
        file.add_fault((*loc, "sealing_roller"), wrong, right)
    elif (table := rollers[name]) is not None and table.drum == "padded":
        wrong = "has a padded drum: what it rolls takes in rain."
        file.add_fault((*loc, "sealing_roller"), wrong, "Name a smooth or pneumatic roller, or leave it out.")


def _check_person(file: ConfigFile, loc: Loc, person: PersonTable, crew: CrewTable) -> None:
    """Add a fault for a truck that the crew does not have, and for a second address equal to the first."""
    own = crew.trucks or ([crew.truck] if crew.truck else [])
    if person.truck is not None and person.truck not in own:
        right = choose_from(person.truck, own) if own else "Give the crew a truck, or leave it out."
        file.add_fault((*loc, "truck"), "is no truck of this crew.", right)
    if person.truck is not None and person.role != "driver":
        file.add_fault((*loc, "truck"), 'has a meaning for role = "driver" alone.', "Delete it.")
    if person.second_address is not None and person.second_address.lower() == person.address.lower():
        file.add_fault((*loc, "second_address"), "is the address itself.", "Write another one, or leave it out.")


def _check_mails(file: ConfigFile, loc: Loc, person: PersonTable, head: SiteTable) -> None:
    """Add a fault for a person whose wishes leave no mail, or keep the morning's back until it is of no use."""
    if person.mail_days is not None and not head.working_dates and not set(person.mail_days) & set(head.working_days):
        wrong = "names no day on which the site works: that person would get no mail."
        file.add_fault((*loc, "mail_days"), wrong, f"Choose from {', '.join(head.working_days)}, or leave it out.")
    start, end = person.quiet_from, person.quiet_until
    if (start is None) != (end is None):
        missing = "quiet_from" if start is None else "quiet_until"
        file.add_fault((*loc, missing), "is missing.", 'Write both, for example quiet_from = "19:00" with "05:00".')
    elif start is not None and end is not None:
        if start == end:
            file.add_fault((*loc, "quiet_until"), "equals quiet_from.", "Write when mails may come again.")
        elif is_quiet(head.mail_at, start, end) and is_quiet(head.deadline, start, end):
            wrong = f"keeps the morning's mail back until after site.deadline = {head.deadline:%H:%M}."
            file.add_fault((*loc, "quiet_until"), wrong, "End the quiet hours before the deadline.")


def is_quiet(at: time, start: time, end: time) -> bool:
    """Return whether a time of day lies in quiet hours, which may pass midnight; their end is none of them."""
    return start <= at < end if start < end else at >= start or at < end


def read_crew(crew_id: str, table: CrewTable, rollers: Mapping[str, Roller], trucks: Mapping[str, Truck]) -> Crew:
    """Return a crew from its table; all names in it are known."""
    own_rollers = [rollers[name] for name in table.rollers or [cast(str, table.roller)]]
    own_trucks = [trucks[name] for name in table.trucks or ([table.truck] if table.truck else [])]
    people = [_person(person, table) for person in table.person]
    return Crew(
        id=crew_id,
        name=table.name,
        roller=own_rollers[0],
        more_rollers=tuple(own_rollers[1:]),
        sealing_roller=rollers[table.sealing_roller] if table.sealing_roller else None,
        truck=own_trucks[0] if own_trucks else None,
        more_trucks=tuple(own_trucks[1:]),
        recipients=(*people, *_at_second_addresses(table, people)),
    )


def _at_second_addresses(table: CrewTable, people: Sequence[Recipient]) -> Iterator[Recipient]:
    """Yield the people once more who want their mails at a second address too."""
    for person, recipient in zip(table.person, people, strict=True):
        if person.second_address is not None:
            fields = {name: getattr(recipient, name) for name in Recipient.__dataclass_fields__}
            yield Recipient(**fields | {"address": person.second_address})


def _person(person: PersonTable, crew: CrewTable) -> Recipient:
    quiet = None
    if person.quiet_from is not None and person.quiet_until is not None:
        quiet = (person.quiet_from, person.quiet_until)
    return Recipient(
        name=person.name,
        address=person.address,
        role=person.role,
        units=person.units or crew.units,
        language=person.language or crew.language,
        score_mail=person.score_mail,
        truck_id=person.truck or "",
        mail_days=None if person.mail_days is None else tuple(sorted({DAYS.index(day) for day in person.mail_days})),
        mails=tuple(person.mails or ("morning", "recheck")),
        only_changes=person.only_changes,
        quiet=quiet,
    )


def read_roller(roller_id: str, table: RollerTable) -> Roller:
    """Return a roller from its table, with what is left out as it usually is."""
    return Roller(id=roller_id, **roller_values(table) | {"drum": Drum(table.drum), "away": tuple(table.away)})


def read_truck(truck_id: str, table: TruckTable) -> Truck:
    """Return a water truck from its table, with what is left out as it usually is."""
    return Truck(id=truck_id, **truck_values(table) | {"away": tuple(table.away)})

"""The questions of `gonogo new` about machines, crews and strips: one thing after the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gonogo.cli import new_parsers as parsers
from gonogo.cli.new_questions import Asker
from gonogo.config.lists import MACHINES, PEOPLE, STRIPS
from gonogo.config.new_site import NewCrew
from gonogo.errors import ConfigError, Fault

ROLES = (("superintendent", "Superintendent"), ("driver", "Water-truck driver"), ("planner", "Planner"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What options said, "" where one was left out, and the lists that were named, by list name."""

    name: str = ""
    place: str = ""
    zone: str = ""
    elevation: str = ""
    units: str = ""
    language: str = ""
    use: str = ""
    operator: str = ""
    shift: str = ""
    days: str = ""
    mixing_depth: str = ""
    crews: tuple[str, ...] = ()
    lists: Mapping[str, Path] = field(default_factory=dict)


def ids(lists: Mapping[str, list[dict[str, str]]], name: str, column: str) -> list[str]:
    return list(dict.fromkeys(row[column] for row in lists.get(name, ()) if row.get(column)))


def each(asker: Asker, what: str, known: Sequence[str], option: str) -> Iterator[tuple[str, str]]:
    """Yield (id, name) of things to be asked about: of each id that a list names, else of as many as there are."""
    if known:
        for own_id in known:
            called = asker.ask(f"Name of {what} {own_id}", parsers.name, key=option, example=own_id, default=own_id)
            yield own_id, called
        return
    taken: list[str] = []
    while True:
        text = f"Name of {'another' if taken else 'the first'} {what}{', nothing for no more' if taken else ''}"
        default = "" if taken else None
        called = asker.ask(text, _or_nothing(parsers.name), key=option, example=what, default=default)
        if not called:
            return
        taken.append(parsers.id_of(called, taken))
        yield taken[-1], called


def _or_nothing(parse: Callable[[str], str]) -> Callable[[str], str]:
    return lambda text: parse(text) if text.strip() else ""


def machines(
    asker: Asker, lists: Mapping[str, list[dict[str, str]]], system: str
) -> tuple[dict[str, dict[str, Any]], dict[str, dict[str, Any]]]:
    """Return rollers and trucks by id; those of a list without their keys."""
    if MACHINES in lists:
        kinds = {row.get("id", ""): row.get("kind", "").casefold() for row in lists[MACHINES]}
        return {i: {} for i, kind in kinds.items() if kind == "roller"}, {
            i: {} for i, kind in kinds.items() if kind == "truck"
        }
    rollers, trucks = {}, {}
    for own_id, called in each(asker, "roller", (), "--machines"):
        drum = asker.ask(
            f"{called}: drum, smooth, padded or pneumatic", parsers.one_of(("smooth", "padded", "pneumatic")),
            key="--machines", example="padded",
        )  # fmt: skip
        passes = asker.ask(
            f"{called}: passes that a lift needs, nothing where nobody knows yet", parsers.passes_or_nothing,
            key="--machines", example="6", default="",
        )  # fmt: skip
        rollers[own_id] = {"name": called, "drum": drum, **passes}
    for own_id, called in _trucks(asker):
        tank = asker.ask(
            f"{called}: tank, {parsers.usual_unit('litres', system)}",
            parsers.quantity("litres", "tank_litres", system), key="--machines", example="10000",
        )  # fmt: skip
        trucks[own_id] = {"name": called, "tank_litres": tank}
    return rollers, trucks


def _trucks(asker: Asker) -> Iterator[tuple[str, str]]:
    taken: list[str] = []
    while called := asker.ask(
        f"Name of {'another' if taken else 'a'} water truck, nothing for {'no more' if taken else 'none'}",
        _or_nothing(parsers.name), key="--machines", example="Water truck", default="",
    ):  # fmt: skip
        taken.append(parsers.id_of(called, taken))
        yield taken[-1], called


def crews(
    asker: Asker, given: Given, lists: Mapping[str, list[dict[str, str]]], rollers: list[str], trucks: list[str]
) -> Iterator[NewCrew]:
    """Ask for crews, and for their machines where there is a choice."""
    if not rollers:
        wrong, right = "holds no roller.", "Write at least one line with kind roller."
        raise ConfigError([Fault(place=str(given.lists[MACHINES]), key="kind", value="", wrong=wrong, right=right)])
    known = list(dict.fromkeys((*ids(lists, STRIPS, "crew"), *ids(lists, PEOPLE, "crew"))))
    named = [(own_id or parsers.id_of(own_name, ()), own_name) for own_id, own_name in map(_crew_given, given.crews)]
    for own_id, called in named or each(asker, "crew", known, "--crew"):
        roller = rollers[0] if len(rollers) == 1 else asker.ask(
            f"{called}: its roller, {', '.join(rollers)}", parsers.one_of(rollers), key="--machines",
            example=rollers[0], default=rollers[0],
        )  # fmt: skip
        truck = trucks[0] if len(trucks) == 1 else "" if not trucks else asker.ask(
            f"{called}: its water truck, {', '.join(trucks)}", parsers.one_of(trucks), key="--machines",
            example=trucks[0], default=trucks[0],
        )  # fmt: skip
        people = () if PEOPLE in lists else tuple(_people(asker, called))
        yield NewCrew(id=own_id, name=called, roller=roller, truck=truck or None, people=people)


def _crew_given(text: str) -> tuple[str, str]:
    """Return (id, name) of "north=North crew"; id "" where only a name stands there."""
    own_id, found, called = text.partition("=")
    return (own_id.strip(), called.strip()) if found else ("", text.strip())


def _people(asker: Asker, called: str) -> Iterator[tuple[str, str, str]]:
    for role, title in ROLES:
        is_needed = role == ROLES[0][0]
        person = asker.ask(
            f"{called}: {title.lower()}, name and address{'' if is_needed else ', nothing for none'}",
            parsers.person, key="--people", example="Robin Ashby, robin@example.com",
            default=None if is_needed else "",
        )  # fmt: skip
        if person is not None:
            yield role, *person


def strips(asker: Asker, crews: Sequence[NewCrew], materials: Sequence[str], system: str) -> Iterator[dict[str, str]]:
    """Ask for strips, one line each, and return them as rows in the person's own units."""
    long, thick = parsers.usual_unit("m", system), parsers.usual_unit("thickness_m", system)
    end = "_ft" if system == "us" else "_m"
    for own_id, called in each(asker, "strip", (), "--strips"):
        size = asker.ask(
            f"{called}: length and width ({long}), lift thickness as spread ({thick})", parsers.strip_size(system),
            key="--strips", example="120 12 250" if system == "metric" else "400 40 10",
        )  # fmt: skip
        crew = crews[0].id if len(crews) == 1 else asker.ask(
            f"{called}: its crew, {', '.join(c.id for c in crews)}", parsers.one_of([c.id for c in crews]),
            key="--strips", example=crews[0].id, default=crews[0].id,
        )  # fmt: skip
        material = materials[0] if len(materials) == 1 else asker.ask(
            f"{called}: its material, {', '.join(materials)}", parsers.one_of(materials), key="--strips",
            example=materials[0], default=materials[0],
        )  # fmt: skip
        yield {
            "id": own_id, "name": called, "crew": crew, "material": material, f"length{end}": size[0],
            f"width{end}": size[1], "lift_thickness_in" if system == "us" else "lift_thickness_m": size[2],
            "surface": "loose", "lifts": "1",
        }  # fmt: skip

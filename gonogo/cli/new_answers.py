"""The questions of `gonogo new` in their order, and the site that their answers make."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gonogo.cli import new_parsers as parsers
from gonogo.cli import new_things as things
from gonogo.cli.new_questions import PLACE, Asker
from gonogo.config.dated import zone_at
from gonogo.config.lists import MATERIALS, STRIPS, read_rows
from gonogo.config.material_tables import MaterialTable
from gonogo.config.materials import read_material
from gonogo.config.new_site import NewSite, material_text
from gonogo.config.text_file import UnreadableFileError, text_of
from gonogo.config.toml_file import ConfigFile
from gonogo.errors import ConfigError, Fault

SIEVES = ("passing_4_75mm_pct", "passing_2mm_pct", "passing_0_425mm_pct", "passing_0_075mm_pct")
CLEAN_PCT = 12.0  # with more fines, grain sizes decide nothing: ASTM D2487
SERVICES = {"commercial": ("met_norway",), "non-commercial": ("open_meteo", "met_norway")}
IN_USA = ("nws",)  # which answers for the USA alone, and commercial use is free
SEA = "Etc/"  # how zones at sea begin
BEFORE_SHIFT, AFTER_SHIFT = timedelta(minutes=90), timedelta(hours=2)  # of the mail and of its deadline


def answers(asker: Asker, given: things.Given, languages: Sequence[str], today: date) -> NewSite:
    """Ask all that options left open. Raises ConfigError with what nobody answered, or with a wrong answer."""
    lists = {name: _rows(path) for name, path in given.lists.items()}
    head = _head(asker, given, languages, today)
    system = head["units"]
    materials = _materials(asker, lists, system)
    rollers, trucks = things.machines(asker, lists, system)
    mixing_depth_m = asker.ask(
        "How deep disk or mixer work water in", parsers.quantity("thickness_m", "mixing_depth_m", system),
        key="--mixing-depth", example="300", given=given.mixing_depth,
        default="300 mm" if system == "metric" else "12 in",
    )  # fmt: skip
    crews = tuple(things.crews(asker, given, lists, sorted(rollers), sorted(trucks)))
    strips = () if STRIPS in lists else tuple(things.strips(asker, crews, sorted(materials), system))
    asker.require_all()
    return NewSite(
        **head,
        mixing_depth_m=mixing_depth_m,
        crews=crews,
        materials=materials,
        rollers=rollers,
        trucks=trucks,
        strips=strips,
        lists=frozenset(lists),
    )


def _head(asker: Asker, given: things.Given, languages: Sequence[str], today: date) -> dict[str, Any]:
    """Ask for name, place, times and use, and return them as the fields of a NewSite."""
    called = asker.ask("Name of the site", parsers.name, key="--name", example="Ramp north", given=given.name)
    system = asker.ask(
        "Units of the mails and of your answers, metric or us", parsers.one_of(("metric", "us")), key="--units",
        example="metric", given=given.units, default="metric",
    )  # fmt: skip
    language = asker.ask(
        f"Language of the mails: {', '.join(languages)}", parsers.one_of(languages), key="--language",
        example="en", given=given.language, default="en",
    )  # fmt: skip
    place = asker.ask(
        "Latitude and longitude", parsers.place, key="--place", example="42.137 -94.368", given=given.place
    )
    zone = _zone(asker, given, place, today)
    elevation_m = asker.ask(
        f"Elevation above sea level, {parsers.usual_unit('m', system)}", parsers.quantity("m", "elevation_m", system),
        key="--elevation", example="325", given=given.elevation,
    )  # fmt: skip
    days = asker.ask("Working days", parsers.days, key="--days", example="mon-fri", given=given.days, default="mon-fri")
    shift = asker.ask("Shift", parsers.shift, key="--shift", example="07:00-17:30", given=given.shift,
                      default="07:00-17:30")  # fmt: skip
    use = asker.ask(
        "Use, commercial or non-commercial (it decides which weather services may be asked)",
        parsers.one_of(("commercial", "non-commercial")), key="--use", example="commercial", given=given.use,
    )  # fmt: skip
    operator = asker.ask(
        "Mail address of whoever looks after the service", parsers.address, key="--operator",
        example="office@example.com", given=given.operator,
    )  # fmt: skip
    mail_at = _clock(shift[0], -BEFORE_SHIFT)
    asker.say(f"The mail comes at {mail_at:%H:%M}; change mail_at for another time.\n")
    is_american = zone.startswith(("America/", "Pacific/")) and system == "us"
    return {
        "id": parsers.id_of(called, ()), "name": called, "latitude_deg": place[0], "longitude_deg": place[1],
        "elevation_m": elevation_m, "zone": zone, "working_days": days, "shift": shift, "mail_at": mail_at,
        "deadline": _clock(shift[0], AFTER_SHIFT), "units": system, "language": language, "use": use,
        "operator": operator, "services": (*SERVICES[use], *(IN_USA if is_american else ())),
    }  # fmt: skip


def _clock(at: time, by: timedelta) -> time:
    return (datetime.combine(date(2000, 1, 1), at) + by).time()


def _rows(path: Path) -> list[dict[str, str]]:
    """Return the lines of a list that was named, only for the ids in them: it is checked as a whole at the end."""
    try:
        return [texts for _, texts in read_rows(text_of(path)).lines]
    except UnreadableFileError as error:
        place = f"{path}:{error.line}" if error.line else str(path)
        raise ConfigError([Fault(place=place, key="file", value="", wrong=error.wrong, right=error.right)]) from error


def _zone(asker: Asker, given: things.Given, place: tuple[float, float], today: date) -> str:
    """Ask for the zone, with the one of the place to be confirmed and its clock shown."""
    found = zone_at(*place)
    if found.startswith(SEA):
        asker.say("That place lies at sea: check the signs of latitude and longitude.\n")
    else:
        offset = datetime(today.year, today.month, today.day, 12, tzinfo=ZoneInfo(found)).strftime("%z")
        asker.say(f"Time zone of that place: {found}, UTC{offset[:3]}:{offset[3:]} today.\n")
    return asker.ask(
        "Time zone",
        parsers.zone,
        key="--zone",
        example="America/Chicago",
        given=given.zone,
        default=None if found.startswith(SEA) else found,
    )


# --- materials -------------------------------------------------------------------------------------------------


def _materials(asker: Asker, lists: Mapping[str, list[dict[str, str]]], system: str) -> dict[str, dict[str, Any]]:
    if MATERIALS in lists:
        return {own_id: {} for own_id in things.ids(lists, MATERIALS, "id")}
    found = {}
    for own_id, called in things.each(asker, "material", things.ids(lists, STRIPS, "material"), "--materials"):
        while True:
            table = {"name": called, **_material(asker, called, system)}
            faults = faults_of_material(own_id, table)
            if not faults:
                break
            if not asker.is_terminal:
                raise ConfigError(faults)
            asker.say("".join(f"  {fault.key}: {fault.wrong} {fault.right}\n" for fault in faults))
        found[own_id] = table
    return found


def _material(asker: Asker, called: str, system: str) -> dict[str, Any]:
    """Ask for what a laboratory says of one material."""
    option = "--materials"
    table: dict[str, Any] = asker.ask(
        f"{called}: soil, as a symbol (CL, A-6), a texture (clay), or {parsers.LIMITS} for sieves and Atterberg limits",
        parsers.soil, key=option, example="CL",
    )  # fmt: skip
    laboratory: dict[str, Any] = {}
    if not table:
        laboratory |= asker.ask(
            f"{called}: percent passing sieves No. 4, 10, 40, 200 (4.75, 2, 0.425, 0.075 mm), - for none",
            parsers.listed(SIEVES, needed=(SIEVES[0], SIEVES[3])), key=option, example="98 94 82 64",
        )  # fmt: skip
        laboratory |= asker.ask(
            f"{called}: liquid and plastic limit, or NP", parsers.limits, key=option, example="38 19"
        )
        if laboratory[SIEVES[3]] <= CLEAN_PCT:
            sizes = ("d10_mm", "d30_mm", "d60_mm")
            laboratory |= asker.ask(
                f"{called}: d10, d30 and d60 in mm, nothing where the report has none",
                lambda text: parsers.listed(sizes, needed=sizes)(text) if text else {},
                key=option, example="0.12 0.35 0.9", default="",
            )  # fmt: skip
    table = dict(table)
    table["test"] = asker.ask(
        f"{called}: compaction test", parsers.name, key=option, example="ASTM D698", default="ASTM D698"
    )
    unit = parsers.usual_unit("kg_m3", system)
    table |= asker.ask(
        f"{called}: optimum (%) and maximum dry density ({unit}), or the points of the curve in pairs",
        parsers.compaction(system), key=option, example="16.5 1780" if system == "metric" else "16.5 111.1",
    )  # fmt: skip
    table |= asker.ask(
        f"{called}: allowed water content, points around optimum (-2 2) or ratio of it (0.9 1.1)", parsers.window,
        key=option, example="-2 2",
    )  # fmt: skip
    table["required_compaction_pct"] = asker.ask(
        f"{called}: required compaction, % of the maximum", parsers.number("required_compaction_pct"), key=option,
        example="95",
    )  # fmt: skip
    return table | ({"laboratory": laboratory} if laboratory else {})


def faults_of_material(own_id: str, table: Mapping[str, Any]) -> list[Fault]:
    """Return what is wrong with a material as a whole, as the config will say."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "material.toml"
        path.write_text(material_text(own_id, table), encoding="utf-8")
        file = ConfigFile(path)
        read = file.read(MaterialTable, file.raw["material"][own_id], ("material", own_id))
        if read is not None:
            read_material(file, own_id, read)
    return [replace(fault, place=PLACE) for fault in file.faults]

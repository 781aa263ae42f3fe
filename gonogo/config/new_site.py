"""A first config from answers: gonogo.toml, the site's file with each key explained on its line, and its strips."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import time
from typing import Any

from gonogo.config.lists import LISTS, MACHINES, MATERIALS, PEOPLE, STRIPS
from gonogo.config.usual import roller_usual, truck_usual

Table = Mapping[str, Any]  # keys of a TOML table in the order in which they are written


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCrew:
    """A crew, its machines by id, and its people as (role, name, address)."""

    id: str
    name: str
    roller: str
    truck: str | None
    people: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSite:
    """What was answered, each value as the files hold it.

    materials, rollers, trucks   by id: their keys; a table `laboratory` inside one becomes a table of its own
    strips        rows by column, in the order of the first one's columns
    lists         names of the lists that the person brought; what they hold is not written again
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    mixing_depth_m: float
    zone: str
    working_days: tuple[str, ...]
    shift: tuple[time, time]
    mail_at: time
    deadline: time
    units: str
    language: str
    use: str
    operator: str
    services: tuple[str, ...]
    crews: tuple[NewCrew, ...]
    materials: Mapping[str, Table]
    rollers: Mapping[str, Table]
    trucks: Mapping[str, Table]
    strips: Sequence[Mapping[str, str]] = ()
    lists: frozenset[str] = frozenset()


COMMENTS: dict[str, str] = {
    "latitude_deg": "north positive, south negative",
    "longitude_deg": "east positive, west negative",
    "elevation_m": "above sea level",
    "zone": "every time in this file is local",
    "mail_at": "when the morning mail is due",
    "deadline": "after this the morning mail is of no more use and is not sent",
    "mixing_depth_m": "how deep disk or mixer work water in",
    "uscs": "by ASTM D2487; or aashto, soil_class, or a table laboratory",
    "aashto": "by AASHTO M 145; or uscs, soil_class, or a table laboratory",
    "soil_class": "or uscs, aashto, or a table laboratory",
    "test": "the compaction test behind the numbers below",
    "curve_w_pct": "the laboratory's points: water content, % of dry mass ...",
    "curve_dry_density_kg_m3": "... and dry density, kg/m3",
    "omc_pct": "optimum water content, % of dry mass",
    "mdd_kg_m3": "maximum dry density, kg/m3",
    "window_points": "allowed water content around optimum, % points",
    "window_ratio": "allowed water content as a share of optimum",
    "required_compaction_pct": "% of the maximum dry density",
    "drum": '"smooth", "padded" or "pneumatic"',
    "passes": "full coverages that a lift needs",
    "tank_litres": "litres",
    "units": '"us" or "metric": what its mails show; this file is always metric',
    "language": "of its mails",
    "role": "who gets which mail",
    "passing_4_75mm_pct": "% passing No. 4",
    "passing_2mm_pct": "No. 10",
    "passing_0_425mm_pct": "No. 40",
    "passing_0_075mm_pct": "No. 200",
}
COMMENT_COLUMN = 40
MORE = "# As usual for such a machine, and called assumed, until it stands here without the #:"
SITE_MORE = (
    "# holidays = [2026-12-25]               # dates without quotes",
    '# holiday_country = "US"                # its public holidays; needs gonogo[holidays]',
    '# recheck_at = ["09:00"]                # the newest forecast again; who is concerned gets a mail on what changed',
    "# ends_on = 2027-11-30                  # the site's last day; no mails after it",
)
MORE_COMMENTS = {
    "efficiency": "working minutes of an hour / 60",
    "bar_width_m": "width that the spray bar wets",
    "flow_litres_min": "at the bar",
    "travel_time_min": "from the fill point to the strips, one way",
    "count": "how many of it there are",
}


def files_of_new(new: NewSite) -> dict[str, str]:
    """Return the files of a new config by their path inside its folder, without the lists that were brought."""
    files = {"gonogo.toml": _service(new), f"sites/{new.id}.toml": _site(new)}
    if new.strips:
        files[f"sites/{new.id}/{STRIPS}"] = strips_csv(new.strips)
    return files


def strips_csv(strips: Sequence[Mapping[str, str]]) -> str:
    """Return strips as a list with the columns of the first."""
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(strips[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(strips)
    return out.getvalue()


def material_text(own_id: str, table: Table) -> str:
    """Return a material as its table of the site's file."""
    return "\n".join(_table(f"material.{own_id}", table))


def toml_value(value: Any) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, time):
        return f'"{value:%H:%M}"'
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, (tuple, list)):
        return f"[{', '.join(toml_value(part) for part in value)}]"
    return str(int(value)) if isinstance(value, float) and value.is_integer() else repr(value)


def _lines(table: Table) -> Iterator[str]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            continue
        line = f"{key} = {toml_value(value)}"
        yield f"{line:<{COMMENT_COLUMN - 1}} # {COMMENTS[key]}" if key in COMMENTS else line


def _table(name: str, table: Table) -> Iterator[str]:
    yield f"[{name}]"
    yield from _lines(table)
    yield ""
    for key, inner in table.items():
        if isinstance(inner, Mapping):
            yield from _table(f"{name}.{key}", inner)


def _site(new: NewSite) -> str:
    head: Table = {
        "name": new.name,
        "latitude_deg": new.latitude_deg,
        "longitude_deg": new.longitude_deg,
        "elevation_m": new.elevation_m,
        "zone": new.zone,
        "working_days": new.working_days,
        "shift_start": new.shift[0],
        "shift_end": new.shift[1],
        "mail_at": new.mail_at,
        "deadline": new.deadline,
        "mixing_depth_m": new.mixing_depth_m,
    }
    lines = [
        f"# One site. The file's name, {new.id}, is its id. Text stands in quotes, numbers do not.",
        f"# Lists of a spreadsheet may stand beside it, in the folder {new.id}:",
        f"# {', '.join(LISTS)}. Their columns are the keys of the tables here.",
        "# `gonogo check` reads all of it; `gonogo settings` lists numbers that may be changed here.",
        "",
        *list(_table("site", head))[:-1],
        *SITE_MORE,
        "",
    ]
    for part, name, text in (
        ("materials", MATERIALS, _materials(new)),
        ("machines", MACHINES, _machines(new)),
        ("crews and who gets a mail", "", _crews(new)),
    ):
        lines += [f"# --- {part} ".ljust(100, "-"), ""]
        lines += [f"# They stand in {new.id}/{name}.", ""] if name in new.lists else list(text)
    lines += ["# --- strips ".ljust(100, "-"), "", f"# They stand in {new.id}/{STRIPS}: `gonogo strips {new.id}`."]
    return "\n".join(lines) + "\n"


def _materials(new: NewSite) -> Iterator[str]:
    for own_id, table in new.materials.items():
        yield from _table(f"material.{own_id}", table)
    yield "# More for any material: specific_gravity, theta_fc, theta_wp, borrow_w_pct, soak_in_h, air_voids_max_pct,"
    yield "# is_shale, and tables oversize, treated and method_specification: the config of `gonogo demo` shows them."
    yield ""


def _machines(new: NewSite) -> Iterator[str]:
    for section, machines in (("roller", new.rollers), ("truck", new.trucks)):
        for own_id, table in machines.items():
            yield f"[{section}.{own_id}]"
            yield from _lines(table)
            usual = roller_usual(str(table["drum"])) if section == "roller" else truck_usual(table["tank_litres"])
            yield MORE
            for key, value in {**usual, "count": 1}.items():
                if key not in table:
                    line = f"# {key} = {toml_value(value)}"
                    comment = f"  {MORE_COMMENTS[key]}" if key in MORE_COMMENTS else ""
                    yield f"{line:<{COMMENT_COLUMN - 1}}{comment}".rstrip()
            yield ""


def _crews(new: NewSite) -> Iterator[str]:
    for crew in new.crews:
        machines = {"roller": crew.roller} | ({"truck": crew.truck} if crew.truck else {})
        table = {"name": crew.name, **machines, "units": new.units, "language": new.language}
        yield from _table(f"crew.{crew.id}", table)
        if PEOPLE in new.lists:
            yield f"# Its people stand in {new.id}/{PEOPLE}.\n"
        for role, name, address in crew.people:
            yield f"[[crew.{crew.id}.person]]"
            yield from _lines({"name": name, "address": address, "role": role})
            yield ""


def _service(new: NewSite) -> str:
    services = "".join(f'[[weather]]\nservice = "{name}"\n\n' for name in new.services)
    return f"""# What holds for every site; each site has its own file in sites/. Lines that begin with # are comments.

# "commercial" or "non-commercial": some open weather services are free for the second alone.
use = "{new.use}"

# Who is told when no verdict could be made or mails do not leave; also the contact that weather services ask for.
operator = "{new.operator}"

[store]
url = "sqlite:///gonogo.sqlite3"       # beside this file; or url_env = "GONOGO_STORE_URL" for PostgreSQL

[mail]
kind = "folder"                        # each mail becomes a file to look at; "smtp" sends
folder = "mails"                       # starts at this folder
sender = "{new.operator}"
# For kind = "smtp", in place of folder:
# host = "mail.example.com"
# port = 587                           # optional: 587 for starttls, 465 for tls, 25 for none
# security = "starttls"                # "starttls", "tls" or "none"
# username = "gonogo"
# password_env = "GONOGO_MAIL_PASSWORD"    # name of an environment variable; or password_file

# Weather services in the order in which they are asked: the first that answers is used.
{services}# Crews may answer by mail: a table [inbox], see README. A monitor may watch: a table [watch].

# [settings]
# compact_chance_min = 0.7             # numbers for every site: `gonogo settings` lists them all
"""

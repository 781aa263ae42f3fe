"""Single mistakes in config, files and commands: each says where it stands and what would be right, and stores nothing.

Every row is one mistake that somebody makes: what is typed or stands in a file, the place that the answer names, and
words of the remedy. No mistake may end in a traceback.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
import time_machine
from config_copy import EXAMPLE, SITE, Copy
from example_mornings import example_config

from gonogo.cli import ahead_app, app, book_app, check_app, demo, person_app, record_app, replies_app, soil_app
from gonogo.config import Config
from gonogo.store import history, schema
from gonogo.store.open import open_store

GONOGO = "gonogo.toml"
READING = "kind,strip,at,w_pct,method\n"

# file, what stands there, the mistake, place, words of the remedy
IN_CONFIG = {
    "key mistyped": (SITE, "length_m = 120", "lenght_m = 120", "strip.N1.lenght_m", "Did you mean length_m?"),
    "key left out": (SITE, "zone = \"America/Chicago\"", "", "site.zone", "America/Chicago"),
    "zone mistyped": (SITE, "America/Chicago", "America/Chigaco", "site.zone", "America/Chicago"),
    "longitude without minus": (SITE, "-94.368", "94.368", "site.longitude_deg", "west is negative"),
    "decimal comma": (SITE, "elevation_m = 325", "elevation_m = 325,5", "site.elevation_m", "325.5"),
    "day first": (SITE, "2026-05-20", "20/05/2026", "strip.N1.finish_by", "2026-05-20"),
    "time without quotes": (SITE, "\"17:30\"", "16:30", "site.shift_end", "\"16:30\""),
    "text without quotes": (SITE, "surface = \"loose\"", "surface = loose", "strip.N1.surface", "\"loose\""),
    "quote left open": (SITE, "\"N1 Ramp toe\"", "\"N1 Ramp toe", "strip.N1.name", "\"N1 Ramp toe"),
    "strip twice": (SITE, "[strip.N2]\n", "[strip.N1]\n", "strip.N1", "a name of its own"),
    "millimetres": (SITE, "lift_thickness_m = 0.25", "lift_thickness_m = 250", "strip.N1.lift_thickness_m", "metres"),
    "centimetres": (SITE, "lift_thickness_m = 0.25", "lift_thickness_m = 25", "strip.N1.lift_thickness_m", "metres"),
    "ratio for percent": (SITE, "w_pct = 18.9", "w_pct = 0.189", "strip.N1.reading.w_pct", "percent of dry mass"),
    "t/m3": (SITE, "mdd_kg_m3 = 1890", "mdd_kg_m3 = 1.89", "material.silty_sand.mdd_kg_m3", "kg/m3"),
    "window as ratio": (SITE, "window_points = [-2.0, 2.0]", "window_points = [0.9, 1.1]",
        "material.clay.window_points", "window_ratio"),
    "laboratory unknown": (SITE, "soil_class = \"clay\"", "soil_class = \"clayy\"", "material.clay.soil_class", "clay"),
    "crew unknown": (SITE, "crew = \"north\"", "crew = \"nort\"", "strip.N1.crew", "north"),
    "role unknown": (SITE, "role = \"driver\"", "role = \"drivers\"", "crew.north.person.1.role", "driver"),
    "address without @": (SITE, "north.driver@example.com", "north.driver", "crew.north.person.1.address",
        "person@example.com"),
    "deadline first": (SITE, "deadline = \"09:00\"", "deadline = \"04:00\"", "site.deadline", "after which the mail"),
    "denser than soil": (SITE, "mdd_kg_m3 = 1890", "mdd_kg_m3 = 2400", "material.silty_sand.mdd_kg_m3",
        "specific_gravity"),
    "password in clear": (GONOGO, "kind = \"folder\"", "kind = \"folder\"\npassword = \"secret\"", "mail.password",
        "password_env"),
    "weather unknown": (GONOGO, "service = \"open_meteo\"", "service = \"openmeteo\"", "weather.0.service",
        "open_meteo"),
    "setting unknown": (GONOGO, "compact_chance_min", "compact_chance", "settings.compact_chance",
        "compact_chance_min"),
}  # fmt: skip

# command, what the file holds, place in the file, words of the remedy
IN_FILES = {
    "unknown strip": ("csv", f"{READING}reading,N9,2026-05-12 05:00,17,oven", ":2: strip", "N1, N2"),
    "day first in a file": ("csv", f"{READING}reading,N1,12/05/2026 05:00,17,oven", ":2: at", "`at (dd/mm/yyyy)`"),
    "percent sign": ("csv", f"{READING}reading,N1,2026-05-12 05:00,17%,oven", ":2: w_pct", "for example 11.2"),
    "method mistyped": ("csv", f"{READING}reading,N1,2026-05-12 05:00,17,ofen", ":2: method", "Did you mean \"oven\"?"),
    "no header": ("csv", "reading,N1,17,oven", ":1: header", "names columns out of: kind"),
    "column unknown": ("csv", "kind,strip,w_pct,methd\nreading,N1,17,oven", ":1: header", "unknown columns: methd"),
    "one value too many": ("csv", f"{READING}reading,N1,2026-05-12 05:00,17,oven,x", ":2: row", "one value per column"),
    "unit behind": ("csv", "kind,strip,at,litres\nwatering,N1,2026-05-12 05:00,9000 L", ":2: litres", "9000"),
    "work mistyped": ("csv", "kind,strip,at,work\nsurface,N1,2026-05-12 05:00,rolld", ":2: work", "rolled"),
    "tomorrow": ("csv", f"{READING}reading,N1,2026-05-13 05:00,17,oven", ":2: at", "when it happened"),
    "read before emptied": ("csv", "kind,at,until,rain_mm\nrain,2026-05-12 05:00,2026-05-12 04:00,3", ":2: at",
        "when the gauge was emptied"),
    "corrects nothing": ("csv", "kind,strip,at,w_pct,method,corrects\nreading,N1,2026-05-12 05:00,17,oven,77",
        ":2: entry", "gonogo record list"),
    "empty file": ("csv", "", ":1: header", "names columns out of: kind"),
    "value of another kind": ("csv", "kind,strip,w_pct,method,litres\nreading,N1,17,oven,5", ":2: litres",
        "Leave it empty"),
    "logger without rain": ("gauge-csv", "a,b\n1,2\n", ":1: header", "timestamp and rain_mm"),
    "word for millimetres": ("gauge-csv", "2026-05-11 01:00,0\n2026-05-11 02:00,x\n2026-05-11 03:00,1", ":2: rain_mm",
        "0.2"),
    "less than no rain": ("gauge-csv", "2026-05-11 01:00,0\n2026-05-11 02:00,-1\n2026-05-11 03:00,1",
        ":2: rain_mm", "millimetres"),
    "two amounts of one time": ("gauge-csv", "2026-05-11 01:00,0\n2026-05-11 02:00,1\n2026-05-11 02:00,2",
        ":3: timestamp", "One line a time"),
    "a page of the web": ("gauge-csv", "<html>", ":1: header", "timestamp and rain_mm"),
}  # fmt: skip

# what is typed, place, words of the remedy
TYPED = {
    "moisture without point": ("record reading N3 112 --method oven", "w_pct = 112", "for example 11.2"),
    "comma typed": ("record reading N3 11,2 --method oven", "w_pct = 11,2", "a point for decimals"),
    "method left out": ("record reading N3 11.2", "--method", "nuclear gauge, microwave"),
    "basis left out": ("record reading N3 11.2 --method carbide", "--basis", "Write wet"),
    "a hundred times the water": ("record watering N3 90000000", "litres = 90000000", "for example 9000"),
    "since left out": ("record rain 4.5", "--since", "last emptied"),
    "yesterday": ("record rain 4.5 --since yesterday", "--since = yesterday", "2026-05-12 06:40"),
    "hour that does not exist": ("record reading N3 11.2 --method oven --at 2026-03-08T02:30",
        "--at = 2026-03-08T02:30", "03:30"),
    "result of its own": ("record lift N3 ok", "result = ok", "accepted, rework"),
    "centimetres typed": ("record surface N3 spread --thickness 20", "--thickness = 20", "metres"),
    "withdraws nothing": ("record withdraw 12", "entry = 12", "gonogo record list"),
    "no number": ("record withdraw x", "'number'", "gonogo record list"),
    "no such file": ("record csv nofile.csv", "nofile.csv", "CSV file with a header row"),
    "site mistyped": ("morning harow-flats", "site = harow-flats", "harrow-flats"),
    "date of words": ("morning --date tomorrow", "--date = tomorrow", "2026-05-13"),
    "month of its own": ("diary --month 13", "--month", "2026-05"),
    "language unknown": ("status --language de", "--language = de", "en, es, fr, pt"),
    "units unknown": ("outlook --units imperial", "--units = imperial", "metric, us"),
    "crew unknown to a sheet": ("sheet west", "crew = west", "north, south"),
    "address typed": ("forget nobody", "address = nobody", "ana@example.com"),
    "strip unknown": ("learned --reset N9", "--reset = N9", "N1, N2"),
    "address of a test mail": ("check --mail nobody", "--mail = nobody", "person@example.com"),
    "command mistyped": ("mornin", "'mornin'", "Did you mean 'morning'?"),
}  # fmt: skip


def test_there_are_sixty_and_more() -> None:
    assert len(IN_CONFIG) + len(IN_FILES) + len(TYPED) >= 60


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return example_config(tmp_path_factory.mktemp("mistakes"))


@pytest.fixture
def say(
    loaded: Config, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Types a command against the example config, loaded once."""
    for module in (app, ahead_app, book_app, check_app, person_app, record_app, replies_app, soil_app):
        monkeypatch.setattr(module, "load_config", lambda _: loaded)

    def run(*arguments: str) -> tuple[int, str, str]:
        with time_machine.travel(demo.MORNING_UTC, tick=False):
            code = app.run(arguments)
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return run


def n_stored(loaded: Config) -> int:
    store = open_store(loaded)
    with schema.read(store) as connection:
        n_lines = len(history.entry_log(connection, loaded.sites[0].id))
    store.dispose()
    return n_lines


@pytest.mark.parametrize("case", IN_CONFIG)
def test_a_mistake_in_the_config(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, old, new, place, remedy = IN_CONFIG[case]
    folder = tmp_path / "config"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    Copy(folder).edit(file, old, new)
    assert app.run(["check", "--config", str(folder)]) == app.Exit.CONFIG
    shown = capsys.readouterr()
    (line,) = shown.err.splitlines()
    assert shown.out == ""
    assert line.startswith(f"{folder / file}:")
    assert f" {place}" in line
    assert remedy in line


@pytest.mark.parametrize("case", IN_FILES)
def test_a_mistake_in_a_file(
    case: str, loaded: Config, tmp_path: Path, say: Callable[..., tuple[int, str, str]]
) -> None:
    command, text, place, remedy = IN_FILES[case]
    path = tmp_path / "day.csv"
    path.write_text(text, encoding="utf-8")
    code, out, err = say("record", command, str(path))
    assert (code, out) == (app.Exit.CONFIG, "")
    assert f"{path}{place}" in err
    assert remedy in err
    assert n_stored(loaded) == 0


@pytest.mark.parametrize("case", TYPED)
def test_a_mistake_in_a_command(case: str, loaded: Config, say: Callable[..., tuple[int, str, str]]) -> None:
    typed, place, remedy = TYPED[case]
    code, out, err = say(*typed.split())
    assert (code, out) == (app.Exit.CONFIG, "")
    assert place in err
    assert remedy in err
    assert n_stored(loaded) == 0

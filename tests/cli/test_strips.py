"""`gonogo strips`: strips are listed, added, changed and ended, in a list and in TOML, and nothing else is touched."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from config_copy import EXAMPLE, SITE

from gonogo.cli import app
from gonogo.config import load
from gonogo.records.site import Site

Run = Callable[..., tuple[int, str, str]]
NEW = ("crew=north", "material=clay", "length_m=75.5", "width_m=10", "lift_thickness_m=0.25", "surface=loose")
LIST = (
    "\ufeffid;name;crew;material;length_m;width_m;lift_thickness_m;surface;finish_by (dd/mm/yyyy)\r\n"
    'E1;"East; upper";north;clay;120,5;12;0,250;loose;\r\n'
    "E2;Lower;north;clay;140;12;0,250;loose;\r\n"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "config"
    shutil.copytree(EXAMPLE, made, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    return made


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def command(*arguments: str) -> tuple[int, str, str]:
        code = app.run(["strips", *arguments, "--config", str(folder)])
        out = capsys.readouterr()
        return code, out.out, out.err

    return command


def site(folder: Path) -> Site:
    return load(folder, environ={}).sites[0]


def with_list(folder: Path) -> Path:
    path = (folder / SITE).with_suffix("") / "strips.csv"
    path.parent.mkdir()
    path.write_bytes(LIST.encode("utf-8"))
    return path


def changed_lines(before: str, after: str) -> tuple[set[str], set[str]]:
    old, new = before.splitlines(), after.splitlines()
    return set(old) - set(new), set(new) - set(old)


def test_the_strips_are_listed(run: Run) -> None:
    code, out, _ = run()
    assert code == 0
    assert "10 strips, 0 ended" in out
    assert "N2 Ramp middle" in out


def test_a_change_in_toml_touches_its_line_alone(run: Run, folder: Path) -> None:
    before = (folder / SITE).read_text()
    assert run("harrow-flats", "change", "N2", "length_ft=400", "note=beside the culvert")[0] == 0
    assert (site(folder).strip("N2").length_m, site(folder).strip("N2").note) == (121.92, "beside the culvert")
    gone, came = changed_lines(before, (folder / SITE).read_text())
    assert (gone, came) == ({"length_m = 140"}, {"length_m = 121.92", 'note = "beside the culvert"'})


def test_a_value_that_is_emptied_is_taken_out(run: Run, folder: Path) -> None:
    assert run("change", "S2", "note=", "passes=")[0] == 0
    assert (site(folder).strip("S2").note, site(folder).strip("S2").passes) == ("", None)


def test_a_new_strip_goes_into_the_file_where_there_is_no_list(run: Run, folder: Path) -> None:
    before = (folder / SITE).read_text()
    assert run("add", "N6", *NEW, "reading.w_pct=18.2", "reading.at=2026-05-11 15:30", "reading.method=oven")[0] == 0
    config = load(folder, environ={})
    assert config.sites[0].strip("N6").length_m == 75.5
    assert config.readings["harrow-flats"][-1].w_pct == 18.2
    assert changed_lines(before, (folder / SITE).read_text())[0] == set()


def test_an_ended_strip_leaves_the_site_and_keeps_its_record(run: Run, folder: Path) -> None:
    code, out, _ = run("end", "N2", "--on", "2026-05-20")
    assert code == 0
    assert "what is recorded of it stays" in out
    found = site(folder)
    assert "N2" not in [s.id for s in found.strips]
    assert [(s.id, s.ended) for s in found.ended] == [("N2", date(2026, 5, 20))]
    assert found.with_ended().strip("N2").name == "N2 Ramp middle"
    assert "ended 2026-05-20" in run()[1]
    assert run("change", "N2", "ended=")[0] == 0
    assert "N2" in [s.id for s in site(folder).strips]


def test_a_list_keeps_how_it_is_written(run: Run, folder: Path) -> None:
    path = with_list(folder)
    before = path.read_bytes()
    assert run("change", "E1", "length_m=130.5", "finish_by=2026-05-22")[0] == 0
    after = path.read_bytes()
    assert after.startswith(b"\xef\xbb\xbfid;")
    gone, came = changed_lines(before.decode(), after.decode())
    assert gone == {'E1;"East; upper";north;clay;120,5;12;0,250;loose;'}
    assert came == {'E1;"East; upper";north;clay;130,5;12;0,250;loose;22/05/2026'}
    assert after.count(b"\r\n") == before.count(b"\r\n")


def test_a_list_gets_new_lines_and_the_columns_that_it_lacks(run: Run, folder: Path) -> None:
    path = with_list(folder)
    assert run("add", "E3", *NEW, "priority=1")[0] == 0
    assert run("end", "E2")[0] == 0
    header, _, second, third = path.read_text(encoding="utf-8-sig").splitlines()
    assert header.endswith(";priority;ended")
    assert second.startswith("E2;Lower;north;clay;140;12;0,250;loose;;;20")
    assert third == "E3;;north;clay;75,5;10;0,25;loose;;1"
    assert site(folder).strip("E3").priority == 1


@pytest.mark.parametrize(
    ("arguments", "key", "says"),
    [
        (("change", "N2", "surface=soft"), "strip.N2.surface", "loose, scarified, sealed"),
        (("change", "N2", "lenght_m=3"), "lenght_m", 'Did you mean "length_m"'),
        (("change", "N2", "length_m=1,200"), "length_m", "thousands or with decimals"),
        (("change", "N2", "length_m"), "length_m", "no key=value"),
        (("change", "N2"), "strip", "nothing to change"),
        (("change", "N9", "length_m=3"), "strip", "no strip of the site"),
        (("add", "n2", *NEW), "strip", "already"),
        (("add", "N 9", *NEW), "strip.N 9", "short name"),
        (("add", "N9", *NEW[:-1]), "strip.N9.surface", "missing"),
        (("add", "N9", "crew=nort", *NEW[1:]), "strip.N9.crew", "no crew"),
        (("end", "N2", "--on", "20/05/2026"), "--on", "not a date"),
        (("end",), "strip", "missing"),
        (("harrow-flats", "drop", "N2"), "action", "add, change, end"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(
    arguments: tuple[str, ...], key: str, says: str, run: Run, folder: Path
) -> None:
    before = (folder / SITE).read_bytes()
    code, _, err = run(*arguments)
    assert code == 2
    assert f": {key}" in err
    assert says in err
    assert ".gonogo-strips" not in err
    assert (folder / SITE).read_bytes() == before
    assert sorted(p.name for p in folder.parent.iterdir()) == ["config"]


def test_no_strip_ends_in_the_future_and_the_last_one_stays(run: Run, folder: Path) -> None:
    tomorrow = datetime.now(UTC).date() + timedelta(days=2)
    assert "future" in run("end", "N2", "--on", f"{tomorrow}")[2]
    path = folder / SITE
    kept = re.sub(r"(?m)^(\[strip\.(?!N1\])[NS]\d\])", r"\1\nended = 2026-05-01", path.read_text())
    path.write_text(kept)
    code, _, err = run("end", "N1")
    assert code == 2
    assert "ended strips alone" in err

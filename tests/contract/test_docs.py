"""The two pages for people say what the code says."""

from __future__ import annotations

import ast
import json
import re
import tomllib
from pathlib import Path

import pytest

import gonogo
from gonogo.cli import app

ROOT = Path(__file__).parents[2]
PACKAGE = Path(gonogo.__file__).parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
OPERATING = (PACKAGE / "service" / "operating.md").read_text(encoding="utf-8")
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p.name != "__init__.py" and "versions" not in p.parts)


def commands() -> set[str]:
    found = {c.name or c.callback.__name__ for c in app.app.registered_commands if c.callback}
    return found | {f"record {c.name}" for c in app.record_app.registered_commands} | {"record"}


def test_the_readme_opens_with_one_paragraph_that_states_the_job() -> None:
    first = README.split("\n\n")[1]
    for word in ("strip", "compact", "water", "wait", "optimum", "forecast", "mail"):
        assert word in first


def test_the_readme_holds_the_two_commands() -> None:
    lines = README.splitlines()
    assert "python3 -m venv .venv && .venv/bin/pip install --no-compile . && .venv/bin/gonogo demo" in lines
    assert (
        "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/pytest -n auto --dist loadfile" in lines
    )


@pytest.mark.parametrize("page", [README, DEVELOPERS, OPERATING], ids=["README", "DEVELOPERS", "operating"])
def test_each_command_that_a_page_shows_exists(page: str) -> None:
    code = " ".join(re.findall(r"```.*?```|`[^`\n]+`", page, re.S))
    shown = set(re.findall(r"(?:^|[`/ ])gonogo ((?:record )?[a-z][a-z-]*)", code))
    known = commands()
    assert shown
    assert not {s for s in shown if s not in known and s.split()[0] not in known}


def test_the_readme_shows_the_mail_that_the_demo_writes() -> None:
    recorded = json.loads((ROOT / "tests" / "mornings" / "demo" / "expected.json").read_text(encoding="utf-8"))
    mails = [mail for mail in recorded["runs"][0]["mails"] if mail["to"].startswith("north.superintendent@")]
    written = [f"Subject: {mails[0]['subject']}", "", *mails[0]["text"]]
    shown = next(block for block in README.split("```") if block.startswith("\nSubject: ")).strip("\n").splitlines()
    assert len(shown) > written.index("Behind it")
    assert shown == written[: len(shown)]


def test_the_readme_names_each_command() -> None:
    assert not {name for name in commands() if f"gonogo {name}" not in README}


def test_each_room_is_on_the_map() -> None:
    rooms = {module.relative_to(PACKAGE).parts[0] for module in MODULES if module.parent != PACKAGE}
    loose = {module.name for module in MODULES if module.parent == PACKAGE}
    shown = DEVELOPERS[DEVELOPERS.index("| room |") : DEVELOPERS.index("## To add")]
    assert {name for name in (*(f"{room}/" for room in rooms), *loose) if f"`{name}`" not in shown} == set()


def test_the_page_for_developers_stays_short_enough_to_be_read() -> None:
    assert len(DEVELOPERS.split()) <= 2_000


@pytest.mark.parametrize("module", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_each_module_says_what_it_is_and_points_to_checks_that_exist(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    first = (ast.get_docstring(ast.parse(text)) or "").split("\n")[0]
    assert len(first.split()) >= 3, "its first line says what stands in it: the map of modules is these lines"
    assert first.endswith((".", "?", ":", ",", ";")) or first[-1:].isalnum()
    for path in re.findall(r"Checked in (tests/[\w/.]+\w)", text):
        assert (ROOT / path).is_file(), path


def test_versions_agree() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == gonogo.__version__


def test_the_licence_travels_with_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert (project["license"], project["license-files"]) == ("MIT", ["gonogo/LICENSE"])
    text = (PACKAGE / "LICENSE").read_text(encoding="utf-8")
    assert text.startswith("MIT License")
    assert '"AS IS"' in text
    assert "`gonogo/LICENSE`" in README


def test_the_package_holds_its_data() -> None:
    for inside in ("defaults.toml", "wording/words/en.toml", "mail/roles/driver/body.html"):
        assert (PACKAGE / inside).is_file()
    for inside in ("store/migrations/env.py", "page/outlook.html", "page/outlook.css"):
        assert (PACKAGE / inside).is_file()

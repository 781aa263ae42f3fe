"""The two pages for people say what the code says."""

from __future__ import annotations

import ast
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
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/gonogo demo" in lines
    assert "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/pytest" in lines


@pytest.mark.parametrize("page", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_each_command_that_a_page_shows_exists(page: str) -> None:
    code = " ".join(re.findall(r"```.*?```|`[^`\n]+`", page, re.S))
    shown = set(re.findall(r"(?:^|[`/ ])gonogo ((?:record )?[a-z]+)", code))
    known = commands()
    assert shown
    assert not {s for s in shown if s not in known and s.split()[0] not in known}


def test_the_readme_names_each_command() -> None:
    assert not {name for name in commands() if f"gonogo {name}" not in README}


@pytest.mark.parametrize("module", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_each_module_is_on_the_map(module: Path) -> None:
    inside = module.relative_to(PACKAGE)
    assert f"`{inside.name}`" in DEVELOPERS or f"{inside.as_posix()}`" in DEVELOPERS or "migrations" in inside.parts


@pytest.mark.parametrize("module", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_each_module_says_what_it_is_and_points_to_checks_that_exist(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    assert ast.get_docstring(ast.parse(text))
    for path in re.findall(r"Checked in (tests/[\w/.]+\w)", text):
        assert (ROOT / path).is_file(), path


def test_versions_agree() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == gonogo.__version__


def test_the_package_holds_its_data() -> None:
    for inside in ("defaults.toml", "wording/words/en.toml", "mail/roles/driver/body.html"):
        assert (PACKAGE / inside).is_file()
    for inside in ("store/migrations/env.py", "page/outlook.html", "page/outlook.css"):
        assert (PACKAGE / inside).is_file()

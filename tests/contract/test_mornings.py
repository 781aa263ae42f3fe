"""Recorded mornings are whole: every folder has its parts, and every body is one of our own making."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDERS = sorted(
    path for path in (ROOT / "tests" / "mornings").iterdir() if path.is_dir() and path.name != "__pycache__"
)
LARGEST_BYTES = 3_500_000


def files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_there_are_eight_at_least() -> None:
    assert len(FOLDERS) >= 8


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_morning_has_all_its_parts(folder: Path) -> None:
    for part in ("config/gonogo.toml", "entries.csv", "expected.json"):
        assert (folder / part).is_file(), part
    assert list(folder.glob("config/sites/*.toml"))
    plan = tomllib.loads((folder / "morning.toml").read_text(encoding="utf-8"))
    assert plan["title"]
    named = {run["weather"] for run in plan["run"] if "weather" in run}
    assert named == {path.name for path in (folder / "weather").iterdir()}
    moments = [run["at"] for run in plan["run"]]
    assert moments == sorted(moments)


def test_the_demo_is_recorded_as_it_is_shipped() -> None:
    demo = ROOT / "tests" / "mornings" / "demo"
    assert files(demo / "config" / "sites") == files(ROOT / "config" / "sites")
    assert (demo / "config" / "gonogo.toml").read_bytes() == (ROOT / "config" / "gonogo.toml").read_bytes()
    shipped = ROOT / "fixtures" / "weather" / "open_meteo" / "harrow_flats.json"
    assert (demo / "weather" / "harrow_flats.json").read_bytes() == shipped.read_bytes()


def test_their_weather_is_what_its_script_writes() -> None:
    script = ROOT / "tests" / "make_mornings.py"
    assert subprocess.run([sys.executable, str(script), "--check"], check=False).returncode == 0, f"run python {script}"


def test_they_stay_small() -> None:
    assert sum(len(body) for folder in FOLDERS for body in files(folder).values()) < LARGEST_BYTES

"""`gonogo record`: a value that is refused is named as it was written, by its option or by its column."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from config_copy import EXAMPLE

from gonogo.cli import app
from gonogo.cli.outcome import Exit


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "config"
    shutil.copytree(EXAMPLE, made, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    return made


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (
            ("ground", "N3", "pond", "--depth", "3000"),
            "--depth = 3000: is more than 500 mm of water, which no strip holds. Write how deep it stands in "
            "millimetres, for example 30.",
        ),
        (
            ("ground", "N3", "snow", "--depth", "8000"),
            "--depth = 8000: lies outside 1 to 3000 (mm). Write how deep the snow is in millimetres, for example 30; a "
            "guess will do.",
        ),
        (("ground", "N3", "snow"), "--depth: missing."),
        (("reading", "N3", "12", "--method", "oven", "--depth", "soon"), "--depth = soon: "),
        (("reading", "N3", "12", "--method", "ovn"), "--method = ovn: "),
        (("reading", "N3", "12", "--method", "oven", "--at", "soon"), "--at = soon: "),
        (("rain", "4", "--since", "soon"), "--since = soon: "),
        (
            ("surface", "N3", "spread", "--thickness", "250"),
            "--thickness = 250: lies outside 0.05 to 0.6 (m, as spread). That looks like millimetres: write metres, "
            "for example --thickness 0.25.",
        ),
        (("surface", "N3", "rolled", "--corrects", "x"), "--corrects = x: "),
        (("reading", "N3", "990", "--method", "oven"), "w_pct = 990: "),  # has no option: it stands by its name
    ],
)
def test_a_refused_value_is_named_by_the_option_it_was_typed_with(
    folder: Path, capsys: pytest.CaptureFixture[str], typed: tuple[str, ...], said: str
) -> None:
    assert app.run(["record", *typed, "--config", str(folder)]) == Exit.CONFIG
    assert f"command line: {said}" in capsys.readouterr().err


def test_a_refused_value_of_a_file_is_named_by_its_column(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder.parent / "ground.csv"
    path.write_text("kind,strip,state,lying_mm\nground,N3,pond,3000\n")
    assert app.run(["record", "csv", str(path), "--config", str(folder)]) == Exit.CONFIG
    assert f"{path}:2: lying_mm = 3000: is more than 500 mm of water" in capsys.readouterr().err

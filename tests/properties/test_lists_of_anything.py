"""Whatever stands in a list or is answered: it is accepted or refused in words, never anything else."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest
from config_copy import EXAMPLE, SITE
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gonogo.cli import new_parsers
from gonogo.cli.new_questions import WrongAnswerError
from gonogo.config.lists import LISTS, columns_of_list, with_lists
from gonogo.config.site_file import read_site
from gonogo.config.strip_edits import changed, values_of
from gonogo.config.toml_file import ConfigFile
from gonogo.config.vocabulary import installed
from gonogo.errors import ConfigError

N = int(os.environ.get("GONOGO_EXAMPLES", "60"))
WORDS = installed()
CELLS = st.one_of(
    st.sampled_from(["", "N1", "E1", "north", "clay", "120", "0,25", "1,200", "-1", "nan", "1e400", "yes", "loose",
                     "roller", "truck", "padded", "2026-05-22", "22/05/2026", "a@b.com", "14 16 18", '"', "=1+1"]),
    st.text(max_size=12),
)  # fmt: skip
PARSERS = {
    "place": new_parsers.place, "shift": new_parsers.shift, "days": new_parsers.days, "soil": new_parsers.soil,
    "limits": new_parsers.limits, "compaction": new_parsers.compaction("us"), "window": new_parsers.window,
    "person": new_parsers.person, "size": new_parsers.strip_size("us"), "zone": new_parsers.zone,
    "thickness": new_parsers.quantity("thickness_m", "lift_thickness_m", "metric"), "name": new_parsers.name,
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("lists") / "config"
    shutil.copytree(EXAMPLE, made, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    (made / SITE).with_suffix("").mkdir()
    return made


@st.composite
def lists(draw: st.DrawFn) -> tuple[str, str]:
    name = draw(st.sampled_from(sorted(LISTS)))
    known = sorted(columns_of_list(name))
    header = [*LISTS[name], *draw(st.lists(st.sampled_from(known), max_size=6))]
    sign = draw(st.sampled_from([",", ";", "\t"]))
    rows = draw(st.lists(st.lists(CELLS, max_size=len(header) + 1), max_size=4))
    return name, "\n".join([sign.join(header), *(sign.join(row) for row in rows)])


@settings(max_examples=N, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(made=lists())
def test_a_list_of_anything_is_read_or_refused_with_its_place(made: tuple[str, str], folder: Path) -> None:
    name, text = made
    path = (folder / SITE).with_suffix("") / name
    path.write_text(text, encoding="utf-8", errors="replace")
    try:
        file = with_lists(ConfigFile(folder / SITE))
        found = read_site(file, WORDS)
        assert (found.site is None) == bool(file.faults)
        assert all(fault.place and fault.wrong and fault.right for fault in file.faults)
    finally:
        path.unlink()


@settings(max_examples=N, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=st.lists(st.tuples(st.sampled_from(sorted(columns_of_list("strips.csv"))), CELLS), max_size=4))
def test_an_edit_of_anything_is_made_or_refused(words: list[tuple[str, str]], folder: Path) -> None:
    path = (folder / SITE).with_suffix("") / "strips.csv"
    path.write_text("id,crew,material,length_ft,width_m,lift_thickness_m,surface\nE1,north,clay,400,12,0.25,loose\n")
    try:
        edit = changed(folder / SITE, "E1", values_of(tuple(f"{key}={text}" for key, text in words)))
    except ConfigError:
        edit = None
    finally:
        path.unlink()
    assert edit is None or re.match(r"id,crew,material,length_ft", edit.text)


@settings(max_examples=N, deadline=None)
@given(parser=st.sampled_from(sorted(PARSERS)), text=CELLS)
def test_an_answer_of_anything_is_taken_or_refused_in_words(parser: str, text: str) -> None:
    said: tuple[str, str] | None = None
    try:
        PARSERS[parser](text)
    except WrongAnswerError as error:
        said = error.wrong, error.right
    assert said is None or all(said)

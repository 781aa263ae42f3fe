"""Spoiled input through the commands: a config, a CSV, a rain logger's file, arguments of `gonogo record`.

Whatever is typed ends in an exit code and in words, never in a traceback; what is refused stores nothing, not even a
part. Few cases by default; GONOGO_FUZZ=1250 makes 5,000 of the four kinds together. Made once, 250 a kind with
--hypothesis-seed 1 to 5: no traceback, nothing stored in part.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import pytest
import time_machine
from config_copy import EXAMPLE, SITE
from example_mornings import example_config
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gonogo.cli import app, demo, record_app
from gonogo.config import Config
from gonogo.store import history, schema
from gonogo.store.open import open_store

N_CASES = int(os.environ.get("GONOGO_FUZZ", "8"))
FEW = settings(
    max_examples=N_CASES,
    deadline=None,
    derandomize="GONOGO_FUZZ" not in os.environ,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

CONFIG = {file: (EXAMPLE / file).read_text(encoding="utf-8") for file in ("gonogo.toml", SITE)}
LISTS = SITE.removesuffix(".toml")
CONFIG[f"{LISTS}/strips.csv"] = (
    "id;name;crew;material;length_ft;width_m;lift_thickness_m;dry_density_kg_m3;surface;finish_by (dd/mm/yyyy);"
    "reading.w_pct;reading.at;reading.method\n"
    "L1;List one;south;silty_sand;120,5;8;0,2;1520;loose;20/12/2026;11,8;2026-05-11 12:00:00;oven\n"
    "L2;;north;clay;90;12;0,25;1400;loose;;;;\n"
)
CONFIG[f"{LISTS}/people.csv"] = (
    "crew,name,address,role,language\nsouth,Ines Prado,ines@example.com,driver,es\n"
    'north,"Vale, Joan",joan@example.com,superintendent,fr\n'
)
CSV = (
    "kind,strip,at,until,w_pct,method,basis,depth_mm,rain_mm,litres,work,passes,thickness_m,result,meant\n"
    "reading,N1,2026-05-12 04:40,,17.2,oven,,,,,,,,,\n"
    "reading,S4,2026-05-12 04:45,,6.5,carbide,wet,100,,,,,,,\n"
    "rain,,2026-05-11 18:00,2026-05-12 05:00,,,,,4.5,,,,,,\n"
    "watering,N2,2026-05-12 04:50,,,,,,,9000,,,,,\n"
    "surface,N3,2026-05-12 04:55,,,,,,,,rolled,6,,,\n"
    "surface,N5,2026-05-12 04:56,,,,,,,,spread,,0.2,,\n"
    "lift,N4,2026-05-12 04:57,,,,,,,,,,,accepted,again\n"
)
LOGGER = "timestamp,rain_mm\n" + "".join(
    f"2026-05-11 {hour:02d}:{minute:02d},{0.2 * (hour % 3):.1f}\n" for hour in range(8, 14) for minute in (0, 30)
)
PIECES = [
    "", ",", ";", "\t", "\n", "\r", '"', "'", "\x00", "\x1b[2J", "\u2028", "\u00a0", "\u202e", "\ufeff", "=", "[", "]]",
    "{", "#", "nan", "inf", "-inf", "1e308", "-1", "0", "1,5", "1.500,0", "9" * 400, "0x10", "True", "null", "N1",
    "0001-01-01", "9999-12-31T23:59:59", "2026-02-30", "12/05/2026", "16:30", "24:00", "2026-03-08 02:30", "\U0001f69c",
    "kind", "strip", "reading", "w_pct", "..", "/dev/zero", "%s%n", "${HOME}", "\\u0000", '"""', "a" * 3000, "[" * 500,
]  # fmt: skip
WORDS = st.sampled_from(PIECES) | st.text(max_size=8)


@st.composite
def spoiled(draw: st.DrawFn, text: str) -> bytes:
    """A text with one to five pieces put in or taken out, now and then cut short or in another encoding."""
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(WORDS) + text[at + draw(st.integers(0, 15)) :]
    if draw(st.integers(0, 9)) == 0:
        text = text[: draw(st.integers(0, len(text)))]
    encoding = draw(st.sampled_from(("utf-8",) * 8 + ("latin-1", "utf-16", "utf-32")))
    return text.encode(encoding, "surrogatepass" if encoding.startswith("utf") else "replace")


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Config:
    return example_config(tmp_path_factory.mktemp("fuzz"))


@pytest.fixture
def say(loaded: Config, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., tuple[int, str, str]]]:
    """Types a `record` command against the example config, loaded once, and gives exit code and both screens."""
    monkeypatch.setattr(record_app, "load_config", lambda _: loaded)
    with time_machine.travel(demo.MORNING_UTC, tick=False):
        yield typed


def typed(*arguments: str) -> tuple[int, str, str]:
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = app.run(arguments)
    return code, out.getvalue(), err.getvalue()


def n_stored(loaded: Config) -> int:
    store = open_store(loaded)
    with schema.read(store) as connection:
        n_lines = len(history.entry_log(connection, loaded.sites[0].id, limit=100_000))
    store.dispose()
    return n_lines


def require_words_and_nothing_in_part(
    loaded: Config, say: Callable[..., tuple[int, str, str]], *arguments: str
) -> None:
    before = n_stored(loaded)
    code, out, err = say(*arguments)
    added = n_stored(loaded) - before
    assert "Traceback" not in err
    assert all(c.isprintable() or c in "\n\t" for c in out + err)
    if code == app.Exit.OK and "--help" not in arguments:
        assert int(re.findall(r"(\d+) stored", out)[-1]) == added
    else:
        assert code in (app.Exit.OK, app.Exit.ATTENTION, app.Exit.CONFIG)
        assert added == 0
        assert err.strip() or out.strip()


@FEW
@given(body=spoiled(CSV))
def test_a_spoiled_csv_is_stored_whole_or_refused_in_words(
    loaded: Config, say: Callable[..., tuple[int, str, str]], tmp_path: Path, body: bytes
) -> None:
    path = tmp_path / "day.csv"
    path.write_bytes(body)
    require_words_and_nothing_in_part(loaded, say, "record", "csv", str(path))


@FEW
@given(body=spoiled(LOGGER))
def test_a_spoiled_logger_is_stored_whole_or_refused_in_words(
    loaded: Config, say: Callable[..., tuple[int, str, str]], tmp_path: Path, body: bytes
) -> None:
    path = tmp_path / "logger.csv"
    path.write_bytes(body)
    require_words_and_nothing_in_part(loaded, say, "record", "gauge-csv", str(path))


NUMBERS = st.sampled_from(["11.2", "17", "0", "9000", "6", "0.2", "95", "1740", "1e5", "11,2"]) | WORDS
STRIPS = st.sampled_from(["N1", "N3", "S4", "n2", "N9", "N1 Ramp toe"]) | WORDS
MOMENTS = st.sampled_from(["2026-05-12 04:30", "04:30", "2026-05-11T18:00-05:00", "2026-05-13 04:30"]) | WORDS
METHODS = st.sampled_from(["oven", "nuclear gauge", "carbide", "borrow"]) | WORDS
OPTIONS = st.lists(
    st.tuples(st.sampled_from(["--at", "--since", "--until"]), MOMENTS)
    | st.tuples(st.sampled_from(["--method", "--basis", "--material"]), METHODS | st.just("wet"))
    | st.tuples(
        st.sampled_from(["--dry-density", "--depth", "--passes", "--thickness", "--loads", "--load-m3", "--corrects"]),
        NUMBERS,
    )
    | st.tuples(st.sampled_from(["--again", "--long", "--help"])),
    max_size=4,
)
ARGUMENTS = st.one_of(
    st.tuples(st.just("reading"), STRIPS, NUMBERS),
    st.tuples(st.just("rain"), NUMBERS),
    st.tuples(st.just("watering"), STRIPS, NUMBERS),
    st.tuples(st.just("surface"), STRIPS, st.sampled_from(["rolled", "spread", "disked", "sealed"]) | WORDS),
    st.tuples(st.just("ground"), STRIPS, st.sampled_from(["snow", "cleared", "pond", "firm"]) | WORDS),
    st.tuples(st.just("lift"), STRIPS, st.sampled_from(["accepted", "rework"]) | WORDS),
    st.tuples(st.just("withdraw"), st.integers(-5, 10**12).map(str) | WORDS),
    st.tuples(st.just("list"), st.just("--days"), NUMBERS),
)


@FEW
@given(words=ARGUMENTS, options=OPTIONS)
def test_whatever_is_typed_is_stored_or_refused_in_words(
    loaded: Config,
    say: Callable[..., tuple[int, str, str]],
    words: tuple[str, ...],
    options: list[tuple[str, ...]],
) -> None:
    flat = [part for option in options for part in option]
    if words[0] in ("withdraw", "list"):
        before = n_stored(loaded)
        code, out, err = say("record", *words, *flat)
        assert code in (app.Exit.OK, app.Exit.CONFIG)
        assert out + err
        assert n_stored(loaded) - before <= (code == app.Exit.OK)
        return
    require_words_and_nothing_in_part(loaded, say, "record", *words, *flat)


@FEW
@given(file=st.sampled_from(sorted(CONFIG)), data=st.data())
def test_a_spoiled_config_is_read_or_refused_in_words(file: str, data: st.DataObject, tmp_path: Path) -> None:
    folder = tmp_path / "config"
    shutil.rmtree(folder, ignore_errors=True)
    (folder / LISTS).mkdir(parents=True)
    for name, text in CONFIG.items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / file).write_bytes(data.draw(spoiled(CONFIG[file])))
    before = sorted(folder.rglob("*"))
    code, out, err = typed("check", "--config", str(folder))
    assert code in (app.Exit.OK, app.Exit.CONFIG)
    assert "Traceback" not in err
    assert all(c.isprintable() or c in "\n\t" for c in out + err)
    lines = err.splitlines()
    faults = lines[:-1] if len(lines) > 1 else lines
    assert code == app.Exit.OK or (faults and all(line.startswith(str(folder)) for line in faults))
    assert sorted(folder.rglob("*")) == before

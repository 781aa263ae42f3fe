"""However the example is spoiled, loading it ends in a config or in faults, and never in another error."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from config_copy import EXAMPLE, SITE, WORDS
from hypothesis import example as also
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo.config import Config, check_report, fault_report, load, settings_report
from gonogo.errors import ConfigError

FILES = ("gonogo.toml", SITE)
LINES = {file: (EXAMPLE / file).read_text(encoding="utf-8").splitlines() for file in FILES}
KEYS = sorted({line.split("=")[0].strip() for lines in LINES.values() for line in lines if "=" in line.split("#")[0]})

VALUES = st.one_of(
    st.sampled_from(
        "nan inf -inf true false {} [] [[]] [{}] {a={b=1}} 05:30:00 2026-05-11 0001-01-01T00:00:00Z "
        "2026-05-11T10:00:00 "
        "9999-12-31T23:59:59-23:59 1979-05-27T07:32:00+14:00 -0.0 1e308 -1e308 0x7fffffffffffffff 1_000 '' "
        '"\\u0000" '
        '"\\r\\n" "../.." "/" "America" [1,"a"] [nan,1.0] [2.0,-2.0] ["mon","mon"]'.split()
    ),
    st.integers(-(10**30), 10**30).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.text(max_size=20).map(lambda s: "'" + s.replace("'", "").replace("\n", "") + "'"),
    st.lists(st.floats(-100, 3000), max_size=7).map(repr),
)
SPOILS = st.tuples(
    st.sampled_from(FILES),
    st.integers(0, 400),
    st.one_of(
        st.just(("drop", "")),
        st.just(("double", "")),
        st.tuples(st.just("value"), VALUES),
        st.tuples(st.just("key"), st.sampled_from(KEYS)),
        st.tuples(st.just("insert"), st.text(max_size=12)),
        st.tuples(st.just("cut"), st.just("")),
    ),
)


def spoiled(lines: list[str], at: int, how: str, what: str) -> list[str]:
    """Return the lines with one of them changed."""
    at %= max(1, len(lines))
    line = lines[at] if lines else ""
    key, equals, value = line.partition("=")
    new = {
        "drop": [],
        "double": [line, line],
        "value": [f"{key}= {what}"] if equals else [line],
        "key": [f"{what} ={value}"] if equals else [f"[{what}]"],
        "insert": [line, what],
        "cut": [line[: len(line) // 2]],
    }[how]
    return [*lines[:at], *new, *lines[at + 1 :]]


@settings(max_examples=200, deadline=None)
@given(st.lists(SPOILS, min_size=1, max_size=4))
@also([(SITE, 6, ("value", "1" + "0" * 400))])
@also([(SITE, 6, ("value", "9" * 5000))])
def test_a_spoiled_config_never_ends_in_another_error(spoils: list[tuple[str, int, tuple[str, str]]]) -> None:
    texts = {file: list(lines) for file, lines in LINES.items()}
    for file, at, (how, what) in spoils:
        texts[file] = spoiled(texts[file], at, how, what)
    folder = Path(tempfile.mkdtemp())
    try:
        (folder / "sites").mkdir()
        for file, lines in texts.items():
            (folder / file).write_bytes("\n".join(lines).encode("utf-8", errors="surrogateescape"))
        config, error = loaded(folder)
    finally:
        shutil.rmtree(folder)
    if config is not None:
        assert config.sites[0].strips
        assert check_report(config)
        assert settings_report(config)
    else:
        assert error is not None
        assert error.faults
        for fault in error.faults:
            assert fault.place.startswith(str(folder))
            assert fault.key
            assert fault.wrong
            assert fault.right
            assert str(fault).isprintable()
        assert fault_report(error)


def loaded(folder: Path) -> tuple[Config | None, ConfigError | None]:
    """Return the config or the faults; any other error goes through."""
    try:
        return load(folder, environ={}, vocabulary=WORDS), None
    except ConfigError as error:
        return None, error

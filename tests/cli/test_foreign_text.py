"""What others write on its way to a screen, a log, a mail or the database: no escapes, no forged lines, no secrets."""

from __future__ import annotations

import base64
import os
import stat
import sys
from pathlib import Path
from urllib.parse import quote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gonogo import __main__
from gonogo.cli import app
from gonogo.download.web import refusal
from gonogo.errors import WeatherError
from gonogo.outgoing.smtp import _shown
from gonogo.records.foreign_text import HIDDEN, body_without_secrets, one_line, readable, without_secrets
from gonogo.records.outside import Answer, Transport
from gonogo.service.logs import Cleaner

SECRET = "s3cr3t Pa55/w+rd"
FORGING = "fine\r\nADDED\x0bline\x85here\u2028there \x1b[31mred \u202eback\x00"


@pytest.mark.parametrize(
    "echoed",
    [
        SECRET,
        quote(SECRET, safe=""),
        base64.b64encode(SECRET.encode()).decode(),
        base64.b64encode(f"\0user\0{SECRET}".encode()).decode(),
        base64.urlsafe_b64encode(f"user:{SECRET}".encode()).decode(),
    ],
    ids=["in clear", "in an address", "base64", "as a login", "as basic authentication"],
)
def test_an_echoed_secret_is_shown_nowhere(echoed: str) -> None:
    transport = Transport(kind="smtp", sender="gonogo@example.com", password=SECRET)
    core = base64.b64encode(SECRET.encode()).decode()[4:-4]
    for text in (
        _shown(f"535 no: {echoed}".encode(), transport),
        Cleaner((SECRET,))(f"said {echoed} twice"),
        without_secrets(f"AUTH {echoed}", [SECRET]),
        body_without_secrets(f'{{"key": "{echoed}"}}'.encode(), [SECRET]).decode(),
    ):
        assert HIDDEN in text
        assert echoed not in text
        assert SECRET not in text
        assert core not in text


def test_what_a_service_says_forges_no_line_and_moves_no_cursor() -> None:
    answer = Answer(service="nws", url="x", fetched_utc=None, status=500, headers={}, body=FORGING.encode())  # type: ignore[arg-type]
    for text in (refusal(answer), one_line(FORGING), str(WeatherError(refusal(answer), passing=True))):
        assert len(text.splitlines()) == 1
        assert all(c.isprintable() for c in text)


@given(text=st.text(max_size=400))
@settings(max_examples=60, deadline=None)
def test_readable_text_stays_and_the_rest_can_be_read(text: str) -> None:
    shown = readable(text)
    assert len(shown.splitlines()) <= 1
    assert readable(shown) == shown
    if text.isprintable():
        assert shown == text


def test_the_screen_gets_no_escape_of_a_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["--version"]) == 0
    assert capsys.readouterr().out.startswith("gonogo ")
    assert app.run(["check", "--config", str(tmp_path / "no\x1b[31mwhere")]) == 2
    assert "\x1b" not in capsys.readouterr().err


def test_what_a_command_writes_is_for_its_owner_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")
    monkeypatch.setattr(sys, "argv", ["gonogo", "--version"])
    before = os.umask(0o022)
    try:
        with pytest.raises(SystemExit):
            __main__.main()
        made = _made(tmp_path)
    finally:
        os.umask(before)
    assert stat.S_IMODE(made.stat().st_mode) == 0o700
    assert stat.S_IMODE((made / "a.eml").stat().st_mode) == 0o600


def test_the_command_does_its_linear_algebra_in_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["gonogo", "--version"])
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "")
    monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    before = os.umask(0o077)
    try:
        with pytest.raises(SystemExit):
            __main__.main()
    finally:
        os.umask(before)
    assert os.environ["OPENBLAS_NUM_THREADS"] == "1"


def _made(tmp_path: Path) -> Path:
    made = tmp_path / "mails"
    made.mkdir()
    (made / "a.eml").write_text("to somebody")
    return made

"""`gonogo sent`: a mail as it went, byte for byte, whatever was computed since."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from book_season import FIRST, Season

from gonogo.cli import app, book_app
from gonogo.store import outcomes, schema


@pytest.fixture
def season(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Season]:
    season = Season(tmp_path, n_days=1)
    season.morning(FIRST)
    monkeypatch.setattr(book_app, "load_config", lambda _: season.config)
    yield season
    season.store.dispose()


def test_a_day_lists_its_mails_with_the_course_of_each(season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["sent", "--date", "2026-04-06"]) == app.Exit.OK
    shown = capsys.readouterr().out
    assert "5 mails" in shown
    assert shown.count("  now         sent 2026-04-06 05:30:00") == 5
    assert len(re.findall(r"^  Message-ID  <.+>$", shown, flags=re.MULTILINE)) == 5


def test_one_person_s_mail_is_shown_whole_and_written_as_it_went(
    season: Season, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "out"
    assert app.run(["sent", "--date", "2026-04-06", "--person", "sam okoro", "--out", str(folder)]) == app.Exit.OK
    shown = capsys.readouterr().out
    with schema.read(season.store) as connection:
        mail = next(m for m in outcomes.outcomes(connection) if m.name == "Sam Okoro")
        raw = outcomes.raw_of(connection, mail.message_id)
    (eml,) = folder.glob("*.eml")
    (page,) = folder.glob("*.html")
    assert eml.read_bytes() == raw
    assert "<html" in page.read_text(encoding="utf-8")
    assert mail.subject in shown
    assert "not watered" in shown or "No watering" in shown, "the text of the mail itself"


def test_a_day_or_a_person_without_mail_is_said(season: Season, capsys: pytest.CaptureFixture[str]) -> None:
    other = FIRST - timedelta(days=1)
    assert app.run(["sent", "--date", str(other)]) == app.Exit.ATTENTION
    assert "no mail is stored" in capsys.readouterr().out
    assert app.run(["sent", "--date", str(FIRST), "--person", "nobody"]) == app.Exit.ATTENTION
    assert 'no mail to "nobody" is stored' in capsys.readouterr().out


def test_a_folder_that_cannot_be_written_is_named(
    season: Season, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "taken").write_text("a file")
    assert app.run(["sent", "--date", str(FIRST), "--out", str(tmp_path / "taken" / "in")]) == app.Exit.ATTENTION
    assert "Name another folder with --out." in capsys.readouterr().err

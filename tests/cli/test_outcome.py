"""What is printed while a command is at work: as soon as it is known, and never at the cost of the work."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import pytest
from example_mornings import example_config, no_weather, opened
from fleet_config import many_sites

from gonogo.cli import mornings
from gonogo.cli.arguments import progress
from gonogo.cli.demo import MORNING_UTC
from gonogo.cli.outcome import Printer
from gonogo.store import runs, schema


def test_parts_are_printed_at_once_and_what_a_terminal_would_act_on_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    printer = Printer()
    printer.tell("first\x1b[2J")
    assert capsys.readouterr().out == "first\\x1b[2J\n\n"
    printer.tell("second")
    assert capsys.readouterr().out == "second\n\n"
    printer.end()


def test_a_pipe_that_was_closed_costs_no_site_its_morning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = many_sites(example_config(tmp_path), 2)
    read_end, write_end = os.pipe()
    os.close(read_end)
    printer = Printer()
    asked = mornings.MorningRequest(sites=loaded.sites, now_utc=MORNING_UTC)
    with os.fdopen(write_end, "w") as closed:
        monkeypatch.setattr(sys, "stdout", closed)
        mornings.mornings(loaded, asked, say=lambda _: None, tell=printer.tell, fetch=no_weather)
        monkeypatch.undo()
        with pytest.raises(BrokenPipeError):
            printer.end()
        with pytest.raises(BrokenPipeError):
            closed.flush()
        os.dup2(os.open(os.devnull, os.O_WRONLY), closed.fileno())  # so that closing it has nothing to say
    store = opened(loaded)
    with schema.read(store) as connection:
        assert {run.site_id for run in runs.runs(connection)} == {site.id for site in loaded.sites}
    store.dispose()


def test_a_site_is_told_before_the_next_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded = many_sites(example_config(tmp_path), 2)
    heard: list[str] = []
    asked = mornings.MorningRequest(sites=loaded.sites, now_utc=MORNING_UTC)
    mornings.mornings(loaded, asked, say=heard.append, tell=heard.append, fetch=no_weather)
    names = [site.name for site in loaded.sites]
    assert [text.splitlines()[0].split(",")[0] for text in heard] == [names[0], names[0], names[1], names[1]]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("is_terminal", [True, False])
def test_what_is_printed_beside_a_progress_bar_goes_where_stdout_goes(
    monkeypatch: pytest.MonkeyPatch, is_terminal: bool
) -> None:
    """On one terminal it stands above the bar; in a file it stands alone, and the terminal has none of it."""
    bar, out = Terminal(), Terminal() if is_terminal else io.StringIO()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", bar)
    monkeypatch.setattr(sys, "stdout", out)
    with progress("mornings", total=2) as step:
        step("Site 1")
        Printer().tell("what came of it")
    assert ("what came of it" in bar.getvalue()) == is_terminal
    assert out.getvalue() == ("" if is_terminal else "what came of it\n\n")

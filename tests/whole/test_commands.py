"""The commands as a person types them: what they print, what they leave behind, their exit codes."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.parser import BytesParser
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
import time_machine
from example_mornings import ROOT, example_config, no_weather, opened, plain_of, recorded, run_example

from gonogo.cli import app, demo, mornings, outlook_report, status, whatif_report
from gonogo.cli.exit_codes import MEANINGS
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.cli.readers import read_by
from gonogo.cli.record_app import record_app
from gonogo.config import Config
from gonogo.decide.whatif import Turn
from gonogo.records.field import Reading
from gonogo.records.outside import Transport
from gonogo.records.site import Site
from gonogo.service import service as running
from gonogo.store import history, outcomes, runs, schema
from gonogo.wording.language import speaker

EN = speaker("en", "metric")

HEAVY = ("pandas", "numpy", "sqlalchemy", "alembic", "jinja2", "babel", "requests", "apscheduler", "pydantic")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The example config in a folder of its own."""
    return Path(shutil.copytree(ROOT / "config", tmp_path / "config"))


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str], folder: Path) -> Callable[..., tuple[int, str, str]]:
    """Types a command against the example config; gives exit code, screen and error screen."""

    def run(*arguments: str) -> tuple[int, str, str]:
        code = app.run([*arguments, "--config", str(folder)])
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return run


def mornings_typed(loaded: Config, **changes: Any) -> CommandOutcome:
    """`gonogo morning` on the recorded weather; changes replace what is asked for."""
    arguments: dict[str, Any] = {
        "now_utc": demo.MORNING_UTC,
        "on": None,
        "dry_run": False,
        "folder": None,
        "fetch": recorded,
    } | changes
    fetch = arguments.pop("fetch")
    asked = mornings.MorningRequest(sites=loaded.sites, **arguments)
    told: list[str] = []
    outcome = mornings.mornings(loaded, asked, say=lambda _: None, tell=told.append, fetch=fetch)
    return replace(outcome, text="\n\n".join([*told, outcome.text]))


def test_recording_does_not_wait_for_tables(folder: Path) -> None:
    code = (
        "import sys; from gonogo.cli import app; "
        "code = app.run(['record', 'reading', 'N3', '11.2', '--method', 'oven', '--config', sys.argv[1]]); "
        "print(code, 'pandas' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "0 False"


def test_help_imports_nothing_heavy() -> None:
    code = "import sys; from gonogo.cli import app; app.run(['--help']); print(*sorted(sys.modules), sep='\\n')"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "gonogo.cli.app" in loaded
    assert not loaded & set(HEAVY)


def test_each_command_has_help_that_teaches(capsys: pytest.CaptureFixture[str]) -> None:
    names = [c.name or c.callback.__name__ for c in app.app.registered_commands if c.callback]
    assert {"demo", "new", "check", "morning", "outlook", "serve", "status"} <= set(names)
    for name in [*names, "record"]:
        assert app.run([name, "--help"]) == app.Exit.OK
        shown = capsys.readouterr().out
        assert len(shown.split()) > 40
        assert "Exit codes: 0 " in shown or name == "record"
    for name in [c.name or "" for c in record_app.registered_commands]:
        assert app.run(["record", name, "--help"]) == app.Exit.OK
        assert "Exit codes: 0 stored; 1 " in " ".join(capsys.readouterr().out.split())
    assert set(MEANINGS) - {"record"} <= set(names)


def test_an_unknown_command_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    assert app.run(["mornin"]) == app.Exit.CONFIG
    assert "morning" in capsys.readouterr().err


def test_the_demo_writes_mails_that_open_in_a_browser(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "demo"
    assert app.run(["demo", "--folder", str(target)]) == app.Exit.OK
    shown = capsys.readouterr().out
    assert str(target / "mails" / "index.html") in shown
    assert all(word in shown for word in ("COMPACT", "WATER", "WAIT"))
    mails = sorted(target.rglob("*.eml"))
    assert len(mails) == 5
    index = (target / "mails" / "index.html").read_text(encoding="utf-8")
    for path in mails:
        page = path.with_suffix(".html")
        assert page.is_file()
        assert page.name in index
        mail = BytesParser(policy=default).parsebytes(path.read_bytes())
        assert mail.get_body(("plain",)) is not None
        assert mail.get_body(("html",)) is not None


def test_the_demo_writes_the_days_ahead_as_a_page_too(tmp_path: Path) -> None:
    result = demo.run(tmp_path / "demo")
    text = result.outlook.read_text(encoding="utf-8")
    assert "Order of work" in text
    assert "S4 Drainage blanket" in text


def test_the_demo_shows_rain_a_language_units_and_what_a_reply_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "demo"
    arguments = ("--language", "es", "--units", "metric", "--reply", "--folder", str(target))
    assert app.run(["demo", *arguments]) == app.Exit.OK
    shown = capsys.readouterr().out
    for said in ("COMPACTAR", "REGAR PRIMERO", "N4 18,6 densímetro nuclear", "ENSAYAR pasa a COMPACTAR"):
        assert said in shown
    assert not re.search(r"\d gal", shown)
    mails = [BytesParser(policy=default).parsebytes(path.read_bytes()) for path in target.rglob("*.eml")]
    assert len(mails) == 9
    assert {mail["Content-Language"] for mail in mails} == {"es"}
    assert any(str(mail["Subject"]).startswith("Cambio:") for mail in mails)
    assert app.run(["demo", "--rain", "--folder", str(target)]) == app.Exit.OK
    rainy = capsys.readouterr().out
    assert "0.55 in of rain" in rainy
    assert "COMPACT " not in rainy


def test_the_demo_can_be_repeated_and_spares_what_it_did_not_write(tmp_path: Path) -> None:
    target = tmp_path / "demo"
    assert app.run(["demo", "--folder", str(target)]) == app.Exit.OK
    assert app.run(["demo", "--folder", str(target)]) == app.Exit.OK
    other = tmp_path / "mine"
    other.mkdir()
    (other / "letter.txt").write_text("keep me", encoding="utf-8")
    assert app.run(["demo", "--folder", str(other)]) == app.Exit.ATTENTION
    assert [p.name for p in other.iterdir()] == ["letter.txt"]


def test_check_says_what_the_config_holds_and_what_the_licence_allows(say: Callable[..., tuple[int, str, str]]) -> None:
    code, shown, _ = say("check")
    assert code == app.Exit.OK
    assert "Harrow Flats embankment" in shown
    assert "non-commercial" in shown


def test_a_wrong_config_gets_every_fault_and_exit_code_2(
    say: Callable[..., tuple[int, str, str]], folder: Path
) -> None:
    site = folder / "sites" / "harrow-flats.toml"
    text = site.read_text(encoding="utf-8")
    site.write_text(
        text.replace('zone = "America/Chicago"', 'zone = "America/Chicagoo"').replace(
            "omc_pct = 12.4", "omc_pct = 0.124"
        ),
        encoding="utf-8",
    )
    code, _, faults = say("check")
    assert code == app.Exit.CONFIG
    assert "America/Chicagoo" in faults
    assert "looks like a ratio: write percent of dry mass" in faults
    assert faults.count("harrow-flats.toml") == 2


def test_settings_names_every_number_its_range_and_who_set_it(say: Callable[..., tuple[int, str, str]]) -> None:
    code, shown, _ = say("settings")
    assert code == app.Exit.OK
    assert "compact_chance_min" in shown
    assert "run_lead_min" in shown


@time_machine.travel(demo.MORNING_UTC, tick=False)
def test_a_morning_typed_by_hand_stores_mails_and_says_so(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    outcome = mornings_typed(loaded)
    assert outcome.exit_code == app.Exit.OK
    assert "5 mails written" in outcome.text
    again = mornings_typed(loaded)
    assert "already run" in again.text
    assert "0 mails" in again.text


@pytest.mark.parametrize("on", [None, demo.DAY + timedelta(days=1)])
def test_a_dry_run_or_another_date_shows_the_mails_and_stores_nothing(tmp_path: Path, on: object) -> None:
    loaded = example_config(tmp_path)
    outcome = mornings_typed(loaded, on=on, dry_run=on is None)
    assert "Subject: " in outcome.text
    assert "nothing was sent" in outcome.text
    store = opened(loaded)
    with schema.read(store) as connection:
        assert runs.runs(connection) == ()
        assert outcomes.outcomes(connection) == ()
    store.dispose()
    assert not (tmp_path / "mails").exists()


def test_a_past_morning_is_made_again_from_the_answer_stored_then(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    store = opened(loaded)
    first = run_example(loaded, store)
    store.dispose()
    assert first is not None
    outcome = mornings_typed(
        loaded, now_utc=demo.MORNING_UTC + timedelta(days=9), on=demo.MORNING_UTC, dry_run=True, fetch=no_weather
    )
    assert outcome.exit_code == app.Exit.OK
    for decision in first.conclusion.decisions:
        assert f"{decision.verdict.upper()}" in outcome.text
    assert plain_of(first.mails[0]) in outcome.text


def test_no_verdict_has_an_exit_code_of_its_own(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    outcome = mornings_typed(loaded, dry_run=True, folder=tmp_path / "look", fetch=no_weather)
    assert outcome.exit_code == app.Exit.NO_VERDICT
    assert "NO VERDICT" in outcome.text
    assert (tmp_path / "look" / "index.html").is_file()


def test_a_date_that_is_none_is_refused(say: Callable[..., tuple[int, str, str]]) -> None:
    code, _, faults = say("morning", "--dry-run", "--date", "tomorrow")
    assert code == app.Exit.CONFIG
    assert "2026-05-13" in faults


def test_a_site_that_is_none_is_refused_with_the_nearest_name(say: Callable[..., tuple[int, str, str]]) -> None:
    code, _, faults = say("morning", "harow-flats", "--dry-run")
    assert code == app.Exit.CONFIG
    assert 'Did you mean "harrow-flats"?' in faults


def test_a_correction_replaces_an_entry_and_keeps_it(say: Callable[..., tuple[int, str, str]]) -> None:
    assert say("record", "reading", "N3", "21.2", "--method", "oven")[0] == app.Exit.OK
    code, shown, _ = say("record", "reading", "N3", "12.2", "--method", "oven", "--corrects", "1")
    assert code == app.Exit.OK
    assert "in place of 1" in shown
    _, listed, _ = say("record", "list")
    assert "21.2 %" in listed
    assert "corrected by 2" in listed
    code, _, faults = say("record", "reading", "N3", "13.2", "--method", "oven", "--corrects", "1")
    assert code == app.Exit.CONFIG
    assert "corrected already, by entry 2" in faults


def test_a_carbide_reading_is_shown_on_dry_mass_and_its_density_with_the_air_that_it_leaves(
    say: Callable[..., tuple[int, str, str]],
) -> None:
    """16.0 % of wet mass is 19.05 % of dry mass; 1740 kg/m3 of grains of 2.72 leave 36.0 % pores, 33.1 % water."""
    reading = ("record", "reading", "N3", "16.0", "--method", "carbide", "--basis", "wet", "--dry-density")
    code, shown, _ = say(*reading, "1740")
    assert code == Exit.OK
    assert "reading 19.0 %, 1740 kg/m3 dry, 2.9 % air voids, 92 % saturation, 98.7 % of 95 % compaction" in shown
    code, _, faults = say(*reading, "2000")
    assert code == Exit.CONFIG
    assert "--dry-density = 2000: is impossible" in faults


def test_what_is_typed_of_a_lift_is_about_the_lift_that_lies_there(say: Callable[..., tuple[int, str, str]]) -> None:
    code, shown, _ = say("record", "surface", "N3", "spread", "--thickness", "0.15", "--material", "drain_sand")
    assert code == Exit.OK
    assert "spread: 150 mm, drain_sand" in shown
    # 1600 kg/m3 is 90.9 % of the sand's 1760; of the strip's own clay it would be 90.8.
    _, shown, _ = say("record", "reading", "N3", "12", "--method", "oven", "--dry-density", "1600")
    assert "90.9 % of 95 % compaction: not reached" in shown
    code, shown, _ = say("record", "lift", "N3", "accepted")
    assert code == Exit.OK
    assert "N3 lift accepted" in shown
    code, _, faults = say("record", "surface", "N3", "spread", "--thickness", "0.7")
    assert code == Exit.CONFIG
    assert "--thickness = 0.7: lies outside 0.05 to 0.6" in faults


def test_what_lies_on_a_strip_is_typed_asked_about_and_withdrawn(say: Callable[..., tuple[int, str, str]]) -> None:
    code, _, faults = say("record", "ground", "N3", "cleared")
    assert code == Exit.CONFIG
    assert "state = cleared: no snow is known on N3" in faults
    code, shown, _ = say("record", "ground", "N3", "snow", "--depth", "80")
    assert (code, "N3 ground snow, 80 mm" in shown) == (Exit.OK, True)
    code, shown, _ = say("record", "ground", "N3", "cleared")
    assert (code, "N3 ground cleared" in shown) == (Exit.OK, True)
    code, _, faults = say("record", "ground", "N3", "pond", "--depth", "800")
    assert code == Exit.CONFIG
    assert "is more than 500 mm of water" in faults
    number = shown.partition(":")[0]
    code, _, _ = say("record", "withdraw", number)
    assert code == Exit.OK
    assert f"corrected by {int(number) + 1}" in say("record", "list")[1]


def test_a_csv_is_stored_whole_or_not_at_all(say: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_text(
        "kind,strip,litres,rain_mm,at,meant\nwatering,N3,9000,,,\nrain,,,4.5,2026-05-11 18:00,long\n", encoding="utf-8"
    )
    bad.write_text("kind,strip,litres\nwatering,N3,9000\nwatering,N33,9000\n", encoding="utf-8")
    code, _, faults = say("record", "csv", str(bad))
    assert code == app.Exit.CONFIG
    assert "bad.csv:3" in faults
    assert "nothing recorded" in say("record", "list")[1]
    code, shown, _ = say("record", "csv", str(good))
    assert code == app.Exit.OK
    assert "2 stored." in shown


def test_a_reading_moves_the_next_run(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    store = opened(loaded)
    before = run_example(loaded, store, edition="before")
    at = demo.MORNING_UTC - timedelta(minutes=20)
    for minutes in (50, 20):  # two tests agree, so that even a far-off first one counts
        entry = Reading(strip_id="N3", at_utc=at - timedelta(minutes=minutes), w_pct=14.0, method="oven")
        with schema.begin(store) as connection:
            history.add_entry(connection, "harrow-flats", entry, history.Arrival(entered_utc=at, entered_by="test"))
    after = run_example(loaded, store, edition="after")
    store.dispose()
    assert before is not None
    assert after is not None
    wet = {d.strip_id: d.w_now_pct for d in before.conclusion.decisions}
    dry = {d.strip_id: d.w_now_pct for d in after.conclusion.decisions}
    assert dry["N3"] < wet["N3"] - 2.0
    assert dry["N1"] == pytest.approx(wet["N1"], abs=0.5)


def test_status_is_well_after_a_good_morning_and_not_after_a_bad_one(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    assert status.status(loaded, now_utc=demo.MORNING_UTC, speak=EN).exit_code == app.Exit.OK
    with time_machine.travel(demo.MORNING_UTC, tick=False):
        mornings_typed(loaded)
    good = status.status(loaded, now_utc=demo.MORNING_UTC + timedelta(minutes=5), speak=EN)
    assert good.exit_code == app.Exit.OK, good.text
    assert re.search(r"done [0-9:]+: (compact|water|wait) [0-9]", good.text)
    assert re.search("[0-9] sent", good.text)
    assert re.search(r"next run +Wed 13 May 05:15", good.text.replace("\u00a0", " "))
    missed = status.status(loaded, now_utc=demo.MORNING_UTC + timedelta(days=1, hours=1), speak=EN)
    assert missed.exit_code == app.Exit.ATTENTION
    assert re.search(r"MISSED +no run for Wed 13 May", missed.text.replace("\u00a0", " "))


def test_status_speaks_the_operators_language(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    missed = status.status(loaded, now_utc=demo.MORNING_UTC, speak=speaker("fr", "metric")).text
    assert "dernier     aucun encore" in missed
    assert "prochain    mer. 13 mai 05 h 15" in missed.replace("\u00a0", " ")
    assert missed.endswith("Tout va bien.")
    us = status.status(loaded, now_utc=demo.MORNING_UTC - timedelta(hours=1), speak=speaker("en", "us")).text
    assert "next run     5:15 AM" in us.replace("\u202f", " ").replace("\u00a0", " ")


def test_status_names_a_mail_server_that_is_down(tmp_path: Path) -> None:
    down = Transport(kind="smtp", sender="gonogo@example.com", host="127.0.0.1", port=9, security="none", timeout_s=2.0)
    loaded = example_config(tmp_path, transport=down)
    with time_machine.travel(demo.MORNING_UTC, tick=False):
        outcome = mornings_typed(loaded)
    assert outcome.exit_code == app.Exit.ATTENTION
    assert "127.0.0.1" in outcome.text
    state = status.status(loaded, now_utc=demo.MORNING_UTC, speak=EN)
    assert state.exit_code == app.Exit.ATTENTION
    assert "WAITING" in state.text


def test_the_service_runs_a_due_morning_delivers_it_and_stops(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    stop = threading.Event()
    with time_machine.travel(demo.MORNING_UTC):
        worker = threading.Thread(target=lambda: running.serve(loaded, stop=stop, fetch=recorded))
        worker.start()
        for _ in range(600):
            if len(list((tmp_path / "mails").rglob("*.eml"))) == 5:
                break
            worker.join(0.1)
        stop.set()
        worker.join(30.0)
    assert not worker.is_alive()
    assert len(list((tmp_path / "mails").rglob("*.eml"))) == 5
    store = opened(loaded)
    with schema.read(store) as connection:
        run = runs.last_run(connection, "harrow-flats")
        assert run is not None
        assert run.day == demo.DAY
    store.dispose()
    assert datetime.now(UTC) > demo.MORNING_UTC


def test_the_outlook_is_lines_for_a_pipe_and_one_page_for_a_wall(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    page = tmp_path / "outlook.html"
    shown = outlook_report.show(
        loaded, loaded.sites[0], now_utc=demo.MORNING_UTC, speak=speaker("en", "metric"), html=page, fetch=recorded
    )
    assert shown.exit_code == Exit.OK
    assert "\x1b" not in shown.text
    for strip in loaded.sites[0].strips:
        assert strip.name[:20] in shown.text
        assert strip.name in page.read_text(encoding="utf-8")
    assert "Order of work" in shown.text
    assert "responsible engineer" in " ".join(shown.text.split())
    store = opened(loaded)
    with schema.read(store) as connection:
        assert runs.last_run(connection, loaded.sites[0].id, is_finished=False) is None
    store.dispose()


def test_without_weather_there_is_no_outlook_and_no_page(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    page = tmp_path / "outlook.html"
    shown = outlook_report.show(
        loaded, loaded.sites[0], now_utc=demo.MORNING_UTC, speak=speaker("en", "metric"), html=page, fetch=no_weather
    )
    assert shown.exit_code == Exit.NO_VERDICT
    assert "no outlook" in shown.text
    assert not page.exists()


def asked(site: Site, turn: Turn) -> whatif_report.WhatifQuestion:
    return whatif_report.WhatifQuestion(site=site, strip=site.strip("N2"), turn=turn, now_utc=demo.MORNING_UTC)


def test_what_if_stands_beside_what_is(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    site = loaded.sites[0]
    shown = whatif_report.show(
        loaded,
        asked(site, Turn(litres=20_000.0)),
        speak=speaker("en", "metric"),
        fetch=recorded,
    )
    assert shown.exit_code == Exit.OK
    assert "what if 20,000 L of water goes on now?" in " ".join(shown.text.split())
    verdict = next(line for line in shown.text.splitlines() if line.startswith("Verdict"))
    assert "WATER FIRST" in verdict


def test_outlook_and_what_if_say_the_litres_of_the_dry_run_of_that_minute(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    site = loaded.sites[0]
    told = mornings_typed(loaded, dry_run=True, speak=EN).text.partition("=====")[0]
    litres = re.search(r"N2 Ramp middle .*?([\d,]+ L)\n", told)[1]  # type: ignore[index]
    shown = whatif_report.show(loaded, asked(site, Turn(delay_h=1.0)), speak=EN, fetch=recorded).text
    water = next(line for line in shown.splitlines() if line.startswith("Water"))
    assert litres in water
    ahead = outlook_report.show(loaded, site, now_utc=demo.MORNING_UTC, speak=EN, fetch=recorded).text
    assert f"water N2 Ramp middle, {litres}" in " ".join(ahead.split())


def test_a_dry_run_is_shown_in_a_language_and_units_of_choice_and_a_sent_morning_is_not(
    tmp_path: Path, say: Callable[..., tuple[int, str, str]]
) -> None:
    loaded = read_by(example_config(tmp_path), language="pt", units="metric")
    shown = mornings_typed(loaded, dry_run=True, speak=speaker("pt", "metric")).text
    assert "UMEDECER ANTES" in shown
    assert not re.search(r"\d gal\b|\bCOMPACT\b", shown)
    for arguments, says in (
        (("morning", "--language", "es"), "Add --dry-run"),
        (("morning", "--units", "us"), "Add --dry-run"),
        (("morning", "--dry-run", "--language", "german"), "--language = german"),
    ):
        code, _, err = say(*arguments)
        assert code == app.Exit.CONFIG
        assert says in err


def test_what_if_needs_no_site_where_one_has_the_strip(say: Callable[..., tuple[int, str, str]]) -> None:
    for arguments in (("N22", "--water", "900"), ("harrow-flats", "N22", "--water", "900")):
        code, _, err = say("whatif", *arguments)
        assert code == app.Exit.CONFIG
        assert "strip = N22" in err
    code, out, _ = say("whatif", "N2", "--water", "900", "--stored")
    assert code == app.Exit.NO_VERDICT  # nothing is stored yet: the strip was found
    assert "no usable weather" in out


def test_what_if_speaks_the_readers_language_and_units(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    site = loaded.sites[0]
    turn = Turn(litres=20_000.0, rain_mm=8.0, is_disked=True, delay_h=4.0)
    for code, begins in (("es", "¿y si"), ("fr", "et si"), ("pt", "e se")):
        speak = speaker(code, "us")
        shown = whatif_report.show(loaded, asked(site, turn), speak=speak, fetch=recorded).text
        assert begins in shown
        assert "gal" in shown
        assert speak.word("caution.short").split() == shown.split()[-len(speak.word("caution.short").split()) :]
        assert not re.search(r"\d (L|mm)\b|\{", shown)


def test_a_strip_or_a_unit_that_is_none_is_refused(say: Callable[..., tuple[int, str, str]]) -> None:
    for arguments, says in (
        (("whatif", "harrow-flats", "N22", "--water", "900"), "strip = N22"),
        (("whatif", "harrow-flats", "N2"), "nothing is asked"),
        (("outlook", "--units", "metrik", "--stored"), 'Did you mean "metric"?'),
        (("outlook", "--language", "en_US", "--stored"), "--language = en_US"),
    ):
        code, _, err = say(*arguments)
        assert code == app.Exit.CONFIG
        assert says in err

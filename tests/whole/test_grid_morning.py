"""A morning on a model run by grid: fetched, read, mailed with its credit, and made again from what was stored."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from email.parser import BytesParser
from email.policy import SMTP
from pathlib import Path

import grib
import pytest
from example_mornings import ROOT, opened, run_example

from gonogo import config as configs
from gonogo.cli import app, demo, grid_report, mornings, status
from gonogo.cli.outcome import Exit
from gonogo.config import Config
from gonogo.download.rounds import Rounds
from gonogo.errors import ConfigError
from gonogo.store import outcomes, schema
from gonogo.weather.grid import sources
from gonogo.wording.language import speaker

STEPS_H = (0, 3, 6, 9, 12, 18, 24, 30, 36)
GRID = 'service = "grid"\nsource = "ecmwf"\nfolder = "runs"\ndays = 2\nbase_url = "{root}"\n'
CREDIT = "https://www.ecmwf.int/"


@pytest.fixture(autouse=True)
def small_run(monkeypatch: pytest.MonkeyPatch) -> None:
    grib.eccodes()
    small = replace(sources.SOURCES["ecmwf"], steps_of=lambda hour, days: STEPS_H)
    monkeypatch.setitem(sources.SOURCES, "ecmwf", small)


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Callable[..., tuple[int, str, str]]:
    shutil.copytree(ROOT / "config", tmp_path / "config")

    def run(*arguments: str) -> tuple[int, str, str]:
        code = app.run([*arguments, "--config", str(tmp_path / "config")])
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return run


def with_grid(folder: Path, root: str, more: str = "") -> Path:
    """Put the service into a config in place of its own; return the folder of runs."""
    file = folder / "config" / "gonogo.toml"
    text = file.read_text(encoding="utf-8")
    changed = re.sub(r'service = "open_meteo"\n(?:(?:timeout_s|retries).*\n)*', GRID.format(root=root) + more, text)
    assert changed != text
    file.write_text(changed, encoding="utf-8")
    return folder / "config" / "runs"


def loaded_config(folder: Path) -> Config:
    loaded = configs.load(folder / "config", environ={})
    return replace(loaded, store_url=f"sqlite:///{folder / 'gonogo.db'}")


def asked(**changes: object) -> grid_report.FetchOptions:
    given = grid_report.FetchOptions(run_utc=None, files=None, most_bytes=10**9, limit_s=60.0, now_utc=demo.MORNING_UTC)
    return replace(given, **changes)  # type: ignore[arg-type]


def test_a_morning_is_fetched_made_mailed_and_made_again_without_the_run(tmp_path: Path, say: object) -> None:
    with grib.serving(grib.whole_run("ecmwf").files) as served:
        runs_folder = with_grid(tmp_path, served.root)
        loaded = loaded_config(tmp_path)
        text = grid_report.fetched(loaded, asked(), say=lambda _: None)
    assert "ECMWF IFS open data, run 2026-05-12 00 UTC: 72 messages came" in text
    assert f"Read for {len(loaded.sites)} sites, 0 were read before." in text
    assert CREDIT in text
    store = opened(loaded)
    try:
        rounds = Rounds(loaded, clock_utc=lambda: demo.MORNING_UTC)
        result = run_example(loaded, store, fetch=rounds.fetch)
        assert result is not None
        with schema.read(store) as connection:
            mails = [mail for mail in outcomes.outcomes(connection) if mail.kind == "morning"]
        assert mails
    finally:
        store.dispose()
    shown = [mornings_again(loaded, tmp_path / "first")]
    shutil.rmtree(runs_folder)
    shown.append(mornings_again(loaded, tmp_path / "second"))
    assert shown[0] == shown[1]
    for mail in shown[0].values():
        assert CREDIT in mail
        assert "https://creativecommons.org/licenses/by/4.0/" in mail
    # The example's people read two languages; the credit stands in each with the words of its own.
    words = {word for word in ("Source:", "Fuente:") if any(word in mail for mail in shown[0].values())}
    assert words == {"Source:", "Fuente:"}


def test_status_says_how_old_the_newest_whole_run_is(tmp_path: Path, say: object) -> None:
    def told(hours: float) -> tuple[str, int]:
        at_utc = demo.MORNING_UTC.replace(hour=0, minute=0) + timedelta(hours=hours)
        outcome = status.status(loaded, now_utc=at_utc, speak=speaker("en", "metric"))
        return next(line for line in outcome.text.splitlines() if line.startswith("model run")), outcome.exit_code

    with grib.serving(grib.whole_run("ecmwf").files) as served:
        folder = with_grid(tmp_path, served.root)
        loaded = loaded_config(tmp_path)
        line, code = told(10.0)
        assert "no whole run of ECMWF IFS open data lies in" in line
        assert code == Exit.ATTENTION
        grid_report.fetched(loaded, asked(), say=lambda _: None)
    (folder / "ecmwf" / "2026051206").mkdir()  # one that is just being brought
    line, code = told(10.0)
    assert line.endswith("ECMWF IFS open data, 2026-05-12 00 UTC, 10 h old")
    assert code == Exit.OK
    line, code = told(27.0)
    assert "27 h old: too old to be used. Bring a newer one" in line
    assert code == Exit.ATTENTION


def mornings_again(loaded: Config, folder: Path) -> dict[str, str]:
    """Return the mails of the morning as `gonogo morning --date` makes them three days later, from what is stored."""
    request = mornings.MorningRequest(
        sites=loaded.sites, now_utc=demo.MORNING_UTC + timedelta(days=3), on=demo.DAY, dry_run=True, folder=folder
    )
    outcome = mornings.mornings(loaded, request, say=lambda _: None, tell=lambda _: None)
    assert outcome.exit_code in (Exit.OK, Exit.NO_VERDICT)
    found = {}
    for path in sorted(folder.rglob("*.eml")):
        body = BytesParser(policy=SMTP).parsebytes(path.read_bytes()).get_body(("plain",))
        found[path.name] = "" if body is None else " ".join(str(body.get_content()).split())
    return found


def test_grid_fetch_says_what_the_config_lacks_and_what_the_server_lacks(
    tmp_path: Path, say: Callable[..., tuple[int, str, str]]
) -> None:
    code, _, faults = say("grid-fetch")
    assert code == Exit.CONFIG
    assert 'no [[weather]] has service = "grid".' in faults
    code, _, faults = say("grid-fetch", "--run", "2026051203")
    assert (code, "this is no run." in faults) == (Exit.CONFIG, True)
    with grib.serving({}) as served:
        with_grid(tmp_path, served.root)
        code, _, faults = say("grid-fetch", "--minutes", "0.2")
        assert code == Exit.ATTENTION
        assert "is there as a whole. gonogo grid-fetch finds none to bring." in faults
    code, out, _ = say("check")
    assert code == Exit.OK
    assert "grid" in out
    assert "of ecmwf, 2 days, in" in out
    assert "Printed in every mail: This service is based on data and products of the European Centre" in out


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('source = "ecmwf"', 'source = "ecwmf"', "is no open run that is read here."),
        ("days = 2", "days = 11", "lies outside 2 to 10."),
        ('folder = "runs"', "", "is missing: gonogo grid-fetch puts the runs there"),
        ('service = "grid"', 'service = "nws"', "has no meaning for a service that is asked over HTTP."),
        ('source = "ecmwf"', 'key_env = "KEY"', "these runs are open, there is no key."),
    ],
)
def test_what_a_config_gets_wrong_of_a_grid_is_named(
    tmp_path: Path, say: object, old: str, new: str, said: str
) -> None:
    with_grid(tmp_path, "https://example.com/runs")
    file = tmp_path / "config" / "gonogo.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        configs.load(tmp_path / "config", environ={"KEY": "x"})
    assert any(said in str(fault) for fault in caught.value.faults), [str(f) for f in caught.value.faults]

"""Many sites: whole mornings by the command, and a day of a fleet whose computing is replaced by its measured cost.

    GONOGO_FLEET_SITES=1000 pytest tests/benchmarks/test_fleet.py

Asked for, 2 cores: 1,000 sites of 3 strips and 3 mails in under 100 s, of 10 strips and 6 mails in under 300 s, under
600 MB in all. How much a morning has to do goes by its weather: it is told to be the day of the recorded weather, or
another one. With GONOGO_FLEET_MOMENT=2026-11-27T10:00+00:00 all sites lie near a threshold and are judged twice.

The fleet: 100,000 sites over 24 zones, four workers of which one dies every minute.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import fleet_day
import fleet_sites
import pytest

N_SITES = int(os.environ.get("GONOGO_FLEET_SITES", "1000"))
MOMENT = os.environ.get("GONOGO_FLEET_MOMENT", "2026-05-12T10:00+00:00")  # half an hour before the mails


def begun(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )


@pytest.fixture
def servers() -> Iterator[tuple[subprocess.Popen[str], int, int]]:
    """A mail server and a weather server in processes of their own: (mail server, its port, weather's port)."""
    tests = Path(__file__).parents[1]
    mail, weather = begun(str(tests / "mail_sink.py")), begun(str(tests / "fleet_sites.py"), MOMENT)
    assert mail.stdout is not None
    assert weather.stdout is not None
    yield mail, int(mail.stdout.readline()), int(weather.stdout.readline())
    for process in (mail, weather):
        process.kill()
        process.communicate()


def memory_mb(group: int) -> tuple[float, float]:
    """Return what all processes of a group hold now [MB]: resident, and with pages that they share counted once."""
    resident, shared_once = 0, 0
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                if os.getpgid(int(entry.name)) == group:
                    told = dict(row.split(":", 1) for row in (entry / "smaps_rollup").read_text().splitlines()[1:])
                    resident += int(told["Rss"].split()[0])
                    shared_once += int(told["Pss"].split()[0])
            except (OSError, KeyError):  # it has just ended
                continue
    return 1024 * resident / 1e6, 1024 * shared_once / 1e6


@pytest.mark.parametrize("is_small", [True, False], ids=["3 strips, 3 mails", "10 strips, 6 mails"])
def test_a_morning_of_many_sites(benchmark: Any, tmp_path: Path, servers: Any, is_small: bool) -> None:
    """Asked for: 1,000 small sites in under 100 s, large ones in under 300 s, under 600 MB in all."""
    mail, mail_port, weather_port = servers
    folder = tmp_path / "config"
    named = {"weather_port": weather_port, "mail_port": mail_port, "store_url": "sqlite:///gonogo.sqlite3"}
    fleet_sites.make(folder, N_SITES, is_small=is_small, day=datetime.fromisoformat(MOMENT), **named)
    peak_mb, peak_pss_mb = 0.0, 0.0

    def morning() -> None:
        nonlocal peak_mb, peak_pss_mb
        process = subprocess.Popen(
            [sys.executable, str(Path(__file__).parents[1] / "at_moment.py"), "morning", "--config", str(folder)],
            env={**os.environ, "GONOGO_TEST_MOMENT": MOMENT},
            stdout=subprocess.DEVNULL,
            start_new_session=True,
        )
        while process.poll() is None:
            now_mb, now_pss_mb = memory_mb(process.pid)
            peak_mb, peak_pss_mb = max(peak_mb, now_mb), max(peak_pss_mb, now_pss_mb)
            time.sleep(1.0)
        assert process.returncode == 0

    before = os.times()
    benchmark.pedantic(morning, rounds=1)
    after = os.times()
    mail.stdin.write("done\n")
    n_mails, n_people = mail.stdout.readline().split()
    # One of the large site's people has two roles' crews and gets one mail for both.
    assert int(n_mails) == int(n_people) == N_SITES * (3 if is_small else 5)
    cpu_s = after.children_user - before.children_user + after.children_system - before.children_system
    benchmark.extra_info |= {
        "sites": N_SITES,
        "cpu_ms_per_site": round(1000.0 * cpu_s / N_SITES, 1),
        "peak_mb": round(peak_mb),
        "peak_pss_mb": round(peak_pss_mb),
    }


# --- a day of a fleet ------------------------------------------------------------------------------------------------

N_FLEET = int(os.environ.get("GONOGO_FLEET_SIMULATED", "1000"))
ZONE_S = os.environ.get("GONOGO_FLEET_ZONE_S", "10")
COST_S = os.environ.get("GONOGO_FLEET_COST_S", "0.4")  # of a small site on one core, mails written


def simulated(benchmark: Any, folder: Path, *options: str) -> dict[str, Any]:
    """Run a day of real services and return what came of it."""
    asked = fleet_day.parser().parse_args([str(folder), "--cost-s", COST_S, *options])
    came: dict[str, Any] = benchmark.pedantic(fleet_day.simulated, args=(folder, asked), rounds=1)
    benchmark.extra_info |= came
    return came


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that the database's own user may enter: pytest's are closed to others."""
    folder = Path(tempfile.mkdtemp(prefix="gonogo-fleet-"))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


def test_a_day_of_a_fleet(benchmark: Any, open_folder: Path) -> None:
    """Asked for: no mail lost, none doubled beyond SMTP's one instant; how many sites are told in time, waits, load.

    100,000 sites as they were run: GONOGO_FLEET_SIMULATED=100000 GONOGO_FLEET_ZONE_S=300, on a quiet machine.
    """
    came = simulated(benchmark, open_folder, "--sites", str(N_FLEET), "--zone-s", ZONE_S)
    assert came["all_mails_gone"] == came["made"] == N_FLEET
    assert came["twice"] <= came["killed"] * fleet_day.CONNECTIONS_EACH


@pytest.mark.parametrize("n_machines", [1, 2])
def test_machines_that_share_a_database(benchmark: Any, open_folder: Path, n_machines: int) -> None:
    """Asked for: two machines do at least 1.8 times what one does (`sites_per_s`). All sites are due at once."""
    n_sites = int(os.environ.get("GONOGO_FLEET_SHARED", "200"))
    options = ("--sites", str(n_sites), "--zone-s", "0", "--lead-min", "0.1", "--cores", "2", "--kill-every-s", "1e6")
    came = simulated(benchmark, open_folder, *options, "--machines", str(n_machines))
    assert came["all_mails_gone"] == came["made"] == n_sites

"""The wheel in a bare environment, as it is installed on a server: `new`, `check`, `morning`, `status`.

    python tests/bare_install.py                         with the Python that runs this
    python tests/bare_install.py --python python3.13     with another; it needs to be there

Builds the wheel, installs it with the versions of config/locked.txt into an environment of its own, sets a site up from
answers, and runs a morning against a weather and a mail server on 127.0.0.1. Exit code 1 where anything is not as it
should be. CI runs it.
"""

from __future__ import annotations

import argparse
import http.server
import json
import logging
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

HERE = Path(__file__).parent
ROOT = HERE.parent
sys.path[:0] = [str(HERE), str(HERE / "cli")]

from mailserver import MailServer  # noqa: E402
from test_new import ANSWERS_US  # noqa: E402
from weather_scenario import Day, Scenario, body, text  # noqa: E402

LIMIT_S = 900.0  # of one command; installing takes longest


def weather_now() -> bytes:
    """Return an invented answer for the place of the answers: two dry weeks, and two to come."""
    now_utc = datetime.now(UTC)
    days = {now_utc.date() + timedelta(days=n): Day(8, 20, 6, 0.3, 4.0) for n in range(-16, 14)}
    scenario = Scenario(
        latitude_deg=39.10,
        longitude_deg=-94.60,
        elevation_m=271.0,
        zone=ZoneInfo("America/Chicago"),
        morning_utc=now_utc,
        seed=1,
        days=dict[date, Day](days),
    )
    return text(body(scenario)).encode()


class Weather(http.server.BaseHTTPRequestHandler):
    answer = b""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(self.answer)))
        self.end_headers()
        self.wfile.write(self.answer)

    def log_message(self, format: str, *args: object) -> None:
        """Stay quiet."""


def run(*command: object, answers: Sequence[str] = (), cwd: Path | None = None) -> str:
    """Run a command to its good end and return what it printed. Raises SystemExit where it ended otherwise."""
    typed = [str(part) for part in command]
    environ = {k: v for k, v in os.environ.items() if not k.startswith(("GONOGO_", "PYTHON"))}
    done = subprocess.run(
        typed, input="\n".join([*answers, ""]), capture_output=True, text=True, timeout=LIMIT_S, cwd=cwd, env=environ
    )
    if done.returncode != 0:
        print(done.stdout[-6000:], done.stderr[-3000:], sep="\n", file=sys.stderr)
        raise SystemExit(f"exit code {done.returncode}: {' '.join(typed)}")
    return done.stdout


def installed(python: str, folder: Path) -> Path:
    """Return the command of the wheel, built and installed into a bare environment below a folder."""
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, ROOT)
    (wheel,) = folder.glob("gonogo-*.whl")
    run(Path(python).absolute() if os.sep in python else python, "-m", "venv", folder / "venv")
    pip = folder / "venv" / "bin" / "pip"
    run(pip, "install", "-q", "-c", ROOT / "config" / "locked.txt", wheel)
    return folder / "venv" / "bin" / "gonogo"


def sent_to(config: Path, mail: MailServer, weather_url: str) -> None:
    """Let a config send by the mail server and ask the weather server, both on this machine."""
    file = config / "gonogo.toml"
    told = file.read_text(encoding="utf-8")
    smtp = f'kind = "smtp"\nhost = "{mail.host}"\nport = {mail.port}\nsecurity = "none"'
    told = re.sub(r'(?m)^folder = ".*$', "", told)
    told = re.sub(r'(?m)^kind = "folder".*$', smtp, told)
    first, *others = told.split("[[weather]]\n")
    kept = [first, *(block for block in others if block.startswith('service = "open_meteo"'))]
    told = "[[weather]]\n".join(kept)  # no other host is asked
    told = re.sub(r'(?m)^(service = "open_meteo")$', rf'\1\nbase_url = "{weather_url}"', told)
    file.write_text(told, encoding="utf-8")


def require_good_unit(folder: Path, gonogo: Path) -> None:
    """Let systemd read the example unit, with the installed command in its place. Raises SystemExit."""
    if shutil.which("systemd-analyze") is None:
        print("the unit was not read: systemd-analyze is not here")
        return
    told = (ROOT / "config" / "gonogo.service").read_text(encoding="utf-8")
    unit = folder / "gonogo.service"
    unit.write_text(told.replace("/opt/gonogo/bin/gonogo", str(gonogo)), encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, timeout=LIMIT_S)
    if own := [line for line in done.stderr.splitlines() if "gonogo.service" in line]:
        raise SystemExit("\n".join(own))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--python", default=sys.executable)
    asked = parser.parse_args()
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    Weather.answer = weather_now()
    weather = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Weather)
    threading.Thread(target=weather.serve_forever, daemon=True).start()
    mail = MailServer()
    mail.start()
    try:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            gonogo = installed(asked.python, folder)
            print(run(folder / "venv" / "bin" / "python", "--version").strip(), run(gonogo, "--version").strip())
            require_good_unit(folder, gonogo)
            site = folder / "site"
            every_day = "mon tue wed thu fri sat sun"
            answers = [every_day if n == 6 else "3:00-23:30" if n == 7 else a for n, a in enumerate(ANSWERS_US)]
            run(gonogo, "new", site, answers=answers, cwd=folder)
            sent_to(site, mail, f"http://127.0.0.1:{weather.server_address[1]}/v1/forecast")
            checked = run(gonogo, "check", "--all", "--config", site)
            assert "answered: 250" in checked, checked
            assert "Hours from" in checked, checked
            shown = run(gonogo, "morning", "--config", site)
            n_mails = len(mail.mails) - 1
            assert n_mails >= 2, f"{n_mails} mails arrived"
            run(gonogo, "status", "--config", site)
            sizes = [p.stat().st_size for p in (folder / "venv").rglob("*") if p.is_file() and not p.is_symlink()]
            print(f"{n_mails} mails arrived; {sum(sizes) / 1e6:.0f} MB installed, pip included")
            print(json.dumps(shown.splitlines()[0]))
    finally:
        mail.stop()
        weather.shutdown()
        weather.server_close()
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""What a site's morning costs, part by part, in one process: mails with pictures, weather over local HTTP.

python tests/benchmarks/parts_of_a_site.py --sites 20 [--large] [--profile FILE] [--dump FILE]
"""

from __future__ import annotations

import argparse
import cProfile
import dataclasses
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does
sys.path.insert(0, str(Path(__file__).parents[1]))

import fleet_sites

from gonogo.cli import mornings
from gonogo.config import load
from gonogo.download.rounds import Rounds
from gonogo.morning import compute, judging, plan, previous, run
from gonogo.outgoing import mails
from gonogo.service import steady
from gonogo.store.open import open_store

NOW_UTC = datetime(2026, 5, 12, 10, tzinfo=UTC)  # half an hour before the example's mails
PARTS = (
    (previous, "load", "store read"),
    (compute, "fetched", "weather asked for"),
    (compute, "checked", "weather checked"),
    (judging, "judged", "judged"),
    (plan, "planned", "order of work and day plan"),
    (mails, "mails", "mails"),
    (run, "finish", "stored"),
)


class Clocks:
    """CPU time of each part, without that of the parts inside it [s]."""

    def __init__(self) -> None:
        self.own_s: dict[str, float] = {}
        self.calls: dict[str, int] = {}
        self._inside: list[float] = []

    def timed(self, name: str, made: Callable[..., Any]) -> Callable[..., Any]:
        """Return a function that adds its own CPU time to a part."""

        def wrapped(*args: Any, **named: Any) -> Any:
            began = time.process_time()
            self._inside.append(0.0)
            try:
                return made(*args, **named)
            finally:
                whole = time.process_time() - began
                inside = self._inside.pop()
                self.own_s[name] = self.own_s.get(name, 0.0) + whole - inside
                self.calls[name] = self.calls.get(name, 0) + 1
                if self._inside:
                    self._inside[-1] += whole

        return wrapped


def main() -> None:
    """Run the mornings of a stand-in fleet and print what each part took."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--sites", type=int, default=20)
    asked.add_argument("--large", action="store_true", help="10 strips and 5 mails in place of 3 and 3")
    asked.add_argument("--looks", type=int, choices=(1, 2), help="as if no chance, or some, lay close")
    asked.add_argument("--close", type=int, help="with --looks 2: strips of each site that lie close; all without it")
    asked.add_argument("--profile", help="where the profile of the functions goes")
    asked.add_argument("--dump", help="where what came of each site goes, to be compared")
    args = asked.parse_args()
    server = subprocess.Popen(
        [sys.executable, str(Path(fleet_sites.__file__)), NOW_UTC.isoformat()],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert server.stdout is not None
    try:
        with tempfile.TemporaryDirectory() as folder:
            measure(args, Path(folder) / "config", int(server.stdout.readline()))
    finally:
        server.kill()
        server.communicate()


def measure(args: argparse.Namespace, folder: Path, port: int) -> None:
    """Make the config, run each site once to warm up on the first, and print the parts."""
    fleet_sites.make(
        folder,
        args.sites + 1,
        is_small=not args.large,
        weather_port=port,
        mail_port=9,
        store_url="sqlite:///gonogo.sqlite3",
        day=NOW_UTC,
    )
    clocks = Clocks()
    load_s = time.process_time()
    config = load(folder, environ={})
    load_s = time.process_time() - load_s
    store = open_store(config)
    rounds = Rounds(config, clock_utc=lambda: NOW_UTC, together=lambda _: config.sites)
    frames = [mornings._frame(config, site, NOW_UTC, store, rounds.fetch, "me") for site in config.sites]
    frames = [dataclasses.replace(frame, second=rounds.second) for frame in frames]
    if args.looks is not None:
        judging.close_strips = lambda made: frozenset(
            d.strip_id for d in made[: (0, args.close or len(made))[args.looks - 1]]
        )
    steady.settle()  # as a worker does
    run.run_morning(frames[0])
    for module, name, part in PARTS:
        setattr(module, name, clocks.timed(part, getattr(module, name)))
    profile = cProfile.Profile(time.process_time)
    told: list[dict[str, Any]] = []
    whole_s = 0.0
    for frame in frames[1:]:
        began = time.process_time()
        if args.profile:
            profile.enable()
        result = run.run_morning(frame)
        profile.disable()
        whole_s += time.process_time() - began
        if args.dump:  # and nothing else is kept of it, as in a worker
            told.append(what_came(result))
        del result
    n = args.sites
    print(f"{'config':30s} {1000 * load_s / (n + 1):8.1f}")
    for name, own_s in sorted(clocks.own_s.items(), key=lambda row: -row[1]):
        print(f"{name:30s} {1000 * own_s / n:8.1f} {clocks.calls[name] / n:6.2f} times")
    print(f"{'in all, config apart':30s} {1000 * whole_s / n:8.1f}")
    if args.profile:
        profile.dump_stats(args.profile)
    if args.dump:
        Path(args.dump).write_text(json.dumps(told, indent=1), encoding="utf-8")


def what_came(result: Any) -> dict[str, Any]:
    """Return what came of a site, to be compared."""
    conclusion = result.conclusion
    mimes = [e.mime if isinstance(getattr(e, "mime", None), bytes) else repr(e).encode() for e in result.mails]
    return {
        "decisions": repr(conclusion.decisions),
        "outlook": repr(conclusion.outlook),
        "plan": repr(conclusion.plan),
        "order": repr(conclusion.order),
        "mails": [hashlib.sha256(mime).hexdigest() for mime in mimes],
    }


if __name__ == "__main__":
    main()

"""One whole morning as a process of its own that may end at any of its steps: the other half of crash_harness.py."""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

TIMEOUT_S = 1.0  # of the mail transport: what counts as silence


class Steps:
    """Counts the steps of a morning, notes each, and ends the process at the one that is asked for."""

    def __init__(self, path: str, kill_at: int | None) -> None:
        self.file = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
        self.kill_at, self.n = kill_at, 0

    def __call__(self, name: str) -> None:
        self.n += 1
        os.write(self.file, (name + "\n").encode())
        if self.n == self.kill_at:
            os.kill(os.getpid(), signal.SIGKILL)


def instrument(step: Steps) -> None:
    """Make every commit and every network step of the program a step that can be its last."""
    import smtplib

    from gonogo.store import schema

    real_begin = schema.begin

    @contextmanager
    def begin(store: Any) -> Iterator[Any]:
        name = sys._getframe(2).f_code.co_name
        with real_begin(store) as connection:
            yield connection
            step(f"before commit: {name}")
        step(f"after commit: {name}")

    schema.begin = begin
    last = ["connect"]

    def wrapped(owner: Any, name: str, before: Callable[..., str | None], after: Callable[..., str | None]) -> None:
        real = getattr(owner, name)

        def call(self: Any, *arguments: Any, **named: Any) -> Any:
            if text := before(*arguments):
                step(text)
            done = real(self, *arguments, **named)
            if text := after(*arguments):
                step(text)
            return done

        setattr(owner, name, call)

    def command(text: Any, *_: Any) -> str:
        first = text if isinstance(text, str) else "content"
        last[0] = first.split()[0].split(":")[0].lower() if isinstance(text, str) else first
        return f"before sending the {last[0]}"

    wrapped(smtplib.SMTP, "connect", lambda *_: "before connecting", lambda *_: "connected")
    wrapped(smtplib.SMTP, "send", command, lambda *_: f"sent the {last[0]}")
    wrapped(smtplib.SMTP, "getreply", lambda *_: None, lambda *_: f"{last[0]}: answer read")


def small_config(
    folder: Path, n_crews: int, port: int, host: str, *, security: str = "none", ca: str = "", store_url: str = ""
) -> Any:
    """The example config with a few crews of one strip each, few members, and its mails to our server."""
    from example_mornings import example_config

    from gonogo.records.outside import Transport

    transport = Transport(
        kind="smtp",
        sender=f"gonogo@{host}",
        host="127.0.0.1",
        port=port,
        security=security,
        timeout_s=TIMEOUT_S,
        ca_file=Path(ca) if ca else None,
    )
    loaded = example_config(folder, transport=transport, store_url=store_url)
    site = loaded.sites[0]
    crews = tuple(
        replace(
            site.crews[0],
            id=f"crew{n}",
            recipients=tuple(
                replace(person, address=f"{person.role}{n}@example.com") for person in site.crews[0].recipients
            ),
        )
        for n in range(n_crews)
    )
    strips = tuple(replace(site.strips[n], crew_id=crew.id, material_id="clay") for n, crew in enumerate(crews))
    site = replace(site, crews=crews, strips=strips)
    ids = {strip.id for strip in strips}
    return replace(
        loaded,
        sites=(site,),
        settings={site.id: {**loaded.settings[site.id], "ensemble_members": 10.0}},
        readings={site.id: tuple(r for r in loaded.readings[site.id] if r.strip_id in ids)},
    )


def morning_process(job: dict[str, Any]) -> None:
    """Run one whole morning until nothing waits any more, or until the chosen step."""
    from example_mornings import recorded

    from gonogo.cli import demo
    from gonogo.morning import run as morning_run
    from gonogo.outgoing import delivery, notices, operator_digest, rounds
    from gonogo.outgoing.frame import RunFrame
    from gonogo.service import due
    from gonogo.store import claims, outcomes, owner, schema

    step = Steps(job["steps"], job["kill_at"])
    instrument(step)
    named = {name: job[name] for name in ("security", "ca", "store_url")}
    loaded = small_config(Path(job["folder"]), job["n_crews"], job["port"], job["host"], **named)
    site, store, me = loaded.sites[0], schema.engine(loaded.store_url), owner.own_name()
    now_utc = demo.MORNING_UTC + timedelta(seconds=job["ahead_s"])

    def fetch(*arguments: Any) -> Any:
        step("before asking for weather")
        answer = recorded(*arguments)
        step("weather answered")
        return answer

    claims.release_dead(store, now_utc=now_utc, is_dead=owner.is_dead)
    morning_run.run_morning(
        RunFrame(
            config=loaded,
            site=site,
            day=demo.DAY,
            now_utc=now_utc,
            deadline_utc=due.run_window_utc(site, demo.DAY, 0.0)[1] + timedelta(hours=8),
            store=store,
            fetch=fetch,
            owner=me,
        )
    )
    rng, memory = random.Random(job["seed"]), delivery.Memory()
    for _ in range(60):
        at_utc = now_utc
        delivery.Worker(
            store=store,
            transport=loaded.transport,
            now_utc=lambda at=at_utc: at,
            owner=me,
            rng=rng,
            memory=memory,
            expired_fallback=notices.expired_fallback(loaded, at_utc),
            failed_fallback=notices.failed_fallback(loaded, at_utc),
            tell_together=lambda at=at_utc: operator_digest.put_together(store, loaded, now_utc=at),
        ).round()
        with schema.read(store) as connection:
            counts = outcomes.counts(connection, now_utc=now_utc)
        if counts["waiting"] + counts["leased"] == 0:
            break
        now_utc += timedelta(seconds=rounds.LONGEST_WAIT_S)
    store.dispose()


def nursery() -> None:
    """Run one morning so that all is loaded, then fork a process for each job that comes in, and say how it ended."""
    from example_mornings import opened, run_example

    from gonogo.morning import compute
    from gonogo.service import due  # noqa: F401

    # The order of work takes most of a morning's time and has neither a commit nor a network step: it is left out.
    compute.plan.planned = lambda _frame, conclusion, _stored: conclusion
    with tempfile.TemporaryDirectory() as folder:
        loaded = small_config(Path(folder), 1, 9, "warm.example.com")
        store = opened(loaded)
        run_example(loaded, store)
        store.dispose()
    print("ready", flush=True)
    for line in sys.stdin:
        job = json.loads(line)
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                log = os.open(job["log"], os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
                os.dup2(log, 2)
                morning_process(job)
                code = 0
            finally:
                if code:
                    traceback.print_exc()
                os._exit(code)
        _, status = os.waitpid(pid, 0)
        print(-status if os.WIFSIGNALED(status) else os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    nursery()

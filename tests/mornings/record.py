"""Recorded mornings: run again what lies in the folders beside this file, and compare or write what they come to.

    python tests/mornings/record.py                 writes expected.json of every morning, and generated.json
    python tests/mornings/record.py demo frost      of some
    python tests/mornings/record.py --check         writes nothing; exit code 1 where anything differs

Either way every value that changed is printed. A folder holds `config/`, `weather/` (bodies as a service gave them),
`entries.csv` as `gonogo record csv` reads it, `morning.toml` (which runs, when, on which body) and `expected.json`.
Runs go the whole way: config files, store, mails in the outbox. This file alone of the folder imports the package.
"""

from __future__ import annotations

import json
import sys
import tempfile
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import sheet

from gonogo import config
from gonogo.cli import outlook_report
from gonogo.download import forecasts
from gonogo.field import entries, record
from gonogo.morning import compute, recheck
from gonogo.morning import run as morning_run
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.records.outside import Answer, Transport
from gonogo.store import open as store_open
from gonogo.store import outcomes, runs, schema
from gonogo.wording.language import speaker

FOLDER = Path(__file__).parent
GENERATED = FOLDER / "generated.json"
SOLVER_LIMIT_S = 60.0  # far more than any of these mornings needs: what is recorded must not depend on the machine


def names() -> tuple[str, ...]:
    """Return the recorded mornings."""
    return tuple(sorted(path.parent.name for path in FOLDER.glob("*/morning.toml")))


def expected(name: str) -> sheet.Sheet:
    """Return what a morning came to when it was recorded."""
    found: sheet.Sheet = json.loads((FOLDER / name / "expected.json").read_text(encoding="utf-8"))
    return found


def recorded(folder: Path) -> sheet.Sheet:
    """Run the mornings of a folder, one after the other on one database, and return what they come to."""
    plan = tomllib.loads((folder / "morning.toml").read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as made:
        loaded = load(folder / "config", Path(made))
        site = loaded.sites[0]
        csv_text = (folder / "entries.csv").read_text(encoding="utf-8")
        written = entries.parse_csv(csv_text, "entries.csv", site, plan["run"][-1]["at"])
        store = store_open.open_store(loaded)
        found: sheet.Sheet = {"title": plan["title"], "runs": []}
        since_utc = datetime.min.replace(tzinfo=site.zone)
        try:
            for run in plan["run"]:
                new = [line for line in written if since_utc < known_utc(line.entry) <= run["at"]]
                record.store_entries(loaded, site, new, run["at"], by="entries.csv")
                found["runs"].append(_run(loaded, store, run, folder / "weather"))
                since_utc = run["at"]
        finally:
            store.dispose()
        if plan.get("outlook"):
            found |= _outlook(loaded, plan["run"][-1]["at"], Path(made) / "outlook.html")
    return as_read(found)


def as_read(found: sheet.Sheet) -> sheet.Sheet:
    """Return a sheet as it comes back from its file."""
    read: sheet.Sheet = json.loads(sheet.dumped(found))
    return read


def load(folder: Path, made: Path) -> Any:
    """Return the config of a folder with its database under `made` and nothing that depends on the machine's speed."""
    loaded = config.load(folder, environ={})
    return replace(
        loaded,
        store_url=f"sqlite:///{made / 'gonogo.db'}",
        transport=Transport(kind="folder", sender="gonogo@example.com", folder=made / "mails"),
        settings={name: {**own, "plan_time_limit_s": SOLVER_LIMIT_S} for name, own in loaded.settings.items()},
    )


def known_utc(entry: Any) -> datetime:
    """Return when an entry was known: when it happened, or when the gauge was read."""
    at_utc: datetime = entry.until_utc if hasattr(entry, "until_utc") else entry.at_utc
    return at_utc


def fetch_of(run: dict[str, Any], folder: Path) -> Callable[..., Any]:
    """Return what stands in for the weather services: the run's body, or nobody who answers."""

    def fetch(site: Any, now_utc: datetime, stored: Sequence[Any]) -> Any:
        if "weather" not in run:
            return forecasts.forecast(site, (), now_utc=now_utc, stored=stored)
        answer = Answer(
            service=run.get("service", "open_meteo"),
            url=f"https://weather.example.com/{run['weather']}",
            fetched_utc=run.get("fetched", now_utc - timedelta(minutes=15)),
            status=200,
            headers={},
            body=(folder / run["weather"]).read_bytes(),
        )
        return replace(forecasts.forecast(site, (), now_utc=now_utc, stored=(answer,)), is_stored=False, faults=())

    return fetch


def _run(loaded: Any, store: Any, run: dict[str, Any], weather: Path) -> sheet.Sheet:
    """Run one morning, or a re-check, and return what was stored and what stands in the outbox."""
    site, now_utc = loaded.sites[0], run["at"]
    look = run.get("look")
    frame = RunFrame(
        config=loaded,
        site=site,
        day=now_utc.astimezone(site.zone).date(),
        edition=MORNING if look is None else recheck.edition(time.fromisoformat(look)),
        now_utc=now_utc,
        deadline_utc=now_utc + timedelta(hours=4),
        store=store,
        fetch=fetch_of(run, weather),
        owner="recorded mornings",
    )
    result = morning_run.run_morning(frame) if look is None else recheck.run_recheck(frame)
    assert result is not None, f"{run} was run before"
    with schema.read(store) as connection:
        decisions = runs.decisions(connection, result.run_id)
        outlook = runs.outlook(connection, result.run_id)
        order = runs.work_order(connection, result.run_id)
        queued = outcomes.outcomes(connection, run_id=result.run_id)[::-1]
        raws = [outcomes.raw_of(connection, mail.message_id) or b"" for mail in queued]
    return {
        "at": f"{now_utc.astimezone(site.zone):%Y-%m-%d %H:%M}" + (f" look {look}" if look else ""),
        **_numbers(result.conclusion, decisions, outlook, order, site.zone, now_utc),
        "mails": [_mail(mail, raw) for mail, raw in zip(queued, raws, strict=True)],
    }


def _numbers(conclusion: Any, decisions: Any, outlook: Any, order: Any, zone: Any, now_utc: datetime) -> sheet.Sheet:
    """What was stored, and of what is not stored the changes and the sharp numbers."""
    days: dict[str, list[sheet.Sheet]] = {}
    for row in outlook:
        days.setdefault(row.strip_id, []).append(sheet.outlook_day(row, zone))
    judged, changes = conclusion.judgement, conclusion.changes
    return {
        "reason": conclusion.reason,
        "faults": list(conclusion.faults),
        "verdicts": {d.strip_id: sheet.verdict(d, zone) for d in decisions},
        "outlook": days,
        "order": sheet.order(order, zone),
        "changes": None if changes is None else [sheet.change(found, zone) for found in changes],
        "moisture": None if judged is None else sheet.moisture(judged.inputs, judged.decisions, now_utc),
        "sky": None if judged is None else sheet.sky(judged.inputs, now_utc),
        "learned": None if judged is None else [sheet.learned_soil(found) for found in judged.learned],
    }


def _mail(mail: Any, raw: bytes) -> sheet.Sheet:
    text, calendar = sheet.mail(raw)
    head = {"to": mail.address, "kind": mail.kind, "role": mail.role, "language": mail.language}
    return {**head, "subject": mail.subject, "text": text, "calendar": calendar}


def _outlook(loaded: Any, now_utc: datetime, html: Path) -> sheet.Sheet:
    """What `gonogo outlook` shows after the last run, on the screen and as a page."""
    shown = outlook_report.show(
        loaded, loaded.sites[0], now_utc=now_utc, speak=speaker("en", "metric"), html=html, only_stored=True
    ).text
    return {
        "screen": [line for line in shown.splitlines() if str(html) not in line],
        "page": sheet.page_lines(html.read_text(encoding="utf-8")),
    }


def judged(folder: Path, run: dict[str, Any], csv_text: str) -> sheet.Sheet:
    """Return verdicts, order and moisture of one morning of a folder, without store and mails: for many mornings."""
    loaded = load(folder / "config", folder)
    site, now_utc = loaded.sites[0], run["at"]
    written = entries.parse_csv(csv_text, "entries.csv", site, now_utc)
    frame = RunFrame(
        config=loaded,
        site=site,
        day=now_utc.astimezone(site.zone).date(),
        now_utc=now_utc,
        deadline_utc=now_utc,
        store=None,
        fetch=fetch_of(run, folder),
        keeps=False,
    )
    known = (*loaded.readings[site.id], *(line.entry for line in written))
    conclusion = compute.conclude(frame, StoredInputs(entries=known))
    found = _numbers(conclusion, conclusion.decisions, conclusion.outlook, conclusion.order, site.zone, now_utc)
    return as_read({name: found[name] for name in ("reason", "faults", "verdicts", "outlook", "order", "moisture")})


def main(arguments: Sequence[str]) -> int:
    """Write or compare; return the exit code."""
    sys.path.append(str(FOLDER.parent))  # the builders of the tests, as pytest has them on its path
    import generated

    is_check = "--check" in arguments
    wanted = [name for name in arguments if name != "--check"] or [*names(), "generated"]
    if unknown := [name for name in wanted if name not in (*names(), "generated")]:
        print(f"no recorded morning: {', '.join(unknown)}. There are: {', '.join(names())}, generated.")
        return 2
    n_changed = 0
    for name in wanted:
        path = GENERATED if name == "generated" else FOLDER / name / "expected.json"
        new = generated.mornings() if name == "generated" else recorded(FOLDER / name)
        old = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        changed = list(sheet.differences(old, new, name))
        print("\n".join(changed) if changed else f"{name}: as recorded")
        n_changed += bool(changed)
        if changed and not is_check:
            path.write_text(sheet.dumped(new) + "\n", encoding="utf-8")
            print(f"wrote {path}")
    return 1 if is_check and n_changed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Seasons of many seeds under many policies, each a task of its own."""

from __future__ import annotations

import multiprocessing
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from benchmarks.season.mails import Mails
from benchmarks.season.place import write_config
from benchmarks.season.policies import Habit, Oracle
from benchmarks.season.season import Season, day_and_hour, draw_world, live
from benchmarks.season.told import Product

SHARES = {"all": 1.0, "half": 0.5, "none": 0.0}
LOOK = "+look"
WITHOUT_MAILS = ("habit", "sealing habit", "oracle")
WITH_MAILS = tuple(f"mails {share}{look}" for share in SHARES for look in ("", LOOK))
POLICIES = (*WITHOUT_MAILS, *WITH_MAILS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One season to live. policy: one of POLICIES, "@label" after it where several products are compared."""

    seed: int
    policy: str
    package_path: Path
    log_folder: Path | None = None


def season_of(task: Task) -> Season:
    """Live the season of a task, and write its log where one is asked for."""
    world = draw_world(task.seed)
    kind = task.policy.partition("@")[0]
    if kind == "oracle":
        lived = live(world, task.policy, Oracle())
    elif kind in WITHOUT_MAILS:
        lived = live(world, task.policy, Habit(seals_every_evening=kind == "sealing habit"))
    else:
        words = kind.removeprefix("mails ")
        share = SHARES[words.removesuffix(LOOK)]
        with tempfile.TemporaryDirectory() as folder:
            evening = world.place.first_day - timedelta(days=1)
            tests = {strip: (f"{evening} 10:30:00", w_pct) for strip, w_pct in world.first_tests.items()}
            write_config(world.place, Path(folder), tests)
            with Product(Path(folder), task.package_path) as product:
                crew = Mails(world, product, share=share, has_look=words.endswith(LOOK))
                lived = live(world, task.policy, crew, crew.record)
    if task.log_folder is not None:
        task.log_folder.mkdir(parents=True, exist_ok=True)
        lines = [f"{lived.tally}"]
        for now_h, strip, what in lived.log:
            day, hour = day_and_hour(world, now_h)
            lines.append(f"{day:%a %d} {int(hour):02d}:{round(hour % 1 * 60):02d} {strip:<2} {what}")
        name = f"{task.policy.replace(' ', '-').replace('@', '-')}-{task.seed}.txt"
        (task.log_folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return lived


def seasons(tasks: Sequence[Task], processes: int = 2) -> Iterator[Season]:
    """Live the seasons of tasks, in the order of the tasks."""
    if processes == 1:
        yield from map(season_of, tasks)
        return
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        yield from pool.imap(season_of, tasks)

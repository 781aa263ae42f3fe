"""Mutants: one-line changes of the package that a test or a recorded morning must notice.

    python tests/mutants.py                    every row of mutants.toml, two at a time
    python tests/mutants.py --only melt        rows whose file, texts or meaning hold a word
    python tests/mutants.py --changed          rows whose file, or a test that imports it, differs from main
    python tests/mutants.py --changed HEAD~3   ... or from another commit
    python tests/mutants.py --list             runs nothing: does each old text still stand exactly once in its file?
    python tests/mutants.py --earlier FILE     asks first the test that killed a row in a run whose lines FILE holds
    python tests/mutants.py --resume FILE      leaves out rows that FILE says came out as listed: a run goes on

Each change is made in a copy of the checkout, never in the checkout itself. The tests that import the changed module
and those of its room run first, the nearest first (found by reading the imports), then the recorded and the generated
mornings; what is still alive then meets all other tests that import it, until its time is up: seconds of the processor,
so that a busy machine changes nothing. Exit code 1: a mutant survives that should not, one dies that the list calls a
survivor, a test that killed one fails without any change, or the list no longer fits the code.

mutants.toml: by file the rows `old` (stands exactly once in it), `new`, `breaks` (what a crew would suffer) and, where
nothing can notice the change, `survives` with the reason.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import json
import os
import queue
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from import_graph import PACKAGE, ROOT, TESTS, distances

LIST = TESTS / "mutants.toml"
COPIED = ("gonogo", "tests", "config", "fixtures", "pyproject.toml", "README.md", "DEVELOPERS.md", ".importlinter")
MORNINGS = tuple(
    f"tests/mornings/test_recorded.py::{name}"
    for name in ("test_a_morning_comes_out_as_it_was_recorded", "test_a_generated_morning_comes_out_as_it_was_recorded")
)
PROCESSES = 2
SLOW = ("whole",)  # never first
TESTED_IN = {"wording": "mail"}  # rooms whose tests stand in the folder of another
LEFT_OUT = ("benchmarks", "mornings", "mail/test_screens.py", "page/test_page_screens.py")  # no tests of a module
WALL_S = 900.0  # what waits longer than this hangs


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change. survives: why nothing can notice it, "" where something must."""

    file: str
    old: str
    new: str
    breaks: str
    survives: str = ""

    @property
    def room(self) -> str:
        return self.file.split("/")[0] if "/" in self.file else "loose"

    def __str__(self) -> str:
        return f"{self.file}: {self.old!r} -> {self.new!r} ({self.breaks})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a mutant. killer: the test that failed, "" where none did; fault: why it could not be judged."""

    mutant: Mutant
    killer: str = ""
    fault: str = ""
    took_s: float = 0.0

    @property
    def is_expected(self) -> bool:
        return not self.fault and bool(self.killer) != bool(self.mutant.survives)

    @property
    def verdict(self) -> str:
        if self.fault:
            return "not judged"
        if not self.killer:
            return "survives"
        return "mornings" if self.killer.startswith("tests/mornings/") else "killed"


def listed(path: Path = LIST) -> list[Mutant]:
    """Return the rows of the list in their order."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    return [Mutant(file=file, **row) for file, rows in table.items() for row in rows["mutants"]]


def placed(mutants: Sequence[Mutant]) -> tuple[list[Mutant], list[str]]:
    """Return the mutants in the files in which their texts stand now, and a line for each that fits no file.

    Code that moved to another file takes its row along, as long as the text stands once in the whole package.
    """
    texts = {path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}
    found: list[Mutant] = []
    wrong: list[str] = []
    for mutant in mutants:
        n = {file: text.count(mutant.old) for file, text in texts.items() if mutant.old in text}
        if n.get(mutant.file) == 1:
            found.append(mutant)
        elif mutant.file not in n and list(n.values()) == [1]:
            found.append(replace(mutant, file=next(iter(n))))
            print(f"{mutant.file}: {mutant.old!r} stands in {next(iter(n))} now: its row wants to move there")
        else:
            wrong.append(f"{mutant}: the old text must stand once, it stands in: {n or 'no file'}")
        if mutant.old == mutant.new or "\n" in mutant.old:
            wrong.append(f"{mutant}: one line, and another one, is wanted")
    return found, wrong


@functools.cache
def stages_of(file: str) -> tuple[tuple[str, ...], ...]:
    """Return the tests that import a file of the package, in the order in which they are asked.

    First those that import it themselves, then the others of the folder that mirrors its room, then the mornings, then
    what reaches it through other modules; in each the nearest first.
    """
    stages: tuple[list[tuple[Any, ...]], ...] = ([], [], [])
    for test in sorted(TESTS.rglob("test_*.py")):
        place = test.relative_to(TESTS).as_posix()
        away = distances(test).get(PACKAGE / file)
        if away is None or place.startswith(LEFT_OUT):
            continue
        room = file.split("/")[0]
        is_mirror = place.split("/")[0] == TESTED_IN.get(room, room)
        is_near = not place.startswith(SLOW) and (away == 1 or is_mirror)
        stages[0 if is_near and away == 1 else 1 if is_near else 2].append((not is_mirror, away, f"tests/{place}"))
    first, own, others = (tuple(place for *_, place in sorted(stage)) for stage in stages)
    return first, own, MORNINGS, others


# --- earlier runs --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """What earlier runs printed: by what a row breaks its killer, and the rows (as texts) that came out as listed."""

    killers: dict[tuple[str, str], str]
    done: frozenset[str]


def earlier(paths: Sequence[Path]) -> Earlier:
    """Read the lines of earlier runs; the newest file last."""
    killers: dict[tuple[str, str], str] = {}
    done: set[str] = set()
    for path in paths:
        lines = path.read_text(encoding="utf-8").splitlines()
        for line, below in itertools.pairwise(lines):
            found = re.fullmatch(
                r"(killed|mornings|survives|not judged) +\d+ s  (([^:]+): .*\((.*)\))(  <-- .*)?", line
            )
            if found is None:
                continue
            (done.discard if found[5] else done.add)(found[2])
            if found[1] in ("killed", "mornings"):
                # All cases of the test, whose names may have changed; a recorded morning stays one.
                test = below.strip()
                killers[found[3], found[4]] = test if test.startswith("tests/mornings/") else test.partition("[")[0]
    return Earlier(killers={row: test for row, test in killers.items() if _stands(test)}, done=frozenset(done))


def _stands(test: str) -> bool:
    """Say whether a test that an earlier run names is still there."""
    path, _, name = test.partition("[")[0].partition("::")
    return (ROOT / path).is_file() and f"def {name}(" in (ROOT / path).read_text(encoding="utf-8")


# --- running -------------------------------------------------------------------------------------------------


class Copy:
    """A copy of the checkout in which one change at a time is made."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".*"))
            else:
                shutil.copy2(source, folder / name)
        # By hash, not by time: a change of one digit within a second must not find the code from before it.
        compiled = ("-q", "--invalidation-mode", "checked-hash", "gonogo", "tests")
        subprocess.run((sys.executable, "-m", "compileall", *compiled), cwd=folder, check=True)

    @contextmanager
    def changed(self, mutant: Mutant) -> Iterator[None]:
        path = self.folder / "gonogo" / mutant.file
        before = path.read_text(encoding="utf-8")
        path.write_text(before.replace(mutant.old, mutant.new), encoding="utf-8")
        try:
            yield
        finally:
            path.write_text(before, encoding="utf-8")

    def run(self, stages: Sequence[Sequence[str]]) -> tuple[str, str]:
        """Run tests stage by stage until the first fails; return that test, and why nothing can be said, else ""."""
        outcome = self.folder / "outcome.json"
        outcome.unlink(missing_ok=True)
        command = (sys.executable, "tests/mutant_run.py", str(self.folder), json.dumps(stages))
        environ = {"PYTHONPATH": str(self.folder), "PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1"}
        with subprocess.Popen(
            command,
            cwd=self.folder,
            env={**os.environ, **environ},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        ) as process:
            try:
                out, _ = process.communicate(timeout=WALL_S)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                return "", "it hung"
        if not outcome.exists():
            return "", f"the run broke off: {out.strip()[-300:]}"
        found = json.loads(outcome.read_text(encoding="utf-8"))
        return found["killer"], found["fault"] and f"{found['fault']}: {out.strip()[-300:]}"


def judged(copy: Copy, mutant: Mutant, stages: Sequence[Sequence[str]]) -> Outcome:
    """Make a change in the copy and run the tests over it."""
    begun = time.monotonic()
    with copy.changed(mutant):
        killer, fault = copy.run(stages)
    return Outcome(mutant=mutant, killer=killer, fault=fault, took_s=time.monotonic() - begun)


def run_all(mutants: Sequence[Mutant], folder: Path, before: Earlier) -> tuple[list[Outcome], str]:
    """Judge every mutant, two at a time; return the outcomes, and which tests fail without any change.

    Mornings that fail by themselves would kill everything: with them nothing is begun.
    """
    stages = {mutant.file: stages_of(mutant.file) for mutant in mutants}
    copies: queue.SimpleQueue[Copy] = queue.SimpleQueue()
    for n in range(PROCESSES):
        copies.put(Copy(folder / f"copy_{n}"))
    first = copies.get()
    if fails_alone := "; ".join(filter(None, first.run([MORNINGS]))):
        return [], fails_alone
    copies.put(first)
    said = threading.Lock()

    def judge_in_turn(mutant: Mutant) -> Outcome:
        copy = copies.get()
        try:
            known = before.killers.get((mutant.file, mutant.breaks))
            outcome = judged(copy, mutant, ((known,) if known else (), *stages[mutant.file]))
        finally:
            copies.put(copy)
        with said:
            mark = "" if outcome.is_expected else "  <-- not as listed"
            print(f"{outcome.verdict:10} {outcome.took_s:5.0f} s  {mutant}{mark}", flush=True)
            print(f"{'':19} {outcome.killer or outcome.fault or mutant.survives}", flush=True)
        return outcome

    with ThreadPoolExecutor(PROCESSES) as pool:
        outcomes = list(pool.map(judge_in_turn, mutants))
    killers = sorted({outcome.killer for outcome in outcomes if outcome.verdict in ("killed", "mornings")})
    fails_alone = "; ".join(filter(None, copies.get().run([killers, []]))) if killers else ""
    return outcomes, fails_alone


def changed_since(mutants: Sequence[Mutant], revision: str) -> list[Mutant]:
    """Return the mutants whose file, or a test that imports it directly, differs from a commit."""
    git = ("git", "-C", str(ROOT), "diff", "--name-only", revision)
    names = set(subprocess.run(git, capture_output=True, text=True, check=True).stdout.splitlines())
    tests = [test for test in TESTS.rglob("test_*.py") if test.relative_to(ROOT).as_posix() in names]
    direct = {path for test in tests for path, away in distances(test).items() if away == 1}
    return [m for m in mutants if f"gonogo/{m.file}" in names or PACKAGE / m.file in direct]


def summary(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Yield the table by room and what is not as listed."""
    yield f"{'room':12}{'mutants':>8}{'killed':>8}{'by the mornings alone':>24}{'survive':>9}"
    for room in dict.fromkeys(outcome.mutant.room for outcome in outcomes):
        of_it = [outcome.verdict for outcome in outcomes if outcome.mutant.room == room]
        killed, mornings, survive = (of_it.count(v) for v in ("killed", "mornings", "survives"))
        yield f"{room:12}{len(of_it):8}{killed:8}{mornings:24}{survive:9}"
    for outcome in outcomes:
        if not outcome.is_expected:
            why = outcome.fault or ("no test notices it" if not outcome.killer else f"killed by {outcome.killer}")
            yield f"not as listed: {outcome.mutant}: {why}"


def main() -> int:
    """Run the list; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", metavar="WORD")
    parser.add_argument("--changed", nargs="?", const="main", metavar="COMMIT")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--earlier", action="append", type=Path, default=[], metavar="FILE")
    parser.add_argument("--resume", type=Path, metavar="FILE")
    asked = parser.parse_args()
    mutants, wrong = placed(listed())
    if wrong:
        print("\n".join(wrong))
        return 1
    if asked.list:
        print(f"{len(mutants)} mutants, each old text once in its file.")
        return 0
    if asked.changed:
        mutants = changed_since(mutants, asked.changed)
    mutants = [m for m in mutants if asked.only in f"{m.file} {m.old} {m.new} {m.breaks}"]
    if asked.resume:
        mutants = [m for m in mutants if str(m) not in earlier([asked.resume]).done]
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="gonogo-mutants-") as made:
        outcomes, fails_alone = run_all(mutants, Path(made), earlier(asked.earlier))
    print("\n".join(summary(outcomes)))
    if fails_alone:
        print(f"fails without any change: {fails_alone}")
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"{len(outcomes)} mutants in {(time.monotonic() - begun) / 60.0:.1f} min, "
        f"{(spent.ru_utime + spent.ru_stime) / 60.0:.1f} min of processor"
    )
    return 0 if all(outcome.is_expected for outcome in outcomes) and not fails_alone else 1


if __name__ == "__main__":
    sys.exit(main())

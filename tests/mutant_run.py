"""What runs inside a copy of the checkout in which one line was changed: tests in stages, until the first that fails.

    python tests/mutant_run.py FOLDER STAGES      called by mutants.py, in the copy

STAGES is JSON, a list of lists of tests. What it came to stands as JSON in FOLDER/outcome.json: the test that failed,
"" where none did, and why the change cannot be judged, "" where it can.
"""

from __future__ import annotations

import json
import resource
import signal
import sys
from pathlib import Path
from types import FrameType

import pytest

CPU_S = 240  # of a stage: far more than any needs, so what takes longer hangs
LAST_CPU_S = 60  # of the last stage, whose tests lie far from the change
ARGUMENTS = (
    *("-q", "-x", "--assert=plain", "--no-header", "--tb=line", "-p", "no:cacheprovider"),
    "--hypothesis-profile=ci",  # the same examples every time, and none kept
    *("-k", "not postgresql"),  # every such test runs on SQLite too, where it needs no server
)


class Watch:
    """A plugin of pytest that remembers the first test that failed, or whose module could not be imported."""

    def __init__(self) -> None:
        self.failed = ""
        self.is_python = True
        self.is_over = False
        signal.signal(signal.SIGXCPU, self.time_is_up)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.failed and not self.is_over:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed and not self.is_over:
            self.failed = report.nodeid
            said = str(report.longrepr)
            self.is_python = not any(name in said for name in ("SyntaxError", "ImportError", "NameError"))

    def time_is_up(self, _signal: int, _frame: FrameType | None) -> None:
        """End the run as Ctrl-C does, so that what its tests have started ends with it."""
        self.is_over = True
        limit_cpu(30)
        raise KeyboardInterrupt


def limit_cpu(seconds: int) -> None:
    """Let so many more seconds of the processor pass: seconds of the clock would judge otherwise on a busy machine."""
    spent = resource.getrusage(resource.RUSAGE_SELF)
    until = int(spent.ru_utime + spent.ru_stime) + seconds
    resource.setrlimit(resource.RLIMIT_CPU, (until, resource.RLIM_INFINITY))


def main(folder: Path, stages: list[list[str]]) -> None:
    """Run the stages and write what they came to."""
    watch, fault = Watch(), ""
    for n, tests in enumerate(stages):
        is_last = n == len(stages) - 1
        limit_cpu(LAST_CPU_S if is_last else CPU_S)
        try:
            code = pytest.main([*ARGUMENTS, f"--basetemp={folder / 'made'}", *tests], plugins=[watch]) if tests else 0
        except BaseException:  # in the middle of pytest's own work an interrupt may come out as something else
            if not watch.is_over:
                raise
            code = pytest.ExitCode.INTERRUPTED
        if watch.failed:
            fault = "" if watch.is_python else "the change is no Python"
        elif watch.is_over:
            fault = "" if is_last else "its time was up"
        elif code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            fault = f"pytest ended with {code}"
        if watch.failed or watch.is_over or fault:
            break
    signal.signal(signal.SIGXCPU, signal.SIG_IGN)
    outcome = {"killer": watch.failed, "fault": fault}
    (folder / "outcome.json").write_text(json.dumps(outcome), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), json.loads(sys.argv[2]))

"""What a mail tells a crew, in the season's own words, and the process that a product answers from."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ADAPTER = "product.py"


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruction:
    """What a mail says of one strip. Hours are those of the local day; None = not said.

    verdict             "roll", "water", "test" (test, and roll if inside) or "wait"
    rank                place in the order in which the mail has the crew work
    roll_from_h, roll_until_h   between which it is to be rolled
    damp_litres         put on while it is rolled, only to keep it damp
    litres, water_from_h        water to be mixed in before rolling; is_mixed False: put on a dry top, and not mixed
    test_first          a test comes before the first pass or the first drop; it decides
    test_after_water    so does one after mixing and soaking
    disk_at_h           hours of disking; test_after_disk_h: of the test after it, test_late_h: of the one after the
                        last disking; rolls_after_disk: roll if inside
    below_litres_point  where a test lies below the window: times the litres that lead to optimum; None = call, wait
    above_disk_at_h     where a test lies above the window: hours of disking
    test_low_pct, test_high_pct   limits of a test's result where the mail says its own; None = the window's
    edge_from_pct, edge_to_pct   a result outside those and between these is tested once more, and the mean of both
                        decides; None = the window's edges
    air_to_pct, air_roll_h   a result above the limits up to here: disked at the first hour of above_disk_at_h, aired
                        and rolled from then on without another test; None = not
    edge_damp_pct       a result or mean from here to test_low_pct: rolled with edge_damp_litres on the top; None = no
    test_mean_low_pct, test_mean_high_pct   limits of that mean; None = those of a single result
    test_again_up_to_pct, test_late_up_to_pct   the highest result after which it is tested again once it was disked, at
                        test_after_disk_h and at test_late_h; None = any
    seal_by_h           to be sealed by then if it lies loose
    stop_if_watered     the driver is to stop and have it tested if the strip was watered since its last test, and since
                        stop_since_h where the mail knows of water
    goes_on             the result of the test that the mail told is in: what it ordered goes on
    is_said_rolled      the mail takes the lift for rolled, and asks to record the next one
    new_lift            what is said of a lift that will be spread this morning
    """

    strip: str
    verdict: str
    rank: float = 0.0
    roll_from_h: float | None = None
    roll_until_h: float | None = None
    damp_litres: float = 0.0
    litres: float = 0.0
    water_from_h: float | None = None
    is_mixed: bool = True
    test_first: bool = False
    test_after_water: bool = False
    disk_at_h: tuple[float, ...] = ()
    test_after_disk_h: float | None = None
    test_late_h: float | None = None
    rolls_after_disk: bool = False
    below_litres_point: float | None = None
    above_disk_at_h: tuple[float, ...] = ()
    test_low_pct: float | None = None
    test_high_pct: float | None = None
    test_mean_low_pct: float | None = None
    test_mean_high_pct: float | None = None
    test_again_up_to_pct: float | None = None
    test_late_up_to_pct: float | None = None
    edge_from_pct: float | None = None
    edge_to_pct: float | None = None
    air_to_pct: float | None = None
    air_roll_h: float | None = None
    edge_damp_pct: float | None = None
    edge_damp_litres: float = 0.0
    seal_by_h: float | None = None
    stop_if_watered: bool = False
    stop_since_h: float | None = None
    goes_on: bool = False
    is_said_rolled: bool = False
    new_lift: Instruction | None = None
    said: str = ""

    def limits(self, low_pct: float, high_pct: float) -> tuple[float, float]:
        """Return the limits of a test's result, of which the window's edges are given [%]."""
        return (
            low_pct if self.test_low_pct is None else self.test_low_pct,
            high_pct if self.test_high_pct is None else self.test_high_pct,
        )

    def limits_of_mean(self, low_pct: float, high_pct: float) -> tuple[float, float]:
        """Return the limits of the mean of two tests, of which the window's edges are given [%]."""
        low, high = self.limits(low_pct, high_pct)
        return (
            low if self.test_mean_low_pct is None else self.test_mean_low_pct,
            high if self.test_mean_high_pct is None else self.test_mean_high_pct,
        )

    def is_at_edge(self, low_pct: float, high_pct: float, w_pct: float) -> bool:
        """Whether a result has the strip tested once more, of which the window's edges are given."""
        low, high = self.limits(low_pct, high_pct)
        first = low_pct if self.edge_from_pct is None else self.edge_from_pct
        last = high_pct if self.edge_to_pct is None else self.edge_to_pct
        return (first <= w_pct < low and not self.is_damped(w_pct)) or high < w_pct <= last

    def tests_after_disk_h(self, w_pct: float | None) -> list[float]:
        """Return when a strip is tested again once it was disked, after a result or without one."""
        late_to = self.test_again_up_to_pct if self.test_late_up_to_pct is None else self.test_late_up_to_pct
        tests = ((self.test_after_disk_h, self.test_again_up_to_pct), (self.test_late_h, late_to))
        return [h for h, up_to in tests if h is not None and (w_pct is None or up_to is None or w_pct <= up_to)]

    def is_aired(self, high_pct: float, w_pct: float) -> bool:
        """Whether a result, above the highest that releases the strip, has it disked, aired and rolled."""
        return self.air_to_pct is not None and bool(self.above_disk_at_h) and high_pct < w_pct <= self.air_to_pct

    def is_damped(self, w_pct: float) -> bool:
        """Whether a result lies where the strip is rolled with water on its top."""
        low = self.test_low_pct
        return self.edge_damp_pct is not None and low is not None and self.edge_damp_pct <= w_pct < low


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """What the mails of a run say. crews: those that got one; rain_h: from when each reads that rain is likely.

    spreads   by crew, how many lifts may be spread this morning; None = as many as are free
    """

    crews: tuple[str, ...]
    strips: dict[str, Instruction] = field(default_factory=dict)
    rain_h: dict[str, float | None] = field(default_factory=dict)
    spread_before_rain: dict[str, bool] = field(default_factory=dict)


def instruction(values: dict[str, Any]) -> Instruction:
    """Return an instruction from what an adapter wrote; a word that the season does not know is refused."""
    known = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
    if isinstance(known.get("new_lift"), dict):
        known["new_lift"] = instruction(known["new_lift"])
    return Instruction(**known)


class Product:
    """A product in a process of its own, so that two versions can be asked side by side."""

    def __init__(self, config_folder: Path, package_path: Path) -> None:
        """Start the product of a checkout; its own adapter is taken where it has one."""
        own = package_path / "tests" / "benchmarks" / "season" / ADAPTER
        adapter = own if own.is_file() else Path(__file__).parent / ADAPTER
        path = os.pathsep.join(filter(None, (str(package_path), os.environ.get("PYTHONPATH"))))
        self._process = subprocess.Popen(
            [sys.executable, str(adapter), str(config_folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )

    def ask(self, question: dict[str, Any]) -> Mail:
        """Return what the mails say. Raises RuntimeError where the product ends without an answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(question) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"the product ended with code {self._process.wait()}; its errors stand above")
        answer = json.loads(line)
        strips = [instruction(values) for values in answer["strips"]]
        return Mail(
            crews=tuple(answer["crews"]),
            strips={strip.strip: strip for strip in strips},
            rain_h=answer["rain_h"],
            spread_before_rain=answer["spread_before_rain"],
        )

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(timeout=30)

    def __enter__(self) -> Product:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

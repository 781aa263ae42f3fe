"""One strip of a season as its crew knows it, and the steps of its day."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from benchmarks.season.compaction import PASSES
from benchmarks.season.place import Lot

MACHINES = {
    "test": "gauge",
    "water": "truck",
    "damp": "truck",
    "mix": "disk",
    "disk": "disk",
    "roll": "roller",
    "seal": "roller",
    "spread": "dozer",
}
TANK_LITRES = 15000.0  # 27 min to fill and drive, 900 L/min at the bar, 51 minutes in the hour
LYING, ROLLED_BAD, FREE, FINISHED = "lying", "failed", "free", "finished"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do on a strip.

    from_h, until_h   hours of the local day between which it may begin
    litres            water: for the strip; damp: for its top, not mixed; roll: put on meanwhile, to keep it damp
    then              test: from its result to the steps that follow
    when              what must hold as well when it begins
    """

    kind: str
    from_h: float = 0.0
    until_h: float = math.inf
    litres: float = 0.0
    quarters: int = 1
    then: Callable[[float], list[Step]] | None = None
    when: Callable[[], bool] | None = None

    @property
    def machine(self) -> str:
        return MACHINES[self.kind]


@dataclass(slots=True, kw_only=True)
class StripNow:
    """One strip as its crew knows it, and as it is.

    state       "lying", "failed" (rolled, not dense), "free" (accepted, the next may be spread) or "finished"
    lift        number of the lift that lies or lay last; laid_h, tests: since when it lies, (time, result) of its tests
    seal_by_h   hour of today by which it shall be sealed
    rank        place in the order of work
    dosed_h     when the truck came to it or left it last
    n_doses_untested, is_watered   doses since the last test; watered, and no test since found it below the window
    """

    lot: Lot
    state: str = LYING
    lift: int = 1
    laid_h: float = -14.0
    attempt: int = 0
    tests: list[tuple[float, float]] = field(default_factory=list)
    n_tests: int = 0
    n_doses_untested: int = 0
    is_watered: bool = False
    soaked_h: float = -math.inf
    dosed_h: float = -math.inf
    rolled_quarters: int = 0
    queue: list[Step] = field(default_factory=list)
    seal_by_h: float = math.inf
    rank: float = 0.0
    is_busy: bool = False
    inside_quarters: int = 0
    was_rolled_today: bool = False
    was_tested_today: bool = False

    @property
    def turn(self) -> tuple[float, float]:
        """Sort key: lifts are spread where the fewest lie, everything else goes by rank."""
        is_spread = bool(self.queue) and self.queue[0].kind == "spread"
        return (self.lift - 100.0, self.rank) if is_spread else (self.rank, 0.0)

    def quarters(self, step: Step) -> int:
        """Return how long a step takes here, in quarter hours."""
        if step.kind == "roll":
            return max(rolling_quarters(self.lot) - self.rolled_quarters, 1)
        if step.kind in ("water", "damp"):
            loads = math.ceil(step.litres / TANK_LITRES - 1e-9)
            return max(1, math.ceil((loads * 27.0 + step.litres / 900.0) / 0.85 / 15.0))
        return {"mix": 2, "disk": 3, "spread": 3}.get(step.kind, 1)


def rolling_quarters(lot: Lot) -> int:
    """Return how long a strip takes to roll: whole lanes, half a minute to turn, 55 minutes in the hour."""
    lanes = math.ceil(lot.width_m / (2.10 - 0.15))
    minutes = lanes * PASSES * (lot.length_m / (5000.0 / 60.0) + 0.5) / (55.0 / 60.0)
    return math.ceil(minutes / 15.0)


def water_litres(lot: Lot, from_pct: float, to_pct: float) -> float:
    """Return the litres that take a strip from one content to another."""
    return max((to_pct - from_pct) / 100.0 * lot.dry_mass_kg_m2 * lot.area_m2, 0.0)

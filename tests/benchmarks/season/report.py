"""Seasons as a table: means by policy, and differences from habit paired by seed."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path

from benchmarks.season.season import Season
from benchmarks.season.tally import Tally

COUNTS = tuple(field.name for field in fields(Tally))
HEADS = {
    "accepted": "accepted of 80",
    "failed": "failed",
    "waited_inside": "waited inside",
    "doses": "doses",
    "doses_inside": "on inside",
    "doubled_doses": "doubled",
    "tests": "tests",
    "seals": "seals",
    "caught_loose": "caught loose",
    "rolled_again": "rolled again",
    "diskings": "diskings",
    "without_word": "without word",
    "damped": "damped tops",
    "untested": "untested",
}
REFERENCE = "habit"


def write_csv(seasons: Sequence[Season], path: Path) -> None:
    """Write one row a season."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, ["policy", "seed", "climate", *COUNTS])
        writer.writeheader()
        for season in seasons:
            writer.writerow(
                {"policy": season.policy, "seed": season.seed, "climate": season.climate} | asdict(season.tally)
            )


def mean_and_error(values: Sequence[float]) -> tuple[float, float]:
    """Return the mean of values and its standard error; NaN where there are too few."""
    n = len(values)
    mean = sum(values) / n if n else math.nan
    return mean, math.sqrt(sum((v - mean) ** 2 for v in values) / (n - 1) / n) if n > 1 else math.nan


def paired(seasons: Sequence[Season], policy: str, count: str, reference: str = REFERENCE) -> tuple[float, float]:
    """Return how much more of something a policy has than the reference on the same seeds, with its standard error."""
    of = {(season.policy, season.seed): float(getattr(season.tally, count)) for season in seasons}
    seeds = sorted({season.seed for season in seasons})
    both = [seed for seed in seeds if (policy, seed) in of and (reference, seed) in of]
    return mean_and_error([of[policy, seed] - of[reference, seed] for seed in both])


def table(seasons: Sequence[Season]) -> str:
    """Return the means of every policy, in the order given, with lifts against habit."""
    policies = list(dict.fromkeys(season.policy for season in seasons))
    width = max(len(p) for p in policies)
    head = [f"{'policy':<{width}}", "seeds", "against habit (se)", *(HEADS[c] for c in COUNTS)]
    lines = ["  ".join(head)]
    for policy in policies:
        own = [season for season in seasons if season.policy == policy]
        more, error = paired(seasons, policy, "accepted")
        cells = [f"{policy:<{width}}", f"{len(own):>5}", f"{more:+9.1f} ({error:4.1f})".rjust(18)]
        for count in COUNTS:
            mean, _ = mean_and_error([float(getattr(season.tally, count)) for season in own])
            cells.append(f"{mean:>{len(HEADS[count])}.1f}")
        lines.append("  ".join(cells))
    for climate in dict.fromkeys(season.climate for season in seasons):
        means = []
        for policy in policies:
            own = [float(o.tally.accepted) for o in seasons if o.policy == policy and o.climate == climate]
            means.append(f"{policy} {mean_and_error(own)[0]:.1f}")
        lines.append(f"accepted, {climate}: " + ", ".join(means))
    return "\n".join(lines)


def targets(seasons: Sequence[Season], label: str = "") -> str:
    """Return what was asked of the mails, each with what was measured. label: "@name" of one of several products."""

    def mean(policy: str, count: str) -> float:
        own = [float(getattr(season.tally, count)) for season in seasons if season.policy == policy]
        return mean_and_error(own)[0]

    lines = []
    for name in (f"mails all{label}", f"mails all+look{label}"):
        look = "+look" if "+look" in name else ""
        half, none = f"mails half{look}{label}", f"mails none{look}{label}"
        rows = (
            ("lifts above habit", mean(name, "accepted") - mean("habit", "accepted"), ">=", 3.0),
            (
                "lifts above the sealing habit",
                mean(name, "accepted") - mean("sealing habit", "accepted"),
                ">=",
                0.0,
            ),
            ("failed lifts", mean(name, "failed"), "<=", 0.5 * mean("habit", "failed")),
            ("lifts lost where half is recorded", mean(name, "accepted") - mean(half, "accepted"), "<=", 2.0),
            ("lifts lost where nothing is recorded", mean(name, "accepted") - mean(none, "accepted"), "<=", 2.0),
            ("strip-days waited inside", mean(name, "waited_inside"), "<=", mean("habit", "waited_inside")),
            ("doses on strips inside", mean(name, "doses_inside"), "<=", mean("habit", "doses_inside")),
            ("tests", mean(name, "tests"), "<=", 0.7 * mean("habit", "tests")),
            ("seals", mean(name, "seals"), "<=", 0.4 * mean("sealing habit", "seals")),
        )
        for what, value, sign, limit in rows:
            if math.isnan(value - limit):  # a policy that was not lived
                continue
            is_met = value >= limit if sign == ">=" else value <= limit
            lines.append(f"{name}: {what} {value:.1f}, asked {sign} {limit:.1f}: {'met' if is_met else 'MISSED'}")
    of_all = mean("habit", "tests") + mean("habit", "untested")
    lines.append(
        f"habit: tests {mean('habit', 'tests'):.1f}, with those of strips that lie rolled or done {of_all:.1f}"
    )
    return "\n".join(lines)

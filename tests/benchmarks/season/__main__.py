"""Live seasons and print what they came to.

PYTHONPATH=tests python -m benchmarks.season --seeds 12
PYTHONPATH=tests python -m benchmarks.season --package-path . --package-path ../older-checkout --policies mails
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from benchmarks.season import report
from benchmarks.season.run import POLICIES, WITHOUT_MAILS, Task, seasons

HERE = Path(__file__).resolve().parents[3]


def arguments(given: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.season", description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=12, help="how many seeds, from --first-seed on")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument(
        "--policies",
        nargs="*",
        default=list(POLICIES),
        help=f"of {', '.join(POLICIES)}; the beginning of a name is enough",
    )
    parser.add_argument(
        "--package-path",
        type=Path,
        action="append",
        help="checkout whose product writes the mails, this one if none is named; several are compared",
    )
    parser.add_argument("--csv", type=Path, help="file for one row a season")
    parser.add_argument("--logs", type=Path, help="folder for what happened in each season, line by line")
    parser.add_argument("--processes", type=int, default=2)
    return parser.parse_args(given)


def is_meant(word: str, policy: str) -> bool:
    """Whether a word of the command line means a policy: its name, or the beginning of several names."""
    return word == policy if word in POLICIES else policy.startswith(word)


def tasks(asked: argparse.Namespace) -> list[Task]:
    """Return the seasons that are asked for, seed by seed; habit is always among them."""
    paths = [path.resolve() for path in asked.package_path or [HERE]]
    wanted = [p for p in POLICIES if p == "habit" or any(is_meant(word, p) for word in asked.policies)]
    found = []
    for seed in range(asked.first_seed, asked.first_seed + asked.seeds):
        for policy in wanted:
            for path in paths[:1] if policy in WITHOUT_MAILS else paths:
                label = path.name if len({p.name for p in paths}) == len(paths) else str(path)
                name = policy if policy in WITHOUT_MAILS or len(paths) == 1 else f"{policy}@{label}"
                found.append(Task(seed=seed, policy=name, package_path=path, log_folder=asked.logs))
    return found


def main(given: list[str]) -> None:
    asked = arguments(given)
    lived = []
    for season in seasons(tasks(asked), asked.processes):
        lived.append(season)
        print(
            f"{season.seed:>3} {season.climate:<6} {season.policy:<24} {season.tally.accepted:>3}",
            file=sys.stderr,
            flush=True,
        )
        if asked.csv is not None:
            report.write_csv(lived, asked.csv)
    print(report.table(lived))
    for label in dict.fromkeys(
        season.policy.partition("@")[2] for season in lived if season.policy.startswith("mails all")
    ):
        print("\n" + report.targets(lived, f"@{label}" if label else ""))


if __name__ == "__main__":
    main(sys.argv[1:])

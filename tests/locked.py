"""The versions that the service itself is installed with: config/locked.txt.

    python tests/locked.py             writes them from the environment that runs this
    python tests/locked.py --check     exit code 1 where a direct dependency is missing or below its lower bound

Install with them: pip install -c config/locked.txt .
"""

from __future__ import annotations

import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
LOCKED = ROOT / "config" / "locked.txt"
HEAD = "# What the service is installed with: pip install -c config/locked.txt .   Written by tests/locked.py.\n"


def key(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def wanted() -> list[Requirement]:
    """Return the direct dependencies, those for PostgreSQL too."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [Requirement(line) for line in (*project["dependencies"], *project["optional-dependencies"]["postgresql"])]


def installed() -> dict[str, str]:
    """Return the version of every direct and indirect dependency in this environment."""
    found: dict[str, str] = {}
    waiting = wanted()
    while waiting:
        requirement = waiting.pop()
        if key(requirement.name) in found:
            continue
        try:
            distribution = metadata.distribution(requirement.name)
        except metadata.PackageNotFoundError:
            continue
        found[key(requirement.name)] = distribution.version
        for line in distribution.requires or ():
            needed = Requirement(line)
            extras = requirement.extras or {""}
            if needed.marker is None or any(needed.marker.evaluate({"extra": extra}) for extra in extras):
                waiting.append(needed)
    return found


def locked() -> dict[str, str]:
    lines = LOCKED.read_text(encoding="utf-8").splitlines()
    pairs = (line.split("==") for line in lines if line and not line.startswith("#"))
    return {key(name): version for name, version in pairs}


def faults() -> list[str]:
    """Return what does not go together between lower bounds and locked versions."""
    versions, told = locked(), []
    for requirement in wanted():
        version = versions.get(key(requirement.name))
        if version is None or not requirement.specifier.contains(version, prereleases=True):
            told.append(f"{requirement}: config/locked.txt has {version or 'none'}. Run python tests/locked.py.")
    return told


def main() -> int:
    if "--check" not in sys.argv[1:]:
        lines = (f"{name}=={version}" for name, version in sorted(installed().items()))
        LOCKED.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    told = faults()
    print("\n".join(told) or f"{len(locked())} versions, every lower bound met")
    return 1 if told else 0


if __name__ == "__main__":
    sys.exit(main())

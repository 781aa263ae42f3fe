"""What imports what, read from the source without running it: which tests a module, and the rooms of the package.

python tests/import_graph.py            the rooms by floor, each with the rooms that it imports
python tests/import_graph.py --mermaid  the same as a diagram
"""

from __future__ import annotations

import ast
import functools
import sys
from collections import deque
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
TESTS, PACKAGE = ROOT / "tests", ROOT / "gonogo"
HELPERS = (TESTS / "mornings", TESTS / "replies")  # pytest finds them from anywhere; others lie beside their tests


@functools.cache
def imported(path: Path) -> frozenset[Path]:
    """Return the files of the package and the helpers of the tests that a file imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    found = set()
    for name in names:
        place = name.replace(".", "/")
        bases = (ROOT,) if name.startswith("gonogo") else (TESTS, *HELPERS, path.parent)
        found |= {p for base in bases for p in (base / f"{place}.py", base / place / "__init__.py") if p.is_file()}
    if "importlib" in names and path.name == "__init__.py":
        found |= set(path.parent.glob("*.py"))  # imports whatever lies beside it, as the weather services are found
    return frozenset(found - {path})


@functools.cache
def distances(test: Path) -> dict[Path, int]:
    """Return by file of the package how many imports lie between a test and it; helpers of the tests count nothing."""
    found, waiting = {test: 0}, deque([test])
    while waiting:
        path = waiting.popleft()
        for other in imported(path):
            is_package = PACKAGE in other.parents
            away = found[path] + is_package
            if away < found.get(other, sys.maxsize):
                found[other] = away
                (waiting.append if is_package else waiting.appendleft)(other)
    return found


def rooms() -> dict[str, set[str]]:
    """Return by room of the package, or loose module at its top, the others that it imports."""
    found: dict[str, set[str]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        if (room := _room(path)) != "__init__":
            others = {_room(other) for other in imported(path) if PACKAGE in other.parents}
            found.setdefault(room, set()).update(others - {room, "__init__"})
    return found


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def floors(arrows: dict[str, set[str]]) -> list[list[str]]:
    """Return the rooms from the top floor to the bottom: each stands above all that it imports.

    Raises ValueError for a circle.
    """
    height: dict[str, int] = {}
    while len(height) < len(arrows):
        ready = [room for room in arrows if room not in height and arrows[room] <= set(height)]
        if not ready:
            raise ValueError(f"a circle among {sorted(set(arrows) - set(height))}")
        height |= {room: 1 + max((height[other] for other in arrows[room]), default=0) for room in ready}
    return [sorted(room for room in arrows if height[room] == n) for n in range(max(height.values()), 0, -1)]


def picture(arrows: dict[str, set[str]]) -> Iterator[str]:
    """Yield the lines of a picture for a terminal: every arrow points to a line further down."""
    found = floors(arrows)
    place = {room: n for n, floor in enumerate(found) for room in floor}
    for n, floor in enumerate(found):
        for room in floor:
            below = sorted(arrows[room], key=lambda other: (place[other], other))
            yield f"{len(found) - n:3}  {room:10} {'-> ' if below else ''}{' '.join(below)}"
    n_arrows = sum(map(len, arrows.values()))
    yield f"{len(arrows)} rooms and loose modules, {len(found)} floors, {n_arrows} arrows, no circle"


def mermaid(arrows: dict[str, set[str]]) -> Iterator[str]:
    """Yield the lines of a diagram, without the arrows that other arrows imply."""
    reach: dict[str, set[str]] = {}
    for floor in reversed(floors(arrows)):
        for room in floor:
            reach[room] = arrows[room].union(*(reach[other] for other in arrows[room]))
    yield "flowchart TD"
    for room, others in arrows.items():
        for other in sorted(others):
            if not any(other in reach[third] for third in others - {other}):
                yield f"    {room} --> {other}"


if __name__ == "__main__":
    print("\n".join((mermaid if "--mermaid" in sys.argv else picture)(rooms())))

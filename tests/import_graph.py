"""Which tests import a module of the package, and through how many others: read from the source, without running it."""

from __future__ import annotations

import ast
import functools
import sys
from collections import deque
from pathlib import Path

ROOT = Path(__file__).parents[1]
TESTS, PACKAGE = ROOT / "tests", ROOT / "gonogo"


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
        bases = (ROOT,) if name.startswith("gonogo") else (TESTS, TESTS / "mornings")
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

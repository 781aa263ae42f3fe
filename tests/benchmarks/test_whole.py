"""Whole commands, process start included, as a person waits for them: `pytest tests/benchmarks`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

GONOGO = [sys.executable, "-m", "gonogo"]


def typed(*arguments: str) -> None:
    subprocess.run([*GONOGO, *arguments], check=True, capture_output=True)


def test_help(benchmark: Any) -> None:
    """Asked for: under 0.4 s."""
    benchmark.pedantic(typed, args=("--help",), rounds=10, warmup_rounds=1)


def test_demo(benchmark: Any, tmp_path: Path) -> None:
    """Asked for: under 6 s."""
    benchmark.pedantic(typed, args=("demo", "--folder", str(tmp_path / "demo")), rounds=5, warmup_rounds=1)

"""A copy of the example config that a test may spoil."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from config_copy import EXAMPLE, Copy


@pytest.fixture
def example(tmp_path: Path) -> Copy:
    folder = tmp_path / "config"
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("*.sqlite3*", "mails"))
    return Copy(folder)

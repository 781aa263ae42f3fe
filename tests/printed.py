"""Published values as data: how a TOML sheet of cases is read and compared at the precision that was printed.

A sheet names its `area`; the test file of that area gives one function for each `kind` of case. Values are strings as
printed, met to half of their last digit unless `tol` says otherwise and `reason` says why. `must_differ` marks values
that must not come out: misprints, wrong time zones, other people's formulas.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

SHEETS = Path(__file__).parent / "published"
Kinds = dict[str, Callable[..., dict[str, Any]]]


def half_last_digit(printed: str) -> float:
    """Return half a unit of the last digit of a number as printed."""
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def cases(area: str) -> list[Any]:
    """Return the cases of an area as pytest parameters, one sheet after the other."""
    found = []
    for path in sorted(SHEETS.glob("*.toml")):
        sheet = tomllib.loads(path.read_text(encoding="utf-8"))
        if sheet.get("area") == area:
            assert sheet["source"], path
            assert sheet["title"], path
            found += [pytest.param(case, id=f"{path.stem}: {case['id']}") for case in sheet["case"]]
    return found


def gaps(case: Mapping[str, Any], kinds: Kinds) -> list[str]:
    """Return a sentence for each published value that did not come out."""
    found = kinds[case["kind"]](**case["inputs"])
    missed = []
    for name, (low, high) in case.get("range", {}).items():
        if not low <= found[name] <= high:
            missed.append(f"{name} = {found[name]} outside {low} to {high}")
    for name, printed in case.get("expect", {}).items():
        texts = printed if isinstance(printed, list) else [printed]
        values = np.atleast_1d(np.asarray(found[name], dtype=np.float64))
        assert len(texts) == values.size, f"{name}: {len(texts)} printed, {values.size} computed"
        for i, (text, value) in enumerate(zip(texts, values, strict=True)):
            allowed = case.get("tol", {}).get(name, half_last_digit(text))
            if not abs(value - float(text)) <= allowed + 1e-9:
                missed.append(f"{name}[{i}] = {value:.6g}, printed {text}, allowed {allowed:g}")
    return missed


def require(case: Mapping[str, Any], kinds: Kinds) -> None:
    """Fail unless a case comes out, or, where it says so, unless it does not."""
    missed = gaps(case, kinds)
    if case.get("must_differ"):
        assert missed, "a value that must not come out came out"
    else:
        assert not missed, "\n".join(missed)


def require_complete(area: str, kinds: Kinds, n_least: int) -> None:
    """Fail where a case lacks its mark, a wide tolerance its reason, or a kind its cases."""
    sheets = [p.values[0] for p in cases(area)]
    assert len(sheets) >= n_least
    for case in sheets:
        assert case["mark"] in {"R", "R+c", "M", "X"}, case["id"]
        assert case.get("reason") or "tol" not in case, case["id"]
        assert case.get("expect") or case.get("range"), case["id"]
    assert {case["kind"] for case in sheets} == set(kinds)

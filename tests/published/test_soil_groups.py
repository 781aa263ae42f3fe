"""Unified and AASHTO groups as standards and worked examples print them."""

from __future__ import annotations

from typing import Any

import printed
import pytest

from gonogo.soil.groups import Laboratory, aashto_group, unified_symbol


def aashto(groups: list[str], liquid: list[float], plastic: list[float], **passing: list[float]) -> dict[str, Any]:
    soils = [
        Laboratory(
            passing_4_75mm_pct=100.0,
            passing_2mm_pct=passing["passing_2mm"][n],
            passing_0_425mm_pct=passing["passing_0_425mm"][n],
            passing_0_075mm_pct=passing["passing_0_075mm"][n],
            liquid_limit_pct=liquid[n],
            plastic_limit_pct=plastic[n],
        )
        for n in range(len(groups))
    ]
    return {"is": [float(aashto_group(soil) == group) for soil, group in zip(soils, groups, strict=True)]}


def unified(groups: list[str], cu: list[float], cc: list[float], **given: list[float]) -> dict[str, Any]:
    """Grain sizes that have the given Cu and Cc: d10 = 1, d60 = Cu, d30 in between."""
    soils = [
        Laboratory(
            passing_4_75mm_pct=given["passing_4_75mm"][n],
            passing_0_075mm_pct=given["passing_0_075mm"][n],
            liquid_limit_pct=given["liquid"][n],
            plastic_limit_pct=given["plastic"][n],
            d10_mm=1.0,
            d30_mm=(cc[n] * cu[n]) ** 0.5 * (1.0 + 1e-12 if cc[n] == 1.0 else 1.0 - 1e-12),
            d60_mm=cu[n],
        )
        for n in range(len(groups))
    ]
    return {"is": [float(unified_symbol(soil) == group) for soil, group in zip(soils, groups, strict=True)]}


KINDS: printed.Kinds = {"aashto": aashto, "unified": unified}


@pytest.mark.parametrize("case", printed.cases("soil_groups"))
def test_a_soil_has_the_group_that_is_printed(case: dict[str, Any]) -> None:
    printed.require(case, KINDS)


def test_every_case_is_marked_and_every_kind_used() -> None:
    printed.require_complete("soil_groups", KINDS, 9)

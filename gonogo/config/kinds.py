"""Kinds of fill that have rules of their own: clean granular soil, soil with coarse grains, treated soil."""

from __future__ import annotations

import math

from gonogo.config.lines import Loc
from gonogo.config.material_tables import MaterialTable, TreatedTable
from gonogo.config.toml_file import ConfigFile
from gonogo.errors import SoilError
from gonogo.records.site import Binder
from gonogo.soil.compaction import saturated_w_pct
from gonogo.soil.curve import fit_curve

# What a specification asks of treated soil, where the config says nothing. Air from 5 degC on: Ohio DOT, Construction
# and Material Specifications 2010, 206.05. Lime: nothing below 35 F (1.7 degC) until it is compacted: Caltrans Standard
# Specifications 24-2.03A. Cement: no frost for seven days: Maryland SHA 502.03.02; mixed and rolled within 2 h:
# California Soil Stabilization Association, method specification for soil-cement, 2008. Lime mellows a day, from
# memory, and is rolled within 3 days of its final mixing, a project specification. Hours without rain: common practice.
# Checked in tests/published/kinds_of_fill.toml.
BINDERS: dict[str, Binder] = {
    "lime": Binder(
        kind="lime",
        mellowing_h=24.0,
        working_time_h=72.0,
        temp_min_degc=5.0,
        night_min_degc=1.7,
        nights=1,
        rain_free_h=6.0,
    ),
    "cement": Binder(
        kind="cement",
        mellowing_h=0.0,
        working_time_h=2.0,
        temp_min_degc=5.0,
        night_min_degc=0.0,
        nights=7,
        rain_free_h=6.0,
    ),
}


def read_binder(file: ConfigFile, loc: Loc, table: TreatedTable | None) -> Binder | None:
    """Return the binder of a material, None where it has none; what its table leaves out is as BINDERS has it."""
    if table is None:
        return None
    usual = BINDERS[table.binder]

    def stated(name: str) -> float:
        value = getattr(table, name)
        return float(getattr(usual, name) if value is None else value)

    binder = Binder(
        kind=table.binder,
        mellowing_h=stated("mellowing_h"),
        working_time_h=stated("working_time_h"),
        temp_min_degc=stated("temp_min_degc"),
        night_min_degc=stated("night_min_degc"),
        nights=int(stated("nights")),
        rain_free_h=stated("rain_free_h"),
    )
    if not binder.mellowing_h < binder.working_time_h:
        file.add_fault(
            (*loc, "treated", "working_time_h" if table.working_time_h is not None else "mellowing_h"),
            f"leaves no time: it mellows {binder.mellowing_h:g} h and must be rolled {binder.working_time_h:g} h after "
            "mixing.",
            "Write mellowing_h below working_time_h, for example 24 and 72.",
        )
    return binder


def wet_edge_of_sand(omc_pct: float, mdd_kg_m3: float, required_pct: float, specific_gravity: float) -> float:
    """Return the wet edge of clean granular soil as points above optimum: full pores at the density required.

    omc_pct, mdd_kg_m3   of the laboratory [%, kg/m3]
    required_pct         required relative compaction [%]; NaN: the maximum itself

    It compacts best as wet as it can be worked, preferably saturated, and lets go of what is more: it has no wet edge
    but standing water. Source: TM 5-818-1 (UFC 3-220-03FA). Checked in tests/published/kinds_of_fill.toml.
    """
    share = 1.0 if math.isnan(required_pct) else required_pct / 100.0
    return max(float(saturated_w_pct(share * mdd_kg_m3, specific_gravity)) - omc_pct, 0.5)


def laboratory_omc_pct(table: MaterialTable, specific_gravity: float, omc_pct: float) -> float | None:
    """Return the optimum as the laboratory measured it [%], None where the one in force is the same."""
    if table.oversize is None:
        return None
    measured = table.omc_pct
    if measured is None:
        try:
            measured = fit_curve(
                table.curve_w_pct or [], table.curve_dry_density_kg_m3 or [], specific_gravity=specific_gravity
            ).omc_pct
        except SoilError:
            return None
    return None if abs(measured - omc_pct) < 0.05 else measured

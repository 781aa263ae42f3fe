"""From a laboratory's words to a Material: curve fitted, oversize corrected, window in points, gaps named."""

from __future__ import annotations

import math

from gonogo.config.kinds import laboratory_omc_pct, read_binder, wet_edge_of_sand
from gonogo.config.lines import Loc
from gonogo.config.material_tables import MaterialTable, MethodTable
from gonogo.config.soil_class import read_soil_class
from gonogo.config.toml_file import ConfigFile
from gonogo.errors import SoilError
from gonogo.records.site import Material, Method
from gonogo.soil.classes import SOIL_CLASSES, SoilClass
from gonogo.soil.compaction import (
    oversize_dry_density_kg_m3,
    oversize_w_pct,
    saturated_w_pct,
    zav_dry_density_kg_m3,
)
from gonogo.soil.curve import fit_curve

WIDEST_POINTS = 10.0  # a window further than this from optimum is a slip of the pen: common practice
# Where the laboratory gives none: quartz sand against clay minerals, common practice, no source.
SPECIFIC_GRAVITY_SAND = 2.65
SPECIFIC_GRAVITY_FINES = 2.70


def read_material(file: ConfigFile, material_id: str, table: MaterialTable) -> Material | None:
    """Return a material, or None after noting every fault that its table has as a whole."""
    loc: Loc = ("material", material_id)
    n_before = len(file.faults)
    soil = read_soil_class(file, loc, table)
    if soil is None:
        return None
    row = SOIL_CLASSES[soil.name]
    is_granular = row.is_granular if table.is_granular is None else table.is_granular

    assumed = [k for k in ("specific_gravity", "theta_fc", "theta_wp") if getattr(table, k) is None]
    by_class = SPECIFIC_GRAVITY_SAND if row.group == "granular" else SPECIFIC_GRAVITY_FINES
    specific_gravity = by_class if table.specific_gravity is None else table.specific_gravity
    theta_fc = row.theta_fc if table.theta_fc is None else table.theta_fc
    theta_wp = row.theta_wp if table.theta_wp is None else table.theta_wp
    _check_capacity(file, loc, table, row)
    required_pct = _required(file, loc, table)
    binder = read_binder(file, loc, table.treated)
    peak = _peak(file, loc, table, specific_gravity)
    if peak is None:
        _window(file, loc, table, 15.0)  # only for its own faults
        return None
    stated_window = window = _window(file, loc, table, peak[0])
    if window is not None and is_granular:
        window = window[0], wet_edge_of_sand(*peak, required_pct, specific_gravity)
    elif window is not None and table.required_compaction_pct is not None:
        _check_reachable(file, loc, table, *peak, window, specific_gravity)
    if window is None or stated_window is None or len(file.faults) > n_before:
        return None
    return Material(
        id=material_id,
        name=table.name,
        soil_class=soil.name,
        omc_pct=peak[0],
        mdd_kg_m3=peak[1],
        test=table.test,
        window_low_pct=window[0],
        window_high_pct=window[1],
        required_compaction_pct=required_pct,
        specific_gravity=specific_gravity,
        theta_fc=theta_fc,
        theta_wp=theta_wp,
        curve_w_pct=tuple(table.curve_w_pct or ()),
        curve_dry_density_kg_m3=tuple(table.curve_dry_density_kg_m3 or ()),
        is_granular=is_granular,
        borrow_w_pct=table.borrow_w_pct,
        soak_in_h=table.soak_in_h,
        assumed=tuple(assumed),
        air_voids_max_pct=table.air_voids_max_pct,
        laboratory_omc_pct=laboratory_omc_pct(table, specific_gravity, peak[0]),
        binder=binder,
        method=None if table.method_specification is None else _method(table.method_specification),
        is_shale=table.is_shale,
        aim_high_pct=stated_window[1] if is_granular else None,
        soil_group=soil.group,
        group_textures=soil.textures,
    )


def _check_capacity(file: ConfigFile, loc: Loc, table: MaterialTable, row: SoilClass) -> None:
    """Add a fault where the wilting point does not lie below the field capacity, given or of the soil class."""
    theta_fc = row.theta_fc if table.theta_fc is None else table.theta_fc
    theta_wp = row.theta_wp if table.theta_wp is None else table.theta_wp
    if not theta_wp < theta_fc:
        file.add_fault(
            (*loc, "theta_wp" if table.theta_wp is not None else "theta_fc"),
            f"leaves the wilting point {theta_wp:g} at or above the field capacity {theta_fc:g}.",
            f"Write theta_wp below theta_fc, for example {row.theta_wp:g} and {row.theta_fc:g}.",
        )


def _method(table: MethodTable) -> Method:
    return Method(passes=table.passes, layer_max_m=table.layer_max_m, roller_ids=tuple(table.rollers))


def _required(file: ConfigFile, loc: Loc, table: MaterialTable) -> float:
    """Return the required compaction [%], NaN under a method; a material has the one or the other."""
    if table.method_specification is not None and table.required_compaction_pct is not None:
        wrong = "stands beside method_specification, which has no density."
        file.add_fault((*loc, "required_compaction_pct"), wrong, "Leave it out, or leave out method_specification.")
    if table.method_specification is None and table.required_compaction_pct is None:
        right = "Write the specification's, for example required_compaction_pct = 95, or a table method_specification."
        file.add_fault((*loc, "required_compaction_pct"), "is missing.", right)
    return math.nan if table.required_compaction_pct is None else table.required_compaction_pct


def _peak(file: ConfigFile, loc: Loc, table: MaterialTable, specific_gravity: float) -> tuple[float, float] | None:
    """Return optimum and maximum of the whole material, from points or as given, corrected for oversize."""
    has_curve = table.curve_w_pct is not None or table.curve_dry_density_kg_m3 is not None
    has_peak = table.omc_pct is not None or table.mdd_kg_m3 is not None
    either = "Write omc_pct and mdd_kg_m3, or curve_w_pct and curve_dry_density_kg_m3."
    if has_curve == has_peak:
        wrong = "gives the laboratory result twice." if has_curve else "gives no laboratory result."
        file.add_fault((*loc, "curve_w_pct" if has_curve else "omc_pct"), wrong, either)
        return None
    if has_peak:
        if table.omc_pct is None or table.mdd_kg_m3 is None:
            lacking = "omc_pct" if table.omc_pct is None else "mdd_kg_m3"
            file.add_fault((*loc, lacking), "is missing: optimum and maximum belong together.", either)
            return None
        omc_pct, mdd_kg_m3 = table.omc_pct, table.mdd_kg_m3
        limit_kg_m3 = float(zav_dry_density_kg_m3(omc_pct, specific_gravity))
        if mdd_kg_m3 > limit_kg_m3:
            file.add_fault(
                (*loc, "mdd_kg_m3"),
                f"lies above the zero-air-voids line, {limit_kg_m3:.0f} kg/m3 at {omc_pct:g} % and specific gravity "
                f"{specific_gravity:g}: no soil can be that dense and that wet.",
                "Check omc_pct (percent of dry mass), mdd_kg_m3 (dry density) and specific_gravity.",
            )
            return None
    else:
        w_pct, density_kg_m3 = table.curve_w_pct or [], table.curve_dry_density_kg_m3 or []
        if len(w_pct) != len(density_kg_m3):
            file.add_fault(
                (*loc, "curve_w_pct"),
                f"has {len(w_pct)} points, curve_dry_density_kg_m3 has {len(density_kg_m3)}.",
                "Write one dry density for each water content.",
            )
            return None
        try:
            fit = fit_curve(w_pct, density_kg_m3, specific_gravity=specific_gravity)
        except SoilError as error:
            file.add_fault(
                (*loc, "curve_w_pct"), f"does not make a curve: {error}", "Copy the points of the laboratory's sheet."
            )
            return None
        omc_pct, mdd_kg_m3 = fit.omc_pct, fit.mdd_kg_m3
        for note in fit.notes:
            file.warn(30, (*loc, "curve_w_pct"), f"should be looked at: {note.text}", "Mend the points, or test again.")
    coarse = table.oversize
    if coarse is None:
        return omc_pct, mdd_kg_m3
    sieve, retained_frac = ("4.75 mm" if coarse.sieve_mm < 10.0 else "19 mm"), coarse.retained_pct / 100.0
    try:
        return (
            oversize_w_pct(omc_pct, retained_frac, coarse_w_pct=coarse.oversize_w_pct, sieve=sieve),
            oversize_dry_density_kg_m3(
                mdd_kg_m3, retained_frac, bulk_specific_gravity=coarse.oversize_specific_gravity, sieve=sieve
            ),
        )
    except SoilError as error:
        file.add_fault(
            (*loc, "oversize", "retained_pct"), f"cannot be corrected for: {error}", "Write percent, for example 15."
        )
        return None


def _window(file: ConfigFile, loc: Loc, table: MaterialTable, omc_pct: float) -> tuple[float, float] | None:
    """Return the window as points around optimum (low, high)."""
    points, ratio = table.window_points, table.window_ratio
    if (points is None) == (ratio is None):
        wrong = "is missing." if points is None else "stands beside window_ratio: only one can hold."
        right = "Write window_points = [-2.0, 2.0] (points around optimum) or window_ratio = [0.9, 1.1] (of optimum)."
        file.add_fault((*loc, "window_points"), wrong, right)
        return None
    if points is not None:
        low, high, at = points[0], points[1], (*loc, "window_points")
        if 0.5 <= low <= 1.0 <= high <= 1.5 and low < high:
            file.add_fault(at, "looks like a ratio of optimum.", f"Write window_ratio = [{low:g}, {high:g}].")
            return None
    else:
        assert ratio is not None
        low, high, at = (ratio[0] - 1.0) * omc_pct, (ratio[1] - 1.0) * omc_pct, (*loc, "window_ratio")
        if ratio[0] < 0.0:
            file.add_fault(at, "looks like points around optimum.", f"Write window_points = {ratio}.")
            return None
        if not 0.5 <= ratio[0] < ratio[1] <= 1.5:
            file.add_fault(at, "is no window around 1.", "Write low and high ratio, for example [0.9, 1.1].")
            return None
    if not -WIDEST_POINTS <= low < high <= WIDEST_POINTS:
        file.add_fault(
            at,
            f"is no window: from {low:g} to {high:g} points around optimum.",
            f"Write the low end first, within {WIDEST_POINTS:g} points of optimum, for example [-2.0, 2.0].",
        )
        return None
    if not omc_pct + low > 0.0:
        file.add_fault(
            at, f"reaches below dry soil: {low:g} points under an optimum of {omc_pct:g} %.", "Write fewer points."
        )
        return None
    return low, high


def _check_reachable(
    file: ConfigFile,
    loc: Loc,
    table: MaterialTable,
    omc_pct: float,
    mdd_kg_m3: float,
    window: tuple[float, float],
    specific_gravity: float,
) -> None:
    """Add a fault where the density asked for cannot be reached at the wet edge of the window."""
    assert table.required_compaction_pct is not None
    target_kg_m3 = table.required_compaction_pct / 100.0 * mdd_kg_m3
    limit_kg_m3 = float(zav_dry_density_kg_m3(omc_pct + window[1], specific_gravity))
    if target_kg_m3 > limit_kg_m3:
        highest = float(saturated_w_pct(target_kg_m3, specific_gravity)) - omc_pct
        at = "window_points" if table.window_points is not None else "window_ratio"
        file.add_fault(
            (*loc, at),
            f"lets the soil be so wet ({omc_pct + window[1]:.1f} %) that {table.required_compaction_pct:g} % of the "
            f"maximum, {target_kg_m3:.0f} kg/m3, lies above the zero-air-voids line ({limit_kg_m3:.0f} kg/m3).",
            f"End the window at most {highest:.1f} points above optimum, or check the laboratory's values.",
        )

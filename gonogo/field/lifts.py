"""Rows about lifts: work on a surface, a lift as it was spread, and what was decided of one."""

from __future__ import annotations

import math

from gonogo.config.readings import impossible
from gonogo.field.row import TypedRow
from gonogo.records.field import ACCEPTED, BORROW, REWORK, LiftResult, Spread, SurfaceWork
from gonogo.records.ranges import refusal
from gonogo.records.site import Strip
from gonogo.soil.compaction import wet_to_dry_basis_pct
from gonogo.soil.readings import METHOD_ERROR_PCT

BASES = ("dry", "wet")  # water content as a share of dry mass, or of the mass before drying
WORKS = ("rolled", "sealed", "disked", "spread", "mixed")
WITH_PASSES = ("rolled", "sealed")
RESULTS = (ACCEPTED, REWORK)
SPREAD_COLUMNS = ("thickness_m", "dry_density_kg_m3", "material", "area_share", "w_pct", "method", "basis", "loads",
                  "load_m3")  # fmt: skip
SURFACE_COLUMNS = ("strip", "work", "passes", *SPREAD_COLUMNS)


def w_pct(row: TypedRow, *, required: bool = True) -> float:
    """Return the water content of a row on dry mass, on whichever mass it was read; NaN where it has none."""
    is_wet = row.text("basis") != "" and row.one_of("basis", BASES, "basis of a water content") == "wet"
    mass = "mass before drying" if is_wet else "dry mass"
    written_pct = row.number("w_pct", f"Write percent of {mass}, for example 11.2.", required=required)
    if not is_wet or math.isnan(written_pct):
        return written_pct
    dry_pct = float(wet_to_dry_basis_pct(written_pct))
    if (refused := refusal("w_pct", dry_pct)) is not None:
        row.add_fault("w_pct", f"is {dry_pct:.0f} % of dry mass; that {refused[0]}", f"Write percent of {mass}.")
        return math.nan
    return dry_pct


def surface(row: TypedRow) -> SurfaceWork:
    """Return the work on a surface that a row holds; faults stand in the row."""
    work = row.one_of("work", WORKS, "surface work")
    passes = row.whole_number("passes", "Write the number of passes, for example 6.")
    if passes is not None and work and work not in WITH_PASSES:
        row.add_fault(
            "passes", f"{work} is no work of a roller.", f"Leave it out; {' and '.join(WITH_PASSES)} have it."
        )
    strip_id = row.strip()
    for key in SPREAD_COLUMNS if work and work != "spread" else ():
        if row.text(key):
            row.add_fault(key, f"{work} brings no new lift.", "Leave it out; spread has it.")
    spread = _spread(row, row.site.strip(strip_id)) if work == "spread" and strip_id else None
    at_utc = row.moment("at", default=row.now_utc)
    return SurfaceWork(strip_id=strip_id, at_utc=at_utc, work=work, passes=passes, spread=spread)


def result(row: TypedRow) -> LiftResult:
    """Return what a row says was decided of a lift; faults stand in the row."""
    return LiftResult(
        strip_id=row.strip(),
        at_utc=row.moment("at", default=row.now_utc),
        result=row.one_of("result", RESULTS, "result of a lift"),
    )


def _spread(row: TypedRow, strip: Strip) -> Spread | None:
    """Return what a row says of the lift that was spread, None where it says nothing."""
    if not any(row.text(key) for key in SPREAD_COLUMNS):
        return None
    material_id = row.one_of("material", (m.id for m in row.site.materials), "material") if row.text("material") else ""
    density = row.number("dry_density_kg_m3", "Write kilograms of dry soil per m3, as spread.", required=False)
    share = row.number("area_share", "Write the share of the strip that it covers, for example 0.5.", required=False)
    loads, load_m3, thickness_m = _thickness(row, strip, 1.0 if math.isnan(share) else share)
    arrived_pct, method = _moisture(row)
    lift = Spread(
        thickness_m=_or_none(thickness_m),
        dry_density_kg_m3=_or_none(density),
        material_id=material_id or None,
        area_share=_or_none(share),
        w_pct=_or_none(arrived_pct),
        method=method or None,
        loads=_or_none(loads),
        load_m3=_or_none(load_m3),
    )
    if not row.faults:
        _check_physics(row, strip, lift)
    return lift


def _thickness(row: TypedRow, strip: Strip, share: float) -> tuple[float, float, float]:
    """Return loads, volume of one and thickness; the thickness as it was told, or as the counted trucks make it."""
    loads = row.number("loads", "Write how many trucks were spread, for example 24.", required=False)
    load_m3 = row.number("load_m3", "Write the loose volume of one truck in m3, for example 12.", required=False)
    thickness_m = row.number("thickness_m", "Write metres as spread, for example 0.25.", required=False)
    if math.isnan(loads) != math.isnan(load_m3) and not row.faults:
        lacking = "loads" if math.isnan(loads) else "load_m3"
        row.add_fault(lacking, "is missing: number and volume belong together.", "Write both, or thickness_m.")
    if not math.isnan(loads + load_m3):
        counted_m = loads * load_m3 / (strip.area_m2 * share)
        if not math.isnan(thickness_m):
            row.add_fault("thickness_m", "is told twice: the counted trucks give it too.", "Write one of both.")
        elif (refused := refusal("thickness_m", counted_m)) is not None:
            wrong = f"make a lift of {counted_m:.2f} m on {strip.area_m2 * share:.0f} m2; that {refused[0]}"
            row.add_fault("loads", wrong, "Check loads, load_m3 and area_share.")
        thickness_m = counted_m
    return loads, load_m3, thickness_m


def _moisture(row: TypedRow) -> tuple[float, str]:
    """Return how wet the lift arrived and by which test; BORROW may stand without a number."""
    method = row.text("method")
    if not method and not row.text("w_pct"):
        return math.nan, ""
    method = row.one_of("method", (*METHOD_ERROR_PCT, BORROW), "test method")
    return w_pct(row, required=method != BORROW), method


def _check_physics(row: TypedRow, strip: Strip, lift: Spread) -> None:
    """Add a fault where the lift holds more water than its pores, or the config does not know how wet the borrow is."""
    material = row.site.material(lift.material_id or strip.material_id)
    if lift.method == BORROW and lift.w_pct is None and material.borrow_w_pct is None:
        wrong = f"material {material.id} has no borrow_w_pct in the config."
        row.add_fault("w_pct", wrong, "Write the water content of the borrow, for example 14.2.")
    if lift.w_pct is None:
        return
    refused = impossible(
        lift.w_pct,
        method=lift.method or "",
        dry_density_kg_m3=None,
        as_spread_kg_m3=lift.dry_density_kg_m3 or strip.dry_density_kg_m3,
        material=material,
    )
    if refused is not None:
        row.add_fault(*refused)


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value

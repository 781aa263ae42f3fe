"""The table of a material and those inside it, as pydantic models."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import Field, field_validator

from gonogo.config.table import Table
from gonogo.config.values import Name, fault


class OversizeTable(Table):
    """Particles too coarse for the laboratory mould: the curve was measured without them."""

    sieve_mm: float
    retained_pct: float
    oversize_w_pct: float
    oversize_specific_gravity: float

    @field_validator("sieve_mm")
    @classmethod
    def _known_sieve(cls, value: float) -> float:
        if value not in (4.75, 19.0):
            raise fault("is no sieve of the correction.", "Write 4.75 or 19.0 (mm).")
        return value


class TreatedTable(Table):
    """Soil treated with a binder. What is left out is as the binder usually has it, see kinds.py."""

    binder: Literal["lime", "cement"]
    mellowing_h: float | None = None
    working_time_h: float | None = None
    temp_min_degc: float | None = None
    night_min_degc: float | None = None
    nights: int | None = None
    rain_free_h: float | None = None


class MethodTable(Table):
    """A method specification: passes, layer and machine in place of a density."""

    passes: int
    layer_max_m: float
    rollers: list[str] = Field(default_factory=list)


class LaboratoryTable(Table):
    """Percent passing sieves No. 4, 10, 40 and 200, Atterberg limits, and grain sizes of a clean coarse soil."""

    passing_4_75mm_pct: float
    passing_2mm_pct: float = math.nan
    passing_0_425mm_pct: float = math.nan
    passing_0_075mm_pct: float
    liquid_limit_pct: float = math.nan
    plastic_limit_pct: float = math.nan
    is_plastic: bool = True
    d10_mm: float = math.nan
    d30_mm: float = math.nan
    d60_mm: float = math.nan


class MaterialTable(Table):
    name: Name
    soil_class: str | None = None
    uscs: Name | None = None
    aashto: Name | None = None
    test: Name
    omc_pct: float | None = None
    mdd_kg_m3: float | None = None
    curve_w_pct: list[float] | None = None
    curve_dry_density_kg_m3: list[float] | None = None
    window_points: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    window_ratio: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    required_compaction_pct: float | None = None
    air_voids_max_pct: float | None = None
    specific_gravity: float | None = None
    theta_fc: float | None = None
    theta_wp: float | None = None
    is_granular: bool | None = None
    borrow_w_pct: float | None = None
    soak_in_h: float | None = None
    is_shale: bool = False
    laboratory: LaboratoryTable | None = None
    oversize: OversizeTable | None = None
    treated: TreatedTable | None = None
    method_specification: MethodTable | None = None

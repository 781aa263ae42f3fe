"""Soil groups of a laboratory's report, and which soil class of ours stands for each: ASTM D2487 and AASHTO M 145."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from gonogo.errors import SoilError

FINES_SHARE_OF_DUAL_PCT = (5.0, 12.0)  # a coarse soil with so many fines bears two symbols: ASTM D2487
LEAST_CU = {"G": 4.0, "S": 6.0}  # of a well-graded gravel or sand, with Cc from 1 to 3: ASTM D2487


@dataclass(frozen=True, slots=True, kw_only=True)
class Laboratory:
    """What sieves and Atterberg limits give; NaN where the laboratory gave nothing.

    passing_..._pct         passing sieve No. 4, 10, 40, 200 (4.75, 2.00, 0.425, 0.075 mm) [% of dry mass]
    liquid_limit_pct        of what passes 0.425 mm [% of dry mass]; both limits NaN where it is not plastic
    plastic_limit_pct       below the liquid limit [% of dry mass]
    d10_mm, d30_mm, d60_mm  grain sizes that 10, 30 and 60 % are finer than [mm]
    """

    passing_4_75mm_pct: float
    passing_0_075mm_pct: float
    passing_2mm_pct: float = math.nan
    passing_0_425mm_pct: float = math.nan
    liquid_limit_pct: float = math.nan
    plastic_limit_pct: float = math.nan
    d10_mm: float = math.nan
    d30_mm: float = math.nan
    d60_mm: float = math.nan

    @property
    def plasticity_index_pct(self) -> float:
        """Return liquid limit minus plastic limit [% points], 0 for a soil without plasticity."""
        index = self.liquid_limit_pct - self.plastic_limit_pct
        return 0.0 if math.isnan(index) else index


def unified_symbol(laboratory: Laboratory) -> str:
    """Return the group symbol of an inorganic soil, such as CL, SM or SP-SC.

    Without grain sizes d10, d30 and d60 nobody can say well or poorly graded: the symbol then bears P.
    Source: ASTM D2487. Checked in tests/published/soil_groups.toml.
    """
    fines = laboratory.passing_0_075mm_pct
    letters = _fines(laboratory)
    if fines >= 50.0:
        return letters
    gravel, coarse = 100.0 - laboratory.passing_4_75mm_pct, 100.0 - fines
    first = "G" if gravel > coarse / 2.0 else "S"
    low, high = FINES_SHARE_OF_DUAL_PCT
    clean = first + _grading(laboratory, LEAST_CU[first])
    if fines < low:
        return clean
    if fines <= high:
        return f"{clean}-{first}{'M' if letters in ('ML', 'MH') else 'C'}"
    return {"ML": f"{first}M", "MH": f"{first}M", "CL-ML": f"{first}C-{first}M"}.get(letters, f"{first}C")


def _fines(laboratory: Laboratory) -> str:
    """Return the symbol of the fines by the plasticity chart; ML where they are not plastic."""
    limit, index = laboratory.liquid_limit_pct, laboratory.plasticity_index_pct
    if math.isnan(limit):
        return "ML"
    is_above_a_line = index >= 0.73 * (limit - 20.0)
    if limit >= 50.0:
        return "CH" if is_above_a_line else "MH"
    if is_above_a_line and index > 7.0:
        return "CL"
    return "CL-ML" if is_above_a_line and index >= 4.0 else "ML"


def _grading(laboratory: Laboratory, least_cu: float) -> str:
    """Return W for a well-graded coarse soil, else P."""
    if math.isnan(laboratory.d10_mm + laboratory.d30_mm + laboratory.d60_mm):
        return "P"
    uniformity = laboratory.d60_mm / laboratory.d10_mm
    curvature = laboratory.d30_mm**2 / (laboratory.d10_mm * laboratory.d60_mm)
    return "W" if uniformity >= least_cu and 1.0 <= curvature <= 3.0 else "P"


def aashto_group(laboratory: Laboratory) -> str:
    """Return the AASHTO group with its index, such as A-2-6 (1); "" where a sieve that decides is missing.

    Percentages and limits count as whole numbers. Source: AASHTO M 145, as printed in the National Soil Survey
    Handbook, 618.83. Checked in tests/published/soil_groups.toml.
    """
    fine, ten, forty = (
        _whole(p) for p in (laboratory.passing_0_075mm_pct, laboratory.passing_2mm_pct, laboratory.passing_0_425mm_pct)
    )
    index = _whole(laboratory.plasticity_index_pct)
    limit = 0.0 if math.isnan(laboratory.liquid_limit_pct) else _whole(laboratory.liquid_limit_pct)
    is_plastic = not math.isnan(laboratory.liquid_limit_pct)
    last = {(False, False): "4", (True, False): "5", (False, True): "6", (True, True): "7"}[limit >= 41, index >= 11]
    if fine > 35:
        group = f"A-{last}" if last != "7" else ("A-7-5" if index <= limit - 30 else "A-7-6")
        return f"{group} ({_group_index(fine, limit, index):.0f})"
    if fine <= 25 and index <= 6:
        if math.isnan(forty) or (forty <= 30 and math.isnan(ten)):
            return ""
        if ten <= 50 and forty <= 30 and fine <= 15:
            return "A-1-a (0)"
        if forty <= 50:
            return "A-1-b (0)"
        if fine <= 10 and not is_plastic:
            return "A-3 (0)"
    partial = _group_index(fine, limit, index, by_plasticity_alone=True) if last in "67" else 0.0
    return f"A-2-{last} ({partial:.0f})"


def _group_index(fine_pct: float, limit_pct: float, index_pct: float, *, by_plasticity_alone: bool = False) -> float:
    by_limit = (fine_pct - 35.0) * (0.2 + 0.005 * (limit_pct - 40.0))
    by_plasticity = 0.01 * (fine_pct - 15.0) * (index_pct - 10.0)
    return _whole(max(by_plasticity + (0.0 if by_plasticity_alone else by_limit), 0.0))


def _whole(value: float) -> float:
    return value if math.isnan(value) else math.floor(value + 0.5)


# --- from a group to a soil class ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRow:
    """Which soil class stands for a group.

    textures       what the published table pairs with the group; "" where no published table has it
    """

    soil_class: str
    textures: str = ""


# The published pairing is that of the default soils of a landfill water balance, where each texture bears its Unified
# symbol and its field capacity and wilting point: Schroeder et al. 1994, EPA/600/R-94/168a, from memory. Which of our
# classes stands for sandy clay loam, clay loam and sandy clay, which FAO-56 table 19 does not have, is common practice:
# the class of like field capacity and drainage. Rows without a texture have no published pairing.
PAIRING_SOURCE = "EPA/600/R-94/168a"
UNIFIED: dict[str, GroupRow] = {
    "GW": GroupRow(soil_class="sand"),
    "GP": GroupRow(soil_class="sand", textures="gravel"),
    "GM": GroupRow(soil_class="sandy_loam"),
    "GC": GroupRow(soil_class="silty_clay_loam"),
    "SW": GroupRow(soil_class="sand", textures="sand, fine sand"),
    "SP": GroupRow(soil_class="sand", textures="coarse sand"),
    "SM": GroupRow(soil_class="sandy_loam", textures="loamy sand, sandy loam"),
    "SC": GroupRow(soil_class="silty_clay_loam", textures="sandy clay loam, sandy clay"),
    "ML": GroupRow(soil_class="silt_loam", textures="loam, silt loam"),
    "CL": GroupRow(soil_class="silty_clay_loam", textures="clay loam, silty clay loam"),
    "CH": GroupRow(soil_class="clay", textures="silty clay, clay"),
    "MH": GroupRow(soil_class="silty_clay"),
    "CL-ML": GroupRow(soil_class="silt_loam"),
    "GC-GM": GroupRow(soil_class="sandy_loam"),
    "SC-SM": GroupRow(soil_class="sandy_loam"),
}
ORGANIC = ("OL", "OH", "PT")  # no fill

# The Unified groups that each AASHTO group most probably is: Liu 1967, Highway Research Record 156, from memory.
LIKELY_UNIFIED: dict[str, tuple[str, ...]] = {
    "A-1-a": ("GW", "GP"),
    "A-1-b": ("SW", "SP", "GM", "SM"),
    "A-3": ("SP",),
    "A-2-4": ("GM", "SM"),
    "A-2-5": ("GM", "SM"),
    "A-2-6": ("GC", "SC"),
    "A-2-7": ("GM", "GC", "SM", "SC"),
    "A-4": ("ML", "OL"),
    "A-5": ("OH", "MH", "ML", "OL"),
    "A-6": ("CL",),
    "A-7-5": ("OH", "MH"),
    "A-7-6": ("CH", "CL"),
}
# By which of them the class goes: one that has a published texture, and of a group that may hold silt (A-1-b, up to 25
# percent of fines) the silty one: clean sand has no wet edge, and no symbol alone may take it away.
_STANDS_FOR = {
    "A-1-a": "GP", "A-1-b": "SM", "A-3": "SP", "A-2-4": "SM", "A-2-5": "SM", "A-2-6": "SC", "A-2-7": "SC",
    "A-4": "ML", "A-5": "ML", "A-6": "CL", "A-7-5": "MH", "A-7-6": "CH",
}  # fmt: skip
_GROUP_INDEX = re.compile(r"\s*\(\s*[0-9]+\s*\)\s*$")


def group_row(symbol: str) -> GroupRow:
    """Return the soil class of a Unified symbol or an AASHTO group, in any case and with or without a group index.

    A dual symbol of a coarse soil with 5 to 12 % of fines lies between two rows and has none published: with silt
    (SP-SM) it drains as loamy sand, with clay (SP-SC) it has a wet edge.
    Raises SoilError for what is no group, for one that needs its subgroup, and for organic soil.
    """
    name = _GROUP_INDEX.sub("", symbol.strip()).upper().replace(" ", "")
    if name in ORGANIC:
        raise SoilError("organic soil is no fill: it does not keep its density.")
    if name.startswith("A-"):
        group = next((known for known in LIKELY_UNIFIED if known.upper() == name), None)
        if group is None:
            parts = sorted(known for known in LIKELY_UNIFIED if known.upper().startswith(f"{name}-"))
            raise SoilError(
                f"the subgroup is missing: {', '.join(parts)}." if parts else "no group of AASHTO M 145 is called so."
            )
        return UNIFIED[_STANDS_FOR[group]]
    if name in UNIFIED:
        return UNIFIED[name]
    swapped = "-".join(reversed(name.split("-")))
    if swapped in UNIFIED:
        return UNIFIED[swapped]
    first, _, second = name.partition("-")
    if first in ("GW", "GP", "SW", "SP") and second in (f"{first[0]}M", f"{first[0]}C"):
        return GroupRow(soil_class="loamy_sand" if second[1] == "M" else "sandy_loam")
    raise SoilError("no group symbol of ASTM D2487 is called so.")

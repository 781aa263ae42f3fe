"""The two layers of a lift: what each member's soil is like, and the water it holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Share of the pores that stays filled whatever the errors: 0.001 m3/m3. Desert sand was measured to hold 0.002 to 0.012
# at 5 cm; at 0.02 of the pores, members stood above that and the content never came true.
LEAST_FILLED = 0.002


def _nothing() -> Floats:
    return np.zeros(())


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilParams:
    """What the balance must know of the soil; every array broadcasts to (S, M).

    top_thickness_mm         of the layer that evaporation reaches, above 0
    base_thickness_mm        of the layer below; above 0, or 0 in all strips for a balance of one layer
    theta_fc, theta_sat      field capacity and saturation [m3/m3], theta_fc below theta_sat
    tew_mm, rew_mm           totally and readily evaporable water of the top [mm], rew_mm below tew_mm. In contents: the
                             loss ends at theta_fc - tew_mm / thickness and is full above theta_fc - rew_mm / thickness
    evaporation_factor       the strip's own evaporation against the bare-soil limit [-]
    drainage_frac_h          share of the excess over field capacity that leaves the top in an hour [1/h], 0 to 1
    base_drainage_frac_h     the same from the base into what lies below [1/h]
    resupply_frac_h          share of the difference between the layers that evens out in an hour [1/h], 0 to 1
    intake_mm_h              mean capacity of the loose surface to take in water [mm/h], above 0; inf takes in all
    drainage_rise_h          what a full layer loses of its excess in addition, in proportion to how full it is: gravity
                             drainage whose conductivity falls with content [1/h], 0 or more
    base_drainage_rise_h     the same from the base [1/h]
    below_theta              content of what lies below the last layer: rolled lifts, or the ground [m3/m3]
    below_frac_h             share of the difference to it that evens out in an hour, either way [1/h], 0 to 1
    truck_gain               thickness of both layers over that of the lift, into which the truck's water goes [-], 1 or
                             more: rain is shared with the soil below a lift, what is put on a lift and mixed in is not
    """

    top_thickness_mm: Floats
    base_thickness_mm: Floats
    theta_fc: Floats
    theta_sat: Floats
    tew_mm: Floats
    rew_mm: Floats
    evaporation_factor: Floats
    drainage_frac_h: Floats
    base_drainage_frac_h: Floats
    resupply_frac_h: Floats
    intake_mm_h: Floats
    drainage_rise_h: Floats = field(default_factory=_nothing)
    base_drainage_rise_h: Floats = field(default_factory=_nothing)
    below_theta: Floats = field(default_factory=_nothing)
    below_frac_h: Floats = field(default_factory=_nothing)
    truck_gain: Floats = field(default_factory=lambda: np.ones(()))

    @property
    def column_mm(self) -> Floats:
        """Thickness of both layers [mm]."""
        return np.asarray(self.top_thickness_mm + self.base_thickness_mm)

    def of_strips(self, rows: slice | Sequence[int], n_strips: int) -> SoilParams:
        """Return the parameters of some of n_strips strips; arrays without a strip axis pass through."""
        cut = {}
        for parameter in fields(self):
            array = np.asarray(getattr(self, parameter.name), dtype=np.float64)
            cut[parameter.name] = array[rows] if array.ndim == 2 and array.shape[0] == n_strips else array
        return SoilParams(**cut)


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilState:
    """Water held by the two layers [mm], each (S, M)."""

    top_mm: Floats
    base_mm: Floats


def as_contents(top: Floats, base: Floats, lift: Floats, params: SoilParams) -> None:
    """Turn the water of both layers [mm] into their contents [m3/m3] in place, and write that of the lift beside it.

    All three (H, S, M). Where there is no base it is as wet as the top.
    """
    thick_base = np.asarray(params.base_thickness_mm)
    np.add(top, base, out=lift)
    lift /= params.column_mm
    top /= params.top_thickness_mm
    if np.any(thick_base > 0.0):
        base /= thick_base
    else:
        base[:] = top

"""The soil of the strips of a site, and the members drawn around it.

A member's parameter is the strip's default times exp(spread * score); scores are standard normal at first and are what
a reading teaches. So what a strip has learned is a mean and a spread of scores for each row of LEARNABLE.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.bare_soil import SURFACE_LAYER_MM, total_evaporable_mm
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.compaction import porosity, theta_from_w_pct, w_pct_from_theta
from gonogo.soil.drainage import share_of_hour
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.rain import OPEN_SHARE, loose_intake_mm_h

Floats = npt.NDArray[np.float64]
Number = float | Floats

BASE_MIN_MM = 10.0  # a thin lift keeps this much for its base, so that every strip has two layers
FC_MAX_SHARE = 0.95  # field capacity stays below saturation: some air is always trapped
TEW_MIN_MM = 2.0
REW_MAX_SHARE = 0.8  # stage two must have room
START_SPREAD = 0.3  # of optimum; what may lie there before any reading
LAYER_SPREAD = 0.12  # of optimum; difference between the layers before any reading
TRAPPED_AIR = 0.97  # wettest start against saturation


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnable:
    """One parameter that differs between members and that readings teach.

    spread   standard deviation of its natural logarithm before any reading [-]
    meaning  in words, for whoever inspects what was learned
    """

    spread: float
    meaning: str

    def factor(self, score: Number) -> Number:
        """Return what a score makes of the default [-]."""
        return np.exp(self.spread * score)


# Spreads are our own assumption until fitted on measured soil: common practice, no source.
LEARNABLE: dict[str, Learnable] = {
    "theta_fc": Learnable(spread=0.25, meaning="field capacity"),
    "rew_mm": Learnable(spread=0.25, meaning="water that dries readily"),
    "evaporation_factor": Learnable(spread=0.6, meaning="evaporation against bare soil"),
    "drainage_frac_h": Learnable(spread=0.6, meaning="drainage from the top"),
    "base_drainage_frac_h": Learnable(spread=1.2, meaning="drainage out of the lift"),
    "resupply_frac_h": Learnable(spread=1.0, meaning="levelling between base and top"),
    "intake_mm_h": Learnable(spread=0.6, meaning="intake of rain"),
    "evaporation_depth_mm": Learnable(spread=0.4, meaning="depth that evaporation reaches"),
    "below_frac_h": Learnable(spread=0.8, meaning="exchange with what lies below"),
    "shared_depth": Learnable(spread=0.4, meaning="depth below that shares rain and drying"),
    "below_theta": Learnable(spread=0.2, meaning="content of what lies below"),
}
# Before anything is learned. A lift that was recorded as spread or disked is loose and bare, and lies on a rolled one:
# it dries less than the bare-soil limit of FAO-56 by our own choice, and exchanges little. Of one that nobody recorded
# it is not known how long it has lain, nor on what: it is taken to dry and to be fed as measured ground is (chosen on
# stations of the U.S. Climate Reference Network; see README.md of this room).
FRESH_EVAPORATION, LONG_LAID_EVAPORATION = OPEN_SHARE, 0.4  # against the bare-soil limit
EVAPORATION_RANGE = (0.15, 2.5)  # sealed, crusted, mulched and fed ground
FRESH_BELOW_FRAC_H, LONG_LAID_BELOW_FRAC_H = 0.005, 0.005  # of the difference to what lies below, an hour
FRESH_SHARED_DEPTH, LONG_LAID_SHARED_DEPTH = 0.0, 1.2  # of the lift's thickness, below it
SCORE_LIMIT = 3.0  # a member stays within three standard deviations of the default


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSoil:
    """Defaults of each strip's soil, every array (S,).

    lift_thickness_mm, dry_density_kg_m3   as the lift lies (both loose or both compacted)
    omc_pct                                optimum water content, around which an untested strip starts [%]
    theta_fc, theta_wp, theta_sat          at this density [m3/m3]
    rew_mm                                 of a 100 mm surface layer [mm]
    drainage_frac_h, base_drainage_frac_h, resupply_frac_h, intake_mm_h   as in SoilParams
    """

    lift_thickness_mm: Floats
    dry_density_kg_m3: Floats
    omc_pct: Floats
    theta_fc: Floats
    theta_wp: Floats
    theta_sat: Floats
    rew_mm: Floats
    drainage_frac_h: Floats
    base_drainage_frac_h: Floats
    resupply_frac_h: Floats
    intake_mm_h: Floats

    def only(self, which: Sequence[int]) -> StripSoil:
        """Return some of the strips."""
        return StripSoil(**{field.name: getattr(self, field.name)[list(which)] for field in fields(self)})

    @property
    def start_theta(self) -> Floats:
        """Content at optimum, around which a strip lies before any reading [m3/m3]."""
        return np.asarray(theta_from_w_pct(self.omc_pct, self.dry_density_kg_m3))

    @property
    def top_mm(self) -> Floats:
        """Thickness of the layer that evaporation reaches [mm]."""
        return np.asarray(top_thickness_mm(self.lift_thickness_mm))

    @property
    def evaporation_depth_mm(self) -> Floats:
        """Depth from which evaporation takes water before anything is learned [mm]: the whole top layer."""
        return self.top_mm

    @property
    def mm_per_pct(self) -> Floats:
        """Water that one per cent stands for in the whole lift [mm]."""
        return np.asarray(theta_from_w_pct(1.0, self.dry_density_kg_m3) * self.lift_thickness_mm)

    @property
    def saturated_w_pct(self) -> Floats:
        """Water content that fills the pores [%]."""
        return np.asarray(w_pct_from_theta(self.theta_sat, self.dry_density_kg_m3))


def top_thickness_mm(lift_thickness_mm: Number) -> Number:
    """Return the thickness of the layer of a lift that evaporation reaches [mm]."""
    return np.minimum(SURFACE_LAYER_MM, lift_thickness_mm - BASE_MIN_MM)


def strip_soil(
    *,
    soil_class: Sequence[str],
    lift_thickness_mm: npt.ArrayLike,
    dry_density_kg_m3: npt.ArrayLike,
    specific_gravity: npt.ArrayLike,
    omc_pct: npt.ArrayLike,
    theta_fc: npt.ArrayLike,
    theta_wp: npt.ArrayLike,
) -> StripSoil:
    """Return the soil of S strips from their geometry, density and class; every argument has one value per strip.

    theta_fc, theta_wp  of the material [m3/m3]; field capacity is held below saturation at this density

    Raises SoilError for an unknown class, a lift of 20 mm or less, or a density at or above that of the solids.
    Source: rows of soil/classes.py. Checked in tests/soil/test_strip.py.
    """
    unknown = sorted(set(soil_class) - set(SOIL_CLASSES))
    if unknown:
        raise SoilError(f"soil class {', '.join(unknown)}: not known. Write one of {', '.join(SOIL_CLASSES)}.")
    thickness, density = np.asarray(lift_thickness_mm, np.float64), np.asarray(dry_density_kg_m3, np.float64)
    theta_sat = np.asarray(porosity(density, np.asarray(specific_gravity, np.float64)))
    if not np.all(thickness > 2.0 * BASE_MIN_MM):
        raise SoilError(f"lift thickness {thickness.tolist()} mm: must be above 20 mm, for example 200.")
    if not np.all((theta_sat > 0.0) & (density > 0.0)):
        raise SoilError(
            f"dry density {density.tolist()} kg/m3: must lie above 0 and below that of the solids. For example 1850."
        )
    rows = [SOIL_CLASSES[name] for name in soil_class]
    drainage = np.asarray(share_of_hour(np.array([r.drainage_time_h for r in rows])))
    return StripSoil(
        lift_thickness_mm=thickness,
        dry_density_kg_m3=density,
        omc_pct=np.asarray(omc_pct, np.float64),
        theta_fc=np.minimum(np.asarray(theta_fc, np.float64), FC_MAX_SHARE * theta_sat),
        theta_wp=np.asarray(theta_wp, np.float64),
        theta_sat=theta_sat,
        rew_mm=np.array([r.rew_mm for r in rows]),
        drainage_frac_h=drainage,
        # Below the lift lies compacted fill, which lets water through far more slowly; how much is learned.
        base_drainage_frac_h=drainage / 4.0,
        resupply_frac_h=np.asarray(share_of_hour(np.array([r.resupply_time_h for r in rows]))),
        intake_mm_h=np.array([loose_intake_mm_h(r) for r in rows]),
    )


def params_from_scores(
    strips: StripSoil, scores: Floats, theta: Floats, is_fresh: npt.NDArray[np.bool_] | None = None
) -> SoilParams:
    """Return the parameters of every member (S, M) from its scores (P, S, M) in the order of LEARNABLE.

    theta      content of the lift at its last reading (S,) [m3/m3]: what lies below is taken to be about as wet
    is_fresh   (S,) the lift was seen to be spread; None: all were
    """
    fresh = np.ones(theta.shape, dtype=np.bool_) if is_fresh is None else is_fresh
    own = {
        "evaporation_factor": np.where(fresh, FRESH_EVAPORATION, LONG_LAID_EVAPORATION),
        "below_frac_h": np.where(fresh, FRESH_BELOW_FRAC_H, LONG_LAID_BELOW_FRAC_H),
        "below_theta": theta,
        "shared_depth": np.where(fresh, FRESH_SHARED_DEPTH, LONG_LAID_SHARED_DEPTH),
    }
    drawn: dict[str, Floats] = {}
    for (name, row), score in zip(LEARNABLE.items(), scores, strict=True):
        default = own[name] if name in own else getattr(strips, name)
        drawn[name] = default[:, None] * row.factor(score)
    top = strips.top_mm[:, None]
    theta_fc = np.minimum(drawn["theta_fc"], FC_MAX_SHARE * strips.theta_sat[:, None])
    depth_mm = drawn["evaporation_depth_mm"]
    tew_mm = np.maximum(total_evaporable_mm(theta_fc, strips.theta_wp[:, None], depth_mm), TEW_MIN_MM)
    tew_mm = np.minimum(tew_mm, theta_fc * top)  # no more than the layer holds at field capacity
    return SoilParams(
        top_thickness_mm=top,
        base_thickness_mm=strips.lift_thickness_mm[:, None] * (1.0 + drawn["shared_depth"]) - top,
        theta_fc=theta_fc,
        theta_sat=strips.theta_sat[:, None],
        tew_mm=tew_mm,
        rew_mm=np.minimum(drawn["rew_mm"] * depth_mm / SURFACE_LAYER_MM, REW_MAX_SHARE * tew_mm),
        evaporation_factor=np.clip(drawn["evaporation_factor"], *EVAPORATION_RANGE),
        drainage_frac_h=np.minimum(drawn["drainage_frac_h"], 1.0),
        base_drainage_frac_h=np.minimum(drawn["base_drainage_frac_h"], 1.0),
        resupply_frac_h=np.minimum(drawn["resupply_frac_h"], 1.0),
        intake_mm_h=drawn["intake_mm_h"],
        below_theta=np.minimum(drawn["below_theta"], strips.theta_sat[:, None]),
        truck_gain=1.0 + drawn["shared_depth"],
        below_frac_h=np.minimum(drawn["below_frac_h"], 1.0),
    )


def drawn_start(strips: StripSoil, draws: Floats) -> SoilState:
    """Return a wide start (S, M) from standard normal draws (2, S, M), for strips of which nothing has been measured.

    Around optimum, layers apart.
    """
    omc = strips.omc_pct[:, None]
    lift_pct, apart_pct = omc * (1.0 + START_SPREAD * draws[0]), omc * LAYER_SPREAD * draws[1]
    driest, wettest = 0.1 * omc, TRAPPED_AIR * strips.saturated_w_pct[:, None]
    density_kg_m3, top = strips.dry_density_kg_m3[:, None], strips.top_mm[:, None]
    base = strips.lift_thickness_mm[:, None] - top
    return SoilState(
        top_mm=theta_from_w_pct(np.clip(lift_pct - apart_pct, driest, wettest), density_kg_m3) * top,
        base_mm=theta_from_w_pct(np.clip(lift_pct + apart_pct, driest, wettest), density_kg_m3) * base,
    )

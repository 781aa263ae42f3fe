"""The laboratory compaction curve: optimum and maximum, which points are impossible, and what should be checked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gonogo.errors import SoilError
from gonogo.soil.compaction import require_below_zav, saturation_pct

Floats = npt.NDArray[np.float64]

# Our own bounds, tried on the published curves of tests/published/compaction_curves.toml: none of these is refused or
# said to have swapped points, and of their forms with two swapped neighbours four of five are noticed.
ABOVE_HIGHEST_MAX_FRAC = 0.01  # a drawn curve rises above its highest point by no more than a test repeats
SATURATION_MAX_PCT = 95.0  # a peak usually has about 80 to 90 %; nearer to the line, density or gravity is in doubt
GAP_MAX_PCT = 4.0  # points of water content; beyond, the optimum may lie anywhere between its neighbours
DIP_MAX_FRAC = 0.01  # of the maximum; a point that lies lower between two higher ones makes two humps
SWAPPED_SHARE = 0.65  # of the scatter is left where two neighbours change places
SCATTER_MIN_FRAC = 0.0035  # of the maximum; less is no scatter to speak of


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveNote:
    """Something about a point that should be looked at.

    key    "overshoot", "saturation", "gap" or "swapped"
    w_pct  water content of the point [%]
    text   a sentence that names it
    """

    key: str
    w_pct: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """Peak of a laboratory compaction curve.

    omc_pct, mdd_kg_m3       optimum water content [%], maximum dry density [kg/m3]
    saturation_at_peak_pct   share of the pores filled at the peak [%]
    highest_point            index of the highest measured point, in order of water content
    notes                    what should be looked at before the curve is used
    """

    omc_pct: float
    mdd_kg_m3: float
    saturation_at_peak_pct: float
    highest_point: int
    notes: tuple[CurveNote, ...] = ()


def fit_curve(w_pct: npt.ArrayLike, dry_density_kg_m3: npt.ArrayLike, *, specific_gravity: float) -> CurveFit:
    """Return optimum and maximum of a compaction curve: the parabola through the highest point and its two neighbours.

    w_pct              water contents of the test points [%], any order, no two alike
    dry_density_kg_m3  dry densities of the same points [kg/m3]
    specific_gravity   of the solids [-], places the zero-air-voids line

    The peak is never below the highest point and lies between its neighbours, as a curve drawn by hand would. Where the
    parabola rises more than 1 % above the highest point, or nearer to the zero-air-voids line than 95 % saturation, it
    invents density: the highest point itself stands, and a note says so.
    Raises SoilError with fewer than four points, two equal water contents, no point on one side of the peak, two humps,
    a value outside physics, or a point above the zero-air-voids line.
    Source: interpolation by parabola, common practice. Checked in tests/published/compaction_curves.toml.
    """
    w, density = _in_order(w_pct, dry_density_kg_m3)
    top = _highest(w, density, specific_gravity)
    omc_pct, mdd_kg_m3 = _vertex(w[top - 1 : top + 2], density[top - 1 : top + 2])
    notes = []
    saturation = float(saturation_pct(omc_pct, mdd_kg_m3, specific_gravity))
    if mdd_kg_m3 > density[top] * (1.0 + ABOVE_HIGHEST_MAX_FRAC) or not 0.0 < saturation <= SATURATION_MAX_PCT:
        notes.append(_overshoot(float(w[top]), float(density[top]), mdd_kg_m3, saturation))
        omc_pct, mdd_kg_m3 = float(w[top]), float(density[top])
        saturation = float(saturation_pct(omc_pct, mdd_kg_m3, specific_gravity))
    if saturation > SATURATION_MAX_PCT:
        text = (
            f"the highest point ({w[top]:g} %) has {saturation:.1f} % saturation, above {SATURATION_MAX_PCT:g} %: "
            f"check its density and the specific gravity, {specific_gravity:g}."
        )
        notes.append(CurveNote(key="saturation", w_pct=float(w[top]), text=text))
    notes += _gaps(w, top)
    if (swapped := _swapped(w, density)) is not None:
        notes.append(swapped)
    return CurveFit(
        omc_pct=omc_pct,
        mdd_kg_m3=mdd_kg_m3,
        saturation_at_peak_pct=saturation,
        highest_point=top,
        notes=tuple(notes),
    )


def _in_order(w_pct: npt.ArrayLike, dry_density_kg_m3: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return the points by rising water content. Raises SoilError where they are too few, alike or no numbers."""
    w = np.asarray(w_pct, dtype=np.float64)
    density = np.asarray(dry_density_kg_m3, dtype=np.float64)
    if w.ndim != 1 or w.shape != density.shape or w.size < 4:
        raise SoilError(
            f"compaction curve with {w.size} water contents and {density.size} densities: at least four points with "
            "both are needed, two on each side of optimum."
        )
    if not (np.all((w > 0.0) & (w < 100.0)) and np.all((density > 300.0) & (density < 3500.0))):
        raise SoilError(
            "compaction curve: water contents must lie between 0 and 100 % of dry mass and dry densities between "
            f"300 and 3500 kg/m3; got {w.tolist()} % and {density.tolist()} kg/m3. Write for example 12.5 and 1850."
        )
    order = np.argsort(w)
    w, density = w[order], density[order]
    if np.any(np.diff(w) <= 0.0):
        raise SoilError(
            f"compaction curve: two points share a water content ({w.tolist()} %). Give each point its own."
        )
    return w, density


def _highest(w: Floats, density: Floats, specific_gravity: float) -> int:
    """Return the index of the highest point. Raises SoilError where it shows no optimum, or a point is impossible."""
    top = int(np.argmax(density))
    if top in (0, w.size - 1):
        side = "drier" if top == 0 else "wetter"
        raise SoilError(
            f"compaction curve: the highest density stands at the {side} end ({w[top]:g} %), so no optimum shows. "
            f"Test at least one {side} point."
        )
    for point in range(w.size):
        require_below_zav(float(w[point]), float(density[point]), specific_gravity)
    for point in range(1, w.size - 1):
        lower_than = min(float(density[:point].max()), float(density[point + 1 :].max()))
        if density[point] < lower_than - DIP_MAX_FRAC * density[top]:
            raise SoilError(
                f"compaction curve: the point at {w[point]:g} % ({density[point]:.0f} kg/m3) lies lower than points on "
                "both sides of it, so the curve has two humps. Two points are swapped, or that test is to be repeated."
            )
    return top


def _vertex(w: Floats, density: Floats) -> tuple[float, float]:
    """Return the vertex (w, density) of the parabola through three points of which the middle one is the highest."""
    w0, w1, w2 = (float(value) for value in w)
    d0, d1, d2 = (float(value) for value in density)
    # Newton's form; the middle point is the highest, so the curvature is negative.
    slope = (d1 - d0) / (w1 - w0)
    curvature = ((d2 - d1) / (w2 - w1) - slope) / (w2 - w0)
    if curvature == 0.0:  # three points level: the middle one stands for the peak
        return w1, d1
    omc_pct = (w0 + w1) / 2.0 - slope / (2.0 * curvature)
    if not w0 < omc_pct < w2:
        raise SoilError(f"compaction curve: its optimum, {omc_pct:.1f} %, lies outside {w0:g} to {w2:g} %. Test again.")
    return omc_pct, d0 + slope * (omc_pct - w0) + curvature * (omc_pct - w0) * (omc_pct - w1)


def _overshoot(w_pct: float, highest_kg_m3: float, parabola_kg_m3: float, saturation: float) -> CurveNote:
    rise_pct = 100.0 * (parabola_kg_m3 / highest_kg_m3 - 1.0)
    filled = f"{saturation:.1f} % saturation" if 0.0 < saturation <= 100.0 else "more water than its pores hold"
    text = (
        f"a curve through the highest point ({w_pct:g} %) and its neighbours would rise {rise_pct:.1f} % above it, to "
        f"{filled}; the point itself is taken for the maximum. Test one more point beside it."
    )
    return CurveNote(key="overshoot", w_pct=w_pct, text=text)


def _gaps(w: Floats, top: int) -> list[CurveNote]:
    """Return a note for each side of the highest point on which the next point is far."""
    notes = []
    for lower, upper in ((top - 1, top), (top, top + 1)):
        gap = float(w[upper] - w[lower])
        if gap > GAP_MAX_PCT:
            text = (
                f"between {w[lower]:g} and {w[upper]:g} % there is no point for {gap:.1f} points of water content, "
                f"more than {GAP_MAX_PCT:g}, beside the highest one: the optimum is uncertain. Test one between them."
            )
            notes.append(CurveNote(key="gap", w_pct=float(w[upper if lower == top else lower]), text=text))
    return notes


def _swapped(w: Floats, density: Floats) -> CurveNote | None:
    """Return a note where two neighbours with their densities exchanged make a far smoother curve."""
    scatter = _scatter(w, density)
    if scatter < SCATTER_MIN_FRAC * float(density.max()):
        return None
    others = []
    for point in range(w.size - 1):
        exchanged = density.copy()
        exchanged[[point, point + 1]] = exchanged[[point + 1, point]]
        others.append(_scatter(w, exchanged))
    best = int(np.argmin(others))
    if others[best] >= SWAPPED_SHARE * scatter:
        return None
    text = (
        f"the points at {w[best]:g} and {w[best + 1]:g} % look as if their densities were swapped "
        f"({density[best]:.0f} and {density[best + 1]:.0f} kg/m3). Compare with the laboratory's sheet."
    )
    return CurveNote(key="swapped", w_pct=float(w[best]), text=text)


def _scatter(w: Floats, density: Floats) -> float:
    """Return how far points lie from a smooth curve of theirs [kg/m3]: a parabola, from six points on a cubic."""
    degree = 2 if w.size < 6 else 3
    x = w - w.mean()
    rest = np.polyval(np.polyfit(x, density, degree), x) - density
    return float(np.sqrt(np.sum(rest**2) / (w.size - degree - 1)))

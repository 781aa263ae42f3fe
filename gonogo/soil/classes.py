"""What a soil class stands for where the laboratory gave nothing: one row per texture class."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilClass:
    """Defaults of one texture class, used only where the laboratory gave nothing, and then marked "assumed".

    theta_fc, theta_wp     field capacity, wilting point [m3/m3], middle of the published range
    rew_mm                 readily evaporable water of a 0.10 m surface layer [mm], middle of the range
    theta_e                effective porosity of the natural soil [-]
    suction_mm, k_sat_mm_h suction at the wetting front, saturated conductivity of the natural soil
    drainage_time_h        time in which water above field capacity falls to 37 % [h]
    resupply_time_h        time in which a wet and a dry layer even out to 37 % of their difference [h]
    is_granular            clean and free-draining: compacts as wet as practical, has no real optimum
    group                  "granular", "silty" or "clayey", what the drum must suit
    """

    theta_fc: float
    theta_wp: float
    rew_mm: float
    theta_e: float
    suction_mm: float
    k_sat_mm_h: float
    drainage_time_h: float
    resupply_time_h: float
    is_granular: bool
    group: str
    source: str


_SOURCE = (
    "theta_fc, theta_wp, rew_mm: middle of FAO-56 table 19; theta_e, suction_mm, k_sat_mm_h: "
    "Rawls et al. 1983; times: field capacity one to three days after rain, common practice, no source"
)


def _soil_class(
    fao: tuple[float, ...], rawls: tuple[float, ...], times_h: tuple[float, float], group: str
) -> SoilClass:
    """Return a row from (theta_fc, theta_wp, REW) and (theta_e, suction cm, K cm/h)."""
    return SoilClass(
        theta_fc=fao[0],
        theta_wp=fao[1],
        rew_mm=fao[2],
        theta_e=rawls[0],
        suction_mm=10.0 * rawls[1],
        k_sat_mm_h=10.0 * rawls[2],
        drainage_time_h=times_h[0],
        resupply_time_h=times_h[1],
        is_granular=group == "clean",
        group="granular" if group == "clean" else group,
        source=_SOURCE,
    )


# Rawls has no row for silt: silt loam stands in. Checked against the printed ranges in
# tests/published/fao56_table19.toml.
SOIL_CLASSES: dict[str, SoilClass] = {
    "sand": _soil_class((0.120, 0.045, 4.5), (0.417, 4.95, 11.78), (8.0, 96.0), "clean"),
    "loamy_sand": _soil_class((0.150, 0.065, 6.0), (0.401, 6.13, 2.99), (10.0, 72.0), "clean"),
    "sandy_loam": _soil_class((0.230, 0.110, 8.0), (0.412, 11.01, 1.09), (14.0, 48.0), "granular"),
    "loam": _soil_class((0.250, 0.120, 9.0), (0.434, 8.89, 0.34), (20.0, 36.0), "silty"),
    "silt_loam": _soil_class((0.290, 0.150, 9.5), (0.486, 16.68, 0.65), (24.0, 30.0), "silty"),
    "silt": _soil_class((0.320, 0.170, 9.5), (0.486, 16.68, 0.65), (24.0, 30.0), "silty"),
    "silty_clay_loam": _soil_class((0.335, 0.205, 9.5), (0.432, 27.30, 0.10), (30.0, 48.0), "clayey"),
    "silty_clay": _soil_class((0.360, 0.230, 10.0), (0.423, 29.22, 0.05), (36.0, 60.0), "clayey"),
    "clay": _soil_class((0.360, 0.220, 10.0), (0.385, 31.63, 0.03), (36.0, 72.0), "clayey"),
}

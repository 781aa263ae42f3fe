"""The invented site of a season: what its config says, and what its soil truly is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from benchmarks.season import sky
from benchmarks.season.draws import draws
from benchmarks.season.ground import LOOSE, N_LIFT, Ground, Nature
from benchmarks.season.sky import Floats

ZONE = ZoneInfo("America/Chicago")
SHIFT_START_H, SHIFT_END_H = 7.0, 17.5
MAIL_H, LOOK_H = 5.25, 9.0
LIFTS = 8
CREWS = ("north", "south")
WORKING_DAYS = (0, 1, 2, 3, 4, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A fill as the laboratory gives it. half_window: of the moisture window [% points]; field_capacity [m3/m3]."""

    name: str
    soil_class: str
    optimum_pct: float
    max_density: float
    half_window: float
    loose_density: float
    field_capacity: float
    wilting: float
    intake_mm_h: float


# Invented, in the usual ranges of such soils: common practice.
KINDS = (
    Kind(name="Lean clay", soil_class="silty_clay", optimum_pct=17.5, max_density=1740, half_window=2.0,
         loose_density=1380, field_capacity=0.36, wilting=0.21, intake_mm_h=14.0),
    Kind(name="Silty clay", soil_class="silty_clay_loam", optimum_pct=16.0, max_density=1790, half_window=2.0,
         loose_density=1420, field_capacity=0.33, wilting=0.19, intake_mm_h=16.0),
    Kind(name="Silt", soil_class="silt_loam", optimum_pct=14.5, max_density=1830, half_window=2.0,
         loose_density=1450, field_capacity=0.29, wilting=0.13, intake_mm_h=20.0),
    Kind(name="Silty sand", soil_class="sandy_loam", optimum_pct=12.0, max_density=1900, half_window=1.9,
         loose_density=1500, field_capacity=0.24, wilting=0.10, intake_mm_h=28.0),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """One strip: what the config says of it, and what is true. *_off_pct: true optimum less the laboratory's."""

    id: str
    crew: str
    kind: Kind
    length_m: float
    width_m: float
    thickness_m: float
    optimum_off_pct: float

    @property
    def area_m2(self) -> float:
        return self.length_m * self.width_m

    @property
    def dry_mass_kg_m2(self) -> float:
        return self.thickness_m * self.kind.loose_density

    @property
    def low_pct(self) -> float:
        return self.kind.optimum_pct - self.kind.half_window

    @property
    def high_pct(self) -> float:
        return self.kind.optimum_pct + self.kind.half_window

    def is_inside(self, w_pct: float) -> bool:
        return self.low_pct <= w_pct <= self.high_pct


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A site of a season. borrow_pct: mean content at which lifts arrive, by crew; gauge_off_pct: of its gauge."""

    seed: int
    first_day: date
    lots: tuple[Lot, ...]
    nature: Nature
    borrow_pct: dict[str, float]
    gauge_off_pct: float


def draw_place(seed: int) -> Place:
    """Return the site of a seed: each crew on a fill of its own, five strips each."""
    rng = draws(seed, "place")
    kinds = dict(zip(CREWS, (KINDS[rng.integers(0, 3)], KINDS[rng.integers(2, 4)]), strict=True))
    first_day = (date(2026, 5, 4), date(2026, 6, 8), date(2026, 8, 31))[int(rng.integers(0, 3))]
    lots = tuple(
        Lot(
            id=f"{crew[0].upper()}{k}",
            crew=crew,
            kind=kinds[crew],
            length_m=float(5 * rng.integers(18, 27)),
            width_m=float(rng.integers(10, 14)),
            thickness_m=float(rng.choice([0.20, 0.25])),
            optimum_off_pct=float(rng.normal(0.0, 0.2)),
        )
        for crew in CREWS
        for k in range(1, 6)
    )
    borrow = {crew: kinds[crew].optimum_pct + float(rng.normal(-0.9, 1.0)) for crew in CREWS}
    return Place(
        seed=seed,
        first_day=first_day,
        lots=lots,
        nature=_nature(rng, lots),
        borrow_pct=borrow,
        gauge_off_pct=float(rng.normal(0.0, 0.3)),
    )


def _nature(rng: np.random.Generator, lots: tuple[Lot, ...]) -> Nature:
    """Draw what the soil is: half of the spread is the season's, half the strip's own."""
    n = len(lots)

    def about(median: object, sd: float) -> Floats:
        """Values around a median, spread in their logarithm."""
        own = rng.normal(0.0, sd / math.sqrt(2.0), n) + rng.normal(0.0, sd / math.sqrt(2.0))
        return np.asarray(median, dtype=float) * np.exp(own)

    density = np.array([lot.kind.loose_density for lot in lots], dtype=float)
    rolled = 0.97 * np.array([lot.kind.max_density for lot in lots])
    optimum = np.array([lot.kind.optimum_pct / 100.0 for lot in lots])
    least = 0.35 * np.array([lot.kind.wilting for lot in lots]) * 1000.0 / density
    return Nature(
        dry_mass=np.array([lot.dry_mass_kg_m2 for lot in lots]),
        optimum=optimum,
        holds=about([lot.kind.field_capacity * 1000.0 / lot.kind.loose_density for lot in lots], 0.08),
        least=least,
        wet_crust=np.maximum(about(0.85 * optimum, 0.1), least + 0.02),
        full=1000.0 / density - 1000.0 / 2690.0,
        full_rolled=1000.0 / rolled - 1000.0 / 2690.0,
        evaporates=about(0.85, 0.25),
        sealed=np.clip(about(0.5, 0.25), 0.2, 0.9),
        vapour=np.clip(about(0.12, 0.5), 0.03, 0.4),
        intake_loose=about([lot.kind.intake_mm_h for lot in lots], 0.4),
        intake_sealed=about(1.2, 0.4),
        sheds=np.clip(about(0.6, 0.2), 0.3, 0.85),
        bypass=np.clip(about(0.2, 0.4), 0.05, 0.5),
        exchange_mm_h=about(0.08, 0.5),
        drains_h=about(0.05, 0.5),
        below=optimum * about(1.0, 0.05),
    )


def laid_w(place: Place, s: int, number: int, rained_mm: float) -> float:
    """Return the content at which a lift arrives, as a share: the borrow's, and what rained into it of late."""
    lot = place.lots[s]
    own = float(draws(place.seed, "borrow", lot.id, number).normal(0.0, 1.1))
    return max(place.borrow_pct[lot.crew] + own + 0.06 * rained_mm, 4.0) / 100.0


def first_ground(place: Place) -> Ground:
    """Return the ground on the first morning: a lift lies on every strip since the evening before."""
    n = len(place.lots)
    first = np.array([laid_w(place, s, 1, 0.0) for s in range(n)])
    w = np.tile(first, (N_LIFT + 2, 1))
    w[N_LIFT:] = place.nature.below
    return Ground(
        nature=place.nature,
        w=w,
        surface=np.full(n, LOOSE, dtype=np.int64),
        is_rolled=np.zeros(n, dtype=bool),
        pond_mm=np.zeros(n),
        slaked_mm=np.zeros(n),
        disked_h=np.full(n, 48.0),
    )


def write_config(place: Place, folder: Path, first_tests: dict[str, tuple[str, float]]) -> None:
    """Write the site as a user would describe it. first_tests: by strip, local time and result of its first test."""
    (folder / "sites").mkdir(parents=True, exist_ok=True)
    (folder / "gonogo.toml").write_text(
        'use = "non-commercial"\noperator = "operator@example.com"\n[store]\nurl = "sqlite:///season.sqlite3"\n'
        '[mail]\nkind = "folder"\nfolder = "mails"\nsender = "gonogo@example.com"\n'
        '[[weather]]\nservice = "open_meteo"\n'
        "[settings]\nplan_time_limit_s = 60\n",  # a plan cut short by the clock would differ from run to run
        encoding="utf-8",
    )
    lines = [
        f'[site]\nname = "Season"\nlatitude_deg = {sky.LATITUDE_DEG}\nlongitude_deg = {sky.LONGITUDE_DEG}',
        f'elevation_m = {sky.ELEVATION_M}\nzone = "{ZONE.key}"',
        'working_days = ["mon", "tue", "wed", "thu", "fri", "sat"]\nshift_start = "07:00"\nshift_end = "17:30"',
        'mail_at = "05:30"\ndeadline = "09:00"\nmixing_depth_m = 0.30',
        '[roller.padded]\nname = "Padded drum"\ndrum = "padded"\nrolled_width_m = 2.1\noverlap_m = 0.15',
        "speed_km_h = 5.0\npasses = 6\nefficiency = 0.75",
        '[roller.smooth]\nname = "Smooth drum"\ndrum = "smooth"\nrolled_width_m = 2.1\noverlap_m = 0.15',
        "speed_km_h = 5.0\npasses = 6\nefficiency = 0.75",
        '[truck.one]\nname = "Truck one"\ntank_litres = 15000\nbar_width_m = 3.6\nflow_litres_min = 900',
        "fill_time_min = 12\ntravel_time_min = 6\nspeed_min_km_h = 2.0\nspeed_max_km_h = 10.0",
        '[truck.two]\nname = "Truck two"\ntank_litres = 15000\nbar_width_m = 3.6\nflow_litres_min = 900',
        "fill_time_min = 12\ntravel_time_min = 6\nspeed_min_km_h = 2.0\nspeed_max_km_h = 10.0",
    ]
    for crew, roller, truck in zip(CREWS, ("padded", "smooth"), ("one", "two"), strict=True):
        kind = next(lot.kind for lot in place.lots if lot.crew == crew)
        lines += [
            f'[material.{crew}]\nname = "{kind.name}"\nsoil_class = "{kind.soil_class}"\ntest = "ASTM D698"',
            f"omc_pct = {kind.optimum_pct}\nmdd_kg_m3 = {kind.max_density}",
            f"window_points = [-{kind.half_window}, {kind.half_window}]\nrequired_compaction_pct = 95",
            f"specific_gravity = 2.69\nborrow_w_pct = {place.borrow_pct[crew]:.1f}",
            f'[crew.{crew}]\nname = "{crew.title()} crew"\nroller = "{roller}"\ntruck = "{truck}"',
            f'[[crew.{crew}.person]]\nname = "Superintendent"\naddress = "{crew}@example.com"\nrole = "superintendent"',
        ]
    for lot in place.lots:
        at, w_pct = first_tests[lot.id]
        lines += [
            f'[strip.{lot.id}]\ncrew = "{lot.crew}"\nmaterial = "{lot.crew}"\nlength_m = {lot.length_m}',
            f'width_m = {lot.width_m}\nlift_thickness_m = {lot.thickness_m}\nsurface = "loose"',
            f"dry_density_kg_m3 = {lot.kind.loose_density}\nlifts = {LIFTS}",
            f'[strip.{lot.id}.reading]\nw_pct = {w_pct:.1f}\nat = {at}\nmethod = "nuclear gauge"',
        ]
    (folder / "sites" / "season.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")

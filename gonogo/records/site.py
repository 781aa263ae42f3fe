"""The site and what belongs to it, as frozen records. No behaviour beyond what follows from their own fields."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, time
from enum import StrEnum
from zoneinfo import ZoneInfo

from gonogo.records.air import Place
from gonogo.records.crew import Crew, Drum, Recipient, Roller, Truck

__all__ = [
    "Binder",
    "Crew",
    "Drum",
    "Material",
    "Method",
    "Recipient",
    "Roller",
    "Site",
    "Stop",
    "Strip",
    "Surface",
    "Truck",
]


class Surface(StrEnum):
    """State of a strip's surface. The hydraulic meaning of each stands in soil/rain.py."""

    LOOSE = "loose"
    SCARIFIED = "scarified"
    SEALED = "sealed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Binder:
    """A binder that a soil is treated with, and what its specification asks for.

    kind                 "lime" or "cement"
    mellowing_h          from mixing until it may be rolled [h]
    working_time_h       from mixing until the last pass [h]
    temp_min_degc        air below which nothing is mixed or rolled [degC]
    night_min_degc       air that the next nights must not fall below [degC], `nights` of them
    rain_free_h          hours after mixing in which no rain may be likely [h]
    """

    kind: str
    mellowing_h: float
    working_time_h: float
    temp_min_degc: float
    night_min_degc: float
    nights: int
    rain_free_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """A method specification: so many passes of a machine over layers no thicker than that, and no density.

    roller_ids   the machines that it allows; empty = any
    """

    passes: int
    layer_max_m: float
    roller_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A fill material with its laboratory compaction result (fitted and corrected for oversize by config.py).

    window_low_pct, window_high_pct   allowed deviation from optimum [% points], low end negative
    aim_high_pct                      wet end of the specification's window, where clean granular soil has none of its
                                      own [% points]: water is aimed halfway to it; None = window_high_pct
    required_compaction_pct           required relative compaction [% of maximum dry density]; NaN under a method
    air_voids_max_pct                 most air of a density test [% of volume], None where nobody limits it
    theta_fc, theta_wp                field capacity, wilting point [m3/m3]
    assumed                           names of fields taken from soil-class defaults, for the mail to say so
    borrow_w_pct                      water content at which later lifts arrive [%]; None = right when they are spread
    soil_group                        what the soil class follows from where it is not given itself, such as "USCS CL"
    group_textures                    textures that a published table pairs with that group; "" where none does
    soak_in_h                         time that water takes to soak in [h]; None = by the kind of soil
    laboratory_omc_pct                optimum as measured without coarse grains, None where nothing was corrected
    binder, method                    treated soil; a method specification; None where it is neither
    is_shale                          shale or other soft rock that water and roller break down
    """

    id: str
    name: str
    soil_class: str
    omc_pct: float
    mdd_kg_m3: float
    test: str
    window_low_pct: float
    window_high_pct: float
    required_compaction_pct: float
    specific_gravity: float
    theta_fc: float
    theta_wp: float
    curve_w_pct: tuple[float, ...] = ()
    curve_dry_density_kg_m3: tuple[float, ...] = ()
    is_granular: bool = False
    assumed: tuple[str, ...] = ()
    borrow_w_pct: float | None = None
    soak_in_h: float | None = None
    air_voids_max_pct: float | None = None
    laboratory_omc_pct: float | None = None
    binder: Binder | None = None
    method: Method | None = None
    is_shale: bool = False
    aim_high_pct: float | None = None
    soil_group: str = ""
    group_textures: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One strip with the lift that lies on it, as spread: loose thickness goes with loose dry density.

    passes                     overrides the roller's where the specification asks for another number
    distance_to_structure_m    nearest building or service, None when there is none near
    priority                   1 = first to 5 = last, where water or hours do not suffice for all
    finish_by                  local date by whose end all its lifts shall be rolled, None for none
    lifts                      lifts to be rolled in all, from the first that is recorded here
    following_lift_thickness_m, following_dry_density_kg_m3   as spread; None = as the lift that lies there
    ended                      local date at which it was ended, None while it is at work
    is_density_assumed         dry_density_kg_m3 is as such a lift usually has it
    laid_share                 share of the strip that the present lift covers, which length_m follows; None = all of it
    ground                     "fill" that was spread, or "natural" ground that lay there all along
    """

    id: str
    name: str
    crew_id: str
    material_id: str
    length_m: float
    width_m: float
    lift_thickness_m: float
    dry_density_kg_m3: float
    surface: Surface
    passes: int | None = None
    may_vibrate: bool = True
    distance_to_structure_m: float | None = None
    note: str = ""
    priority: int = 3
    finish_by: date | None = None
    lifts: int = 1
    following_lift_thickness_m: float | None = None
    ground: str = "fill"
    following_dry_density_kg_m3: float | None = None
    laid_share: float | None = None
    is_density_assumed: bool = False
    ended: date | None = None

    @property
    def following_thickness_m(self) -> float:
        """Thickness of a lift still to come, as spread [m]."""
        return self.lift_thickness_m if self.following_lift_thickness_m is None else self.following_lift_thickness_m

    @property
    def following_dry_mass_kg_m2(self) -> float:
        """Dry mass under one square metre of a lift still to come [kg/m2]."""
        density = self.following_dry_density_kg_m3
        return self.following_thickness_m * (self.dry_density_kg_m3 if density is None else density)

    @property
    def area_m2(self) -> float:
        return self.length_m * self.width_m

    @property
    def dry_mass_kg_m2(self) -> float:
        """Dry mass under one square metre [kg/m2]; it does not change when the lift is rolled."""
        return self.lift_thickness_m * self.dry_density_kg_m3


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A time in which a site stands still: both days included; reason as the site's file says it, "" for none."""

    first_day: date
    last_day: date
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site: where it is, when it works, and everything on it.

    working_days   0 = Monday ... 6 = Sunday
    holidays       dates that the site's file types in
    holiday_country, holiday_state   whose public holidays are days off too: ISO codes, "" for none
    working_dates  dates that are worked whatever weekday or holiday they are
    stops, ends_on times in which the site stands still; its last day, None where nobody set one
    mail_at        local time at which the morning mail is due
    deadline       local time after which a morning mail is useless
    recheck_at     local times at which the newest forecast is checked again, rising
    csv_encoding   of CSV files that are no UTF-8: "windows-1252" where the site's spreadsheets save so
    contract_station   name of the weather station that the contract names, "" where it names none
    ended          strips that were ended: nothing is judged or mailed of them, what is recorded of them stays
    adverse_days   days of adverse weather that the contract anticipates, January to December; empty where it says none
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    zone: ZoneInfo
    working_days: tuple[int, ...]
    shift_start: time
    shift_end: time
    mail_at: time
    deadline: time
    holidays: tuple[date, ...]
    mixing_depth_m: float
    crews: tuple[Crew, ...]
    materials: tuple[Material, ...]
    strips: tuple[Strip, ...]
    recheck_at: tuple[time, ...] = ()
    contract_station: str = ""
    csv_encoding: str = "utf-8"
    adverse_days: tuple[float, ...] = ()
    ended: tuple[Strip, ...] = ()
    holiday_country: str = ""
    holiday_state: str = ""
    working_dates: tuple[date, ...] = ()
    stops: tuple[Stop, ...] = ()
    ends_on: date | None = None

    @property
    def place(self) -> Place:
        return Place(latitude_deg=self.latitude_deg, longitude_deg=self.longitude_deg, elevation_m=self.elevation_m)

    def crew(self, crew_id: str) -> Crew:
        return next(c for c in self.crews if c.id == crew_id)

    def material(self, material_id: str) -> Material:
        for material in self.materials:  # asked for a thousand times a morning
            if material.id == material_id:
                return material
        raise KeyError(material_id)

    def bare(self) -> Site:
        """Return the site without all that is on it: where it is, which is enough to ask for its weather."""
        return replace(self, crews=(), materials=(), strips=(), ended=())

    def with_ended(self) -> Site:
        """Return the site with the strips that were ended among the others, for what looks back."""
        return replace(self, strips=(*self.strips, *self.ended), ended=()) if self.ended else self

    def strips_called(self, text: str) -> tuple[Strip, ...]:
        """Return the strips of an id, in any case, else those of a name; one of exactly this id alone."""
        wanted = " ".join(text.casefold().split())
        exact = tuple(s for s in self.strips if s.id == text)
        by_id = tuple(s for s in self.strips if s.id.casefold() == wanted)
        return exact or by_id or tuple(s for s in self.strips if " ".join(s.name.casefold().split()) == wanted)

    def strip(self, strip_id: str) -> Strip:
        return next(s for s in self.strips if s.id == strip_id)

"""The nouns of the product as frozen records. No behaviour beyond what follows from their own fields."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum
from pathlib import Path
from zoneinfo import ZoneInfo


class Verdict(StrEnum):
    """What a crew is told for one strip."""

    COMPACT = "compact"
    WATER = "water"
    WAIT = "wait"


class Surface(StrEnum):
    """State of a strip's surface. The hydraulic meaning of each stands in soil/rain.py."""

    LOOSE = "loose"
    SCARIFIED = "scarified"
    SEALED = "sealed"


class Work(StrEnum):
    """Kind of planned work."""

    WATERING = "watering"
    ROLLING = "rolling"
    SEALING = "sealing"


class Drum(StrEnum):
    """Kind of roller drum."""

    SMOOTH = "smooth"
    PADDED = "padded"
    PNEUMATIC = "pneumatic"


# --- the site and its people ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """One person of a crew. role: a folder name of mail/roles; units: "metric" or "us"; language: "en"..."""

    name: str
    address: str
    role: str
    units: str = "metric"
    language: str = "en"


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A fill material with its laboratory compaction result (fitted and corrected for oversize by config.py).

    window_low_pct, window_high_pct   allowed deviation from optimum [% points], low end negative
    required_compaction_pct           required relative compaction [% of maximum dry density]
    theta_fc, theta_wp                field capacity, wilting point [m3/m3]
    assumed                           names of fields taken from soil-class defaults, for the mail to say so
    borrow_w_pct                      water content at which later lifts arrive [%]; None = right when they are spread
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Roller:
    """A roller. efficiency: working minutes of an hour / 60; passes: full coverages that a lift needs.

    count   how many of it there are
    """

    id: str
    name: str
    drum: Drum
    rolled_width_m: float
    overlap_m: float
    speed_km_h: float
    passes: int
    efficiency: float
    vibrates: bool = True
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Truck:
    """A water truck. Speeds are the range in which it sprays evenly; count: how many of it there are."""

    id: str
    name: str
    tank_litres: float
    bar_width_m: float
    flow_litres_min: float
    fill_time_min: float
    travel_time_min: float
    speed_min_km_h: float
    speed_max_km_h: float
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """A crew with its people, a roller and a water truck (or none). Machines of one id are shared by the crews."""

    id: str
    name: str
    roller: Roller
    truck: Truck | None
    recipients: tuple[Recipient, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One strip with the lift that lies on it, as spread: loose thickness goes with loose dry density.

    passes                     overrides the roller's where the specification asks for another number
    distance_to_structure_m    nearest building or service, None when there is none near
    priority                   1 = first to 5 = last, where water or hours do not suffice for all
    finish_by                  local date by whose end all its lifts shall be rolled, None for none
    lifts                      lifts to be rolled in all, from the first that is recorded here
    following_lift_thickness_m as spread; None = as lift_thickness_m
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

    @property
    def area_m2(self) -> float:
        return self.length_m * self.width_m

    @property
    def dry_mass_kg_m2(self) -> float:
        """Dry mass under one square metre [kg/m2]; it does not change when the lift is rolled."""
        return self.lift_thickness_m * self.dry_density_kg_m3


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site: where it is, when it works, and everything on it.

    working_days   0 = Monday ... 6 = Sunday
    mail_at        local time at which the morning mail is due
    deadline       local time after which a morning mail is useless
    later_looks    local times at which the newest forecast is looked at again, rising
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
    later_looks: tuple[time, ...] = ()

    def crew(self, crew_id: str) -> Crew:
        return next(c for c in self.crews if c.id == crew_id)

    def material(self, material_id: str) -> Material:
        return next(m for m in self.materials if m.id == material_id)

    def strip(self, strip_id: str) -> Strip:
        return next(s for s in self.strips if s.id == strip_id)


# --- the way out ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """How mails leave: to an SMTP server, or as files into a folder. Fields of the other kind are empty.

    kind       "smtp" or "folder"
    security   "starttls", "tls" or "none"
    username, password   None where the server asks for none; the password never comes from a config file in clear
    folder     where kind "folder" writes .eml and .html
    ca_file    certificates (PEM) to trust beside the system's own, for a mail server inside the firm
    """

    kind: str
    sender: str
    reply_to: str | None = None
    host: str = ""
    port: int = 0
    security: str = "starttls"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    timeout_s: float = 30.0
    folder: Path | None = None
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """How somebody else learns whether the service is alive. None = not asked for.

    ping_url      asked once after each good morning; often holds a key, so it is kept out of every printed form
    health_file   written anew all the while, for monitors
    """

    ping_url: str | None = field(default=None, repr=False)
    health_file: Path | None = None


# --- where the weather comes from ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceSettings:
    """One weather service as the config orders it. The order of the settings is the order of asking.

    name        a service of weather/services, e.g. "open_meteo"
    base_url    None for the service's own address
    key         from the environment or a secrets file, None for none; kept out of every printed form
    contact     mail address that the service may write to, sent in the User-Agent
    timeout_s   longest silence, and a quarter of the longest time for a whole answer
    retries     further tries after a passing fault
    """

    name: str
    base_url: str | None = None
    key: str | None = field(default=None, repr=False)
    contact: str = ""
    timeout_s: float = 15.0
    retries: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A weather service's answer as it came, for the store and for running a morning again.

    url       without key
    headers   those that later requests need: name in lower case -> value
    body      as it came, decompressed
    """

    service: str
    url: str
    fetched_utc: datetime
    status: int
    headers: Mapping[str, str]
    body: bytes = field(repr=False)


# --- what was recorded on site -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A moisture test. method: a key of soil.ensemble.METHOD_ERROR_PCT ("oven", "nuclear gauge", ...)."""

    strip_id: str
    at_utc: datetime
    w_pct: float
    method: str
    dry_density_kg_m3: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRain:
    """Rain caught by the site's own gauge between two moments [mm]."""

    from_utc: datetime
    until_utc: datetime
    rain_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Watering:
    """Water put on a strip by the truck [litres]."""

    strip_id: str
    at_utc: datetime
    litres: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceWork:
    """Work that changed a strip's surface: "rolled", "sealed", "disked" or "spread" (a new lift)."""

    strip_id: str
    at_utc: datetime
    work: str
    passes: int | None = None


Entry = Reading | GaugeRain | Watering | SurfaceWork


# --- what a morning concluded --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSeen:
    """One row of the rule table as it was judged for one strip: the numbers it saw and whether it held.

    saw    triples (fact or setting on the left, operator, right side) with their numbers, in words of the table
    held   None where a number was unknown
    """

    rule_id: str
    held: bool | None
    saw: tuple[tuple[str, float, str, str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterPlan:
    """Water for one strip, SI, unrounded (mail/view.py rounds).

    limited_by     "" or what cut the dose: "wet_edge", "rain", "maintain" (keep damp only)
    flags          keys of warnings, e.g. "dose_outside_usual", "retest_after_watering", "speed_outside_range"
    load_ends_m    distance along the strip at which each load runs out [m]
    """

    strip_id: str
    litres: float
    litres_m2: float
    w_now_pct: float
    w_target_pct: float
    evaporation_allowance_mm: float
    rain_credit_mm: float
    passes: int
    litres_m2_per_pass: float
    speed_km_h: float
    loads: int
    load_ends_m: tuple[float, ...]
    start_utc: datetime
    finish_utc: datetime
    truck_id: str
    limited_by: str = ""
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OutlookDay:
    """One strip on one local day.

    chance            chance that the whole rolling time finds the lift inside its window, dry and unfrozen
    workable_h        hours of the shift with at least the site's chance
    from_utc, until_utc   best stretch, None when there is none
    rain_mm           expected rain of the local day; rain_chance: chance of at least 1 mm
    chance_watered    the same chance if the strip is watered first, on that day; NaN where the truck cannot do it
    is_rolled         the present lift is rolled already: it waits for the next one, chances are 0
    is_working_day    False on weekends and holidays
    """

    strip_id: str
    day: date
    chance: float
    workable_h: float
    from_utc: datetime | None
    until_utc: datetime | None
    rain_mm: float
    rain_chance: float
    w_mean_pct: float
    w_p10_pct: float
    w_p90_pct: float
    is_working_day: bool
    chance_watered: float = math.nan
    is_rolled: bool = False


# --- the order of work ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedWork:
    """One piece of work in the proposed order.

    strip_id           "" for sealing: the whole crew at the end of its shift
    lift               1 = the first recorded lift of the strip; sealing: 0
    start_utc, end_utc rolling: first to last pass; watering: first to last drop; sealing: the time reserved for it
    chance             rolling: that it finds the lift inside its window, dry and unfrozen; else NaN
    area_m2            of the strip
    expected_area_m2   rolling: chance x area; else 0
    litres             watering: for the strip; else 0
    flags              keys.PLAN_FLAGS: "today" (as this morning's verdict says), "test_first", "next_lift", "late"...
    """

    strip_id: str
    lift: int
    crew_id: str
    work: Work
    start_utc: datetime
    end_utc: datetime
    chance: float
    area_m2: float
    expected_area_m2: float
    litres: float = 0.0
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplanned:
    """A lift that has no place in the order, and why.

    reason    keys.UNPLANNED: "no_likely_hour", "roller_full", "truck_full", "longer_than_shift", "lift_below"...
    chance    best chance that any hour of the horizon gives it, NaN where none is known; at_utc: that hour
    """

    strip_id: str
    lift: int
    reason: str
    chance: float
    at_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A lift whose planned day is another than in the plan before. None = not planned."""

    strip_id: str
    lift: int
    before_utc: datetime | None
    after_utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkOrder:
    """The proposed order of work over the horizon.

    works               by start, then by crew
    expected_area_m2    sum of chance x area over the planned rolling
    given_order_area_m2 the same, had the strips been taken in the order in which the config gives them
    gap_frac            proven: no order is better by more than this share of what was maximised; 0 = optimal
    method              "solver", or "given_order" where the solver failed; fault then says why in a line
    """

    works: tuple[PlannedWork, ...]
    unplanned: tuple[Unplanned, ...]
    moves: tuple[Move, ...]
    expected_area_m2: float
    given_order_area_m2: float
    gap_frac: float
    method: str
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """One cause of a change: a row of keys.CAUSES with its numbers by gap name."""

    key: str
    numbers: dict[str, float] = field(default_factory=dict)
    at_utc: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that is another than it was told last time, and why.

    strip_id               "" = the whole site
    what                   a row of keys.CHANGES: "verdict", "planned_start", "next_hour", "lift_done", "rain"...
    before, after          words of a verdict, "" where `what` is not one
    before_utc, after_utc  moments; None = there was or is none
    numbers                the rest, by gap name
    why                    most telling first; empty where no cause was found
    """

    strip_id: str
    what: str
    before: str = ""
    after: str = ""
    before_utc: datetime | None = None
    after_utc: datetime | None = None
    numbers: dict[str, float] = field(default_factory=dict)
    why: tuple[Why, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The verdict for one strip this morning, with everything that made it.

    rule_id, reason     the row that decided and its reason key (a sentence in mail/words)
    from_utc, until_utc compact: rolling window; water: rolling window after watering; wait: None
    next_utc            wait: first hour likely to be workable, None when there is none in the horizon
    facts               every fact the rules could ask, by name; NaN = unknown
    seen                every rule row as judged
    advice              keys of sentences to stand under the verdict, in order ("seal_before_rain", ...)
    test                keys of tests asked for ("test_before_rolling", "retest_after_rain", ...)
    water               the dose for WATER, or a keep-damp dose for COMPACT, else None
    """

    strip_id: str
    verdict: Verdict
    rule_id: str
    reason: str
    from_utc: datetime | None
    until_utc: datetime | None
    next_utc: datetime | None
    facts: dict[str, float]
    seen: tuple[RuleSeen, ...]
    advice: tuple[str, ...]
    test: tuple[str, ...]
    water: WaterPlan | None
    w_now_pct: float
    w_p10_pct: float
    w_p90_pct: float
    w_top_pct: float
    w_base_pct: float
    reading_age_h: float
    rolling_time_h: float

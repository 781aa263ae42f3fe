"""The tables of the config files as pydantic models: which keys there are, and what each may hold by itself.

What needs more than one table (references, physics, the site as a whole) is checked in materials.py,
strips.py and site_file.py.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field, field_validator

from gonogo.config.crew_tables import CrewTable, PersonTable, RollerTable, TruckTable
from gonogo.config.table import DAYS, Day, Table, Units
from gonogo.config.values import (
    Address,
    ClockTime,
    Host,
    Name,
    PathText,
    ServiceUrl,
    Text,
    Variable,
    ZoneName,
    fault,
)

__all__ = [
    "DAYS",
    "SITE_SECTIONS",
    "CrewTable",
    "PersonTable",
    "RollerTable",
    "Table",
    "TruckTable",
    "Units",
]

# --- config/sites/<site>.toml --------------------------------------------------------------------------------


class StopTable(Table):
    """A time in which the site stands still, both days included."""

    first_day: date
    last_day: date
    reason: Text = ""


class SiteTable(Table):
    name: Name
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    zone: ZoneName
    working_days: Annotated[list[Day], Field(min_length=1)]
    shift_start: ClockTime
    shift_end: ClockTime
    mail_at: ClockTime
    deadline: ClockTime
    holidays: list[date] = Field(default_factory=list)
    holiday_country: str | None = None
    holiday_state: str | None = None
    working_dates: list[date] = Field(default_factory=list)
    ends_on: date | None = None
    stop: list[StopTable] = Field(default_factory=list)
    recheck_at: list[ClockTime] = Field(default_factory=list)
    mixing_depth_m: float
    contract_station: Name | None = None
    adverse_days: Annotated[list[float], Field(min_length=12, max_length=12)] = Field(default_factory=list)


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


class MaterialTable(Table):
    name: Name
    soil_class: str
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
    oversize: OversizeTable | None = None
    treated: TreatedTable | None = None
    method_specification: MethodTable | None = None


class ReadingTable(Table):
    w_pct: float
    at: datetime
    method: str
    dry_density_kg_m3: float | None = None
    depth_mm: float | None = None


class StripTable(Table):
    name: Name | None = None
    crew: str
    material: str
    length_m: float
    width_m: float
    lift_thickness_m: float
    dry_density_kg_m3: float
    surface: Literal["loose", "scarified", "sealed"]
    passes: int | None = None
    may_vibrate: bool = True
    distance_to_structure_m: float | None = None
    note: Text = ""
    priority: int = 3
    finish_by: date | None = None
    lifts: int = 1
    following_lift_thickness_m: float | None = None
    ground: Literal["fill", "natural"] = "fill"
    reading: ReadingTable | None = None


# --- config/gonogo.toml --------------------------------------------------------------------------------------


class HeadTable(Table):
    """The keys of gonogo.toml that stand above its first table."""

    use: Literal["commercial", "non-commercial"]
    operator: Address | None = None


class StoreTable(Table):
    url: Annotated[str, Field(min_length=1)] | None = None
    url_env: Variable | None = None
    url_file: PathText | None = None


class MailTable(Table):
    kind: Literal["smtp", "folder"]
    sender: Address
    reply_to: Address | None = None
    folder: PathText | None = None
    host: Host | None = None
    port: int | None = None
    security: Literal["starttls", "tls", "none"] | None = None
    username: Name | None = None
    password_env: Variable | None = None
    password_file: PathText | None = None
    timeout_s: float = 30.0
    ca_file: PathText | None = None
    connections: int | None = None


class InboxTable(Table):
    kind: Literal["imap", "maildir"]
    address: Address
    key_env: Variable | None = None
    key_file: PathText | None = None
    trusted_server: Host | None = None
    checks_dkim: bool = True
    host: Host | None = None
    port: int | None = None
    security: Literal["starttls", "tls", "none"] | None = None
    username: Name | None = None
    password_env: Variable | None = None
    password_file: PathText | None = None
    ca_file: PathText | None = None
    folder: Name = "INBOX"
    done: Name = "gonogo-done"
    waiting: Name = "gonogo-waiting"
    other: Name = "gonogo-other"
    maildir: PathText | None = None


class WatchTable(Table):
    ping_url: ServiceUrl | None = None
    ping_url_env: Variable | None = None
    ping_url_file: PathText | None = None
    health_file: PathText | None = None


class WeatherTable(Table):
    service: str
    base_url: ServiceUrl | None = None
    contact: Address | None = None
    key_env: Variable | None = None
    key_file: PathText | None = None
    timeout_s: float = 20.0
    retries: int = 2
    source: str | None = None
    folder: PathText | None = None
    days: int | None = None


# Tables of a site's file that are named by an id, in the order in which they are read.
SITE_SECTIONS: dict[str, type[Table]] = {
    "material": MaterialTable,
    "roller": RollerTable,
    "truck": TruckTable,
    "crew": CrewTable,
    "strip": StripTable,
}

"""The tables of the config files as pydantic models: which keys there are, and what each may hold by itself.

What needs more than one table (references, physics, the site as a whole) is checked in materials.py,
strips.py and site_file.py.
"""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import Annotated, Literal

from pydantic import Field

from gonogo.config.crew_tables import CrewTable, PersonTable, RollerTable, TruckTable
from gonogo.config.material_tables import MaterialTable
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
)

__all__ = [
    "DAYS",
    "SITE_SECTIONS",
    "CrewTable",
    "MaterialTable",
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
    csv_encoding: Literal["utf-8", "windows-1252"] = "utf-8"
    adverse_days: Annotated[list[float], Field(min_length=12, max_length=12, default_factory=list)]


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
    dry_density_kg_m3: float = math.nan  # as spread; usual.py puts one there before it is used
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
    ended: date | None = None
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

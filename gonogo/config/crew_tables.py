"""The tables of a site's file that are about crews: machines and people."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from gonogo.config.table import Day, Table, Units
from gonogo.config.values import Address, ClockTime, Name


class RollerTable(Table):
    name: Name
    drum: Literal["smooth", "padded", "pneumatic"]
    rolled_width_m: float
    overlap_m: float
    speed_km_h: float
    passes: int
    efficiency: float
    vibrates: bool = True
    count: int = 1
    away: list[date] = Field(default_factory=list)


class TruckTable(Table):
    name: Name
    tank_litres: float
    bar_width_m: float
    flow_litres_min: float
    fill_time_min: float
    travel_time_min: float
    speed_min_km_h: float
    speed_max_km_h: float
    count: int = 1
    away: list[date] = Field(default_factory=list)


class PersonTable(Table):
    name: Name
    address: Address
    role: str
    units: Units | None = None
    language: str | None = None
    score_mail: bool = True
    truck: str | None = None
    second_address: Address | None = None
    mail_days: Annotated[list[Day], Field(min_length=1)] | None = None
    mails: Annotated[list[Literal["morning", "recheck"]], Field(min_length=1)] | None = None
    only_changes: bool = False
    quiet_from: ClockTime | None = None
    quiet_until: ClockTime | None = None


class CrewTable(Table):
    name: Name
    roller: str | None = None
    rollers: Annotated[list[str], Field(min_length=1)] | None = None
    sealing_roller: str | None = None
    truck: str | None = None
    trucks: Annotated[list[str], Field(min_length=1)] | None = None
    units: Units = "metric"
    language: str = "en"
    person: Annotated[list[PersonTable], Field(min_length=1)]

"""The tables of a site's file that are about crews: machines and people."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from gonogo.config.table import Day, Table, Units
from gonogo.config.values import Address, ClockTime, Name


class RollerTable(Table):
    """What is left out is as a roller with such a drum usually has it, see usual.py."""

    name: Name
    drum: Literal["smooth", "padded", "pneumatic"]
    rolled_width_m: float | None = None
    overlap_m: float | None = None
    speed_km_h: float | None = None
    passes: int | None = None
    efficiency: float | None = None
    vibrates: bool = True
    count: int = 1
    away: list[date] = Field(default_factory=list)


class TruckTable(Table):
    """What is left out is as a truck with such a tank usually has it, see usual.py."""

    name: Name
    tank_litres: float
    bar_width_m: float | None = None
    flow_litres_min: float | None = None
    fill_time_min: float | None = None
    travel_time_min: float | None = None
    speed_min_km_h: float | None = None
    speed_max_km_h: float | None = None
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

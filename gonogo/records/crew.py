"""Crews with their people and machines, as frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum


class Drum(StrEnum):
    """Kind of roller drum."""

    SMOOTH = "smooth"
    PADDED = "padded"
    PNEUMATIC = "pneumatic"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """One person of a crew, and which mails reach that person.

    role          a folder name of mail/roles; units: "metric" or "us"; language: "en"...
    truck_id      of a driver: the truck that is driven, "" for all of the crew
    mail_days     weekdays on which mails come, 0 = Monday; None = every working day
    mails         which of the day's mails come: "morning", "recheck"
    only_changes  a morning mail comes only when something differs from the last one, or nothing can be known
    quiet         from and until which local time no mail leaves; it may pass midnight. None without
    """

    name: str
    address: str
    role: str
    units: str = "metric"
    language: str = "en"
    score_mail: bool = True
    truck_id: str = ""
    mail_days: tuple[int, ...] | None = None
    mails: tuple[str, ...] = ("morning", "recheck")
    only_changes: bool = False
    quiet: tuple[time, time] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Roller:
    """A roller. efficiency: working minutes of an hour / 60; passes: full coverages that a lift needs.

    count     how many of it there are; away: days on which none of them is on site
    assumed   names of fields that are as such a machine usually has them
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
    away: tuple[date, ...] = ()
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Truck:
    """A water truck. Speeds are the range in which it sprays evenly.

    count     how many of it there are; away: days on which none of them is on site
    assumed   names of fields that are as such a machine usually has them
    """

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
    away: tuple[date, ...] = ()
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """A crew with its people, rollers and water trucks (or none). Machines of one id are shared by the crews.

    roller, more_rollers   each strip is rolled by the first whose drum suits its soil (decide/machines.py)
    sealing_roller         closes the lifts before rain; None = one of the site that closes
    truck, more_trucks     each strip is watered by the one that has done it first
    """

    id: str
    name: str
    roller: Roller
    truck: Truck | None
    recipients: tuple[Recipient, ...]
    more_rollers: tuple[Roller, ...] = ()
    more_trucks: tuple[Truck, ...] = ()
    sealing_roller: Roller | None = None

    @property
    def rollers(self) -> tuple[Roller, ...]:
        return (self.roller, *self.more_rollers)

    @property
    def trucks(self) -> tuple[Truck, ...]:
        return () if self.truck is None else (self.truck, *self.more_trucks)

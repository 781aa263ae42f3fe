"""Crews with their people and machines, as frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Drum(StrEnum):
    """Kind of roller drum."""

    SMOOTH = "smooth"
    PADDED = "padded"
    PNEUMATIC = "pneumatic"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """One person of a crew. role: a folder name of mail/roles; units: "metric" or "us"; language: "en"..."""

    name: str
    address: str
    role: str
    units: str = "metric"
    language: str = "en"
    score_mail: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Roller:
    """A roller. efficiency: working minutes of an hour / 60; passes: full coverages that a lift needs.

    count     how many of it there are
    assumed   names of fields that are as such a roller usually has them
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
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Truck:
    """A water truck. Speeds are the range in which it sprays evenly; count: how many of it there are.

    assumed   names of fields that are as such a truck usually has them
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
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """A crew with its people, a roller and a water truck (or none). Machines of one id are shared by the crews."""

    id: str
    name: str
    roller: Roller
    truck: Truck | None
    recipients: tuple[Recipient, ...]

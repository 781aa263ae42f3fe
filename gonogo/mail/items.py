"""The parts that only mails have: calendar entries, the picture, and the whole of a crew's morning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from gonogo.wording.items import (
    ChangeView,
    DayView,
    MaterialView,
    OrderView,
    RowView,
    SkyView,
    StripView,
    WaterView,
)
from gonogo.wording.phrases import Amount, Day, Moment, Names, Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryView:
    """One planned work for a calendar. key: the lasting part of its identifier; sequence: rises with each change."""

    key: str
    sequence: int
    is_cancelled: bool
    start_utc: datetime
    end_utc: datetime
    title: Phrase
    line: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelView:
    """One strip in the picture of the moisture path.

    low, mean, high    10 %, mean and 90 % of the moisture at each hour of the picture [%]
    roll_h             from when to when it can be rolled today [h of the picture], None where it waits
    now, ahead         moisture now, and at the start of the shift of the days ahead, for the words beside the picture
    """

    strip: str
    low: tuple[float, ...]
    mean: tuple[float, ...]
    high: tuple[float, ...]
    window_low_pct: float
    window_high_pct: float
    optimum_pct: float
    window_low: Amount
    window_high: Amount
    roll_h: tuple[float, float] | None
    now: Amount
    ahead: tuple[tuple[Day, Amount], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PathsView:
    """The moisture path of a crew's strips, as a picture shows it. Hours count from its left edge.

    days, midnights_h   the local dates, and where each begins and the last ends
    rain_mm             expected rain of each hour; rain_by_day: what is still to come, by date
    n_left_out          strips that the picture does not show
    """

    n_hours: int
    now_h: float
    days: tuple[Day, ...]
    midnights_h: tuple[float, ...]
    rain_mm: tuple[float, ...]
    rain_by_day: tuple[Amount, ...]
    panels: tuple[PanelView, ...]
    n_left_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningView:
    """Everything that the mails of one crew may say this morning."""

    site: str
    crew: str
    day: Day
    long_day: Day
    zone: str
    edition: str
    is_update: bool
    is_knowable: bool
    headline: Phrase
    tally: tuple[Phrase, ...]
    n_workable: int
    strips: tuple[StripView, ...]
    watering: tuple[WaterView, ...]
    water_strips: Names | Phrase
    water_total: Amount | None
    water_finish: Moment | None
    n_loads: int
    truck: str | None
    tank: Amount | None
    leave_dry: tuple[Phrase, ...]
    days: tuple[DayView, ...]
    rows: tuple[RowView, ...]
    rain_floor: Amount
    changes: tuple[ChangeView, ...] | None
    order: OrderView | None
    paths: PathsView | None
    entries: tuple[EntryView, ...]
    weather: SkyView | None
    unsure: tuple[Phrase, ...]
    materials: tuple[MaterialView, ...]
    notes: tuple[Phrase, ...]
    freezing: Amount
    cautions: tuple[Phrase, ...]

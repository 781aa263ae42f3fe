"""The parts of a morning view: frozen, rounded, in no language yet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from gonogo.mail.phrases import Amount, Chance, Day, Duration, Moment, Names, Number, Phrase, Span


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyView:
    """The weather of the rest of the day, and where the forecast comes from.

    rain_from    when half of the members have had measurable rain, None where that does not come today
    frost_from   first hour at or below freezing until tomorrow noon, None where there is none
    """

    service: str
    fetched: Moment
    age: Duration
    is_old: bool
    attribution: tuple[tuple[str, str], ...]
    temp_low: Amount
    temp_high: Amount
    wind: Amount
    rain: Amount
    rain_chance: Chance
    rain_floor: Amount
    rain_from: Moment | None
    is_raining: bool
    frost_from: Moment | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterView:
    """Water for one strip as the truck driver works it.

    place      position in driving order, from 1
    lanes      widths of the spray bar across the strip
    sections   where each load begins and runs out along the strip, and how much it is
    """

    place: int
    strip_id: str
    strip: str
    is_keep_damp: bool
    litres: Amount
    litres_m2: Amount
    per_pass: Amount
    passes: int
    speed: Amount
    lanes: int
    sections: tuple[tuple[Amount, Amount, Amount], ...]
    start: Moment
    finish: Moment
    roll: Span | None
    target: Amount
    notes: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripView:
    """One strip for the superintendent."""

    id: str
    name: str
    note: str
    verdict: str
    window: Span | None
    when: Span | Phrase | None  # the window, said to be for rolling where water comes before it
    next: Moment | None
    has_moisture: bool
    moisture: Amount
    moisture_low: Amount
    moisture_high: Amount
    top: Amount
    base: Amount
    is_split: bool
    deviation: Phrase
    optimum: Amount
    window_low: Amount
    window_high: Amount
    glance: Phrase
    material: str
    test: str
    reason: Phrase
    advice: tuple[Phrase, ...]
    tests: tuple[Phrase, ...]
    chances: tuple[Chance, Chance, Chance] | None  # inside the window, too dry, too wet
    has_reading: bool
    reading_age: Duration
    rolling_time: Duration
    roller_passes: int
    water: WaterView | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayView:
    """One day of the horizon and its rain, the same for every strip. is_dry: the shown amount is nought."""

    day: Day
    head: Day
    rain: Amount
    rain_chance: Chance
    is_dry: bool
    is_working_day: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CellView:
    """One strip on one day.

    hours         workable hours of the shift, whole
    span_times    the best stretch without its date, for a place that names the day
    is_workable   the whole rolling time fits with at least the chance that the site asks for
    is_watered    today, and it can be worked after the truck has been
    after_water   chance where the truck goes over it first that day, None where that brings nothing
    is_rolled     the lift is rolled already and waits for the next one
    """

    day: Day
    chance: Chance
    hours: Number
    span: Span | None
    span_times: Span | None
    is_workable: bool
    is_watered: bool
    after_water: Chance | None
    is_rolled: bool
    is_working_day: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RowView:
    """One strip over the horizon. next: the sentence that says when it can be worked next."""

    id: str
    name: str
    cells: tuple[CellView, ...]
    next: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkView:
    """One piece of planned work: the line that says what and when, and what to mind about it."""

    line: Phrase
    notes: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderDayView:
    """One day of the order of work."""

    day: Day
    is_today: bool
    works: tuple[WorkView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderView:
    """The order of work of a crew. gain: what it is worth over the given order; proof: how good it is proven to be."""

    days: tuple[OrderDayView, ...]
    today: tuple[WorkView, ...]
    unplanned: tuple[Phrase, ...]
    gain: Phrase
    proof: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeView:
    """What is another than last time with one strip, more of the same causes, and the causes."""

    what: Phrase
    more: tuple[Phrase, ...] = ()
    why: tuple[Phrase, ...] = ()


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
class MaterialView:
    """The laboratory result that a strip is judged by, and what of it is assumed."""

    name: str
    test: str
    optimum: Amount
    window_low: Amount
    window_high: Amount
    max_density: Amount
    required: Amount
    assumed: Names | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningView:
    """Everything that the mails of one crew may say this morning."""

    site: str
    crew: str
    day: Day
    long_day: Day
    zone: str
    issue: str
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
    doubts: tuple[Phrase, ...]
    materials: tuple[MaterialView, ...]
    repairs: tuple[str, ...]
    cautions: tuple[Phrase, ...]

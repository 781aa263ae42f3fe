"""The parts of a morning view: frozen, rounded, in no language yet."""

from __future__ import annotations

from dataclasses import dataclass

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
    """

    day: Day
    chance: Chance
    hours: Number
    span: Span | None
    span_times: Span | None
    is_workable: bool
    is_watered: bool
    is_working_day: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RowView:
    """One strip over the horizon. next: the sentence that says when it can be worked next."""

    id: str
    name: str
    cells: tuple[CellView, ...]
    next: Phrase


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
    changes: tuple[Phrase, ...] | None
    weather: SkyView | None
    doubts: tuple[Phrase, ...]
    materials: tuple[MaterialView, ...]
    repairs: tuple[str, ...]
    cautions: tuple[Phrase, ...]

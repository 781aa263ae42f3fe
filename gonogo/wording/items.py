"""The parts that mail, page and terminal show of a morning: frozen, rounded, in no language yet."""

from __future__ import annotations

from dataclasses import dataclass

from gonogo.wording.phrases import Amount, Chance, Day, Duration, Gap, Moment, Names, Number, Phrase, Span


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
class StripView:
    """One strip beside its days ahead."""

    id: str
    name: str
    verdict: str
    window: Span | None
    when: Span | Phrase | None  # the window, said to be for rolling where water comes before it
    next: Moment | None
    has_moisture: bool
    moisture: Amount
    moisture_low: Amount
    moisture_high: Amount
    deviation: Phrase
    optimum: Amount
    window_low: Amount
    window_high: Amount
    material: str
    test: str
    reason: Phrase
    has_reading: bool
    reading_age: Duration


@dataclass(frozen=True, slots=True, kw_only=True)
class DayView:
    """One day of the horizon and its rain, the same for every strip. is_dry: the shown amount is zero."""

    day: Day
    head: Day
    rain: Amount
    rain_chance: Chance
    is_dry: bool
    shown: Gap
    is_working_day: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CellView:
    """One strip on one day.

    hours         workable hours of the shift, whole
    is_workable   the whole rolling time fits with at least the chance that the site asks for
    is_workable_watered   the same, if the truck goes over it first that day
    is_watered    today, and it can be worked after the truck has been
    after_water   chance where the truck goes over it first that day, None where that brings nothing
    is_rolled     the lift is rolled already and waits for the next one
    shown, below  what stands in the cell: chance or a word; hours or the chance after watering, None for nothing
    """

    day: Day
    chance: Chance
    hours: Number
    span: Span | None
    is_workable: bool
    is_workable_watered: bool
    is_watered: bool
    after_water: Chance | None
    is_rolled: bool
    is_working_day: bool
    shown: Gap
    below: Gap | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RowView:
    """One strip over the horizon."""

    id: str
    name: str
    cells: tuple[CellView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkView:
    """One piece of planned work: the crew, the line that says what and when, and what to mind about it."""

    crew: str
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
    """The order of work of one crew or several.

    gain    what it is worth over the given order; proof: how good it is proven to be
    """

    days: tuple[OrderDayView, ...]
    today: tuple[WorkView, ...]
    unplanned: tuple[Phrase, ...]
    gain: Phrase
    proof: Phrase


@dataclass(frozen=True, slots=True, kw_only=True)
class BarPiece:
    """One piece of a row of the bar of hours, in minutes from the left edge. kind: "roll", "maybe", "water"..."""

    kind: str
    from_min: float
    until_min: float
    label: str | Phrase | Amount


@dataclass(frozen=True, slots=True, kw_only=True)
class HourBar:
    """The working day as a bar of hours: what roller, truck and rain do. heads: minutes and the hour that begins."""

    minutes: float
    heads: tuple[tuple[float, Moment], ...]
    rows: tuple[tuple[Phrase, tuple[BarPiece, ...]], ...]
    has_maybe: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeView:
    """What changed on one strip, more of the same causes, and the causes."""

    what: Phrase
    more: tuple[Phrase, ...] = ()
    why: tuple[Phrase, ...] = ()


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
    laboratory: Amount | None = None
    is_method: bool = False

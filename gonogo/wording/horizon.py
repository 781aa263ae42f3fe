"""The days ahead, strip by strip: chance, hours and rain as a table shows them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from gonogo.decide.water.forecast import CHANCE_GAIN_MIN
from gonogo.records.site import Strip
from gonogo.records.verdict import OutlookDay, Verdict
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import is_beyond
from gonogo.wording.items import CellView, DayView, RowView, StripView
from gonogo.wording.phrases import Chance, Day, Gap, Phrase, phrase

RAIN_DAY_MM = 1.0  # as in OutlookDay.rain_chance


def horizon(
    outlook: Sequence[OutlookDay],
    own: Mapping[str, Strip],
    clock: Clock,
    chance_needed: float,
    today: Mapping[str, StripView],
) -> tuple[tuple[DayView, ...], tuple[RowView, ...]]:
    """Return the days of the horizon with their rain, and one row per strip.

    own      the strips of the table, by id, in its order; rows of other strips are left out
    today    the strips as they are today, by id
    """
    ours = sorted((o for o in outlook if o.strip_id in own), key=lambda o: o.day)
    days = [_day(o) for o in {o.day: o for o in ours}.values()]  # of a day's strips the last: all have its weather
    rows = []
    for strip in own.values():
        now = today.get(strip.id)
        cells = tuple(_cell(o, clock, chance_needed, now) for o in ours if o.strip_id == strip.id)
        if cells:
            rows.append(RowView(id=strip.id, name=strip.name, cells=cells))
    return tuple(days), tuple(rows)


def _day(outlook: OutlookDay) -> DayView:
    rain = phrases.amount("rain_mm", outlook.rain_mm)
    is_dry = rain.metric[0] == 0
    return DayView(
        day=Day(day=outlook.day),
        head=Day(day=outlook.day, form="head"),
        rain=rain,
        rain_chance=_brief(outlook.rain_chance),
        is_dry=is_dry,
        shown=phrase("text.dry") if is_dry else rain,
        is_working_day=outlook.is_working_day,
    )


def _cell(outlook: OutlookDay, clock: Clock, chance_needed: float, now: StripView | None) -> CellView:
    """Return one strip on one day."""
    span = clock.span(outlook.from_utc, outlook.until_utc)
    # Where the chance that the site asks for is unknown, no day is called workable.
    is_workable = outlook.is_working_day and span is not None and outlook.chance >= chance_needed
    is_watered = outlook.day == clock.day and now is not None and now.verdict == Verdict.WATER
    is_far = is_beyond(outlook.day, clock.day)
    gains = outlook.chance_watered > outlook.chance + CHANCE_GAIN_MIN
    after_water = _brief(outlook.chance_watered, is_far=is_far) if gains else None
    chance, hours = _brief(outlook.chance, is_far=is_far), phrases.whole(outlook.workable_h)
    return CellView(
        day=Day(day=outlook.day),
        chance=chance,
        hours=hours,
        span=span,
        is_workable=is_workable,
        is_workable_watered=outlook.is_working_day and gains and outlook.chance_watered >= chance_needed,
        is_watered=is_watered,
        after_water=after_water,
        is_rolled=outlook.is_rolled,
        is_working_day=outlook.is_working_day,
        shown=_shown(outlook, chance, is_watered=is_watered),
        below=_below(
            outlook, phrase("text.hours", n=hours) if is_workable else None, after_water, is_watered=is_watered
        ),
    )


def _shown(outlook: OutlookDay, chance: Chance, *, is_watered: bool) -> Gap:
    """Return the chance of a strip on a day, or the word that stands in its place."""
    if not outlook.is_working_day:
        return phrase("text.day_off")
    if outlook.is_rolled:
        return phrase("text.rolled")
    return phrase("text.watered") if is_watered else chance


def _below(outlook: OutlookDay, hours: Phrase | None, after_water: Chance | None, *, is_watered: bool) -> Gap | None:
    """Return the workable hours of a day, else the chance after watering; None where there is nothing to say."""
    if hours is not None:
        return hours
    is_silent = after_water is None or is_watered or outlook.is_rolled or not outlook.is_working_day
    return None if is_silent or after_water is None else phrase("text.after_water", chance=after_water)


def _brief(share: float, *, is_far: bool = False) -> Chance:
    return Chance(pct=phrases.chance_ahead(share, is_far=is_far).pct, is_brief=True)

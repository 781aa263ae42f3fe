"""When something happened, as a line says it: wall-clock moments, both of them where AM or PM is left open."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from gonogo.replies.parts import NotReadError, Parts, Reader
from gonogo.replies.tokens import Date, WrittenClock


def clocks_of(parts: Parts, reader: Reader, now_local: datetime) -> tuple[datetime, ...]:
    """Return the wall-clock moments that a line's time can mean, none where it gives no time."""
    times, yesterday = parts.take_times(), parts.take_words(("yesterday",))
    clocks = [t for t in times if isinstance(t, WrittenClock)]
    dates = [t for t in times if isinstance(t, Date)]
    if len(clocks) > 1 or len(dates) + len(yesterday) > 1:
        raise NotReadError(
            "time", clocks[-1].text if clocks else (yesterday[-1].text if yesterday else _written(dates[-1]))
        )
    if not clocks:
        if dates or yesterday:
            raise NotReadError("time", yesterday[0].text if yesterday else _written(dates[0]))
        return ()
    day = _day(dates[0]) if dates else now_local.date() - timedelta(days=len(yesterday))
    return tuple(datetime(day.year, day.month, day.day, *hm) for hm in _hours(clocks[0], reader))  # noqa: DTZ001


def _day(found: Date) -> date:
    try:
        return date(found.year, found.month, found.day)
    except ValueError as error:
        raise NotReadError("time", _written(found)) from error


def _written(found: Date) -> str:
    return f"{found.year:04}-{found.month:02}-{found.day:02}"


def _hours(clock: WrittenClock, reader: Reader) -> tuple[tuple[int, int], ...]:
    """Return hour and minute of a time, both of them where a clock of twelve hours leaves the half of the day open."""
    hour, minute = clock.hour, clock.minute
    if minute > 59 or hour > 23 or (clock.half and not 1 <= hour <= 12):
        raise NotReadError("time", clock.text)
    if clock.half:
        return ((hour % 12 + (12 if clock.half == "p" else 0), minute),)
    if reader.has_twelve_hours and 1 <= hour <= 12:
        return ((hour % 12, minute), (hour % 12 + 12, minute))
    return ((hour, minute),)

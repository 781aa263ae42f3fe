"""One row of what was recorded, typed or of a file, under inspection: fields come out checked, faults pile up."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta

from gonogo.config import numbers
from gonogo.config.values import clock_change
from gonogo.errors import Fault
from gonogo.records.ranges import FIRST_YEAR, LAST_YEAR, refusal, slip_of
from gonogo.records.site import Site
from gonogo.times import occurrences_utc

CLOCK_SLACK = timedelta(minutes=10)
TYPED = "command line"  # the place of a row that is typed
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}")
LONGEST_WORD = 100  # of a name whose likeness to known ones is asked
LOCAL_TIME = (
    'Write local time such as "2026-05-12 06:40", or with an offset "2026-05-12T06:40-05:00"; '
    "in a file, a column named `at (dd/mm/yyyy)` takes dates written so."
)


class TypedRow:
    """A row: where it stands, its fields as text, and what is wrong with them."""

    def __init__(self, place: str, fields: Mapping[str, str], site: Site, now_utc: datetime) -> None:
        self.place, self.fields, self.site, self.now_utc = place, fields, site, now_utc
        self.faults: list[Fault] = []

    def text(self, key: str) -> str:
        return (self.fields.get(key) or "").strip()

    def add_fault(self, key: str, wrong: str, right: str) -> None:
        text = f"{right} Nothing was stored."
        self.faults.append(Fault(place=self.place, key=key, value=self.text(key), wrong=wrong, right=text))

    def number(self, key: str, right: str, *, required: bool = True) -> float:
        """Return the number of a field inside its range, NaN where it is empty or a fault was added."""
        raw = self.text(key)
        if not raw:
            if required:
                self.add_fault(key, "missing.", right)
            return math.nan
        refused = numbers.refusal(key, raw, right)
        if refused is None and (refused := refusal(key, float(raw))) and slip_of(key, float(raw)) is None:
            refused = refused[0], right
        if refused is not None:
            self.add_fault(key, *refused)
            return math.nan
        return float(raw)

    def whole_number(self, key: str, right: str) -> int | None:
        """Return the whole number of a field, None where it is empty or a fault was added."""
        value = self.number(key, right, required=False)
        if math.isnan(value):
            return None
        if not value.is_integer():
            self.add_fault(key, "not a whole number.", right)
            return None
        return int(value)

    def moment(self, key: str, *, default: datetime | None) -> datetime:
        """Return the moment of a field, `default` where it is empty; now where a fault was added."""
        raw = self.text(key)
        if not raw:
            if default is None:
                self.add_fault(key, "missing.", LOCAL_TIME)
            return default or self.now_utc
        if self.place == TYPED and _CLOCK.fullmatch(raw):  # in a file nobody knows of which day it is
            raw = f"{self.now_utc.astimezone(self.site.zone):%Y-%m-%d} {raw:0>5}"
        found = moment_utc(raw, self.site)
        if isinstance(found, datetime) and found > self.now_utc + CLOCK_SLACK:
            now = f"{self.now_utc.astimezone(self.site.zone):%Y-%m-%d %H:%M}"
            found = f"lies in the future: at the site it is {now}.", "Write when it happened."
        if isinstance(found, datetime):
            return found
        self.add_fault(key, *found)
        return self.now_utc

    def one_of(self, key: str, allowed: Iterable[str], what: str) -> str:
        raw, names = self.text(key), list(allowed)
        if raw in names:
            return raw
        near = difflib.get_close_matches(raw[:LONGEST_WORD], names, n=1)
        hint = f'Did you mean "{near[0]}"?' if near else f"Write one of: {', '.join(names)}."
        self.add_fault(key, f"no such {what}." if raw else "missing.", hint)
        return ""

    def strip(self) -> str:
        """Return the id of the strip that is meant, by its id in any case or by its name."""
        called = self.site.strips_called(self.text("strip"))
        if len(called) == 1:
            return called[0].id
        if called:
            ids = ", ".join(strip.id for strip in called)
            self.add_fault("strip", f"is the name of more than one strip ({ids}).", "Write the id.")
            return ""
        ended = next((s for s in self.site.ended if s.id == self.text("strip")), None)
        if ended is not None:
            right = f"Take that back (gonogo strips change {ended.id} ended=), record it, and end it again."
            self.add_fault("strip", f"was ended on {ended.ended}.", right)
            return ""
        return self.one_of("strip", (s.id for s in self.site.strips), f"strip on site {self.site.id}")


def moment_utc(raw: str, site: Site) -> datetime | tuple[str, str]:
    """Return the moment of a text, local unless it carries an offset; or (wrong, right) where it is not one."""
    try:
        at = datetime.fromisoformat(raw)
    except ValueError:
        return "not a date and time.", LOCAL_TIME
    if not FIRST_YEAR <= at.year <= LAST_YEAR:
        return "lies in no year of this century.", LOCAL_TIME
    if at.tzinfo is not None:
        return at.astimezone(UTC)
    moments = occurrences_utc(at, site.zone)
    return moments[0] if len(moments) == 1 else clock_change(at, moments, site.zone)


def is_moment(raw: str) -> bool:
    """Say whether a text is a date and time at all, whatever is wrong with it."""
    try:
        datetime.fromisoformat(raw)
    except ValueError:
        return False
    return True


def repeated_utc(raw: str, site: Site) -> tuple[datetime, ...]:
    """Return both moments of a local time that the autumn change repeats, the sooner first; else none."""
    at = datetime.fromisoformat(raw) if is_moment(raw) else None
    if at is None or at.tzinfo is not None or not FIRST_YEAR <= at.year <= LAST_YEAR:
        return ()
    moments = occurrences_utc(at, site.zone)
    return moments if len(moments) == 2 else ()

"""The site's clock as readers of one day see it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime

from gonogo.records.site import Site
from gonogo.wording import phrases
from gonogo.wording.phrases import Moment, Span

NEAR_DAYS = 5  # a weekday alone tells no other day than the one that is meant


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """The site's clock on a day: a moment of another day is shown with its date."""

    site: Site
    day: date

    def at(self, at_utc: datetime, to: str = "nearest") -> Moment:
        """Return a moment rounded to the nearest, an earlier or a later step."""
        return phrases.moment(at_utc, self.site.zone, self.day, to=to)

    def near(self, at_utc: datetime, to: str = "nearest") -> Moment:
        """Return a moment of the days around, which its weekday tells: of a past test, or of rain that comes."""
        found = self.at(at_utc, to)
        return replace(found, is_near=abs((found.at_local.date() - self.day).days) <= NEAR_DAYS)

    def minute(self, at_utc: datetime) -> Moment:
        """Return a moment to the minute: what the service did, and when, is no advice."""
        return phrases.moment(at_utc, self.site.zone, self.day, to="earlier", step_min=1)

    def span(self, from_utc: datetime | None, until_utc: datetime | None) -> Span | None:
        """Return a window, never longer than it is; None where it has no end or no beginning."""
        if from_utc is None or until_utc is None:
            return None
        return Span(start=self.at(from_utc, "later"), end=self.at(until_utc, "earlier"))

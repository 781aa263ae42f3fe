"""Whether a service's answer can be used: read, checked, and begun with the hour that was asked for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from gonogo.download import web
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.weather import agreement, services
from gonogo.weather.asked import Asked, Checked
from gonogo.weather.checks import passed
from gonogo.weather.table import ParsedForecast

REVALIDATED_HEADER = "gonogo-not-modified"  # ours: the body stands as it was stored before, the service said so


@dataclass(frozen=True, slots=True)
class Usable:
    """An answer as a table that passed the checks, and what they made of it: nobody need check it again."""

    parsed: ParsedForecast
    checked: Checked


def usable(answer: Answer, site: Site, now_utc: datetime) -> Usable:
    """Return an answer that passes the checks at a moment. Raises WeatherError."""
    parsed = services.parse(answer, site)
    begins = services.find()[answer.service].begins
    if begins is not None:
        first = [begins(at_utc) for at_utc in _asked_utc(answer)]
        agreement.require_asked(parsed.stamp_utc, first, service=answer.service)
    return Usable(parsed, passed(Asked(parsed=parsed, site=site, now_utc=now_utc)))


def _asked_utc(answer: Answer) -> tuple[datetime, datetime]:
    """Return when the body of an answer was asked for: by the machine's clock, and by the service's."""
    offset_s = float(answer.headers.get(web.OFFSET_HEADER, math.nan))
    asked = answer.headers.get(REVALIDATED_HEADER)
    asked_utc = datetime.fromisoformat(asked) if asked else answer.fetched_utc
    return asked_utc, asked_utc + timedelta(seconds=offset_s if math.isfinite(offset_s) else 0.0)

"""Services asked in their order, with the manners each asks for; the raw answer kept, whatever it is worth."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import requests

from gonogo.download.asking import Question, answered
from gonogo.download.web import OFFSET_HEADER, Visits, without_secret
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.site import Site
from gonogo.weather import services
from gonogo.weather.checks import Asked, passed
from gonogo.weather.past import EarlierForecast
from gonogo.weather.services import WeatherService
from gonogo.weather.table import ParsedForecast


@dataclass(frozen=True, slots=True, kw_only=True)
class Downloaded:
    """A forecast that passed the checks, with everything that the store and the mail want to know of its way.

    answer      the answer that is used: keep its raw body
    parsed      its table, for series.check
    is_stored   it stands in the store already: still the service's newest, or no service gave a new one
    rejected    answers that came and could not be used, to be kept too
    faults      a sentence for each fault on the way, without secrets
    places      first answers of services that need two questions, to be kept for the next time
    """

    answer: Answer
    parsed: ParsedForecast
    is_stored: bool
    rejected: tuple[Answer, ...]
    faults: tuple[str, ...]
    places: tuple[Answer, ...] = ()

    @property
    def clock_offset_s(self) -> float:
        """The service's clock less the machine's when the answer came [s], NaN where it is not known."""
        return float(self.answer.headers.get(OFFSET_HEADER, math.nan))


# Asks for a site's forecast at a moment; the answers stored before are what it may fall back on.
Fetch = Callable[[Site, datetime, Sequence[Answer]], Downloaded]


class NoForecastError(WeatherError):
    """No service and no stored answer can be used. What came all the same is kept: `rejected` and `places`."""

    def __init__(
        self, text: str, *, passing: bool, rejected: tuple[Answer, ...] = (), places: tuple[Answer, ...] = ()
    ) -> None:
        self.rejected, self.places = rejected, places
        super().__init__(text, passing=passing)


def forecast(
    site: Site,
    order: Sequence[ServiceSettings],
    *,
    now_utc: datetime,
    stored: Sequence[Answer] = (),
    together: Sequence[Site] = (),
    visits: Visits | None = None,
    session: requests.Session | None = None,
    sleep: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> Downloaded:
    """Return the first usable forecast of the services in their order, else the newest usable stored one.

    order     services as the config orders them
    now_utc   stamped on the answer as the time at which it came
    stored    answers of the site from the store. One that its service still calls its newest is taken again without a
              question; one that the service says is unchanged stands for the answer; the age of the others decides
              later how far they are trusted
    together  sites that will be asked for in the same round: where a service takes a list, one question brings them all
    visits    what the round remembers between sites, its clock_utc the machine's clock; a round of its own when None
    session, sleep, clock   of that round of its own

    Raises NoForecastError with every fault when no service and no stored answer can be used; passing where a later try
    may well work.
    """
    own = visits is None
    round_ = visits or Visits(session=session or requests.Session(), sleep=sleep, clock=clock)
    faults: list[str] = []
    rejected: list[Answer] = []
    places: list[Answer] = []
    is_passing = not order
    newest_first = sorted(stored, key=lambda kept: kept.fetched_utc, reverse=True)
    try:
        for settings in order:
            try:
                question = Question(
                    site=site,
                    settings=settings,
                    service=_service(settings),
                    now_utc=now_utc,
                    visits=round_,
                    stored=newest_first,
                    together=together,
                    rejected=rejected,
                    faults=faults,
                    places=places,
                )
                answer, parsed = answered(question)
            except WeatherError as error:
                is_passing |= error.passing
                faults.append(without_secret(str(error), settings))
                continue
            return Downloaded(
                answer=answer,
                parsed=parsed,
                is_stored=any(answer is kept for kept in stored),
                rejected=tuple(rejected),
                faults=tuple(faults),
                places=tuple(places),
            )
    finally:
        if own and session is None:
            round_.session.close()
    known = services.find()
    for answer in newest_first:
        if answer.service not in known:
            continue
        try:
            parsed = services.parse(answer, site)
            passed(Asked(parsed=parsed, site=site, now_utc=now_utc))
        except WeatherError as error:
            faults.append(f"stored answer of {answer.fetched_utc:%Y-%m-%d %H:%M} UTC: {error}")
            continue
        return Downloaded(
            answer=answer,
            parsed=parsed,
            is_stored=True,
            rejected=tuple(rejected),
            faults=tuple(faults),
            places=tuple(places),
        )
    told = "\n".join(faults) or "No weather service is set."
    raise NoForecastError(
        f"{site.id}: no weather service gave a usable forecast.\n{told}",
        passing=is_passing,
        rejected=tuple(rejected),
        places=tuple(places),
    )


def earlier_forecasts(stored: Sequence[Answer], site: Site) -> tuple[EarlierForecast, ...]:
    """Return the stored answers of a site that can still be read, as series.check wants them."""
    found, known = [], services.find()
    for answer in stored:
        if answer.service in known:
            try:
                parsed = services.parse(answer, site)
                table, _ = passed(Asked(parsed=parsed, site=site, now_utc=answer.fetched_utc))
            except WeatherError:
                continue
            whole = table.reset_index(names="hour_utc").drop(columns="rain_mm")
            found.append(EarlierForecast(fetched_utc=answer.fetched_utc, parsed=replace(parsed, table=whole)))
    return tuple(found)


def _service(settings: ServiceSettings) -> WeatherService:
    """Return the service that the settings name."""
    service = services.find().get(settings.name)
    if service is None:
        known = ", ".join(sorted(services.find()))
        raise WeatherError(
            f"weather.service = {settings.name}: no such service. One of {known} is right. It is passed over.",
            passing=False,
        )
    return service


def licence_notes(order: Sequence[ServiceSettings], *, use: str) -> tuple[tuple[str, bool], ...]:
    """Return (note, is allowed) for every service of an order.

    use   "commercial" or "non-commercial", as the config states it
    """
    notes: list[tuple[str, bool]] = []
    found: Mapping[str, WeatherService] = services.find()
    for settings in order:
        service = found.get(settings.name)
        if service is None:
            notes.append((f"{settings.name}: no such service; one of {', '.join(sorted(found))} is right.", False))
            continue
        is_allowed = use != "commercial" or not service.commercial_needs_key or settings.key is not None
        notes.append((service.licence_note(settings.key), is_allowed))
    return tuple(notes)

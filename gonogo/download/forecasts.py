"""Services asked in their order, with the manners each asks for; the raw answer kept, whatever it is worth."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from gonogo.download import grid_answers
from gonogo.download.asking import Gathered, Question, answered
from gonogo.download.usable import Usable, usable
from gonogo.download.web import OFFSET_HEADER, RoundState, without_secret
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.site import Site
from gonogo.weather import services, two_forecasts
from gonogo.weather.notes import Note
from gonogo.weather.services import WeatherService
from gonogo.weather.table import ParsedForecast, ReceivedForecast

CHECK_HEADER = "gonogo-asked-as-a-check"  # ours: of two answers of one moment, the other is the one that was used
SECOND_KEPT = timedelta(hours=6)  # how old a stored answer may be that a forecast is checked against


@dataclass(frozen=True, slots=True, kw_only=True)
class Downloaded:
    """A forecast that passed the checks, with everything that the store and the mail want to know of its way.

    answer      the answer that is used: keep its raw body
    parsed      its table, for series.check
    is_stored   it stands in the store already: still the service's newest, or no service gave a new one
    rejected    answers that came and could not be used, to be kept too
    faults      a sentence for each fault on the way, without secrets
    usable      what the checks made of the table
    places      first answers of services that need two questions, to be kept for the next time
    is_last_resort   a stored answer, since none came though one may yet: worth asking again
    doubts    where it differs from the service's previous answer over the same hours
    """

    answer: Answer
    parsed: ParsedForecast
    is_stored: bool
    rejected: tuple[Answer, ...]
    faults: tuple[str, ...]
    places: tuple[Answer, ...] = ()
    usable: Usable | None = None
    is_last_resort: bool = False
    doubts: tuple[Note, ...] = ()

    @property
    def clock_offset_s(self) -> float:
        """The service's clock less the machine's when the answer came [s], NaN where it is not known."""
        return float(self.answer.headers.get(OFFSET_HEADER, math.nan))

    @property
    def fresh_offset_s(self) -> float:
        """The same of the answers that came just now, used or not: NaN where none told the time."""
        return self.clock_offset_s if not self.is_stored else nearest_offset_s(self.rejected)

    @property
    def received(self) -> ReceivedForecast:
        """The forecast as series.check takes it."""
        found = self.usable
        return ReceivedForecast(
            parsed=self.parsed,
            fetched_utc=self.answer.fetched_utc,
            clock_offset_s=self.clock_offset_s,
            doubts=self.doubts,
            checked=found.checked if found is not None and found.parsed is self.parsed else None,
        )


# Asks for a site's forecast at a moment; the answers stored before are what it may fall back on.
Fetch = Callable[[Site, datetime, Sequence[Answer]], Downloaded]
# The same of the services other than the one that is named.
Second = Callable[[Site, datetime, Sequence[Answer], str], Downloaded]


class NoForecastError(WeatherError):
    """No service and no stored answer can be used. What came all the same is kept: `rejected` and `places`."""

    def __init__(
        self, text: str, *, passing: bool, rejected: tuple[Answer, ...] = (), places: tuple[Answer, ...] = ()
    ) -> None:
        self.rejected, self.places = rejected, places
        super().__init__(text, passing=passing)

    @property
    def fresh_offset_s(self) -> float:
        """The clock of the services less the machine's [s], NaN where nothing that came told the time."""
        return nearest_offset_s(self.rejected)


def nearest_offset_s(answers: Sequence[Answer]) -> float:
    """Return the offset of the answer whose clock agrees best with the machine's [s], NaN where none tells the time.

    An answer that cannot be used still tells the time; one clock that agrees is enough to believe the machine's.
    """
    offsets_s = [float(answer.headers.get(OFFSET_HEADER, math.nan)) for answer in answers]
    return min((offset_s for offset_s in offsets_s if math.isfinite(offset_s)), key=abs, default=math.nan)


def forecast(
    site: Site,
    order: Sequence[ServiceSettings],
    *,
    now_utc: datetime,
    stored: Sequence[Answer] = (),
    together: Sequence[Site] = (),
    round_state: RoundState | None = None,
) -> Downloaded:
    """Return the first usable forecast of the services in their order, else the newest usable stored one.

    order     services as the config orders them
    now_utc   stamped on the answer as the time at which it came
    stored    answers of the site from the store. One that its service still calls its newest is taken again without a
              question; one that the service says is unchanged stands for the answer; the age of the others decides
              later how far they are trusted
    together  sites that will be asked for in the same round: where a service takes a list, one question brings them all
    round_state   what a round remembers between sites, its clock_utc the machine's clock; a round of its own when None

    Raises NoForecastError with every fault when no service and no stored answer can be used; passing where a later try
    may well work.
    """
    gathered = Gathered()
    is_passing = not order
    doubtful: Downloaded | None = None
    newest_first = sorted(stored, key=lambda kept: (kept.fetched_utc, CHECK_HEADER not in kept.headers), reverse=True)
    with contextlib.nullcontext(round_state) if round_state else _own_round() as round_:
        for settings in order:
            try:
                question = Question(
                    site=site,
                    settings=settings,
                    service=_service(settings),
                    now_utc=now_utc,
                    round_state=round_,
                    stored=newest_first,
                    together=together,
                    gathered=gathered,
                )
                came = _asked(question)
            except WeatherError as error:
                is_passing |= error.passing
                gathered.note(without_secret(str(error), settings))
                continue
            if not came.doubts:
                return came
            gathered.note(f"{settings.name}: its days gone by are not those of its answer of before.")
            doubtful = doubtful or came
    kept = doubtful or _newest_usable(site, now_utc, newest_first, gathered)
    if kept is not None:
        is_last_resort = kept is not doubtful and is_passing and bool(order)
        return replace(kept, faults=gathered.faults, is_last_resort=is_last_resort)
    faults = "\n".join(gathered.faults) or "No weather service is set."
    raise NoForecastError(
        f"{site.id}: no weather service gave a usable forecast.\n{faults}",
        passing=is_passing,
        rejected=tuple(gathered.rejected),
        places=tuple(gathered.places),
    )


def _asked(question: Question) -> Downloaded:
    """Return what one service answers, with what it says otherwise than before. Raises WeatherError."""
    answer, found = grid_answers.read(question) if question.service.request is None else answered(question)
    is_stored = any(answer is kept for kept in question.stored)
    came = _downloaded(answer, found, question.gathered, is_stored=is_stored)
    return replace(came, doubts=_doubts(came, question.site, question.stored))


def _doubts(came: Downloaded, site: Site, newest_first: Sequence[Answer]) -> tuple[Note, ...]:
    """Return what an answer says otherwise of the same hours than the newest stored one of its service."""
    assert came.usable is not None
    now_utc = came.answer.fetched_utc
    for before in newest_first:
        age = now_utc - before.fetched_utc
        is_comparable = two_forecasts.COMPARED_AFTER <= age <= two_forecasts.COMPARED_UNTIL
        if before.service != came.answer.service or not is_comparable or came.is_stored:
            continue
        try:
            kept = usable(before, site, before.fetched_utc)
        except WeatherError:
            continue
        tables = (came.usable.checked[0], kept.checked[0])
        return two_forecasts.unlike_before(*tables, before_utc=before.fetched_utc, now_utc=now_utc)
    return ()


@contextlib.contextmanager
def _own_round() -> Iterator[RoundState]:
    """A round for one question."""
    round_state = RoundState()
    try:
        yield round_state
    finally:
        round_state.session.close()


def _newest_usable(
    site: Site, now_utc: datetime, newest_first: Sequence[Answer], gathered: Gathered
) -> Downloaded | None:
    """The newest stored answer that passes the checks, None where none does."""
    known = services.find()
    for answer in newest_first:
        if answer.service not in known:
            continue
        try:
            found = usable(answer, site, now_utc)
        except WeatherError as error:
            gathered.note(f"stored answer of {answer.fetched_utc:%Y-%m-%d %H:%M} UTC: {error}")
            continue
        return _downloaded(answer, found, gathered, is_stored=True)
    return None


def _downloaded(answer: Answer, found: Usable, gathered: Gathered, *, is_stored: bool) -> Downloaded:
    return Downloaded(
        answer=answer,
        parsed=found.parsed,
        usable=found,
        is_stored=is_stored,
        rejected=tuple(gathered.rejected),
        faults=gathered.faults,
        places=tuple(gathered.places),
    )


def from_stored(site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
    """Return what the newest stored answer says: a Fetch that asks nobody. Raises NoForecastError."""
    return forecast(site, (), now_utc=now_utc, stored=stored)


def stored_for_check(stored: Sequence[Answer], *, used: str, now_utc: datetime) -> tuple[Answer, ...]:
    """Return the stored answers that may stand for a second service's: of others than the one used, and fresh."""
    return tuple(
        answer
        for answer in stored
        if answer.service.partition("/")[0] != used
        and ("/" in answer.service or now_utc - answer.fetched_utc <= SECOND_KEPT)
    )


def second_from_stored(site: Site, now_utc: datetime, stored: Sequence[Answer], used: str) -> Downloaded:
    """Return what a stored answer of a second service says: a Second that asks nobody. Raises NoForecastError."""
    return forecast(site, (), now_utc=now_utc, stored=stored_for_check(stored, used=used, now_utc=now_utc))


def earlier_forecasts(stored: Sequence[Answer], site: Site) -> tuple[ReceivedForecast, ...]:
    """Return the stored answers of a site that can still be read, as series.check wants them."""
    found, known = [], services.find()
    for answer in stored:
        if answer.service in known:
            try:
                kept = usable(answer, site, answer.fetched_utc)
            except WeatherError:
                continue
            parsed, (table, _) = kept.parsed, kept.checked
            whole = table.reset_index(names="hour_utc").drop(columns="rain_mm")
            found.append(ReceivedForecast(fetched_utc=answer.fetched_utc, parsed=replace(parsed, table=whole)))
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

"""One site's question to one service: stored answers first, then a try, further tries, lists, and two questions.

The newest stored answer to the very same question is taken again until its Expires (6 h at most), and asked after
with its own Last-Modified after that; a 304 is stored as a copy with the moment at which the service confirmed it.
401, 403, 429 and an answer far too long close a service for the other sites of the round for half an hour, outages
for a minute or two. A list that fails is asked for site by site. First answers of services that need two questions are
stored under `<service>/place`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import requests

from gonogo.download import web
from gonogo.download.usable import REVALIDATED_HEADER, Usable, usable
from gonogo.download.web import (
    CLOSED_S,
    MAX_WAIT_S,
    NOT_MODIFIED,
    REOPENED_S,
    TOO_MANY,
    OversizeError,
    RoundState,
    StalledError,
    refusal,
    without_secret,
)
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.records.site import Site
from gonogo.weather.services import Request, WeatherService, first_of

BACK_OFF_S = (2.0, 5.0, 15.0, 30.0)  # before the first, second ... further try
REUSED_UNTIL = timedelta(hours=6)  # an answer is taken again while the service says it is its newest, but no longer
LAID_READY = timedelta(minutes=30)  # an answer that came with another site's is requested again after that

# What each status means. Everything else from 400 is the request's own fault: never tried again.
GOOD = frozenset({200, 203})
ENDING = 203  # a version of the interface that will go
NOT_FOUND = 404
TRY_AGAIN = frozenset({TOO_MANY, 500, 502, 503, 504})
CLOSING = frozenset({401, 403, TOO_MANY})  # the service means us, not this site
LIST_FAULTS = frozenset({400, 413, 414})  # one site of a list may spoil it for all


@dataclass(slots=True)
class Gathered:
    """What comes on the way to a forecast, service after service; filled while they are asked.

    rejected   answers that came and could not be used
    places     first answers of services that need two questions
    """

    rejected: list[Answer] = field(default_factory=list)
    places: list[Answer] = field(default_factory=list)
    _faults: Counter[str] = field(default_factory=Counter)

    def note(self, fault: str) -> None:
        """Keep a sentence on a fault; it holds no secrets."""
        self._faults[fault] += 1

    @property
    def faults(self) -> tuple[str, ...]:
        """Each fault once, in the order in which they were met: tries that failed alike are counted."""
        return tuple(text if n == 1 else f"{text} ({n} tries)" for text, n in self._faults.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One site's question to one service. gathered: takes what comes on the way."""

    site: Site
    settings: ServiceSettings
    service: WeatherService
    now_utc: datetime
    round_state: RoundState
    stored: Sequence[Answer]
    together: Sequence[Site]
    gathered: Gathered

    @property
    def asked_at(self) -> str:
        """The service at this address: what is remembered of it holds for no other host."""
        return f"{self.service.name} {self.settings.base_url or ''}".rstrip()

    def request(self, *sites: Site) -> Request:
        settings = self.settings
        assert self.service.request is not None  # what is read from a folder never comes here
        return self.service.request(sites, self.now_utc, settings.base_url, settings.key, settings.contact)

    def usable(self, answer: Answer) -> Usable:
        """Return the table of an answer that passes the checks. Raises WeatherError."""
        return usable(answer, self.site, self.now_utc)

    def clock_utc(self) -> datetime:
        return self.round_state.clock_utc() if self.round_state.clock_utc else self.now_utc

    def ask(self, request: Request, conditions: Mapping[str, str], n_sites: int = 1) -> Answer:
        most_bytes = web.MAX_BODY_BYTES if n_sites == 1 else 2 * web.MAX_BODY_BYTES
        return web.ask(
            self.service,
            self.settings,
            request,
            now_utc=self.now_utc,
            round_state=self.round_state,
            conditions=conditions,
            max_bytes=most_bytes,
        )


def answered(question: Question) -> tuple[Answer, Usable]:
    """Return one service's answer and table, after further tries where a fault may pass. Raises WeatherError."""
    with question.round_state.turn(question.asked_at):
        return _answered(question)


def _answered(question: Question) -> tuple[Answer, Usable]:
    service, settings, round_state = question.service, question.settings, question.round_state
    waiting = round_state.ready.pop((question.asked_at, question.site.id), None)
    round_state.served[question.asked_at, question.site.id] = round_state.clock()
    if waiting is not None and question.now_utc - waiting.fetched_utc < LAID_READY:
        try:
            return waiting, question.usable(waiting)
        except WeatherError:
            question.gathered.rejected.append(waiting)
            raise
    round_state.require_open(question.asked_at)
    web.require_safe(service, settings, question.request(question.site).url)
    for attempt in range(settings.retries + 1):
        try:
            return _tried(question)
        except RefusedError as error:
            wait_s = error.wait_s if error.wait_s is not None else BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)]
            is_last = not error.passing or attempt == settings.retries or wait_s > MAX_WAIT_S
            if is_last and error.means_us:
                round_state.close(question.asked_at, without_secret(str(error), settings), error.closed_s)
            if is_last:
                raise
            question.gathered.note(without_secret(str(error), settings))
            round_state.sleep(wait_s)
    raise AssertionError("the last try returns or raises")


class RefusedError(WeatherError):
    """A try that failed.

    means_us   the service would fail for every site now; closed_s: for how long it is left alone then
    wait_s     before the next try, None for the usual pause
    """

    def __init__(
        self, text: str, *, passing: bool, means_us: bool, wait_s: float | None = None, closed_s: float = REOPENED_S
    ) -> None:
        self.means_us, self.wait_s, self.closed_s = means_us, wait_s, closed_s
        super().__init__(text, passing=passing)


def _tried(question: Question) -> tuple[Answer, Usable]:
    """Return the answer and the table of one try."""
    service, now_utc = question.service, question.now_utc
    sites = _sites(question)
    try:
        request = question.request(*sites) if service.follow is None else _second_request(question)
        kept, parsed = _kept(question, request)
        until_utc = web.expires_utc(kept) if kept else None
        real_utc = question.clock_utc()
        if kept and parsed and until_utc and real_utc < until_utc and now_utc - kept.fetched_utc < REUSED_UNTIL:
            return kept, parsed
        answer = question.ask(request, web.conditions_of(kept) if kept and parsed else {}, len(sites))
    except RefusedError:
        raise
    except WeatherError as error:  # nothing whole came over the network, or the place could not be read
        stalls = isinstance(error, StalledError)  # whoever asks it again waits as long again
        is_oversize = isinstance(error, OversizeError)  # whoever asks it again loads as much again
        raise RefusedError(
            str(error),
            passing=error.passing,
            means_us=stalls or is_oversize or (error.passing and service.follow is None),
            wait_s=math.inf if stalls else None,
            closed_s=CLOSED_S if is_oversize else REOPENED_S,
        ) from error
    if answer.status == NOT_MODIFIED and kept and parsed:
        headers = {**kept.headers, **answer.headers, REVALIDATED_HEADER: kept.fetched_utc.isoformat()}
        return replace(kept, fetched_utc=now_utc, headers=headers), parsed
    if answer.status == NOT_FOUND and service.follow is not None and not question.gathered.places:
        question.gathered.rejected.append(answer)
        answer = question.ask(_second_request(question, anew=True), {})  # the cells may have been renumbered
    if len(sites) > 1 and answer.status in LIST_FAULTS:
        return _alone(question, answer)
    if answer.status not in GOOD:
        question.gathered.rejected.append(answer)
        is_limit = answer.status == TOO_MANY
        raise RefusedError(
            refusal(answer),
            passing=answer.status in TRY_AGAIN,
            means_us=answer.status in CLOSING or (answer.status in TRY_AGAIN and service.follow is None),
            wait_s=(web.limit_wait_s(answer) if service.waits_for_limit else math.inf) if is_limit else None,
            closed_s=CLOSED_S if answer.status in CLOSING else REOPENED_S,
        )
    if answer.status == ENDING:
        question.gathered.note(f"{service.name}: status = 203: this version of the service ends soon.")
    if len(sites) > 1:
        try:
            answer = _shared_out(question, answer, sites)
        except WeatherError:
            return _alone(question, answer)
    try:
        return answer, question.usable(answer)
    except WeatherError as error:
        question.gathered.rejected.append(answer)
        raise RefusedError(str(error), passing=error.passing, means_us=False) from error


def _sites(question: Question) -> tuple[Site, ...]:
    """Return the sites to ask for in one question, this one first; none whose answer lies ready or was given out."""
    service, site, round_state = question.service, question.site, question.round_state
    if service.split is None or service.max_sites < 2 or question.asked_at in round_state.alone:
        return (site,)
    at = next((n for n, other in enumerate(question.together) if other.id == site.id), None)
    following = () if at is None else question.together[at + 1 : at + service.max_sites]
    long_ago_s = round_state.clock() - CLOSED_S
    return (
        site,
        *(
            other
            for other in following
            if (question.asked_at, other.id) not in round_state.ready
            and round_state.served.get((question.asked_at, other.id), -math.inf) < long_ago_s
        ),
    )


def _shared_out(question: Question, answer: Answer, sites: Sequence[Site]) -> Answer:
    """Return this site's part of a list of answers, and lay the others ready. Each part has the bytes that came."""
    assert question.service.split is not None
    parts = question.service.split(answer.body)
    if len(parts) != len(sites):
        raise WeatherError(f"{answer.service}: {len(parts)} places came for {len(sites)} sites.", passing=True)
    for site, part in zip(sites, parts, strict=True):
        question.round_state.ready[question.asked_at, site.id] = replace(
            answer, body=part, url=_address(question.request(site), question.settings)
        )
    return question.round_state.ready.pop((question.asked_at, sites[0].id))


def _address(request: Request, settings: ServiceSettings) -> str:
    """Return the address that a request would have been sent to."""
    prepared = requests.Request("GET", request.url, params=dict(request.params)).prepare()
    return without_secret(prepared.url or request.url, settings)


def _alone(question: Question, answer: Answer) -> tuple[Answer, Usable]:
    """Ask for the site by itself after a list that failed; the round's other sites are then asked for so, too."""
    question.round_state.alone.add(question.asked_at)
    question.gathered.note(
        f"{refusal(answer)[:200]} Several sites were asked for at once; each is asked for by itself now."
    )
    return _tried(question)


def _kept(question: Question, request: Request) -> tuple[Answer | None, Usable | None]:
    """Return the newest stored answer to the very same question, and its table, None where it is of no use now."""
    for answer in question.stored:
        may_serve = "expires" in answer.headers or bool(web.conditions_of(answer))
        if may_serve and answer.service == question.service.name and web.is_same_question(answer.url, request):
            try:
                return answer, question.usable(answer)
            except WeatherError:
                return answer, None
    return None, None


def _second_request(question: Question, *, anew: bool = False) -> Request:
    """Return the second question of a service that needs two, from its first answer: stored, or asked for now."""
    service, name = question.service, first_of(question.service.name)
    assert service.follow is not None
    first = question.request(question.site)
    for answer in [*question.gathered.places, *question.stored]:
        if not anew and answer.service == name and web.is_same_question(answer.url, first):
            try:
                return service.follow(answer.body, question.settings.base_url)
            except WeatherError:
                break
    answer = question.ask(first, {})
    if answer.status not in GOOD:
        question.gathered.rejected.append(answer)
        raise RefusedError(
            refusal(answer), passing=answer.status in TRY_AGAIN, means_us=answer.status in CLOSING, closed_s=CLOSED_S
        )
    request = service.follow(answer.body, question.settings.base_url)
    question.gathered.places.append(replace(answer, service=name))
    return request

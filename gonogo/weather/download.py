"""The only HTTP of the weather side: services in order, bounded tries, bounded answers, the raw body kept."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

import requests

from gonogo import __version__
from gonogo.errors import WeatherError
from gonogo.records import Answer, ServiceSettings, Site
from gonogo.weather import services
from gonogo.weather.checks import Asked, passed
from gonogo.weather.services import Request, Service
from gonogo.weather.table import ParsedForecast

MAX_BODY_BYTES = 20_000_000  # a forecast with 50 members for one site is about 3 MB; common sense
CHUNK_BYTES = 65_536
BACK_OFF_S = (2.0, 5.0, 15.0, 30.0)  # before the first, second ... further try
MAX_WAIT_S = 75.0  # a minute's limit of requests is worth waiting for, an hour's is not
WHOLE_ANSWER_TIMEOUTS = 4.0  # a body that trickles in may take so many time-outs in all
KEPT_HEADERS = ("content-type", "date", "expires", "last-modified", "etag", "cache-control", "retry-after")
LOOPBACK = ("127.0.0.1", "localhost", "::1")

# What each status means. Everything else from 400 is the request's own fault: never tried again.
TOO_MANY = 429
TRY_AGAIN = frozenset({TOO_MANY, 500, 502, 503, 504})


@dataclass(frozen=True, slots=True, kw_only=True)
class Downloaded:
    """A forecast that passed the checks, with everything that the store and the mail want to know of its way.

    answer      the answer that is used: keep its raw body
    parsed      its table, for series.check
    is_stored   it is an older answer from the store, because no service gave a new one
    rejected    answers that came and could not be used, to be kept too
    faults      a sentence for each fault on the way, without secrets
    """

    answer: Answer
    parsed: ParsedForecast
    is_stored: bool
    rejected: tuple[Answer, ...]
    faults: tuple[str, ...]


def forecast(
    site: Site,
    order: Sequence[ServiceSettings],
    *,
    now_utc: datetime,
    stored: Sequence[Answer] = (),
    session: requests.Session | None = None,
    sleep: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> Downloaded:
    """Return the first usable forecast of the services in their order, else the newest usable stored one.

    order     services as the config orders them
    now_utc   stamped on the answer as the time at which it came
    stored    latest answers of the site from the store; their age decides later how far they are trusted
    session   for tests and for many sites over one connection
    sleep, clock   waiting, and seconds that only rise

    Raises WeatherError with every fault when no service and no stored answer can be used; passing where a later try
    may well work.
    """
    faults: list[str] = []
    rejected: list[Answer] = []
    is_passing = not order
    own_session = session is None
    web = session or requests.Session()
    try:
        for settings in order:
            try:
                answer, parsed = _asked(
                    site, settings, now_utc=now_utc, web=web, sleep=sleep, clock=clock, rejected=rejected, faults=faults
                )
            except WeatherError as error:
                is_passing |= error.passing
                faults.append(_without_secret(str(error), settings))
                continue
            return Downloaded(
                answer=answer, parsed=parsed, is_stored=False, rejected=tuple(rejected), faults=tuple(faults)
            )
    finally:
        if own_session:
            web.close()
    for answer in sorted(stored, key=lambda kept: kept.fetched_utc, reverse=True):
        try:
            parsed = _usable(answer, site, now_utc)
        except WeatherError as error:
            faults.append(f"stored answer of {answer.fetched_utc:%Y-%m-%d %H:%M} UTC: {error}")
            continue
        return Downloaded(answer=answer, parsed=parsed, is_stored=True, rejected=tuple(rejected), faults=tuple(faults))
    told = "\n".join(faults) or "No weather service is set."
    raise WeatherError(f"{site.id}: no weather service gave a usable forecast.\n{told}", passing=is_passing)


def _usable(answer: Answer, site: Site, now_utc: datetime) -> ParsedForecast:
    """Return the table of an answer that passes the checks. Raises WeatherError."""
    parsed = services.parse(answer, site)
    passed(Asked(parsed=parsed, site=site, now_utc=now_utc))
    return parsed


def _asked(
    site: Site,
    settings: ServiceSettings,
    *,
    now_utc: datetime,
    web: requests.Session,
    sleep: Callable[[float], None],
    clock: Callable[[], float],
    rejected: list[Answer],
    faults: list[str],
) -> tuple[Answer, ParsedForecast]:
    """Return one service's answer and table, after further tries where a fault may pass. Raises WeatherError."""
    service = _service(settings)
    request = service.request((site,), now_utc, settings.base_url, settings.key, settings.contact)
    _require_safe(service, settings, request.url)
    for attempt in range(settings.retries + 1):
        wait_s = BACK_OFF_S[min(attempt, len(BACK_OFF_S) - 1)]
        try:
            answer = _answer(service, settings, request, now_utc=now_utc, web=web, clock=clock)
            if answer.status != 200:
                rejected.append(answer)
                wait_s = _limit_wait_s(answer) if answer.status == TOO_MANY else wait_s
                raise WeatherError(_refusal(service, answer), passing=answer.status in TRY_AGAIN)
            try:
                return answer, _usable(answer, site, now_utc)
            except WeatherError:
                rejected.append(answer)
                raise
        except WeatherError as error:
            if not error.passing or attempt == settings.retries or wait_s > MAX_WAIT_S:
                raise
            faults.append(_without_secret(str(error), settings))
            sleep(wait_s)
    raise AssertionError("the last try returns or raises")


def _service(settings: ServiceSettings) -> Service:
    """Return the service that the settings name."""
    service = services.find().get(settings.name)
    if service is None:
        known = ", ".join(sorted(services.find()))
        raise WeatherError(
            f"weather.service = {settings.name}: no such service. One of {known} is right. It is passed over.",
            passing=False,
        )
    return service


def _require_safe(service: Service, settings: ServiceSettings, url: str) -> None:
    """Refuse addresses that would leak a key or that are none."""
    address = urlsplit(url)
    is_local = address.hostname in LOOPBACK
    if address.scheme not in ("https", "http") or not address.hostname or address.username or address.query:
        raise WeatherError(
            f"{service.name}: base_url: this is no plain web address. "
            "An address without user, password and question mark is right, e.g. https://api.example.org/v1/forecast. "
            "The service is passed over.",
            passing=False,
        )
    if address.scheme == "http" and settings.key and not is_local:
        raise WeatherError(
            f"{service.name}: base_url: a key over plain http can be read on its way. https is right. "
            "The service is passed over.",
            passing=False,
        )


def _answer(
    service: Service,
    settings: ServiceSettings,
    request: Request,
    *,
    now_utc: datetime,
    web: requests.Session,
    clock: Callable[[], float],
) -> Answer:
    """Return what one GET brought, whatever its status. Raises WeatherError where nothing whole came."""
    headers = {
        "User-Agent": f"gonogo/{__version__} {settings.contact}".strip(),
        "Accept-Encoding": "gzip",
        **request.headers,
    }
    host = urlsplit(request.url).hostname
    started = clock()
    most_s = WHOLE_ANSWER_TIMEOUTS * settings.timeout_s
    body = bytearray()
    try:
        # Redirects are not followed: one could carry a key, or lead from an open service to anything.
        with web.get(
            request.url,
            params=dict(request.params),
            headers=headers,
            timeout=settings.timeout_s,
            stream=True,
            allow_redirects=False,
        ) as response:
            for chunk in response.iter_content(CHUNK_BYTES):
                body += chunk
                if len(body) > MAX_BODY_BYTES:
                    raise WeatherError(
                        f"{service.name}: the answer of {host} is longer than {MAX_BODY_BYTES // 1_000_000} MB. "
                        "It is not used.",
                        passing=False,
                    )
                if clock() - started > most_s:
                    raise WeatherError(
                        f"{service.name}: the answer of {host} was not whole after {most_s:.0f} s.", passing=True
                    )
            address = response.url
            kept = {name: response.headers[name] for name in KEPT_HEADERS if name in response.headers}
            status = response.status_code
    except requests.RequestException as error:
        # The library's own text holds the whole address; only the kind of fault is told.
        kind = type(error).__name__
        passing = not isinstance(error, (requests.exceptions.InvalidURL, requests.exceptions.InvalidSchema))
        told = WeatherError(f"{service.name}: {host} gave no whole answer ({kind}).", passing=passing)
        raise told from (None if settings.key and settings.key in str(error) else error)
    return Answer(
        service=service.name,
        url=_without_secret(address, settings),
        fetched_utc=now_utc,
        status=status,
        headers=kept,
        body=bytes(body),
    )


def _refusal(service: Service, answer: Answer) -> str:
    """Return the sentence for a status other than 200, with the beginning of what the service says."""
    said = answer.body[:300].decode("utf-8", errors="replace").strip().replace("\n", " ")
    return f"{service.name}: status = {answer.status}: the service refuses: {said or 'no text'}"


def _limit_wait_s(answer: Answer) -> float:
    """Return how long to wait after too many requests [s]; more than MAX_WAIT_S where it would be too long."""
    retry_after = answer.headers.get("retry-after", "")
    if retry_after.isdigit():
        return float(retry_after)
    said = answer.body[:500].decode("utf-8", errors="replace").lower()
    if "hourly" in said or "daily" in said:
        return float("inf")
    return 61.0  # a minute's limit, or too many at once: both have passed after a clock minute


def _without_secret(text: str, settings: ServiceSettings) -> str:
    """Return a text in which the key, should it ever stand there, is blacked out."""
    return text.replace(settings.key, "***") if settings.key else text


def licence_notes(order: Sequence[ServiceSettings], *, use: str) -> tuple[tuple[str, bool], ...]:
    """Return (note, is allowed) for every service of an order.

    use   "commercial" or "non-commercial", as the config states it
    """
    notes: list[tuple[str, bool]] = []
    found: Mapping[str, Service] = services.find()
    for settings in order:
        service = found.get(settings.name)
        if service is None:
            notes.append((f"{settings.name}: no such service; one of {', '.join(sorted(found))} is right.", False))
            continue
        is_allowed = use != "commercial" or not service.commercial_needs_key or settings.key is not None
        notes.append((service.licence_note(settings.key), is_allowed))
    return tuple(notes)

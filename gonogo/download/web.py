"""One bounded question to a weather service over HTTP. Whatever comes is an Answer; what is not whole is a fault."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from urllib.parse import parse_qsl, urlencode, urlsplit

import requests
import urllib3

from gonogo import __version__
from gonogo.download.deadline import Deadline, timed_session
from gonogo.errors import WeatherError
from gonogo.records.foreign_text import body_without_secrets, one_line, without_secrets
from gonogo.records.outside import Answer, ServiceSettings
from gonogo.weather.services import Request, WeatherService

MAX_BODY_BYTES = 20_000_000  # a forecast with 50 members for one site is about 3 MB; common sense
CHUNK_BYTES = 65_536
MAX_WAIT_S = 75.0  # a minute's limit of requests is worth waiting for, an hour's is not
WHOLE_ANSWER_TIMEOUTS = 4.0  # a body that trickles in may take so many time-outs in all
CLOSED_S = 1800.0  # how long a service that refuses us is not asked again
REOPENED_S = 90.0  # the same for one that is down or stalls: a fault that may pass
KEPT_HEADERS = ("content-type", "date", "age", "expires", "last-modified", "etag", "cache-control", "retry-after")
OFFSET_HEADER = "gonogo-clock-offset-s"  # ours: the service's clock less the machine's when the answer came
LOOPBACK = ("127.0.0.1", "localhost", "::1")
NOT_MODIFIED, TOO_MANY = 304, 429


class StalledError(WeatherError):
    """A service that goes on answering and does not come to an end."""

    def __init__(self, text: str) -> None:
        super().__init__(text, passing=True)


class OversizeError(WeatherError):
    """A service that sends far more than a forecast is: it would for the next site as well."""

    def __init__(self, text: str) -> None:
        super().__init__(text, passing=False)


class _CutError(Exception):
    """An answer ended because its time was over."""


@dataclass(slots=True, kw_only=True)
class RoundState:
    """What a round over many sites remembers, so that no service is asked more often than it allows.

    session   one connection for all
    closed    service -> (until when it is not asked, why), in seconds of `clock`
    last      service -> when it was asked last
    ready     (service, site id) -> an answer that came with another site's
    served    (service, site id) -> when its answer was last given out or asked for
    alone     services whose lists failed: their sites are asked for one by one
    locks     service -> held while it is asked
    spread_s  seconds by which a round that a clock started stays off the full hour; None where a person asks
    """

    session: requests.Session = field(default_factory=timed_session)
    sleep: Callable[[float], None] = time.sleep
    clock: Callable[[], float] = time.monotonic
    clock_utc: Callable[[], datetime] | None = None
    closed: dict[str, tuple[float, str]] = field(default_factory=dict)
    last: dict[str, float] = field(default_factory=dict)
    ready: dict[tuple[str, str], Answer] = field(default_factory=dict)
    served: dict[tuple[str, str], float] = field(default_factory=dict)
    alone: set[str] = field(default_factory=set)
    spread_s: float | None = None
    locks: dict[str, threading.Lock] = field(default_factory=dict)

    def turn(self, service: str) -> threading.Lock:
        """Return the lock of a service: one question at a time, as services want it."""
        return self.locks.setdefault(service, threading.Lock())

    def close(self, service: str, why: str, for_s: float) -> None:
        """Ask a service no more for a while."""
        self.closed[service] = (self.clock() + for_s, why)

    def require_open(self, service: str) -> None:
        """Raise WeatherError where a service is not to be asked now."""
        until_s, why = self.closed.get(service, (0.0, ""))
        if why and self.clock() < until_s:
            raise WeatherError(f"{service}: not asked again yet: {why}", passing=True)

    def keep_distance(self, service: WeatherService) -> None:
        """Wait until the service may be asked again, and off the full hour where it wants nobody then."""
        at_utc = self.clock_utc() if self.clock_utc else None
        if service.avoids_full_hour and self.spread_s is not None and at_utc is not None and at_utc.minute == 0:
            self.sleep(61.0 - at_utc.second + self.spread_s)
        now = self.clock()
        wait_s = self.last.get(service.name, -1e9) + service.spacing_s - now
        if wait_s > 0.0:
            self.sleep(wait_s)
        self.last[service.name] = max(now, now + wait_s)


def require_safe(service: WeatherService, settings: ServiceSettings, url: str) -> None:
    """Refuse addresses that would leak a key, and texts that are no addresses."""
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


def ask(
    service: WeatherService,
    settings: ServiceSettings,
    request: Request,
    *,
    now_utc: datetime,
    round_state: RoundState,
    conditions: Mapping[str, str],
    max_bytes: int | None = None,
) -> Answer:
    """Return what one GET brought, whatever its status.

    conditions   If-Modified-Since and the like, in the words that the service gave

    Raises WeatherError where nothing whole came.
    """
    own = {"User-Agent": f"gonogo/{__version__} {settings.contact}".strip(), "Accept-Encoding": "gzip"}
    host = urlsplit(request.url).hostname
    if host not in LOOPBACK:
        round_state.keep_distance(service)
    most_bytes = MAX_BODY_BYTES if max_bytes is None else max_bytes
    most_s = WHOLE_ANSWER_TIMEOUTS * settings.timeout_s
    stop = Deadline(most_s)
    try:
        # Redirects are not followed: one could carry a key, or lead from an open service to anything.
        with (
            stop,
            round_state.session.get(
                request.url,
                params=dict(request.params),
                headers={**own, **request.headers, **conditions},
                timeout=settings.timeout_s,
                stream=True,
                allow_redirects=False,
            ) as response,
        ):
            offset_s = _clock_offset_s(response.headers, round_state.clock_utc)
            body = _body(response, f"{service.name}: the answer of {host}", most_bytes)
            if stop.is_over:  # a body without a length ends where the connection was cut
                raise _CutError
            address, status = response.url, response.status_code
            kept = {name: response.headers[name] for name in KEPT_HEADERS if name in response.headers}
    except (requests.RequestException, _CutError) as error:
        if stop.is_over:
            raise StalledError(f"{service.name}: the answer of {host} was not whole after {most_s:.0f} s.") from error
        # The library's own text holds the whole address; only the kind of fault is told.
        what = _what_went_wrong(error, settings.timeout_s)
        passing = not isinstance(error, (requests.exceptions.InvalidURL, requests.exceptions.InvalidSchema))
        fault = WeatherError(f"{service.name}: {host} {what} ({type(error).__name__}).", passing=passing)
        raise fault from (None if settings.key and settings.key in str(error) else error)
    if offset_s is not None:
        kept[OFFSET_HEADER] = f"{offset_s:.0f}"
    return Answer(
        service=service.name,
        url=without_secret(address, settings),
        fetched_utc=now_utc,
        status=status,
        headers={name: without_secret(value, settings) for name, value in kept.items()},
        body=body_without_secrets(body, [settings.key]) if settings.key else body,
    )


def is_unreachable(error: BaseException | None) -> bool:
    """Return whether no connection to the host came about: its name is not known, or nobody answers there."""
    if isinstance(error, requests.ConnectTimeout):
        return True
    cause = error.args[0] if isinstance(error, requests.ConnectionError) and error.args else None
    return isinstance(getattr(cause, "reason", None), urllib3.exceptions.NewConnectionError)


def _what_went_wrong(error: Exception, timeout_s: float) -> str:
    """Say why nothing whole came, of a host."""
    if is_unreachable(error):
        return "could not be reached"
    cause = error.args[0] if error.args else None
    if isinstance(error, requests.ReadTimeout) or isinstance(cause, urllib3.exceptions.ReadTimeoutError):
        return f"was silent for {timeout_s:g} s"
    if isinstance(error, requests.exceptions.ChunkedEncodingError):
        return "ended its answer in the middle"
    return "gave no whole answer"


def _body(response: requests.Response, what: str, most_bytes: int) -> bytes:
    """Return the body of an answer. Raises OversizeError where it grows too long."""
    body = bytearray()
    for chunk in response.iter_content(CHUNK_BYTES):
        body += chunk
        if len(body) > most_bytes:
            raise OversizeError(f"{what} is longer than {most_bytes // 1_000_000} MB. It is not used.")
    return bytes(body)


def _clock_offset_s(headers: Mapping[str, str], clock_utc: Callable[[], datetime] | None) -> float | None:
    """Return the service's clock less the machine's [s], None where either is not told.

    A page kept by a proxy on the way is dated when it was made; its Age says how long ago that was.
    """
    if clock_utc is None or "date" not in headers:
        return None
    try:
        at = parsedate_to_datetime(headers["date"])
        aged = timedelta(seconds=int(headers.get("age", "0")))
    except (ValueError, TypeError, OverflowError):
        return None
    at = at.replace(tzinfo=UTC) if at.tzinfo is None else at
    return (at + aged - clock_utc()).total_seconds()


def expires_utc(answer: Answer) -> datetime | None:
    """Return until when an answer counts as the service's newest, None where it does not say so."""
    try:
        at = parsedate_to_datetime(answer.headers["expires"])
    except (KeyError, ValueError, TypeError):
        return None
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at


def conditions_of(answer: Answer) -> dict[str, str]:
    """Return the headers that ask for an answer only where it has changed, word for word as the service gave them."""
    pairs = (("last-modified", "If-Modified-Since"), ("etag", "If-None-Match"))
    return {theirs: answer.headers[ours] for ours, theirs in pairs if answer.headers.get(ours)}


def is_same_question(url: str, request: Request) -> bool:
    """Return whether a stored address, kept without key, asks for what a request asks: the exact same place."""
    return _plain(url) == _plain(f"{request.url}?{urlencode(request.params)}" if request.params else request.url)


def _plain(url: str) -> tuple[str, str, str, tuple[tuple[str, str], ...]]:
    """Return an address in one form, whatever its encoding."""
    parts = urlsplit(url)
    return parts.scheme, parts.netloc, parts.path, tuple(sorted(parse_qsl(parts.query, keep_blank_values=True)))


def refusal(answer: Answer) -> str:
    """Return the sentence for a status other than 200, with the beginning of what the service says."""
    wrong, right = _of_status(answer.status)
    text = one_line(answer.body)
    said = f"It says: {text}" if text else "It says nothing more."
    return f"{answer.service}: status = {answer.status}: {wrong}; 200 with a forecast would be right. {right} {said}"


def _of_status(status: int) -> tuple[str, str]:
    """Return what a status other than 200 means (RFC 9110, section 15; 429: RFC 6585), and what to look at."""
    if status == NOT_MODIFIED:
        return "nothing has changed since an answer that is not stored here", "It is asked for the whole next time."
    if 300 <= status < 400:
        return "the service sends on to another address, which is not followed", "Check base_url."
    if status in (401, 403):
        return "the service does not let us in", "Check key and contact."
    if status == 404:
        return "nothing stands at this address", "Check base_url, and whether the service covers the site."
    if status == TOO_MANY:
        return "the service was asked more often than it allows", "It is left alone for a while."
    if 400 <= status < 500:
        return "the service does not take the question", "Check base_url."
    if status >= 500:
        return "the service is down or overloaded", "It is asked again later; nothing here is to be mended."
    return "no forecast comes with it", "Check base_url."


def limit_wait_s(answer: Answer) -> float:
    """Return how long to wait after too many requests [s]; more than MAX_WAIT_S where it would be too long."""
    retry_after = answer.headers.get("retry-after", "")
    if retry_after.isdigit():
        return float(retry_after)
    text = answer.body[:500].decode("utf-8", errors="replace").lower()
    if "hourly" in text or "daily" in text:
        return float("inf")
    return 61.0  # a minute's limit, or too many at once: both have passed after a clock minute


def without_secret(text: str, settings: ServiceSettings) -> str:
    """Return a text in which the key, should it ever stand there, is blacked out."""
    return without_secrets(text, [settings.key]) if settings.key else text

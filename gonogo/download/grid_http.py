"""Bytes of files over plain HTTPS: whole small ones, and spans of great ones. One total time, few tries."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import requests

from gonogo import __version__
from gonogo.download.deadline import Deadline, timed_session
from gonogo.download.web import CHUNK_BYTES, is_unreachable
from gonogo.errors import WeatherError
from gonogo.weather.grid.index import MOST_MESSAGE_BYTES

TRIES = 3
PAUSES_S = (2.0, 8.0)  # before the second and the third try
MOST_PAUSE_S = 30.0  # a server that asks for more is given up
ONE_ANSWER_S = 60.0  # a message has about a megabyte
MOST_INDEX_BYTES = 20_000_000
WHOLE, PARTIAL, NOT_THERE = (
    200,
    206,
    (403, 404),
)  # an object store without a right to list says 403 for what is not there
TRY_AGAIN = frozenset({408, 429, 500, 502, 503, 504})


@dataclass(slots=True, kw_only=True)
class Client:
    """Asks within one total time.

    until_s   of `clock`: what is not there by then does not come
    contact   mail address that a server's operator may write to, in the User-Agent
    """

    until_s: float
    contact: str = ""
    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    session: requests.Session = field(default_factory=timed_session)

    def text(self, address: str) -> str | None:
        """Return a small file's text, None where it is not there. Raises WeatherError."""
        found = self._asked(address, {}, MOST_INDEX_BYTES, WHOLE)
        return None if found is None else found.decode("utf-8", errors="replace")

    def span(self, address: str, offset: int, n_bytes: int | None) -> bytes:
        """Return bytes of a file, from `offset` on; n_bytes None: to its end. Raises WeatherError."""
        last = "" if n_bytes is None else str(offset + n_bytes - 1)
        found = self._asked(address, {"Range": f"bytes={offset}-{last}"}, n_bytes or MOST_MESSAGE_BYTES, PARTIAL)
        if found is None:
            raise WeatherError(f"{address}: it is not there, though its index is.", passing=True)
        if n_bytes is not None and len(found) != n_bytes:
            raise WeatherError(
                f"{address}, byte {offset}: {len(found)} of {n_bytes} bytes came. The message is cut.", passing=True
            )
        return found

    def _asked(self, address: str, headers: dict[str, str], most_bytes: int, right: int) -> bytes | None:
        for attempt in range(TRIES):
            pause_s = PAUSES_S[min(attempt, len(PAUSES_S) - 1)]
            left_s = self.until_s - self.clock()
            if left_s <= 0.0:
                raise _over(address)
            try:
                return self._tried(address, headers, most_bytes, right, min(ONE_ANSWER_S, left_s))
            except _TryAgainError as error:
                pause_s = error.pause_s if error.pause_s is not None else pause_s
                if attempt == TRIES - 1 or pause_s > MOST_PAUSE_S:
                    raise WeatherError(f"{error} Given up after {attempt + 1} tries.", passing=True) from error
                if self.clock() + pause_s >= self.until_s:
                    raise _over(address) from error
                self.sleep(pause_s)
        raise AssertionError("the last try returns or raises")

    def _tried(
        self, address: str, headers: dict[str, str], most_bytes: int, right: int, limit_s: float
    ) -> bytes | None:
        """Return what one question brought, None where the file is not there."""
        own = {"User-Agent": f"gonogo/{__version__} {self.contact}".strip(), "Accept-Encoding": "identity"}
        stop = Deadline(limit_s)
        try:
            with (
                stop,
                self.session.get(
                    address, headers={**own, **headers}, timeout=limit_s, stream=True, allow_redirects=False
                ) as response,
            ):
                if response.status_code in NOT_THERE:
                    return None
                _require_status(response, address, right)
                body = bytearray()
                for chunk in response.iter_content(CHUNK_BYTES):
                    body += chunk
                    if len(body) > most_bytes:
                        raise WeatherError(f"{address}: more than {most_bytes} bytes came.", passing=False)
                if stop.is_over:
                    raise _TryAgainError(f"{address}: it was not whole after {limit_s:.0f} s.")
                return bytes(body)
        except requests.RequestException as error:
            what = f"it was not whole after {limit_s:.0f} s" if stop.is_over else type(error).__name__
            came = "the host could not be reached" if is_unreachable(error) else "no whole answer"
            raise _TryAgainError(f"{address}: {came} ({what}).") from error


class _TryAgainError(Exception):
    """A fault that may pass. pause_s: what the server asks for, None for the usual."""

    def __init__(self, text: str, pause_s: float | None = None) -> None:
        self.pause_s = pause_s
        super().__init__(text)


def _require_status(response: requests.Response, address: str, right: int) -> None:
    """Raise where an answer is not of the kind that was asked for, before its body is read."""
    status = response.status_code
    if status == right:
        return
    if status in TRY_AGAIN:
        after = response.headers.get("retry-after", "")
        asked_s = float(after) if after.isdigit() else None if not after else math.inf
        raise _TryAgainError(f"{address}: status = {status}: the server refuses.", asked_s)
    if status == WHOLE and right == PARTIAL:
        raise WeatherError(
            f"{address}: status = {status}: the server sends the whole file, not the span that was asked for. "
            "A server that knows byte ranges is right. Nothing of it is used.",
            passing=False,
        )
    raise WeatherError(f"{address}: status = {status}: {right} is right. Nothing of it is used.", passing=False)


def _over(address: str) -> WeatherError:
    return WeatherError(
        f"{address}: the time that is allowed is over. What came is kept; the next call goes on from here.",
        passing=True,
    )

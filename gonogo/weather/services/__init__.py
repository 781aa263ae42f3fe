"""One open weather service a file: its request, its column map, its licence line. No I/O.

A new service is a new file here with a `SERVICE`; nothing else has to be touched.

What is said of the services comes from their published contracts and recorded answers, not from the live services.
Not used: station observations of the US service (special reports double count), least and greatest amounts of MET
Norway (given in some areas only).
"""

from __future__ import annotations

import importlib
import json
import pkgutil
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import ROUND_DOWN, Decimal
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from pydantic_core import from_json

from gonogo.errors import WeatherError
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.weather.answer_size import require_modest, require_rows
from gonogo.weather.table import ParsedForecast

Floats = npt.NDArray[np.float64]

LAST_STAMP_S = 4_102_444_800  # 2100-01-01: a later stamp is no number of seconds since 1970
_SPACE = re.compile(r"\s*")
NO_VALUE_TEXTS = frozenset({"NaN", "nan", "null", ""})


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One HTTP GET. Secrets travel in headers, never in the address, so that no log or error text can hold one."""

    url: str
    params: Mapping[str, str]
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherService:
    """An open weather service.

    name           as the config calls it
    title          as a reader knows it
    attribution    (text, link) pairs that its licence asks for, printed in every mail
    licence_note   key or None -> what the licence allows, for `gonogo check`
    commercial_needs_key   without a key only non-commercial use is allowed
    needs_contact  the service wants an address in the User-Agent
    request        (sites, now_utc, base_url or None, key or None, contact) -> Request; None where it is not asked over
                   HTTP, but read from a folder
    parse          (body, site) -> ParsedForecast; raises WeatherError, passing where the body was broken on its way
    max_sites      sites that one request can ask for; `split` then cuts its answer into one body per site, in order
    follow         where one question is not enough: (body of the first answer, base_url or None) -> second Request. The
                   first answer is kept and asked for again only where the second is not found
    avoids_full_hour  it asks that rounds started by a clock do not all come on the full hour
    waits_for_limit   a limit of requests that passes soon is waited for; False: it means that we behaved badly
    begins         asked_utc -> between which moments the first stamp of an answer to our own request lies
    spacing_s      least time between two requests to the service's own host
    sources        of a service that is read from a folder: what can lie there -> the credit that its licence asks for
    """

    name: str
    title: str
    attribution: tuple[tuple[str, str], ...]
    licence_note: Callable[[str | None], str]
    commercial_needs_key: bool
    needs_contact: bool
    request: Callable[[Sequence[Site], datetime, str | None, str | None, str], Request] | None
    parse: Callable[[bytes, Site], ParsedForecast]
    max_sites: int = 1
    split: Callable[[bytes], list[bytes]] | None = None
    follow: Callable[[bytes, str | None], Request] | None = None
    begins: Callable[[datetime], tuple[datetime, datetime]] | None = None
    spacing_s: float = 0.0
    waits_for_limit: bool = True
    avoids_full_hour: bool = False
    sources: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)

    def credit(self, source: str | None) -> tuple[tuple[str, str], ...]:
        """Return what is printed in every mail where a source is read; None: the first, or the only one."""
        return self.sources.get(source or "", self.attribution)


@cache
def find() -> dict[str, WeatherService]:
    """Return every service of this package by name."""
    found: dict[str, WeatherService] = {}
    for module_info in pkgutil.iter_modules(__path__):
        service = importlib.import_module(f"{__name__}.{module_info.name}").SERVICE
        found[service.name] = service
    return found


def title(service: str) -> str:
    """Return a service's name as a reader knows it, the name itself where the service is unknown."""
    known = find().get(service)
    return service if known is None else known.title


def parse(answer: Answer, site: Site) -> ParsedForecast:
    """Return the table of a stored answer. Raises WeatherError where it cannot be read or its service is unknown."""
    service = find().get(answer.service)
    if service is None:
        known = ", ".join(sorted(find()))
        raise WeatherError(
            f"weather service = {answer.service}: no such service. One of {known} is right. The answer is not used.",
            passing=False,
        )
    return service.parse(answer.body, site)


def first_of(service: str) -> str:
    """Return the name under which the first of a service's two answers is kept: no forecast stands in it."""
    return f"{service}/place"


def json_slices(service: str, body: bytes) -> list[bytes]:
    """Return the elements of a JSON list, each with the very bytes that came; of an object the whole body."""
    require_modest(service, body)
    try:
        text = body.decode("utf-8")
        at = _past_space(text, 0)
        if text[at : at + 1] != "[":
            return [body]
        decoder, found = json.JSONDecoder(), []
        while text[at] != "]":
            start = _past_space(text, at + 1)
            _, end = decoder.raw_decode(text, start)
            found.append(text[start:end].encode())
            at = _past_space(text, end)
            if text[at] not in ",]":
                raise ValueError("no comma between two places")
        return found
    except (UnicodeDecodeError, ValueError, IndexError, RecursionError) as error:
        raise WeatherError(
            f"{service}: body: this is no whole JSON list ({len(body)} bytes). The answer is not used.", passing=True
        ) from error


def _past_space(text: str, at: int) -> int:
    """Return where the white space that begins at a place ends."""
    found = _SPACE.match(text, at)
    return found.end() if found else at


def json_body(service: str, body: bytes) -> Any:
    """Return a JSON body. What is no JSON was broken on its way (cut off, or a proxy's HTML page): a passing fault."""
    require_modest(service, body)
    try:
        return from_json(body)  # the standard library's reader takes five times as long
    except ValueError as error:
        start = body[:60].decode("utf-8", errors="replace").strip()
        raise WeatherError(
            f"{service}: body = {start!r} ...: this is no whole JSON ({len(body)} bytes). "
            "A JSON object is right. The answer is not used.",
            passing=True,
        ) from error


def numbers(service: str, key: str, values: object, length: int) -> Floats:
    """Return a JSON array as floats, NaN for null and for the text NaN.

    Raises WeatherError where it is no array of `length` numbers. Numbers that stand as text, true and false are
    refused: a column may have been mixed up.
    """
    if not isinstance(values, list) or len(values) != length:
        stood = f"{len(values)} values" if isinstance(values, list) else repr(values)[:40]
        raise refused(service, key, stood, f"there are {length} times.", f"An array of {length} numbers is right.")
    kinds = set(map(type, values))
    if not kinds <= {int, float, type(None)}:
        wrong = next((v for v in values if not _is_number(v)), None)
        if wrong is not None:
            raise refused(service, key, repr(wrong)[:40], "this is no number.", "Numbers or null are right.")
        values = [None if isinstance(v, str) else v for v in values]
    try:
        return np.array(values, dtype=np.float64)  # null becomes NaN
    except OverflowError as error:
        raise refused(service, key, "an endless number", "this is no number.", "Numbers or null are right.") from error


def _is_number(value: object) -> bool:
    """Return whether a value is a number, null or one of the texts that stand for null."""
    return value is None or type(value) in (int, float) or (isinstance(value, str) and value in NO_VALUE_TEXTS)


def refused(service: str, key: str, value: str, wrong: str, right: str) -> WeatherError:
    """Return the error of an answer whose content cannot be used."""
    return WeatherError(f"{service}: {key} = {value}: {wrong} {right} The answer is not used.", passing=False)


def truncated_deg(value_deg: float) -> str:
    """Return a coordinate cut (not rounded) to the four decimals that some services allow at most."""
    return str(Decimal(repr(float(value_deg))).quantize(Decimal("0.0001"), rounding=ROUND_DOWN))


def stamps(service: str, times: object, unit: object, offset_s: object) -> npt.NDArray[np.datetime64]:
    """Return stamps as datetime64[s] UTC: unixtime is true UTC, iso8601 a local time with one offset for all."""
    if not isinstance(times, list) or not times:
        raise refused(service, "hourly.time", repr(times)[:40], "there are no times.", "An array of times is right.")
    require_rows(service, "hourly.time", len(times))
    if unit == "unixtime":
        if not all(type(stamp) is int and 0 <= stamp < LAST_STAMP_S for stamp in times):
            raise refused(
                service, "hourly.time", "no seconds", "stamps are off.", "Whole seconds since 1970 are right."
            )
        return np.array(times, dtype=np.int64).astype("datetime64[s]")
    if unit != "iso8601":
        raise refused(
            service, "hourly_units.time", repr(unit), "this form is not known.", "unixtime or iso8601 is right."
        )
    if type(offset_s) is not int or not -14 * 3600 <= offset_s <= 14 * 3600:
        raise refused(
            service, "utc_offset_seconds", repr(offset_s)[:40], "local times need it.", "Seconds east of UTC are right."
        )
    try:
        local = [datetime.strptime(stamp, "%Y-%m-%dT%H:%M") for stamp in times]  # noqa: DTZ007 - the offset comes apart
    except (TypeError, ValueError) as error:
        raise refused(
            service, "hourly.time", repr(times[0])[:40], "a time is not readable.", "2026-05-12T05:00 is right."
        ) from error
    if offset_s % 3600:
        # The service labels values of full hours of UTC with this offset: nobody can say which hour is meant.
        raise refused(
            service,
            "utc_offset_seconds",
            str(offset_s),
            f"local labels of a zone {offset_s / 3600:+.4g} h from UTC do not say which full hour of UTC they mean.",
            "Times in GMT as unixtime are right, as our own request asks for them.",
        )
    utc_s = np.array(local, dtype="datetime64[s]").astype(np.int64) - offset_s
    return utc_s.astype("datetime64[s]")

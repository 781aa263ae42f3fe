"""What a single value of a config file may be: numbers in their range, and kinds of text."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, time, timedelta
from typing import Annotated, Any
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BeforeValidator
from pydantic_core import PydanticCustomError

from gonogo.records.ranges import refusal

NO_TIME_OF_DAY = "is no time of day."
FAULT = "gonogo"  # the error type that carries our own wording through pydantic


def fault(wrong: str, right: str) -> PydanticCustomError:
    """Return the error to raise in a validator: what is wrong, what would be right."""
    return PydanticCustomError(FAULT, "{wrong} {right}", {"wrong": wrong, "right": right})


def check_range(key: str, value: float) -> None:
    """Raise if a number lies outside the range of its key; keys without a range pass."""
    if (refused := refusal(key, value)) is not None:
        raise fault(*refused)


def clock_change(at_local: datetime, moments: Sequence[datetime], zone: ZoneInfo) -> tuple[str, str]:
    """Return (wrong, right) for a local time that a change of the clock skips (no moments) or repeats (two)."""
    if not moments:
        later = at_local + timedelta(hours=1)
        return "does not exist: the clock is set forward over it.", f"Write, for example, {later:%Y-%m-%d %H:%M}."
    both = " or ".join(at.astimezone(zone).isoformat(timespec="minutes") for at in moments)
    return "exists twice: the clock is set back over it.", f"Write it with its offset: {both}."


# --- text ----------------------------------------------------------------------------------------------------

LONGEST_NAME = 60  # a subject line shows about that much on a phone
LONGEST_TEXT = 300
_ID = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,23}")
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*")
_HOST = re.compile(r"[A-Za-z0-9:]([A-Za-z0-9.:-]{0,251}[A-Za-z0-9])?")
_VARIABLE = re.compile(r"[A-Z_][A-Z0-9_]{0,127}")
_KEY_IN_URL = re.compile(r"key|token|secret|password", re.IGNORECASE)
_LOCAL_HOSTS = ("localhost", "127.0.0.1", "::1")


def near(word: str, known: Iterable[str], *, likeness: float = 0.6) -> str | None:
    """Return the known word that a mistyped one is nearest to, or None where none is like it (0 to 1) enough."""
    by_fold = {k.casefold().replace(" ", "_"): k for k in known}
    hits = difflib.get_close_matches(word.casefold().replace(" ", "_"), list(by_fold), n=1, cutoff=likeness)
    return by_fold[hits[0]] if hits else None


def choose_from(word: str, known: Sequence[str]) -> str:
    """Return the remedy for an unknown word: the nearest known one, and the list where it is short."""
    suggestion = near(word, known)
    did_you_mean = f'Did you mean "{suggestion}"? ' if suggestion else ""
    if not known:
        return f"{did_you_mean}There are none yet."
    if len(known) > 12 and suggestion:
        return did_you_mean.strip()
    return f"{did_you_mean}Write one of: {', '.join(sorted(known)[:40])}."


def is_local_host(host: str) -> bool:
    """Return whether a host is this machine itself."""
    return host in _LOCAL_HOSTS


def _one_line(longest: int) -> Callable[[str], str]:
    def check(value: str) -> str:
        if not value.isprintable():
            raise fault(
                "holds a line break or a control character, which must never reach a mail's header.",
                "Write it on one line of plain text.",
            )
        if len(value) > longest:
            raise fault(f"is {len(value)} characters long.", f"Write at most {longest}.")
        return value

    return check


def _not_blank(value: str) -> str:
    if not value.strip():
        raise fault("is empty.", "Write what a reader on site would call it.")
    return value


def _matching(pattern: re.Pattern[str], wrong: str, right: str) -> Callable[[str], str]:
    def check(value: str) -> str:
        if not pattern.fullmatch(value):
            raise fault(wrong, right)
        return value

    return check


def _clock_time(value: Any) -> Any:
    """Take "05:30" beside TOML's own 05:30:00 (tomllib wants the seconds)."""
    if isinstance(value, str):
        found = re.fullmatch(r"([01][0-9]|2[0-3]):([0-5][0-9])", value)
        if not found:
            raise fault(NO_TIME_OF_DAY, 'Write hours and minutes, for example "05:30".')
        return time(int(found[1]), int(found[2]))
    return value


def _zone_name(value: str) -> str:
    try:
        ZoneInfo(value)
    except (KeyError, ValueError, OSError) as error:
        suggestion = near(value, available_timezones(), likeness=0.8)
        hint = f'Did you mean "{suggestion}"? ' if suggestion else ""
        raise fault(
            "is no time zone of the IANA database.", f'{hint}Write region and city, for example "America/Chicago".'
        ) from error
    return value


def _service_url(value: str) -> str:
    try:
        parts = urlsplit(value)
        host = parts.hostname or ""
        query = parse_qsl(parts.query, keep_blank_values=True)
    except ValueError as error:
        raise fault("is no web address.", 'Write, for example, "https://weather.example.com/v1/forecast".') from error
    if parts.username or parts.password or any(_KEY_IN_URL.search(name) for name, _ in query):
        raise fault(
            "carries a key in clear.",
            'Take it out and name where it is kept: key_env = "GONOGO_WEATHER_KEY" or key_file = "...".',
        )
    if parts.scheme not in ("http", "https") or not host or query or parts.fragment or not value.isascii():
        raise fault(
            "is no web address of a weather service.",
            'Write https, host and path only, for example "https://weather.example.com/v1/forecast".',
        )
    if parts.scheme == "http" and not is_local_host(host):
        raise fault("goes over the network unencrypted.", f'Write "https://{value.removeprefix("http://")}".')
    return value


def _folder_name(value: str) -> str:
    if "\0" in value or not value.strip():
        raise fault("is no path.", 'Write one, for example "mails".')
    return value


Name = Annotated[str, AfterValidator(_one_line(LONGEST_NAME)), AfterValidator(_not_blank)]
Text = Annotated[str, AfterValidator(_one_line(LONGEST_TEXT))]
PathText = Annotated[str, AfterValidator(_one_line(1000)), AfterValidator(_folder_name)]
Id = Annotated[
    str,
    AfterValidator(
        _matching(
            _ID,
            "is no short name.",
            "Begin with a letter, then letters, digits, - or _, at most 24, for example N3.",
        )
    ),
]
Address = Annotated[
    str,
    AfterValidator(_one_line(254)),
    AfterValidator(
        _matching(_ADDRESS, "is no mail address.", 'Write the bare address, for example "person@example.com".')
    ),
]
Host = Annotated[
    str,
    AfterValidator(
        _matching(_HOST, "is no host name.", 'Write it without "smtp://" or a path, for example "mail.example.com".')
    ),
]
Variable = Annotated[
    str,
    AfterValidator(
        _matching(
            _VARIABLE,
            "is no name of an environment variable.",
            "Write the variable's name, never the secret itself: capitals, digits and _, "
            'for example "GONOGO_MAIL_PASSWORD".',
        )
    ),
]
ClockTime = Annotated[time, BeforeValidator(_clock_time)]
ZoneName = Annotated[str, AfterValidator(_zone_name)]
ServiceUrl = Annotated[str, AfterValidator(_one_line(1000)), AfterValidator(_service_url)]

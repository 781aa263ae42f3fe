"""How much an answer may hold: twenty megabytes of JSON can become a gigabyte of objects once they are read.

A sound answer holds at most some 45,000 values for a site (50 members, 27 days) and a million for a list of a hundred
sites. The bounds are our own choice, far above that; with them no answer takes more than about 150 MB while it is read.
"""

from __future__ import annotations

from gonogo.errors import WeatherError

MOST_VALUES = 2_000_000
MOST_OBJECTS = 100_000  # lists and objects
MOST_KEYS = 400_000  # the US service's stamps count too: a colon is what is counted
MOST_ROWS = 10_000  # of a table: the longest that a service can give has 108 days


def require_modest(service: str, body: bytes) -> None:
    """Refuse a JSON body that holds more than any forecast, before it is read. Raises WeatherError."""
    for what, marks, most in (
        ("values", (b",",), MOST_VALUES),
        ("lists and objects", (b"[", b"{"), MOST_OBJECTS),
        ("keys", (b":",), MOST_KEYS),
    ):
        n = sum(body.count(mark) for mark in marks)
        if n > most:
            raise _too_much(service, "body", f"{n:,} {what}", most)


def require_rows(service: str, key: str, n_rows: int) -> None:
    """Refuse a table that is longer than any forecast. Raises WeatherError."""
    if n_rows > MOST_ROWS:
        raise _too_much(service, key, f"{n_rows:,} hours", MOST_ROWS)


def _too_much(service: str, key: str, found: str, most: int) -> WeatherError:
    return WeatherError(
        f"{service}: {key} = {found}: it holds more than any forecast. At most {most:,} are right. "
        "The answer is not used.",
        passing=False,
    )

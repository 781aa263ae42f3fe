"""What a single value of a config file may be: ranges with their unit, mistakes of unit, and kinds of text.

A unit is never guessed from the size of a number. A number outside its range is refused; where its size is that of a
common slip (t/m3 for kg/m3, millimetres for metres), the fault says so and what to write.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import time
from typing import Annotated, Any
from urllib.parse import parse_qsl, urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BeforeValidator
from pydantic_core import PydanticCustomError

FAULT = "gonogo"  # the error type that carries our own wording through pydantic


def fault(wrong: str, right: str) -> PydanticCustomError:
    """Return the error to raise in a validator: what is wrong, what would be right."""
    return PydanticCustomError(FAULT, "{wrong} {right}", {"wrong": wrong, "right": right})


# --- numbers -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Slip:
    """A mistake of unit that shows by its size: low <= value <= high."""

    low: float
    high: float
    advice: str


@dataclass(frozen=True, slots=True)
class Range:
    """Least and greatest value of a key, its unit, an example, and slips that are worth a sentence."""

    low: float
    high: float
    unit: str
    example: str
    slips: tuple[Slip, ...] = ()


_T_M3 = Slip(0.3, 4.0, "That looks like t/m3: write kg/m3")
_LB_FT3 = Slip(50.0, 180.0, "That looks like lb/ft3: write kg/m3 (1 lb/ft3 is 16.018 kg/m3)")
_KN_M3 = Slip(8.0, 30.0, "That looks like a unit weight in kN/m3: write the density in kg/m3 (1 kN/m3 is 102 kg/m3)")
_RATIO = Slip(0.0, 1.0, "That looks like a ratio: write percent")
_RATIO_DRY = Slip(0.0, 1.0, "That looks like a ratio: write percent of dry mass")
_MM = Slip(20.0, 5000.0, "That looks like millimetres: write metres")
_TANK_M3 = Slip(1.0, 60.0, "That looks like cubic metres: write litres")

# Ranges are what plant and fill can be (common practice), wide enough for the unusual and tight enough for slips.
RANGES: dict[str, Range] = {
    # site
    "latitude_deg": Range(-90, 90, "degrees, north positive", "42.137"),
    "longitude_deg": Range(-180, 180, "degrees, east positive, west negative", "-94.368"),
    "elevation_m": Range(-430, 6000, "m above sea level", "325"),
    "mixing_depth_m": Range(0.05, 0.6, "m", "0.30", (_MM,)),
    # material
    "omc_pct": Range(2, 60, "% of dry mass", "16.5", (_RATIO_DRY,)),
    "mdd_kg_m3": Range(900, 2600, "kg/m3", "1780", (_T_M3, _LB_FT3, _KN_M3)),
    "curve_w_pct": Range(1, 70, "% of dry mass", "[12.0, 14.1, 16.0, 18.2, 20.1]", (_RATIO_DRY,)),
    "curve_dry_density_kg_m3": Range(900, 2600, "kg/m3", "[1680, 1745, 1772, 1741, 1683]", (_T_M3, _LB_FT3, _KN_M3)),
    "specific_gravity": Range(2.2, 3.4, "-", "2.70", (Slip(2200, 3400, "That looks like kg/m3: divide by 1000"),)),
    "required_compaction_pct": Range(80, 105, "% of maximum dry density", "95", (_RATIO,)),
    "theta_fc": Range(0.03, 0.6, "m3/m3", "0.33", (Slip(1, 60, "That looks like percent: write it as a fraction"),)),
    "theta_wp": Range(0.005, 0.4, "m3/m3", "0.20", (Slip(1, 40, "That looks like percent: write it as a fraction"),)),
    "retained_pct": Range(0, 40, "% of dry mass", "12"),
    "borrow_w_pct": Range(0.5, 100, "% of dry mass", "14.0", (_RATIO_DRY,)),
    "oversize_w_pct": Range(0, 15, "% of dry mass", "1.5"),
    "oversize_specific_gravity": Range(2.0, 3.4, "-", "2.65"),
    # plant
    "rolled_width_m": Range(0.5, 6, "m", "2.10", (Slip(500, 6000, "That looks like millimetres: write metres"),)),
    "overlap_m": Range(0, 1, "m", "0.15", (Slip(10, 1000, "That looks like millimetres: write metres"),)),
    "speed_km_h": Range(0.5, 15, "km/h", "4.0"),
    "passes": Range(1, 40, "full coverages", "6"),
    "efficiency": Range(0.3, 1, "working minutes of an hour / 60", "0.75", (Slip(30, 100, "Write a fraction"),)),
    "count": Range(1, 20, "machines", "1"),
    "tank_litres": Range(500, 80_000, "litres", "10000", (_TANK_M3,)),
    "bar_width_m": Range(0.5, 12, "m", "3.0"),
    "flow_litres_min": Range(20, 10_000, "litres a minute", "600"),
    "fill_time_min": Range(0, 240, "minutes", "15"),
    "travel_time_min": Range(0, 240, "minutes", "10"),
    "speed_min_km_h": Range(0.5, 30, "km/h", "2.0"),
    "speed_max_km_h": Range(0.5, 30, "km/h", "8.0"),
    # strip
    "length_m": Range(2, 20_000, "m", "120"),
    "width_m": Range(0.5, 500, "m", "12"),
    "lift_thickness_m": Range(0.05, 0.6, "m, as spread", "0.25", (_MM, Slip(1, 19.9, "Write metres"))),
    "dry_density_kg_m3": Range(700, 2500, "kg/m3, dry, as it lies", "1450", (_T_M3, _LB_FT3, _KN_M3)),
    "priority": Range(1, 5, "1 = first to 5 = last", "3"),
    "lifts": Range(1, 200, "lifts in all", "3"),
    "following_lift_thickness_m": Range(0.05, 0.6, "m, as spread", "0.25", (_MM, Slip(1, 19.9, "Write metres"))),
    "distance_to_structure_m": Range(0, 10_000, "m", "8"),
    "w_pct": Range(0.5, 100, "% of dry mass", "14.2", (_RATIO_DRY,)),
    # service
    "port": Range(1, 65_535, "-", "587"),
    "timeout_s": Range(1, 120, "s", "20"),
    "retries": Range(0, 5, "-", "2"),
}


def check_range(key: str, value: float) -> None:
    """Raise if a number lies outside the range of its key; keys without a range pass."""
    row = RANGES.get(key)
    if row is None or row.low <= value <= row.high:
        return
    slip = next((s for s in row.slips if s.low <= value <= s.high), None)
    advice = f"{slip.advice}, for example" if slip else "Write, for example,"
    raise fault(f"lies outside {row.low:g} to {row.high:g} ({row.unit}).", f"{advice} {key} = {row.example}.")


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
            raise fault("is no time of day.", 'Write hours and minutes, for example "05:30".')
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

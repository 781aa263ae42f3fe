"""A value that TOML cannot read: what is wrong with it in our words, and what was likely meant."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable

from gonogo.config.examples import example

# What is wrong, what would be right ("" for an example), what to read in its place.
Mending = tuple[str, str, str | None]

_QUOTES = dict.fromkeys(map(ord, "“”„‟«»＂"), '"') | dict.fromkeys(map(ord, "‘’‚‛"), "'")
_LOOKALIKES = {0xA0: " ", 0x2007: " ", 0x202F: " ", 0x2009: " ", 0x3000: " ", 0xFEFF: "", 0x200B: ""} | dict.fromkeys(
    map(ord, "−–—‐‑"), "-"
)
_DATE = re.compile(
    r"""["']?(?:(?P<y>\d{4})(?P<s>[/.])(?P<ym>\d{1,2})(?P=s)(?P<yd>\d{1,2})|"""
    r"""(?P<a>\d{1,2})(?P<t>[/.-])(?P<b>\d{1,2})(?P=t)(?P<c>\d{4}|\d{2}))"""
    r"""(?P<time>[ T]+\d{1,2}:\d{2}(?::\d{2})?)?["']?"""
)
_CLOCK = re.compile(r"""["']?(\d{1,2})[:.hH](\d{2})(?::\d{2})?\s*([aApP])?\.?(?:[mM]\.?)?["']?""")
_MOMENT = re.compile(r"""["']?(\d{4}-\d\d-\d\d)[ T](\d{1,2}):(\d\d)(:\d\d)?\s*(Z|[+-]\d\d:\d\d)?["']?""")
_COMMA = re.compile(r"""["']?([+-]?\d+),(\d+)["']?""")
# A list of numbers with decimal commas, which TOML reads as twice as many: [14,1, 16,0].
_COMMA_LIST = re.compile(
    r"\s*(?P<key>[a-z0-9_]+)\s*=\s*\[\s*(?P<all>[+-]?\d+,\d+(?:\s*[,;]?\s+[+-]?\d+,\d+)+)\s*,?\s*\]"
)
_GAPS = re.compile(r"[;,]?\s+|[;,]")
_WITH_UNIT = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*([^\d\s.,:;/\]\[\"'-][^\[\]\"']{0,20})")


def in_other_form(key: str, value: str) -> tuple[str, str] | None:
    """Return (wrong, right) of a date, time or decimal number in another country's form, with or without quotes.

    None where it is none of these. `value` as it stands in the file, or the text between the quotes.
    """
    for reader in (_date, _moment, _clock, _decimal):
        mending = reader(key, value.strip())
        if mending is not None:
            return mending[0], mending[1]
    return None


def example_of(key: str) -> str:
    """Return how a value is written: of the key itself where it is known."""
    shown = example(key)
    if shown.endswith("..."):
        return "Write a number, true or false, a date, or text in quotes."
    return f"Write, for example, {shown}."


def decimal_commas(line: str) -> tuple[str, str, str] | None:
    """Return (key, what is wrong, what would be right) of a line whose list has decimal commas, else None.

    Whole numbers that rise from first to last are whole numbers, however close their commas stand.
    """
    found = _COMMA_LIST.match(line)
    if found is None or found["key"] == "adverse_days":
        return None
    numbers = re.findall(r"([+-]?\d+),(\d+)", found["all"])
    as_read = [int(part) for pair in numbers for part in pair]
    if as_read == sorted(set(as_read)):
        return None
    meant = ", ".join(f"{whole}.{rest}" for whole, rest in numbers)
    return found["key"], "looks like numbers with a decimal comma.", f"Write {found['key']} = [{meant}]."


def mended_value(key: str, text: str) -> Mending:
    """Return what is wrong with a value that cannot be read, what would be right, and what to read in its place.

    text   what stands right of =, comment and all
    """
    value = _without_comment(text).strip()
    readers: tuple[Callable[[str, str], Mending | None], ...] = (
        _nothing, _lookalikes, _date, _moment, _clock, _decimal, _thousands, _written_number, _truth, _list, _quotes,
        _with_unit, _behind, _bare_text,
    )  # fmt: skip
    for reader in readers:
        mending = reader(key, value)
        if mending is not None:
            return mending
    return "is no value that can be read.", "", None


def _reads(value: str) -> bool:
    try:
        tomllib.loads(f"x = {value}")
    except (ValueError, RecursionError):
        return False
    return True


def _without_comment(text: str) -> str:
    """Return a value without the comment behind it; a # in quotes does not begin one."""
    found = re.match(r"""(?:"(?:\\.|[^"\\\n])*"|'[^'\n]*'|[^#"'])*""", text)
    end = found.end() if found else 0
    return text[:end] if text[end : end + 1] == "#" else text.partition(" #")[0] if "\n" not in text else text


def _nothing(key: str, value: str) -> Mending | None:
    if value == "":
        return "has no value.", f"{example_of(key)} Or delete the line.", None
    if value.casefold().strip("\"'") in ("none", "null", "nil", "n/a", "na", "-", "--", "?", "..."):
        return "is no value.", f"Delete the line where there is none. {example_of(key)}", None
    return None


def _lookalikes(key: str, value: str) -> Mending | None:
    plain = value.translate(_QUOTES)
    if plain != value and _reads(plain):
        return "stands in typographic quotes, as a word processor puts them.", f"Write {key} = {plain}.", plain
    plain = value.translate(_LOOKALIKES)
    if plain != value:
        odd = next(c for c in value if ord(c) in _LOOKALIKES)
        meant = plain if _reads(plain) else mended_value(key, plain)[2]
        wrong = f"holds a character that only looks like a blank or a minus (U+{ord(odd):04X})."
        return wrong, f"Write {key} = {meant}." if meant else "Type it again with plain characters.", meant
    return None


def _date(key: str, value: str) -> Mending | None:
    found = _DATE.fullmatch(value)
    if found is None:
        return None
    if found["y"]:
        year, pairs = found["y"], [(int(found["ym"]), int(found["yd"]))]
    else:
        year = found["c"] if len(found["c"]) == 4 else f"20{found['c']}"
        first, second = int(found["a"]), int(found["b"])
        pairs = list(dict.fromkeys([(second, first), (first, second)]))  # (month, day): day first, then month first
    clock = ""
    if found["time"]:
        hour, _, rest = found["time"].strip(" T").partition(":")
        clock = f" {int(hour):02d}:{rest if ':' in rest else f'{rest}:00'}"
    meant = [f"{year}-{m:02d}-{d:02d}{clock}" for m, d in pairs if 1 <= m <= 12 and _reads(f"{year}-{m:02d}-{d:02d}")]
    wrong = "is a date in another order: a date begins with the year."
    if not meant:
        return wrong, f"Write, for example, {key} = 2026-05-11.", None
    if len(meant) == 2:
        right = f"Write {key} = {meant[0]} (day first) or {meant[1]} (month first), whichever is meant, without quotes."
        return wrong, right, None
    return wrong, f"Write {key} = {meant[0]}, without quotes.", meant[0] if _reads(meant[0]) else None


def _moment(key: str, value: str) -> Mending | None:
    found = _MOMENT.fullmatch(value)
    if found is None:
        return None
    meant = f"{found[1]} {int(found[2]):02d}:{found[3]}{found[4] or ':00'}{found[5] or ''}"
    if not _reads(meant):
        return "is no moment of the calendar.", f"Write, for example, {key} = 2026-05-11 15:30:00.", None
    wrong = "is a date with a time in another form: it stands without quotes and with its seconds."
    return wrong, f"Write {key} = {meant}.", meant


def _clock(key: str, value: str) -> Mending | None:
    found = _CLOCK.fullmatch(value)
    if found is None or ("." in value and value[:1] not in "\"'" and not found[3]):  # 5.30 is a number
        return None
    hour = int(found[1])
    if found[3]:
        hour = hour % 12 + (12 if found[3] in "pP" else 0)
    if hour > 23 or int(found[2]) > 59:
        return "is no time of day.", f'Write hours and minutes from 00:00 to 23:59, for example {key} = "05:30".', None
    meant = f'"{hour:02d}:{found[2]}"'
    wrong = "is a time of day in another form: hours and minutes stand in quotes, with two digits each."
    return wrong, f"Write {key} = {meant}.", meant


def _decimal(key: str, value: str) -> Mending | None:
    found = _COMMA.fullmatch(value)
    if found is None:
        return None
    whole, rest = found.groups()
    wrong = "has a comma: a decimal point is meant, and nothing parts thousands."
    if len(rest) == 3 and whole.lstrip("+-0"):
        return wrong, f"Write {key} = {whole}.{rest} or {whole}{rest}, whichever is meant.", None
    return wrong, f"Write {key} = {whole}.{rest}, without quotes.", f"{whole}.{rest}"


def _thousands(key: str, value: str) -> Mending | None:
    if not re.fullmatch(r"[+-]?\d{1,3}(?:[ '’.,]\d{3})+", value):
        return None
    meant = re.sub(r"[^\d+-]", "", value)
    return "has marks between its thousands.", f"Write {key} = {meant}.", meant


def _written_number(key: str, value: str) -> Mending | None:
    found = re.fullmatch(r"([+-]?)(\d*)\.(\d*)", value)
    if found and (found[2] or found[3]):
        sign, whole, rest = found.groups()
        meant = f"{sign}{whole.lstrip('0') or '0'}.{rest or '0'}"
        return "is not written so: digits stand on both sides of the point.", f"Write {key} = {meant}.", meant
    if re.fullmatch(r"[+-]?0\d+", value):
        meant = re.sub(r"^([+-]?)0+(?=\d)", r"\1", value)
        return "begins with a zero.", f"Write {key} = {meant}.", meant
    return None


def _truth(key: str, value: str) -> Mending | None:
    words = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false", "off": "false"}
    meant = words.get(value.casefold())
    return None if meant is None else ("is neither true nor false.", f"Write {key} = {meant}, in small letters.", meant)


def _list(key: str, value: str) -> Mending | None:
    """A list: not closed, without commas, or with an entry that has a slip of its own."""
    if not value.startswith("["):
        return None
    if value.count("[") > value.count("]"):
        meant = f"{value.rstrip().rstrip(',')}]"
        return "is a list that is not closed.", f"Write ] behind its last entry{_as(key, meant)}.", _if_read(meant)
    entries = value.strip("[] \n")
    if ";" in entries or re.fullmatch(r"[\d.+-]+(\s+[\d.+-]+)+", entries):
        meant = f"[{', '.join(_GAPS.split(entries))}]"
        return "is a list without commas between its entries.", f"Write {key} = {meant}.", _if_read(meant)
    if len(entries) > 5000 or "[" in entries:
        return None
    parts = [part.strip() for part in re.split(r""",(?=(?:[^"']|"[^"]*"|'[^']*')*$)""", entries) if part.strip()]
    mendings = [(part, None if _reads(part) else mended_value(key, part)) for part in parts]
    first = next(((part, found) for part, found in mendings if found is not None), None)
    if first is None:
        return None
    whole = [part if found is None else found[2] for part, found in mendings]
    meant = f"[{', '.join(w for w in whole if w is not None)}]"
    is_whole = None not in whole and _reads(meant)
    return (
        f"holds {first[0]}, which {first[1][0]}",
        f"Write {key} = {meant}." if is_whole else "",
        meant if is_whole else None,
    )


def _if_read(meant: str) -> str | None:
    return meant if _reads(meant) else None


def _as(key: str, meant: str) -> str:
    return f": {key} = {' '.join(meant.split())}" if _reads(meant) else ""


def _quotes(key: str, value: str) -> Mending | None:
    """Text in quotes that do not close, hold quotes, or hold a backslash."""
    mark = value[:1]
    if mark not in ('"', "'"):
        return None
    body = value[1:-1] if len(value) > 1 and value.endswith(mark) else value[1:]
    if "\\" in body and mark == '"' and value.endswith(mark) and "'" not in body and _reads(f"'{body}'"):
        return (
            "holds a backslash, which means something else in double quotes.",
            f"Write {key} = '{body}'.",
            f"'{body}'",
        )
    other = "'" if mark == '"' else '"'
    if value.endswith(mark) and mark in body and other not in body and _reads(f"{other}{body}{other}"):
        meant = f"{other}{body}{other}"
        return "holds the quotation mark in which it stands.", f"Write {key} = {meant}.", meant
    if not value.endswith(mark) and mark not in body:
        meant = f"{mark}{body.strip().strip(other)}{mark}"
        return "is text whose quotation mark is not closed.", f"Write {key} = {meant}.", _if_read(meant)
    return None


def _with_unit(key: str, value: str) -> Mending | None:
    found = _WITH_UNIT.fullmatch(value)
    if found is None:
        return None
    number = found[1].replace(",", ".")
    wrong = f"has a unit ({found[2].strip()}) beside the number; the unit stands in the name of the key."
    return wrong, f"Write the number alone, in that unit. {example_of(key)}", number if _reads(number) else None


def _behind(key: str, value: str) -> Mending | None:
    """A whole value with something behind it that is no comment."""
    found = re.match(r"""("(?:\\.|[^"\\])*"|'[^']*'|\[[^\[\]]*\]|[^\s,;/]+)\s*(//|;|,|--|\S)""", value)
    if found is None or not _reads(found[1]):
        return None
    if found[2] in ("//", ";", "--"):
        return "has a comment behind it that does not begin with #.", f"Write {key} = {found[1]}  # ...", found[1]
    if found[2] == "," and value.rstrip().endswith(",") and value.count(",") == 1:
        return "has a comma behind it.", f"Write {key} = {found[1]}.", found[1]
    if re.fullmatch(r"\d{4}-\d\d-\d\d.*", value) or re.fullmatch(r"[\d.+-]+", found[1]):
        return "is more than one number.", "", None
    return None


def _bare_text(key: str, value: str) -> Mending | None:
    if re.fullmatch(r"\d{4}-\d{1,2}-\d{1,2}", value):
        return (
            "is no day of the calendar, or not written so.",
            f"Write year-month-day, for example {key} = 2026-05-11.",
            None,
        )
    if not value[:1].isalpha() or "\n" in value:
        return None
    meant = json.dumps(value.rstrip("\"'"), ensure_ascii=False)
    return "is text without quotes.", f"Write {key} = {meant}.", meant if _reads(meant) else None

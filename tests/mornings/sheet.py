"""What a recorded morning says, as numbers and lines to compare: rounded to the digit that is printed.

Knows the fields of the records and imports nothing of the package.
"""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from email import policy
from email.parser import BytesParser
from html.parser import HTMLParser
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

Sheet = dict[str, Any]
AHEAD_H = (0, 24, 72)  # hours from now at which the moisture is recorded


# --- numbers -------------------------------------------------------------------------------------------------


def rounded(value: float | None, digits: int) -> float | None:
    """Return a number to so many digits after the point; None where it is unknown, a word where it is infinite."""
    if value is None or math.isnan(value):
        return None
    return round(float(value), digits) + 0.0 if math.isfinite(value) else math.copysign(9e9, value)


def significant(value: float) -> float | None:
    """Return a number to four significant digits, so that a small change of a constant shows."""
    if math.isnan(value):
        return None
    return float(f"{value:.4g}") if abs(value) >= 1e-6 else 0.0


def moment(at_utc: datetime | None, zone: ZoneInfo) -> str | None:
    """Return a moment on the site's clock, to the nearest minute."""
    if at_utc is None:
        return None
    return f"{(at_utc + timedelta(seconds=30)).astimezone(zone):%m-%d %H:%M}"


# --- records -------------------------------------------------------------------------------------------------


def verdict(decision: Any, zone: ZoneInfo) -> Sheet:
    """Return what one strip was told."""
    facts = decision.facts
    return {
        "verdict": str(decision.verdict),
        "reason": decision.reason,
        "rule": decision.rule_id,
        "from": moment(decision.from_utc, zone),
        "until": moment(decision.until_utc, zone),
        "next": moment(decision.next_utc, zone),
        "litres": None if decision.water is None else rounded(decision.water.litres, 0),
        "loads": None if decision.water is None else decision.water.loads,
        "in_window": rounded(facts.get("chance_in_window"), 2),
        "too_dry": rounded(facts.get("chance_too_dry"), 2),
        "too_wet": rounded(facts.get("chance_too_wet"), 2),
        "w_now_pct": rounded(decision.w_now_pct, 1),
        "advice": " ".join(decision.advice),
        "test": " ".join(decision.test),
    }


def outlook_day(row: Any, zone: ZoneInfo) -> Sheet:
    """Return one strip on one day ahead."""
    return {
        "day": f"{row.day:%m-%d}",
        "chance": rounded(row.chance, 2),
        "watered": rounded(row.chance_watered, 2),
        "hours": rounded(row.workable_h, 1),
        "from": moment(row.from_utc, zone),
        "until": moment(row.until_utc, zone),
        "w_pct": rounded(row.w_mean_pct, 1),
        "rain_mm": rounded(row.rain_mm, 1),
        "rain_chance": rounded(row.rain_chance, 2),
    }


def order(proposed: Any, zone: ZoneInfo) -> Sheet | None:
    """Return the order of work: each piece, what has no place, what moved, and how near to the best it is proven."""
    if proposed is None:
        return None
    return {
        "method": proposed.method,
        "gap_pct": rounded(100.0 * proposed.gap_frac, 2),
        "expected_area_m2": rounded(proposed.expected_area_m2, 0),
        "given_order_area_m2": rounded(proposed.given_order_area_m2, 0),
        "works": [
            {
                "from": moment(work.start_utc, zone),
                "until": moment(work.end_utc, zone),
                "crew": work.crew_id,
                "work": str(work.work),
                "strip": work.strip_id,
                "lift": work.lift,
                "chance": rounded(work.chance, 2),
                "litres": rounded(work.litres, 0),
                "flags": " ".join(work.flags),
            }
            for work in proposed.works
        ],
        "unplanned": [
            {
                "strip": lift.strip_id,
                "lift": lift.lift,
                "reason": lift.reason,
                "chance": rounded(lift.chance, 2),
                "at": moment(lift.at_utc, zone),
            }
            for lift in proposed.unplanned
        ],
        "moves": [
            {
                "strip": move.strip_id,
                "lift": move.lift,
                "before": moment(move.before_utc, zone),
                "after": moment(move.after_utc, zone),
            }
            for move in proposed.moves
        ],
    }


def change(found: Any, zone: ZoneInfo) -> Sheet:
    """Return one thing that differs from the last run, with its causes."""
    causes = [" ".join([why.key, numbers(why.numbers), moment(why.at_utc, zone) or ""]) for why in found.why]
    return {
        "strip": found.strip_id,
        "what": found.what,
        "before": found.before,
        "after": found.after,
        "before_at": moment(found.before_utc, zone),
        "after_at": moment(found.after_utc, zone),
        "numbers": numbers(found.numbers),
        "why": "; ".join(causes),
    }


def numbers(by_name: Mapping[str, float]) -> str:
    """Return named numbers as one line, in the order of their names."""
    return " ".join(f"{name}={rounded(value, 2)}" for name, value in sorted(by_name.items()))


# --- the sharp numbers: more digits than anybody is shown ----------------------------------------------------------


def moisture(inputs: Any, decisions: Sequence[Any], now_utc: datetime) -> Sheet:
    """Return by strip its water content now and later, its spread, its water and its evaporation, to four digits."""
    now = int(np.searchsorted(inputs.hour_utc, np.datetime64(now_utc.replace(tzinfo=None), "h"), "right")) - 1
    found: Sheet = {}
    for s, (strip, decision) in enumerate(zip(inputs.strips, decisions, strict=True)):
        row: Sheet = {}
        for ahead_h in AHEAD_H:
            at = min(now + ahead_h, len(inputs.hour_utc) - 1)
            row[f"w_{ahead_h}h_pct"] = significant(float(np.mean(inputs.w_pct[at, s])))
            row[f"sd_{ahead_h}h_pct"] = significant(float(np.std(inputs.w_pct[at, s])))
            row[f"top_{ahead_h}h_pct"] = significant(float(np.mean(inputs.w_top_pct[at, s])))
            row[f"base_{ahead_h}h_pct"] = significant(float(np.mean(inputs.w_base_pct[at, s])))
        row["rained_since_test_mm"] = significant(float(inputs.rained_since_reading_mm[s]))
        if (water := decision.water) is not None:
            row["litres_m2"] = significant(water.litres_m2)
            row["evaporation_mm"] = significant(water.evaporation_allowance_mm)
            row["rain_credit_mm"] = significant(water.rain_credit_mm)
            row["truck_km_h"] = significant(water.speed_km_h)
        found[strip.id] = row
    return found


def sky(inputs: Any, now_utc: datetime) -> Sheet:
    """Return sums of the weather as the verdicts use it, two weeks back and ten days ahead."""
    hours, weather = inputs.hour_utc, inputs.weather
    is_past = hours < np.datetime64(now_utc.replace(tzinfo=None), "h")
    return {
        f"{name}_{when}": significant(float(np.nansum(values[part])))
        for name, values in (
            ("et0_mm", inputs.et0_mm),
            ("rain_mm", weather.rain_mm),
            ("melt_mm", weather.melt_mm),
            ("frozen_h", weather.is_ground_frozen.astype(float)),
            ("rain_spread_mm", np.std(weather.rain_members_mm, axis=1)),
        )
        for when, part in (("past", is_past), ("ahead", ~is_past))
    }


def learned_soil(learned: Any) -> Sheet:
    """Return what a strip's readings taught, in spreads from the default: near 0 and 1 where they taught nothing."""
    means = {name: rounded(value, 3) for name, value in sorted(learned.score_mean.items())}
    spreads = {f"{name}_sd": rounded(value, 3) for name, value in sorted(learned.score_sd.items())}
    return {"strip": learned.strip_id, "readings": learned.n_readings, **means, **spreads}


# --- texts ---------------------------------------------------------------------------------------------------


def mail(raw: bytes) -> tuple[list[str], list[str]]:
    """Return the plain text of a mail and its calendar, line by line."""
    message = BytesParser(policy=policy.default).parsebytes(raw)
    plain = message.get_body(("plain",))
    calendars = [
        part.get_payload(decode=True).decode().replace("\r\n ", "").splitlines()
        for part in message.walk()
        if part.get_content_type() == "text/calendar"
    ]
    text = "" if plain is None else plain.get_content()
    return [line.rstrip() for line in text.splitlines()], calendars[0] if calendars else []


class _Text(HTMLParser):
    """Collects what a page shows as text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden += tag in ("style", "script")

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.found += [line for part in data.splitlines() if (line := " ".join(part.split()))]


def page_lines(html: str) -> list[str]:
    """Return what a page shows, one line for each piece of text."""
    reader = _Text()
    reader.feed(html)
    return reader.found


# --- files and differences -----------------------------------------------------------------------------------


def dumped(value: Any, indent: str = "") -> str:
    """Return JSON with a row a line: what holds nothing but plain values is not broken up."""
    plain = (str, int, float, bool, type(None))
    inner = indent + " "
    if isinstance(value, dict) and not all(isinstance(v, plain) for v in value.values()):
        rows = [f"{inner}{json.dumps(k, ensure_ascii=False)}: {dumped(v, inner)}" for k, v in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, list) and value:
        return "[\n" + ",\n".join(inner + dumped(v, inner) for v in value) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def differences(old: Any, new: Any, where: str = "") -> Iterator[str]:
    """Yield a line for each value that differs: where, what it was, what it is."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in (*old, *(k for k in new if k not in old)):
            if key not in new or key not in old:
                yield f"{where}.{key}: {'gone' if key in old else 'new'}"
            else:
                yield from differences(old[key], new[key], f"{where}.{key}")
    elif isinstance(old, list) and isinstance(new, list):
        if all(isinstance(v, dict) for v in (*old, *new)) and len(old) == len(new):
            for n, (was, is_) in enumerate(zip(old, new, strict=True)):
                yield from differences(was, is_, f"{where}[{n}]")
        elif old != new:
            lines = difflib.unified_diff([json.dumps(v) for v in old], [json.dumps(v) for v in new], n=0, lineterm="")
            yield f"{where}:"
            yield from (f"    {line}" for line in lines if not line.startswith(("---", "+++")))
    elif old != new:
        yield f"{where}: {old!r} -> {new!r}"

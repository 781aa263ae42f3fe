"""The sentence of a key of decide/keys.py, with the gaps that it may name, each in its typed and rounded form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from gonogo.decide.keys import ADVICE, LIMITS, REASONS, TESTS, WATER_WARNINGS, Key
from gonogo.decide.order_keys import CAUSES, CHANGES, PLAN_FLAGS, UNPLANNED
from gonogo.decide.plan_keys import NO_PLACE, SEAL_CAUSES, SHORT, SPREAD_STOPS
from gonogo.records.day_plan import Badge
from gonogo.records.verdict import Decision, Verdict
from gonogo.wording import phrases
from gonogo.wording.clock import Clock
from gonogo.wording.phrases import Gap, Phrase, phrase

VOCABULARY: dict[str, dict[str, Key]] = {
    "reason": REASONS,
    "advice": ADVICE,
    "test": TESTS,
    "water_warning": WATER_WARNINGS,
    "limit": LIMITS,
    "plan_flag": PLAN_FLAGS,
    "unplanned": UNPLANNED,
    "changed": CHANGES,
    "cause": CAUSES,
    "short": SHORT,
    "no_place": NO_PLACE,
    "seal_cause": SEAL_CAUSES,
    "spread_stop": SPREAD_STOPS,
}
VERDICTS, BADGES = frozenset(v.value for v in Verdict), frozenset(b.value for b in Badge)
NO_VERDICT = frozenset(("not_knowable", "no_forecast", "forecast_too_old"))


def verdict_word(word: str) -> Phrase | None:
    """Return the word of a verdict or of a badge as a strip shows it, None where it is neither."""
    if word in BADGES:
        return phrase(f"badge.{word}")
    return phrase(f"verdict.{word}") if word in VERDICTS else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the gaps of a sentence are filled from: numbers, moments and words of a verdict, by the name of the gap."""

    numbers: Mapping[str, float] = field(default_factory=dict)
    moments: Mapping[str, datetime | None] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)


def sentence(table: str, key: str, facts: Facts, clock: Clock) -> Phrase:
    """Return the sentence of a row of the vocabulary; a gap that nothing fills says so."""
    gaps: dict[str, Gap] = {}
    for name in VOCABULARY[table][key].gaps:
        if name.endswith("_utc"):
            at_utc = facts.moments.get(name)
            gaps[name] = clock.near(at_utc) if at_utc is not None else phrase("form.none")
        elif name in facts.words or name in ("before", "after"):
            word = facts.words.get(name, "")
            gaps[name] = verdict_word(word) or phrase("form.none")
        else:
            gaps[name] = phrases.gap(name, float(facts.numbers.get(name, math.nan)))
    return Phrase(key=f"{table}.{key}", gaps=gaps)


def of_decision(table: str, key: str, decision: Decision, clock: Clock) -> Phrase:
    """Return the sentence of a key of a decision, its gaps found among the decision's own numbers."""
    plan = decision.water
    gaps: dict[str, Gap] = {}
    for name in VOCABULARY[table][key].gaps if key in VOCABULARY[table] else ():
        value: object = decision.facts.get(name)
        if value is None:
            value = getattr(plan, name, getattr(decision, name, _in_rules(decision, name)))
        if name.endswith("_utc"):
            to = "earlier" if name == "until_utc" else "later"
            gaps[name] = clock.at(value, to) if isinstance(value, datetime) else phrase("form.unknown")
        else:
            gaps[name] = phrases.gap(name, float(value) if isinstance(value, (int, float)) else math.nan)
    return Phrase(key=f"{table}.{key}", gaps=gaps)


def reason(decision: Decision, clock: Clock) -> Phrase:
    """Return why a strip has its verdict, in a sentence."""
    return of_decision("reason", decision.reason, decision, clock)


def _in_rules(decision: Decision, name: str) -> float:
    """Return a fact or a setting from what the rule rows saw, NaN where none asked for it."""
    for row in decision.seen:
        for left, left_value, _, right, right_value in row.saw:
            if name in (left, right):
                return left_value if name == left else right_value
    return math.nan

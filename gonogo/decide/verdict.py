"""From inputs to decisions: judge the table of rules for every strip, and keep what every row saw."""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from gonogo import times
from gonogo.decide import facts
from gonogo.decide.advice import ADVICE_ROWS, TEST_ROWS, Row
from gonogo.decide.inputs import Floats, MorningInputs
from gonogo.decide.machines import roller_of
from gonogo.decide.outlook import band_pct, next_workable_utc
from gonogo.decide.rolling import rolling_time_h
from gonogo.decide.rules import RULES, Condition, Rule
from gonogo.decide.standing import OF_LIFT_BEFORE, ORDER_STANDS, TAKEN_BACK, Standing
from gonogo.decide.today import Prepared, prepare, run_around, soaked
from gonogo.decide.water import trucks
from gonogo.decide.water.evening import FOR_TOMORROW
from gonogo.decide.water.spraying import efficiency_of
from gonogo.decide.water.watering import Outcome
from gonogo.decide.windows import epoch_h, moment
from gonogo.records.day_plan import Task
from gonogo.records.site import Site, Strip
from gonogo.records.verdict import Decision, RuleSeen, Verdict

NOT_KNOWABLE = "not_knowable"  # rule id and reason where the gate closed
NOTHING_HELD = "nothing_held"  # rule id where no row held
_UNSURE = "too_uncertain"

OPERATORS: dict[str, Callable[[float, float], bool]] = {
    ">": operator.gt,
    ">=": operator.ge,
    "<": operator.lt,
    "<=": operator.le,
    "==": operator.eq,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What the table says of one strip."""

    verdict: Verdict
    rule_id: str
    reason: str
    seen: tuple[RuleSeen, ...]


def _seen(
    rule_id: str, when: Sequence[Condition], strip_facts: Mapping[str, float], settings: Mapping[str, float]
) -> RuleSeen:
    """Return a row as judged; held is None where a number is unknown."""
    saw = tuple(
        [
            (left, _number(left, strip_facts, settings), op, right, _number(right, strip_facts, settings))
            for left, op, right in when
        ]
    )
    held: bool | None = True
    for _, a, op, _, b in saw:
        if math.isnan(a) or math.isnan(b):
            held = None
            break
        if held and not OPERATORS[op](a, b):
            held = False
    return RuleSeen(rule_id=rule_id, held=held, saw=saw)


def _number(name: str, strip_facts: Mapping[str, float], settings: Mapping[str, float]) -> float:
    """Return what a name stands for: a fact, else a setting, NaN where it is neither."""
    found = strip_facts.get(name)
    return float(settings.get(name, math.nan) if found is None else found)


def judge(strip_facts: Mapping[str, float], settings: Mapping[str, float], rules: Sequence[Rule] = RULES) -> Judged:
    """Return the verdict of the table for one strip, with every row as it was judged.

    strip_facts   facts by name; settings   by name. A name is looked up in the facts first; one found nowhere is NaN.

    The gate comes first: if any fact or setting that any row names is NaN, the strip waits as not knowable, whatever
    else is true. Then the first row that holds decides; if none does, the strip waits.
    """

    seen = tuple(_seen(rule.id, rule.when, strip_facts, settings) for rule in rules)
    if any(row.held is None for row in seen):
        return Judged(verdict=Verdict.WAIT, rule_id=NOT_KNOWABLE, reason=NOT_KNOWABLE, seen=seen)
    for rule, row in zip(rules, seen, strict=True):
        if row.held:
            return Judged(verdict=rule.verdict, rule_id=rule.id, reason=rule.because, seen=seen)
    return Judged(verdict=Verdict.WAIT, rule_id=NOTHING_HELD, reason=_UNSURE, seen=seen)


def sentences(
    table: Sequence[Row], judged: Judged, strip_facts: Mapping[str, float], settings: Mapping[str, float]
) -> tuple[str, ...]:
    """Return the keys of the sentences that stand under a verdict, in the order of their table, each once."""

    keys: dict[str, None] = {}
    for row in table:
        if judged.verdict in row.verdicts and (not row.reasons or judged.reason in row.reasons):
            held = _seen(row.key, row.when, strip_facts, settings).held
            if held or (held is None and row.if_unknown):
                keys[row.key] = None
    return tuple(keys)


def _of_strip(columns: Mapping[str, Floats], s: int) -> dict[str, float]:
    """Return the facts of one strip."""
    return {name: float(column[s]) for name, column in columns.items()}


def decide(inputs: MorningInputs, prepared: Prepared | None = None) -> tuple[Decision, ...]:
    """Return the decision for every strip, in the order of inputs.strips.

    prepared   from the same inputs, where somebody made it already

    Water is decided in two steps: the table says who would be watered if the truck could do it; the trucks then serve
    those strips (see trucks.plan); and the table is judged again with what came out.
    """
    prepared, settings = prepared or prepare(inputs), inputs.settings
    dry_run = facts.collect(facts.Known(prepared=prepared, watered={}))
    known = [_of_strip(dry_run, s) for s in range(len(inputs.strips))]
    judged = [judge(strip_facts, settings) for strip_facts in known]
    wanted = [
        s
        for s, strip in enumerate(inputs.strips)
        if strip.id not in inputs.orders and judged[s].verdict == Verdict.WATER
    ]
    free = _trucks_at_work(inputs)
    watered = trucks.plan(prepared, wanted, free)
    if watered:
        columns = facts.collect(facts.Known(prepared=prepared, watered=watered), dry_run)
        for s in watered:  # of the other strips nothing else is known than before
            known[s] = _of_strip(columns, s)
            judged[s] = judge(known[s], settings)
    decisions = tuple(
        as_told(
            _decision(prepared, s, judged[s], known[s], watered.get(s), free),
            inputs.orders.get(strip.id),
            inputs,
        )
        for s, strip in enumerate(inputs.strips)
    )
    return _with_full_days(prepared, decisions)


def _trucks_at_work(inputs: MorningInputs) -> trucks.Free:
    """When each truck that is at an order of today can be called again; a truck without one is free at once."""
    free: trucks.Free = {}
    for strip_id, order in inputs.orders.items():
        job = order.job(Task.WATER)
        own = inputs.crew(inputs.site.strip(strip_id)).trucks
        truck = next((t for t in own if job is not None and t.id == job.machine_id), None)
        if truck is None or job is None:
            continue
        times_h = free.setdefault(truck.id, [epoch_h(inputs.now_utc)] * truck.count)
        back_h = epoch_h(job.end_utc) + truck.travel_time_min / 60.0 / efficiency_of(inputs, truck)
        first = times_h.index(min(times_h))
        times_h[first] = max(times_h[first], back_h)
    return free


def _decision(
    prepared: Prepared,
    s: int,
    judged: Judged,
    strip_facts: dict[str, float],
    watered: Outcome | None,
    free: trucks.Free,
) -> Decision:
    """Return the decision of one strip with its times, sentences and water."""
    inputs, strip = prepared.inputs, prepared.inputs.strips[s]
    from_h = until_h = math.nan
    plan = None
    best = prepared.best[s]
    if judged.verdict == Verdict.COMPACT and best is not None:
        from_h, until_h = run_around(prepared, s, best)
        if strip_facts["evaporation_mm_h"] >= inputs.setting("strong_evaporation_mm_h"):
            plan = trucks.keep_damp(prepared, s, best, free)
    elif judged.verdict == Verdict.WATER and watered is not None:
        from_h, until_h, plan = watered.from_h, watered.until_h, watered.plan
    elif judged.reason == FOR_TOMORROW and watered is not None:
        plan = watered.tomorrow
    waits = judged.verdict == Verdict.WAIT
    row = prepared.row_at(soaked(inputs, s, prepared.today).from_h)
    mean, p10, p90 = (math.nan,) * 3 if row is None else band_pct(inputs.w_pct[row, s])
    return Decision(
        strip_id=strip.id,
        verdict=judged.verdict,
        rule_id=judged.rule_id,
        reason=judged.reason,
        from_utc=None if math.isnan(from_h) else moment(from_h),
        until_utc=None if math.isnan(until_h) else moment(until_h),
        next_utc=next_workable_utc(prepared, s) if waits and not strip_facts["is_rolled"] else None,
        facts=strip_facts,
        seen=judged.seen,
        advice=sentences(ADVICE_ROWS, judged, strip_facts, inputs.settings),
        test=sentences(TEST_ROWS, judged, strip_facts, inputs.settings),
        water=plan,
        w_now_pct=mean,
        w_p10_pct=p10,
        w_p90_pct=p90,
        w_top_pct=math.nan if row is None else float(np.mean(inputs.w_top_pct[row, s])),
        w_base_pct=math.nan if row is None else float(np.mean(inputs.w_base_pct[row, s])),
        reading_age_h=float(inputs.reading_age_h[s]),
        rolling_time_h=prepared.rolling_h[s],
    )


def as_told(decision: Decision, order: Standing | None, inputs: MorningInputs) -> Decision:
    """Return the decision of a strip whose order stands: as it was told, unless something takes it back."""
    if order is None or decision.reason in TAKEN_BACK or _is_refuted(decision, order, inputs):
        return decision
    told, rolling, water = order.told, order.job(Task.ROLL), order.job(Task.WATER) or order.job(Task.DAMP)
    if decision.reason == "not_enough_hours" and (rolling is None or rolling.end_utc <= inputs.now_utc):
        return decision
    is_work = told.verdict != Verdict.WAIT
    reason = told.reason
    if reason in OF_LIFT_BEFORE:
        reason = decision.reason if decision.verdict == Verdict.WAIT else "too_uncertain"
    judged = Judged(verdict=told.verdict, rule_id=ORDER_STANDS, reason=reason, seen=decision.seen)
    return replace(
        decision,
        verdict=told.verdict,
        rule_id=ORDER_STANDS,
        reason=reason,
        from_utc=told.roll_from_utc if is_work else None,
        until_utc=told.roll_by_utc if is_work else None,
        next_utc=None if is_work else decision.next_utc,
        water=None if water is None else water.water,
        advice=sentences(ADVICE_ROWS, judged, decision.facts, inputs.settings),
        test=sentences(TEST_ROWS, judged, decision.facts, inputs.settings),
    )


def _is_refuted(decision: Decision, order: Standing, inputs: MorningInputs) -> bool:
    """Say whether a test that came after rolling was ordered speaks against it."""
    if order.told.verdict != Verdict.COMPACT:
        return False
    age_h = (inputs.now_utc - order.told_utc) / times.HOUR
    is_newer = decision.reading_age_h < age_h
    # A doubtful test would have kept the strip waiting: it came later.
    return decision.reason == "reading_doubtful" or (decision.reason == "test_outside" and is_newer)


def _with_full_days(prepared: Prepared, decisions: tuple[Decision, ...]) -> tuple[Decision, ...]:
    """Return the decisions, with a word where a crew's one roller has more to roll today than the hours hold."""
    inputs = prepared.inputs
    busy: dict[str, float] = {}
    for strip, decision in zip(inputs.strips, decisions, strict=True):
        if decision.verdict != Verdict.WAIT:
            roller = inputs.roller(strip)
            busy[roller.id] = busy.get(roller.id, 0.0) + decision.rolling_time_h / roller.count
    hours = prepared.today.hours - prepared.seal_h
    return tuple(
        replace(d, advice=(*d.advice, "crew_day_too_full"))
        if d.verdict != Verdict.WAIT and busy[inputs.roller(strip).id] > hours
        else d
        for strip, d in zip(inputs.strips, decisions, strict=True)
    )


def no_verdict(site: Site, strips: Sequence[Strip], reason: str) -> tuple[Decision, ...]:
    """Return "wait" for every strip, for a morning on which nothing could be computed.

    reason   a row of keys.REASONS: "not_knowable" where the computation failed, "no_forecast" where there was none
    """
    judged = Judged(verdict=Verdict.WAIT, rule_id=NOT_KNOWABLE, reason=reason, seen=())
    return tuple(
        Decision(
            strip_id=strip.id,
            verdict=Verdict.WAIT,
            rule_id=NOT_KNOWABLE,
            reason=reason,
            from_utc=None,
            until_utc=None,
            next_utc=None,
            facts={},
            seen=(),
            advice=sentences(ADVICE_ROWS, judged, {}, {}),
            test=sentences(TEST_ROWS, judged, {}, {}),
            water=None,
            w_now_pct=math.nan,
            w_p10_pct=math.nan,
            w_p90_pct=math.nan,
            w_top_pct=math.nan,
            w_base_pct=math.nan,
            reading_age_h=math.nan,
            rolling_time_h=rolling_time_h(strip, roller_of(site, strip)),
        )
        for strip in strips
    )

"""One strip each: what the superintendent reads about it and what the truck driver works by."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence

from gonogo.decide.water.spraying import lanes
from gonogo.records.site import Crew, Site, Strip, Truck
from gonogo.records.verdict import Decision, Verdict, WaterPlan
from gonogo.wording import phrases, sentences
from gonogo.wording.clock import Clock
from gonogo.wording.items import StripView, WaterView
from gonogo.wording.phrases import Amount, Chance, Number, Phrase, phrase

SPLIT_POINTS = 1.0  # halves of a lift that differ by this are shown apart; common practice, no source


def strip(
    decision: Decision, its_strip: Strip, site: Site, crew: Crew, clock: Clock, water: WaterView | None
) -> StripView:
    """Return one strip as the superintendent reads it."""
    material = site.material(its_strip.material_id)
    moisture = phrases.amount("w_pct", decision.w_now_pct)
    window = clock.span(decision.from_utc, decision.until_utc)
    optimum = phrases.amount("w_pct", material.omc_pct)
    low = phrases.amount("w_pct", material.omc_pct + material.window_low_pct)
    high = phrases.amount("w_pct", material.omc_pct + material.window_high_pct)
    top, base = phrases.amount("w_pct", decision.w_top_pct), phrases.amount("w_pct", decision.w_base_pct)
    return StripView(
        id=its_strip.id,
        name=its_strip.name,
        note=its_strip.note,
        verdict=decision.verdict.value,
        window=window,
        when=phrase("text.roll_after", span=window) if window and decision.verdict == Verdict.WATER else window,
        next=clock.at(decision.next_utc, "later") if decision.next_utc else None,
        has_moisture=math.isfinite(decision.w_now_pct),
        moisture=moisture,
        moisture_low=phrases.amount("w_pct", decision.w_p10_pct),
        moisture_high=phrases.amount("w_pct", decision.w_p90_pct),
        top=top,
        base=base,
        is_split=abs(top.metric[0] - base.metric[0]) >= SPLIT_POINTS,  # False where one is unknown
        deviation=_deviation(moisture, optimum),
        optimum=optimum,
        window_low=low,
        window_high=high,
        glance=_glance(moisture, optimum, low, high),
        material=material.name,
        test=material.test,
        reason=sentences.reason(decision, clock),
        advice=tuple(sentences.of_decision("advice", key, decision, clock) for key in decision.advice),
        tests=tuple(sentences.of_decision("test", key, decision, clock) for key in decision.test),
        chances=_chances(decision),
        has_reading=math.isfinite(decision.reading_age_h),
        reading_age=phrases.duration(decision.reading_age_h, step_min=60),
        rolling_time=phrases.duration(decision.rolling_time_h),
        roller_passes=its_strip.passes or crew.roller.passes,
        water=water,
    )


def watering(
    decisions: Sequence[Decision], own: Mapping[str, Strip], truck: Truck | None, clock: Clock
) -> tuple[WaterView, ...]:
    """Return the strips that get water, in driving order."""
    wet = sorted(
        ((d, d.water) for d in decisions if d.water is not None), key=lambda pair: (pair[1].start_utc, pair[0].strip_id)
    )
    views = []
    for place, (decision, plan) in enumerate(wet, start=1):
        its_strip = own[decision.strip_id]
        limits = (sentences.of_decision("limit", plan.limited_by, decision, clock),) if plan.limited_by else ()
        views.append(
            WaterView(
                place=place,
                strip_id=its_strip.id,
                strip=its_strip.name,
                is_keep_damp=decision.verdict != Verdict.WATER,
                litres=phrases.amount("litres", plan.litres),
                litres_m2=phrases.amount("litres_m2", plan.litres_m2),
                per_pass=phrases.amount("litres_m2", plan.litres_m2_per_pass),
                passes=plan.passes,
                speed=phrases.amount("speed_km_h", plan.speed_km_h),
                lanes=lanes(truck, its_strip.width_m) if truck else 1,
                sections=_sections(plan, truck),
                start=clock.at(plan.start_utc),
                finish=clock.at(plan.finish_utc, "later"),
                roll=clock.span(decision.from_utc, decision.until_utc),
                target=phrases.amount("w_pct", plan.w_target_pct),
                notes=limits
                + tuple(sentences.of_decision("water_warning", key, decision, clock) for key in plan.warnings),
            )
        )
    return tuple(views)


def _sections(plan: WaterPlan, truck: Truck | None) -> tuple[tuple[Amount, Amount, Amount], ...]:
    """Return start, end and water of each load: full tanks, and what is left in the last."""
    whole = phrases.amount("litres", plan.litres)
    tank = phrases.amount("litres", truck.tank_litres) if truck else whole
    n_full = len(plan.load_ends_m) - 1
    return tuple(
        (
            phrases.amount("length_m", start),
            phrases.amount("length_m", end),
            tank if k < n_full else phrases.rest(whole, tank, n_full),
        )
        for k, (start, end) in enumerate(itertools.pairwise((0.0, *plan.load_ends_m)))
    )


def _chances(decision: Decision) -> tuple[Chance, Chance, Chance] | None:
    """Return the chances of being inside the window, too dry and too wet; None where none was computed.

    All zero is how the facts say that no stretch of today fits.
    """
    inside, dry, wet = (decision.facts.get(f"chance_{name}", math.nan) for name in ("in_window", "too_dry", "too_wet"))
    if math.isnan(inside + dry + wet) or inside + dry + wet == 0:
        return None
    return phrases.chance(inside), phrases.chance(dry), phrases.chance(wet)


def _glance(moisture: Amount, optimum: Amount, low: Amount, high: Amount) -> Phrase:
    """Return moisture, optimum and window in half a line: one unit does for all."""

    def bare(amount: Amount) -> Number:
        return Number(value=amount.metric[0], decimals=amount.metric[1])

    key = "text.glance" if math.isfinite(moisture.metric[0]) else "text.glance_unknown"
    return phrase(key, moisture=moisture, optimum=bare(optimum), low=bare(low), high=bare(high))


def _deviation(moisture: Amount, optimum: Amount) -> Phrase:
    """Return how far the shown moisture lies from the shown optimum, so that a reader's own subtraction agrees."""
    points = round(moisture.metric[0] - optimum.metric[0], 1)
    if math.isnan(points):
        return phrase("deviation.unknown")
    if points == 0:
        return phrase("deviation.at")
    return phrase("deviation.below" if points < 0 else "deviation.above", points=Number(value=abs(points), decimals=1))

"""One strip as page and terminal show it beside its days ahead."""

from __future__ import annotations

import math

from gonogo.records.site import Site, Strip
from gonogo.records.verdict import Decision, Verdict
from gonogo.wording import phrases, sentences
from gonogo.wording.clock import Clock
from gonogo.wording.items import StripView
from gonogo.wording.phrases import Amount, Number, Phrase, phrase

SPLIT_POINTS = 1.0  # halves of a lift that differ by this are shown apart; common practice, no source


def strip(decision: Decision, its_strip: Strip, site: Site, clock: Clock) -> StripView:
    """Return one strip with its verdict, hours and moisture."""
    material = site.material(its_strip.material_id)
    moisture = phrases.amount("w_pct", decision.w_now_pct)
    window = clock.span(decision.from_utc, decision.until_utc)
    optimum = phrases.amount("w_pct", material.omc_pct)
    return StripView(
        id=its_strip.id,
        name=its_strip.name,
        verdict=decision.verdict.value,
        window=window,
        when=phrase("text.roll_after", span=window) if window and decision.verdict == Verdict.WATER else window,
        next=clock.at(decision.next_utc, "later") if decision.next_utc else None,
        has_moisture=math.isfinite(decision.w_now_pct),
        moisture=moisture,
        moisture_low=phrases.amount("w_pct", decision.w_p10_pct),
        moisture_high=phrases.amount("w_pct", decision.w_p90_pct),
        deviation=_deviation(moisture, optimum),
        optimum=optimum,
        window_low=phrases.amount("w_pct", material.omc_pct + material.window_low_pct),
        window_high=phrases.amount("w_pct", material.omc_pct + material.window_high_pct),
        material=material.name,
        test=material.test,
        reason=sentences.reason(decision, clock),
        has_reading=math.isfinite(decision.reading_age_h),
        reading_age=phrases.duration(decision.reading_age_h, step_min=60),
    )


def _deviation(moisture: Amount, optimum: Amount) -> Phrase:
    """Return how far the shown moisture lies from the shown optimum, so that a reader's own subtraction agrees."""
    points = round(moisture.metric[0] - optimum.metric[0], 1)
    if math.isnan(points):
        return phrase("deviation.unknown")
    if points == 0:
        return phrase("deviation.at")
    return phrase("deviation.below" if points < 0 else "deviation.above", points=Number(value=abs(points), decimals=1))

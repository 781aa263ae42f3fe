"""What stands behind the first screen: why each strip has its verdict, what to mind, what the model is unsure of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from gonogo.decide.plan_keys import RESULT_IN
from gonogo.mail.items import BehindView
from gonogo.mail.morning import Morning
from gonogo.mail.rows import reason_behind
from gonogo.records.day_plan import Badge, StripPlan
from gonogo.records.site import Material
from gonogo.records.verdict import Decision
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.wording import phrases, sentences
from gonogo.wording.clock import Clock
from gonogo.wording.instruction import short_name
from gonogo.wording.items import MaterialView
from gonogo.wording.phrases import Names, Phrase, phrase

OLD_READING_H = 24.0  # a reading older than this is named among what the model is unsure of; common practice, no source
FIELDS = (  # fields of a material that have a name in every language
    "omc_pct",
    "mdd_kg_m3",
    "window_low_pct",
    "window_high_pct",
    "required_compaction_pct",
    "specific_gravity",
    "theta_fc",
    "theta_wp",
    "tew_mm",
    "rew_mm",
    "soil_class",
)
# Said by the first screen already, with hours and litres.
SAID_ABOVE = frozenset(
    (
        "test_then_roll", "mix_full_depth", "keep_surface_damp", "seal_before_rain", "seal_at_shift_end",
        "forecast_old", "disk_and_aerate", "aerate_thin_layers", "very_wet_remove_or_treat",
        "stop_if_it_runs_off",
        "test_before_rolling", "test_after_watering", "repeat_reading", "scarify_first",
        "mix_binder", "mix_binder_at_once",
    )
)  # fmt: skip
# Of these, what a row says before its hours: who rolls by the hours alone would roll the soil without its binder.
SAID_FIRST = ("mix_binder", "mix_binder_at_once")


def behind(morning: Morning, decisions: Mapping[str, Decision]) -> tuple[BehindView, ...]:
    """Return each strip behind the first screen, in working order; those that are done are left out."""
    return tuple(
        _strip(morning, strip_plan, decisions[strip_plan.strip_id])
        for strip_plan in morning.strip_plans
        if strip_plan.strip_id in decisions and strip_plan.badge != Badge.DONE
    )


def _strip(morning: Morning, strip_plan: StripPlan, decision: Decision) -> BehindView:
    clock, strip = morning.clock, morning.strips[strip_plan.strip_id]
    is_tested = strip_plan.test is not None and strip_plan.test.why == RESULT_IN  # what a test would settle is settled
    advice = [("advice", key) for key in decision.advice] + [("test", key) for key in decision.test if not is_tested]
    return BehindView(
        name=short_name(strip),
        lines=reason_behind(sentences.reason(decision, clock), strip_plan),
        advice=tuple(
            sentences.of_decision(table, key, decision, clock) for table, key in advice if key not in SAID_ABOVE
        ),
        note=strip.note,
    )


def said_first(decision: Decision, clock: Clock) -> tuple[Phrase, ...]:
    """Return the advice of a strip that its row begins with."""
    keys = (key for key in decision.advice if key in SAID_FIRST)
    return tuple(sentences.of_decision("advice", key, decision, clock) for key in keys)


def unsure(morning: Morning, decisions: Mapping[str, Decision]) -> tuple[Phrase, ...]:
    """Return what the model is unsure of this morning."""
    found = []
    weather = morning.weather
    if weather is None or weather.status == ForecastStatus.NONE:
        found.append(phrase("unsure.no_forecast"))
    elif weather.status == ForecastStatus.OLD:
        found.append(phrase("unsure.old_forecast"))
    if not morning.plan.is_knowable:
        return tuple(found) or (phrase("unsure.no_result"),)
    strip_plans = [t for t in morning.strip_plans if t.badge != Badge.DONE and t.strip_id in decisions]
    ages = {t.strip_id: decisions[t.strip_id].reading_age_h for t in strip_plans}
    masks = {
        "no_reading": [not math.isfinite(ages[t.strip_id]) for t in strip_plans],
        "old_reading": [OLD_READING_H < ages[t.strip_id] < math.inf for t in strip_plans],
        "wide_band": [t.w_p90_pct - t.w_p10_pct > t.high_pct - t.low_pct for t in strip_plans],
    }
    found += [
        phrase(f"unsure.{key}", strips=_named(morning, strip_plans, mask)) for key, mask in masks.items() if any(mask)
    ]
    return (*found, phrase("unsure.model"))


def _named(morning: Morning, strip_plans: Sequence[StripPlan], mask: Sequence[bool]) -> Names:
    """Return the names of the strips for which a mask holds."""
    held = (t for t, holds in zip(strip_plans, mask, strict=True) if holds)
    return Names(items=tuple(short_name(morning.strips[t.strip_id]) for t in held))


def material_view(material: Material) -> MaterialView:
    """Return the laboratory result that strips of a material are judged by."""
    return MaterialView(
        name=material.name,
        test=material.test,
        optimum=phrases.amount("w_pct", material.omc_pct),
        window_low=phrases.amount("w_pct", material.omc_pct + material.window_low_pct),
        window_high=phrases.amount("w_pct", material.omc_pct + material.window_high_pct),
        max_density=phrases.amount("dry_density_kg_m3", material.mdd_kg_m3),
        required=phrases.amount("w_pct", material.required_compaction_pct),
        laboratory=None
        if material.laboratory_omc_pct is None
        else phrases.amount("w_pct", material.laboratory_omc_pct),
        is_method=material.method is not None,
        assumed=Names(
            items=tuple(phrase(f"field.{f}") if f in FIELDS else f.replace("_", " ") for f in material.assumed)
        )
        if material.assumed
        else None,
    )

"""A strip that the roller cannot reach today, as its mail words it."""

from __future__ import annotations

from hand_made import morning, site, strip

from gonogo.decide.plan.as_planned import NO_PLACE, with_places
from gonogo.decide.verdict import decide
from gonogo.records.verdict import Verdict
from gonogo.records.work_order import WorkOrder
from gonogo.wording.clock import Clock
from gonogo.wording.language import speaker
from gonogo.wording.sentences import reason

EMPTY = WorkOrder(
    works=(), unplanned=(), moves=(), expected_area_m2=0.0, given_order_area_m2=0.0, gap_frac=0.0, method="solver"
)


def test_a_dry_crust_that_the_roller_does_not_reach_is_not_called_too_dry() -> None:
    its = site([strip()])
    for inputs, before, after in (
        (morning(top_pct=11.0, base_pct=15.5), "dry_crust", "crust_roller_full"),
        (morning(10.0), "too_dry", "roller_full"),
    ):
        judged = decide(inputs)
        assert [(d.verdict, d.reason) for d in judged] == [(Verdict.WATER, before)]
        (placed,) = with_places(its, judged, EMPTY)
        assert (placed.verdict, placed.rule_id, placed.reason, placed.water) == (Verdict.WAIT, NO_PLACE, after, None)
        for language, dry in (("en", "Too dry"), ("es", "Demasiado seca")):
            speak = speaker(language, "metric")
            told = speak.say(reason(placed, Clock(site=its, day=inputs.day)))
            assert told.startswith(dry) == (after == "roller_full")

"""No two views of the day plan disagree, on any morning and at any re-check."""

from __future__ import annotations

import numpy as np
import pytest
import views_of_plan
from hand_made import at, material, morning, strip
from views_of_plan import RECHECKED_AT_H, VIEWS, Told, change_contradictions, contradictions, drawn, recheck, scene

from gonogo.records.day_plan import Task
from gonogo.records.work_order import Work
from gonogo.wording.language import speaker
from gonogo.wording.phrases import phrase

# in each language what stands of mixing, of soaking alone, and that clean sand is not disked
MIXING = {
    "en": ("mix", "soak, test; no mixing, no second dose", "No disking"),
    "es": ("mezcl", "dejar absorber, ensayar; sin mezclar, sin segunda dosis", "No pasar la grada"),
    "pt": ("mistur", "deixar absorver, ensaiar; sem misturar, sem segunda dose", "Não gradear"),
    "fr": ("mélang", "laisser pénétrer, essayer ; sans mélanger, pas de seconde dose", "Pas de pulvériseur"),
}


@pytest.mark.parametrize("block", range(4))
def test_no_two_views_disagree_on_drawn_mornings_and_their_re_checks(block: int) -> None:
    for k in range(10):
        shown = scene(drawn(np.random.default_rng(1000 * block + k), morning, strip))
        assert contradictions(shown) == [], f"seed {1000 * block + k}"
        later = recheck(shown, at(RECHECKED_AT_H[k % len(RECHECKED_AT_H)]))
        assert contradictions(later) == [], f"re-check of seed {1000 * block + k}"
        assert change_contradictions(shown, later) == [], f"changes of seed {1000 * block + k}"


def test_the_comparison_finds_what_differs() -> None:
    assert Told(verdict="wait", litres=3).against(Told(verdict="compact", litres=3)) == [
        "verdict: wait against compact"
    ]
    assert Told(verdict="wait").against(Told(litres=3)) == []
    shown = scene(morning(strips=[strip(name="N1 field")]))
    read = VIEWS["mail"](shown, "N1")
    assert read.badge == VIEWS["plan"](shown, "N1").badge == "compact"
    assert isinstance(read.rolled, tuple)  # hours were found in the text


def test_a_table_of_days_that_gives_the_best_hours_of_the_day_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The order of work takes other hours than the likeliest; the chance of these is the one that is told."""
    inputs = drawn(np.random.default_rng(12), morning, strip)
    assert contradictions(recheck(scene(inputs), at(9.0))) == []
    monkeypatch.setattr(views_of_plan, "outlook_as_planned", lambda outlook, _plan: outlook)
    assert any("days chance: " in c for c in contradictions(recheck(scene(inputs), at(9.0))))


def test_a_watered_strip_is_read_from_every_view() -> None:
    """What is compared is there: no view is silent of litres and hours for want of a match."""
    shown = scene(morning(10.5, strips=[strip(name="N1 field")]))
    for name in ("plan", "mail", "driver", "calendar", "page", "terminal"):
        read = VIEWS[name](shown, "N1")
        assert isinstance(read.watered, tuple), name
        assert isinstance(read.litres, str), name
        assert read.litres != "silent", name
    assert contradictions(shown) == []


def test_hours_that_are_over_are_not_told_again_and_what_nobody_recorded_is_asked() -> None:
    """Watered from seven on and rolled at nine, as told: at one nobody knows whether it was, and no hour is gone by."""
    shown = scene(morning(10.5, strips=[strip(name="N1 field")]))
    text = " ".join(recheck(shown, at(13.0)).texts["superintendent"].split())
    row = text.partition("(( WATER FIRST ))")[2].partition("*****")[0]
    assert row.startswith(" N1 field If not rolled yet: test; roll by "), row
    assert "Told to roll 0" in row
    assert "roll 0" not in row.partition("Told")[0]


def test_what_may_be_under_way_keeps_its_hours_in_the_order_of_work_though_tomorrow_is_likelier() -> None:
    """N2 was told to be rolled at noon if its test allows, with 0.54; tomorrow after water it has 0.82."""
    shown = scene(drawn(np.random.default_rng(500_733), morning, strip))
    later = recheck(shown, at(13.0))
    for run in (shown, later):
        rolled = [w for w in run.order.works if w.strip_id == "N2" and w.work == Work.ROLLING]
        assert [f"{w.start_utc:%d %H:%M}" for w in rolled] == ["17 12:00"]
    assert contradictions(later) == []


def test_water_for_a_dry_top_is_not_told_to_be_mixed_in() -> None:
    """The plan has no mixing for it: neither superintendent nor driver reads of one."""
    shown = scene(morning(top_pct=11.0, base_pct=15.5, strips=[strip(id="N1", name="N1 field")]))
    assert shown.decisions["N1"].reason == "dry_crust"
    assert Task.MIX not in {job.task for job in shown.plan.jobs}
    assert "Soak, test; roll" in " ".join(shown.texts["superintendent"].split())
    card = " ".join(shown.texts["driver"].split())
    assert "let it soak, test; no mixing" in card
    assert "mix it in" not in card


@pytest.mark.parametrize("code", MIXING)
def test_clean_sand_is_watered_and_left_to_soak_in_every_view(code: str) -> None:
    """It is not to be disked, as "Behind it" says, and no view has it mixed."""
    mixes, soaks, not_disked = MIXING[code]
    sand = material(soil_class="sand", is_granular=True)
    inputs = morning(10.0, strips=[strip(id="N1", name="N1 field")], on_site={"materials": (sand,)})
    shown = scene(inputs, language=code)
    assert shown.decisions["N1"].verdict == "water"
    jobs = {job.task for job in shown.plan.jobs}
    assert Task.SOAK in jobs
    assert Task.MIX not in jobs
    read = {role: " ".join(text.split()) for role, text in shown.texts.items()}
    assert soaks in read["driver"]
    assert not_disked in read["superintendent"]
    say = speaker(code, "metric").say
    entries = " ".join(f"{say(entry.title)} {say(entry.line)}" for entry in shown.entries)
    model = say(phrase("unsure.model"))  # "mixed borrow" is no work
    for view in (*read.values(), shown.page, shown.terminal, entries):
        assert mixes not in view.replace(soaks, "").replace(model, "").lower()


@pytest.mark.parametrize("code", MIXING)
def test_any_other_soil_is_watered_and_mixed(code: str) -> None:
    mixes, soaks, _ = MIXING[code]
    shown = scene(morning(10.0, strips=[strip(id="N1", name="N1 field")]), language=code)
    assert Task.MIX in {job.task for job in shown.plan.jobs}
    for role in ("superintendent", "driver"):
        text = " ".join(shown.texts[role].split())
        assert soaks not in text
        assert mixes in text.lower()

"""What each result of a test has a crew do: a line a result, in the order in which a superintendent looks for them."""

from __future__ import annotations

from collections.abc import Iterator

from gonogo.mail.items import BranchView
from gonogo.records.day_plan import Then
from gonogo.wording.instruction import Instruction, TestView
from gonogo.wording.phrases import Number, Phrase, phrase


def branches(of: Instruction, test: TestView) -> Iterator[BranchView]:
    """Yield what to do by the result: inside, at the edge of the window, below it and above it."""
    inside = phrase("branch.inside") if of.roll is None else phrase("branch.inside_at", span=of.roll)
    yield _between(test.low, test.high, inside)
    lowest, highest, edge = test.low, test.high, "branch.edge"
    if test.damp is not None and test.damp_from is not None:
        yield _between(test.damp_from, test.low, phrase("branch.damp", damp=test.damp))
        lowest, edge = test.damp_from, "branch.edge_damp"
    if test.air_to is not None and test.air_roll is not None:
        act = phrase("branch.air", start=test.disk[0], air_roll=test.air_roll)
        yield _between(test.high, test.air_to, act)
        highest = test.air_to
    first, last, low, high = test.again_from, test.again_to, test.mean_low, test.mean_high
    if first is not None and last is not None and low is not None and high is not None:
        if last.value <= lowest.value:  # no other result lies in it
            edge = "branch.edge_apart" if test.damp_from is None else "branch.edge_damp_apart"
        yield _between(first, last, phrase(edge, low=low, high=high))
        lowest, highest = first, highest if test.air_to is not None else last
    yield BranchView(result=phrase("branch.under", limit=lowest), act=_below(test))
    yield BranchView(result=phrase("branch.over", limit=highest), act=_above(test))


def _between(low: Number, high: Number, act: Phrase) -> BranchView:
    return BranchView(result=phrase("branch.between", low=low, high=high), act=act)


def _below(test: TestView) -> Phrase:
    """Return what a lift gets that its test finds too dry."""
    if test.below != Then.WATER or test.per_point is None:
        return phrase("branch.call" if test.below in (Then.CALL, Then.WATER) else "branch.hold")
    rolled = "branch.water_mix" if test.is_mixed_in else "branch.water_soak"
    tested = "branch.water_mix_test" if test.is_mixed_in else "branch.water_soak_test"
    return phrase(tested if test.is_tested_after_water else rolled, litres=test.per_point, target=test.target)


def _above(test: TestView) -> Phrase:
    """Return when a lift that its test finds too wet is disked, and tested again."""
    if test.above != Then.DISK or not test.disk:
        return phrase("branch.hold")
    start = test.disk[0]
    if test.again is None:
        return phrase("branch.disk", start=start)
    if test.up_to is None:
        return phrase("branch.disk_again", start=start, again=test.again)
    if test.again_late is None:
        return phrase("branch.disk_once", start=start, again=test.again, up_to=test.up_to)
    moments = {"later": test.disk[-1], "again": test.again, "late": test.again_late}
    return phrase("branch.disk_twice", start=start, up_to=test.up_to, late_to=test.late_to or test.up_to, **moments)

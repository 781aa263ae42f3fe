"""The season that the mails are measured in is sound in itself: water is kept, chances are frequencies, crews obey."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.season import compaction, place, season
from benchmarks.season.ground import LOOSE, SEALED, Ground
from benchmarks.season.mails import Mails
from benchmarks.season.policies import Habit
from benchmarks.season.told import Instruction, Mail

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "tests" / "benchmarks" / "season"


def passed(ground: Ground, rain_mm: list[float], open_water_mm: float = 0.1) -> Ground:
    """Return a twin of the ground after quarter hours with some rain each."""
    twin = ground.copy()
    for amount in rain_mm:
        twin.advance(amount, open_water_mm)
    return twin


@pytest.mark.parametrize("seed", range(4))
def test_the_water_of_the_true_soil_is_kept(seed: int) -> None:
    ground = place.first_ground(place.draw_place(seed))
    rng = np.random.default_rng(seed)
    before = ground.stored_mm()
    for k in range(600):
        ground.advance(float(rng.exponential(1.0)) if rng.random() < 0.05 else 0.0, float(rng.uniform(0.0, 0.2)))
        if k % 97 == 0:
            ground.water(k % 10, 12.0)
            ground.mix((k + 3) % 10, 0.6)
            ground.roll((k + 5) % 10)
            ground.seal((k + 7) % 10)
    assert ground.w.min() > 0.0
    np.testing.assert_allclose(ground.stored_mm() - before, ground.in_mm - ground.out_mm - ground.runoff_mm, atol=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_a_rain_never_leaves_a_loose_lift_drier(seed: int) -> None:
    ground = place.first_ground(place.draw_place(seed))
    for extra in (0.5, 8.0):
        dry, wet = ground.copy(), ground.copy()
        for k in range(200):
            dry.advance(0.0, 0.1)
            wet.advance(extra if k < 4 else 0.0, 0.1)
            assert np.all(wet.lift_w >= dry.lift_w - 1e-12)


def test_a_sealed_lift_takes_in_less_rain_and_loses_less_water() -> None:
    loose = place.first_ground(place.draw_place(1))
    sealed = loose.copy()
    sealed.surface[:] = SEALED
    assert np.all(loose.surface == LOOSE)
    storm = [2.0] * 8
    assert np.all(passed(sealed, storm).lift_w < passed(loose, storm).lift_w)
    assert np.all(passed(sealed, [0.0] * 60).lift_w > passed(loose, [0.0] * 60).lift_w)


def test_disking_dries_a_wet_lift_faster_than_waiting() -> None:
    wet = passed(place.first_ground(place.draw_place(2)), [2.0] * 12)
    disked = wet.copy()
    for s in range(10):
        disked.mix(s, 0.6)
    assert np.all(passed(disked, [0.0] * 40).lift_w < passed(wet, [0.0] * 40).lift_w)


def test_a_lift_is_dense_inside_its_window_and_not_outside() -> None:
    for lot in place.draw_place(3).lots:
        optimum, half = lot.kind.optimum_pct + lot.optimum_off_pct, lot.kind.half_window
        for off, is_dense in ((0.0, True), (0.8, True), (-0.8, True), (1.4, False), (-1.4, False)):
            at = optimum + off * half
            reached = compaction.relative_compaction_pct(lot, (at, at), compaction.PASSES)
            assert (reached >= compaction.REQUIRED_PCT) == is_dense
        even = compaction.relative_compaction_pct(lot, (optimum, optimum), compaction.PASSES)
        assert compaction.relative_compaction_pct(lot, (optimum - half, optimum + half), compaction.PASSES) < even
        assert compaction.relative_compaction_pct(lot, (optimum, optimum), 2) < even


def test_the_same_seed_gives_the_same_season() -> None:
    lived = [season.live(season.draw_world(k), "habit", Habit(seals_every_evening=False), n_days=3) for k in (1, 1, 2)]
    assert lived[0] == lived[1]
    assert lived[0].log != lived[2].log


def test_only_the_adapter_imports_the_product() -> None:
    files = sorted(FOLDER.glob("*.py"))
    assert len(files) > 8
    for file in files:
        imported = {
            name.split(".")[0]
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
            for name in (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
        }
        assert ("gonogo" in imported) == (file.name == "product.py"), file.name


def test_the_adapter_finds_all_that_it_imports() -> None:
    for node in ast.walk(ast.parse((FOLDER / "product.py").read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("gonogo"):
            module = importlib.import_module(node.module or "")
            for alias in node.names:
                is_there = hasattr(module, alias.name) or importlib.import_module(f"{module.__name__}.{alias.name}")
                assert is_there


class Told:
    """A product that says the same every morning."""

    def __init__(self, **said: Any) -> None:
        self.said = said

    def ask(self, question: dict[str, Any]) -> Mail:
        strips = {f"{crew}{k}": Instruction(strip=f"{crew}{k}", **self.said) for crew in "NS" for k in range(1, 6)}
        return Mail(crews=place.CREWS, strips=strips)


def obeyed(seed: int = 1, n_days: int = 2, share: float = 1.0, **said: Any) -> season.Season:
    world = season.draw_world(seed)
    crew = Mails(world, Told(**said), share=share, has_look=False)  # type: ignore[arg-type]
    return season.live(world, "told", crew, crew.record, n_days=n_days)


def test_a_crew_that_is_told_to_wait_does_nothing() -> None:
    tally = obeyed(verdict="wait").tally
    assert (tally.accepted, tally.failed, tally.doses, tally.tests, tally.seals, tally.diskings) == (0, 0, 0, 0, 0, 0)


def test_water_that_is_told_twice_is_put_on_twice() -> None:
    tally = obeyed(verdict="water", litres=6000.0, roll_from_h=20.0).tally
    assert tally.doses == 20
    assert tally.doubled_doses == 10


def test_a_driver_told_to_stop_has_a_watered_strip_tested() -> None:
    tally = obeyed(verdict="water", litres=6000.0, roll_from_h=20.0, stop_if_watered=True).tally
    assert tally.doses_inside + tally.doubled_doses < 10
    assert tally.doubled_doses == 0
    assert tally.tests >= 10


def test_what_a_test_finds_outside_is_not_rolled_but_called() -> None:
    done = obeyed(verdict="test", test_first=True, n_days=1)
    results = {strip: float(what.split()[1]) for _, strip, what in done.log if what.startswith("test ")}
    rolled = {strip for _, strip, what in done.log if what.startswith("rolled")}
    lots = {lot.id: lot for lot in season.draw_world(1).place.lots}
    assert len(results) == 10
    assert rolled <= {strip for strip, w_pct in results.items() if lots[strip].is_inside(w_pct)}
    assert done.tally.doses == 0


def test_a_branch_with_litres_waters_what_the_test_finds_dry() -> None:
    done = obeyed(verdict="test", test_first=True, n_days=1, below_litres_point=1.0, above_disk_at_h=(9.0,))
    lots = {lot.id: lot for lot in season.draw_world(1).place.lots}
    for _, strip, what in done.log:
        if what.startswith("test ") and float(what.split()[1]) < lots[strip].low_pct:
            assert any(s == strip and w.startswith("watered") for _, s, w in done.log)
            break
    else:
        pytest.fail("no test of this seed lies below its window")


def test_half_of_the_entries_is_about_half() -> None:
    world = season.draw_world(1)
    kept: dict[float, int] = {}
    for share in (1.0, 0.5, 0.0):
        crew = Mails(world, Told(verdict="test", test_first=True), share=share, has_look=False)  # type: ignore[arg-type]
        season.live(world, "told", crew, crew.record, n_days=3)
        kept[share] = len(crew.entries)
    assert kept[0.0] == 0
    assert 0.25 < kept[0.5] / kept[1.0] < 0.75

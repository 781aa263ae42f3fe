"""Members through weeks of weather, and the readings that place them and teach."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import ensemble, ground, natural
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.ensemble import StripMoisture
from gonogo.soil.ground import FILL, NATURAL, SCORE_NAMES, Ground, Tables
from gonogo.soil.knowledge import Knowledge, nothing_known
from gonogo.soil.rain import SURFACE_INDEX
from gonogo.soil.readings import CONFIRMED, FAR, IMPOSSIBLE, METHOD_ERROR_PCT, SPOT_SCATTER_PCT, ReadingAt, together
from gonogo.soil.season import predictors, season
from gonogo.soil.sky import Sky
from gonogo.soil.strip import LEARNABLE, StripSoil, strip_soil

CLASSES = ["loam", "clay", "sand"]
N_HOURS, N_MEMBERS = 240, 50


def soil() -> StripSoil:
    return strip_soil(
        soil_class=CLASSES,
        lift_thickness_mm=[220.0, 250.0, 300.0],
        dry_density_kg_m3=[1650.0, 1500.0, 1700.0],
        specific_gravity=[2.68, 2.72, 2.65],
        omc_pct=[14.0, 22.0, 9.0],
        theta_fc=[SOIL_CLASSES[c].theta_fc for c in CLASSES],
        theta_wp=[SOIL_CLASSES[c].theta_wp for c in CLASSES],
    )


def run(
    readings: list[ReadingAt] | None = None,
    seed: int = 1,
    *,
    kind: str = FILL,
    known: Sequence[Knowledge] | None = None,
    spread_at: Sequence[tuple[int, int]] = (),
    **changed: Any,
) -> StripMoisture:
    hours = np.arange(N_HOURS)
    rain = np.zeros((N_HOURS, N_MEMBERS))
    rain[100:104] = np.random.default_rng(2).gamma(1.0, 1.5, (4, N_MEMBERS))
    weather: dict[str, Any] = {
        "et0_mm": np.maximum(0.5 * np.sin((hours % 24 - 6) / 12 * np.pi), 0.0),
        "kc_max": np.full(N_HOURS, 1.15),
        "rain_mm": rain,
        "frozen": np.zeros(N_HOURS, dtype=np.bool_),
        "watering_mm": np.zeros((N_HOURS, 3)),
        "surface": np.zeros((N_HOURS, 3), dtype=np.int64),
    }
    sky, tables = Sky(**(weather | changed)), Tables()
    of_kind: Ground = ground.Fill(strips=soil(), growth=tables.growth[FILL], loosened_at=np.zeros(3, dtype=np.int64))
    if kind == NATURAL:
        so_far = season(sky.rain_mm.mean(axis=1), sky.et0_mm, np.full(N_HOURS, 18.0))
        of_kind = ground.Natural(strips=soil(), season=so_far, table=tables.population, growth=tables.growth[NATURAL])
    return ensemble.run(
        soil(),
        of_kind,
        sky,
        readings=readings or [],
        knowledge=known or [nothing_known(len(SCORE_NAMES[kind]))] * 3,
        rngs=[np.random.default_rng([seed, s]) for s in range(3)],
        spread_at=spread_at,
    )


def at(strip: int, hour: int, w_pct: float, method: str = "oven") -> ReadingAt:
    return ReadingAt(strip=strip, hour=hour, w_pct=w_pct, sd_pct=METHOD_ERROR_PCT[method])


def test_methods_are_named_as_crews_name_them_and_the_oven_is_best() -> None:
    assert set(METHOD_ERROR_PCT) == {"oven", "nuclear gauge", "microwave", "carbide", "hand feel"}
    assert min(METHOD_ERROR_PCT, key=lambda m: METHOD_ERROR_PCT[m]) == "oven"
    assert max(METHOD_ERROR_PCT, key=lambda m: METHOD_ERROR_PCT[m]) == "hand feel"


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_the_water_content_has_a_row_for_every_hour_and_the_end(kind: str) -> None:
    moisture = run([at(0, 24, 13.0), at(0, 100, 12.0)], kind=kind)
    for w in (moisture.w_pct, moisture.w_top_pct, moisture.w_base_pct):
        assert w.shape == (N_HOURS + 1, 3, N_MEMBERS)
        assert np.isfinite(w).all()
        assert (w >= 0.0).all()
    assert moisture.closure_error_mm < 1e-9


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_the_same_seed_gives_the_same_moisture_and_another_seed_another(kind: str) -> None:
    readings = [at(0, 24, 13.0)]
    assert np.all(run(readings, kind=kind).w_pct == run(readings, kind=kind).w_pct)
    assert np.any(run(readings, kind=kind).w_pct != run(readings, seed=2, kind=kind).w_pct)


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_another_seed_hardly_moves_what_is_told(kind: str) -> None:
    """Draws are free of sampling error in mean and spread, and the error around them has a fixed shape."""
    ends = np.array(
        [np.percentile(run([at(0, 24, 13.0)], seed=k, kind=kind).w_pct[-1, 0], (10, 50, 90)) for k in range(6)]
    )
    assert np.ptp(ends, axis=0).max() < 0.25 * np.ptp(ends, axis=1).max()


def test_a_strip_without_a_reading_stays_wide() -> None:
    spread = run([at(0, 24, 13.0)]).w_pct[24].std(axis=-1)
    assert spread[0] < 0.9
    assert np.all(spread[1:] > [3.0, 1.0])


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_a_first_reading_is_where_the_members_start(kind: str) -> None:
    moisture = run([at(0, 24, 11.0)], kind=kind)
    assert moisture.w_pct[24, 0].mean() == pytest.approx(11.0, abs=0.1)
    assert moisture.w_pct[24, 0].std(ddof=1) == pytest.approx(np.hypot(0.4, SPOT_SCATTER_PCT), abs=0.3)
    assert moisture.reading_flags == ()


@pytest.mark.parametrize("kind", [FILL, NATURAL])
def test_sand_may_hold_as_little_as_deserts_do(kind: str) -> None:
    """Measured at 5 cm: 0.002 to 0.012 m3/m3, where a fiftieth of the pores is 0.007."""
    told = run([at(2, 50, 0.3)], kind=kind).w_pct[50, 2]
    assert np.percentile(told, 10.0) < 0.1
    assert np.median(told) < 0.3 < np.percentile(told, 90.0)


def test_a_poor_method_pulls_less_than_a_good_one() -> None:
    first = at(0, 24, 13.0)
    plain = run([first]).w_pct[48, 0].mean()
    by_method = [run([first, at(0, 48, 11.5, method)]).w_pct[48, 0].mean() for method in ("oven", "hand feel")]
    assert 11.5 < by_method[0] < by_method[1] < plain


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_a_reading_pulls_only_its_own_strip(kind: str) -> None:
    with_it, without = run([at(0, 24, 11.0)], kind=kind), run(kind=kind)
    assert np.all(with_it.w_pct[:, 1:] == without.w_pct[:, 1:])
    assert np.any(with_it.w_pct[24:, 0] != without.w_pct[24:, 0])


def test_a_reading_at_the_very_end_counts() -> None:
    assert run([at(1, N_HOURS, 21.0)]).w_pct[-1, 1].mean() == pytest.approx(21.0, abs=0.5)


def test_the_hours_before_a_reading_do_not_know_of_it() -> None:
    assert np.all(run([at(0, 100, 11.0)]).w_pct[:100] == run().w_pct[:100])


def test_readings_of_one_hour_are_one() -> None:
    twice = run([at(0, 24, 13.0), at(0, 24, 12.0, "nuclear gauge")])
    assert 12.0 < twice.w_pct[24, 0].mean() < 13.0
    assert twice.w_pct[24, 0].std() < run([at(0, 24, 13.0)]).w_pct[24, 0].std()
    assert twice.knowledge[0].n_readings == 1


@pytest.mark.parametrize("w_pct", [-1.0, 0.0, 40.0])
def test_an_impossible_reading_is_flagged_and_changes_nothing(w_pct: float) -> None:
    moisture = run([at(0, 24, 13.0), at(0, 48, w_pct)])
    ((index, key, text),) = moisture.reading_flags
    assert (index, key) == (1, IMPOSSIBLE)
    assert f"{w_pct:.1f} %" in text
    assert np.all(moisture.w_pct == run([at(0, 24, 13.0)]).w_pct)


@pytest.mark.parametrize(("errors_beyond", "is_used"), [(1.9, True), (2.1, False)])
def test_a_reading_may_lie_twice_its_error_beyond_full_pores(errors_beyond: float, is_used: bool) -> None:
    full_pct = float(soil().saturated_w_pct[0])
    moisture = run([at(0, 24, 13.0), at(0, 48, full_pct + errors_beyond * METHOD_ERROR_PCT["oven"])])
    assert (IMPOSSIBLE not in [key for _, key, _ in moisture.reading_flags]) == is_used


def test_a_far_off_reading_widens_the_members_and_does_not_vanish() -> None:
    plain, moisture = run([at(0, 24, 13.0)]), run([at(0, 24, 13.0), at(0, 48, 20.0)])
    ((index, key, text),) = moisture.reading_flags
    assert (index, key) == (1, FAR)
    assert "second test" in text
    before = plain.w_pct[48, 0].mean()
    assert before + 1.0 < moisture.w_pct[48, 0].mean() < 19.0
    assert moisture.w_pct[48, 0].std() > 2.0


@pytest.mark.parametrize("hour", [50, 48 + 150])
def test_a_second_reading_on_the_same_side_is_believed_whenever_it_comes(hour: int) -> None:
    moisture = run([at(0, 24, 13.0), at(0, 48, 20.0), at(0, hour, 19.5)])
    assert FAR in [key for _, key, _ in moisture.reading_flags]
    assert moisture.w_pct[hour, 0].mean() == pytest.approx(19.5, abs=0.9)
    assert moisture.closure_error_mm < 1e-9


@pytest.mark.parametrize(
    ("first_pct", "second_pct", "third_pct", "flag"), [(12.0, 18.0, 29.0, CONFIRMED), (15.0, 21.0, 2.0, FAR)]
)
def test_a_far_off_reading_is_believed_whole_only_on_the_side_of_the_one_before(
    first_pct: float, second_pct: float, third_pct: float, flag: str
) -> None:
    moisture = run([at(1, 24, first_pct), at(1, 48, second_pct), at(1, 50, third_pct)])
    assert {i: key for i, key, _ in moisture.reading_flags} == {1: FAR, 2: flag}
    assert (abs(moisture.w_pct[50, 1].mean() - third_pct) < 1.0) == (flag == CONFIRMED)


def test_a_second_reading_that_agrees_with_the_simulation_settles_it_the_other_way() -> None:
    moisture = run([at(0, 24, 13.0), at(0, 48, 20.0), at(0, 50, 12.6)])
    assert CONFIRMED not in [key for _, key, _ in moisture.reading_flags]
    assert moisture.w_pct[50, 0].mean() == pytest.approx(12.6, abs=0.9)


def test_natural_ground_is_looked_up_among_first_readings_until_there_is_a_second() -> None:
    tables, n = Tables(), len(SCORE_NAMES[NATURAL])
    so_far = season(np.zeros(N_HOURS), np.full(N_HOURS, 0.2), np.full(N_HOURS, 15.0))
    of_kind = ground.Natural(strips=soil(), season=so_far, table=tables.population, growth=tables.growth[NATURAL])
    known = [replace(nothing_known(n), n_readings=k) for k in (0, 1, 2)]
    theta, scores = np.full(3, 0.2), np.zeros((n, 3, 1))
    p = of_kind.params(scores, theta, [48] * 3, known, np.zeros(3, dtype=np.bool_))
    for s, name in enumerate(("first", "first", "later")):
        row = predictors(so_far.at(48), 0.2, float(soil().lift_thickness_mm[s]), 0.2, 0.2)
        by_name = natural.scores(tables.population, row[None], name)[:, :, None]
        wanted = natural.params(by_name, soil().lift_thickness_mm[s, None, None], soil().theta_sat[s, None, None])
        assert p.theta_fc[s].item() == pytest.approx(wanted.theta_fc.item())
        assert p.tew_mm[s].item() == pytest.approx(wanted.tew_mm.item())


def test_readings_teach_the_strip_that_it_dries_slowly() -> None:
    place = list(LEARNABLE).index("evaporation_factor")
    slow = run([at(0, 24, 13.0)] + [at(0, h, 12.8) for h in (72, 96, 144, 192, 216)])
    assert slow.knowledge[0].mean[place] < -0.05
    assert slow.knowledge[0].n_taught == 5
    assert slow.knowledge[1].n_taught == 0


def test_disking_in_the_hour_of_a_reading_still_turns_the_lift_over() -> None:
    surface = np.full((N_HOURS, 3), SURFACE_INDEX["sealed"])
    surface[96:] = SURFACE_INDEX["scarified"]
    turned = np.zeros((N_HOURS, 3), dtype=np.bool_)
    turned[96] = True
    moisture = run([at(0, 24, 13.0), at(0, 96, 12.0)], surface=surface, turned=turned, et0_mm=np.zeros(N_HOURS))
    apart = np.abs(moisture.w_top_pct - moisture.w_base_pct)[:, 0]
    assert apart[96].mean() > 0.1
    assert apart[97].mean() < 0.2 * apart[96].mean() + 0.05


def test_a_lift_that_was_just_spread_is_alike_in_both_layers() -> None:
    known = run([at(0, 48, 13.0)], spread_at=[(46, 0)])
    unknown = run([at(0, 48, 13.0)])
    apart = [np.abs(m.w_top_pct - m.w_base_pct)[48, 0].mean() for m in (known, unknown)]
    assert apart[0] < 0.3 * apart[1]


@pytest.mark.parametrize(("spread_at", "share"), [((), 0.5), (((4, 0),), 1.0)])
def test_a_test_leaves_layers_apart_as_simulated_where_the_lift_s_age_is_known_and_half_where_not(
    spread_at: tuple[tuple[int, int], ...], share: float
) -> None:
    moisture = run([at(0, 96, 13.0)], spread_at=spread_at)
    before, after = np.abs(moisture.w_top_pct - moisture.w_base_pct)[95:97, 0].mean(axis=1)
    assert after / before == pytest.approx(share, abs=0.05)


def test_what_was_learned_can_be_handed_to_the_next_run() -> None:
    taught = run([at(0, 24, 13.0)] + [at(0, h, 12.8) for h in (72, 96, 144, 192, 216)]).knowledge
    fresh, wiser = run([at(0, 24, 13.0)]), run([at(0, 24, 13.0)], known=taught)
    assert wiser.w_pct[-1, 0].mean() > fresh.w_pct[-1, 0].mean() + 0.05


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_days_without_a_reading_widen_the_band(kind: str) -> None:
    spread = run([at(0, 24, 13.0)], kind=kind).w_pct[:, 0].std(axis=-1)
    assert max(spread[24], spread[95]) < spread[230]


def test_many_readings_never_collapse_the_spread() -> None:
    moisture = run([at(0, h, 12.0) for h in range(24, 230, 4)])
    assert moisture.w_pct[-1, 0].std() > 0.2


@pytest.mark.parametrize("kind", SCORE_NAMES)
def test_natural_ground_is_told_alike_for_top_and_base_and_fill_by_its_layers(kind: str) -> None:
    moisture = run([at(0, 24, 13.0)], kind=kind)
    assert np.all(moisture.w_top_pct == moisture.w_base_pct) == (kind == NATURAL)


@pytest.mark.parametrize(
    "wrong", [at(3, 24, 12.0), at(-1, 24, 12.0), at(0, N_HOURS + 1, 12.0), at(0, 24, float("nan"))], ids=str
)
def test_a_reading_off_the_axes_is_refused(wrong: ReadingAt) -> None:
    with pytest.raises(SoilError, match="reading 0"):
        run([wrong])


def test_one_member_is_refused() -> None:
    with pytest.raises(SoilError, match="at least two"):
        run(rain_mm=np.zeros((N_HOURS, 1)))


def test_a_test_of_the_crust_says_nothing_of_the_lift_that_the_layers_had_not_said() -> None:
    # Clay, strip 1: spread at 22 %, then five days of sun. The upper 100 mm are read as dry as they are expected to be.
    spread = [(0, 1)]
    first = ReadingAt(strip=1, hour=0, w_pct=22.0, sd_pct=METHOD_ERROR_PCT["oven"])
    dry = {"rain_mm": np.zeros((N_HOURS, N_MEMBERS))}
    before = run([first], spread_at=spread, **dry)
    hour = 120
    top, lift = (float(w[hour, 1].mean()) for w in (before.w_top_pct, before.w_pct))
    assert top < lift - 0.7, "a crust"
    upper = ReadingAt(strip=1, hour=hour, w_pct=top, sd_pct=METHOD_ERROR_PCT["nuclear gauge"], depth_mm=100.0)
    whole = ReadingAt(strip=1, hour=hour, w_pct=top, sd_pct=METHOD_ERROR_PCT["nuclear gauge"])
    after = run([first, upper], spread_at=spread, **dry)
    assert float(after.w_pct[hour, 1].mean()) == pytest.approx(lift, abs=0.15)
    assert float(after.w_top_pct[hour, 1].mean()) == pytest.approx(top, abs=0.3)
    taken_for_whole = run([first, whole], spread_at=spread, **dry)
    assert float(taken_for_whole.w_pct[hour, 1].mean()) < lift - 0.3
    # As deep as the lift, it is of the lift; half as deep again as the top layer, it holds some of the base.
    deep = run([first, replace(upper, depth_mm=250.0)], spread_at=spread, **dry)
    np.testing.assert_array_equal(deep.w_pct, taken_for_whole.w_pct)
    between = run([first, replace(upper, depth_mm=150.0)], spread_at=spread, **dry)
    levels = [float(r.w_pct[hour, 1].mean()) for r in (taken_for_whole, between, after)]
    assert levels == sorted(levels)


def test_tests_of_one_hour_are_one_test_of_the_lift_whatever_their_depths() -> None:
    own = [
        ReadingAt(strip=1, hour=24, w_pct=20.0, sd_pct=0.6, depth_mm=100.0),
        ReadingAt(strip=1, hour=24, w_pct=22.0, sd_pct=0.6),
    ]
    (test,) = together(list(enumerate(own)))
    of_lift = test.of_lift(lambda depth_mm: (1.0, 0.0) if depth_mm == 100.0 else (0.0, 0.0))
    assert of_lift.w_pct == pytest.approx(21.5)
    assert of_lift.error_pct == pytest.approx(test.error_pct)
    unsure = test.of_lift(lambda depth_mm: (1.0, 2.0) if depth_mm == 100.0 else (0.0, 0.0))
    assert unsure.w_pct > 21.8, "the test of the whole lift counts more"

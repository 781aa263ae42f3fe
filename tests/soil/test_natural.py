"""Natural ground: its table may travel, its parameters are physical, what is known moves them, and errors grow."""

from __future__ import annotations

import importlib.resources
import json

import numpy as np
import pytest

from gonogo.errors import SoilError
from gonogo.soil import error_growth, natural
from gonogo.soil.error_growth import TERMS
from gonogo.soil.season import NAMES, predictors, season


@pytest.mark.parametrize("name", ["natural.json", "error_growth.json"])
def test_the_shipped_tables_say_what_they_were_fitted_on_and_that_they_may_travel(name: str) -> None:
    text = importlib.resources.files("gonogo.soil").joinpath(name).read_text(encoding="utf-8")
    row = json.loads(text)
    for source in [row["source"]] if "source" in row else [g["source"] for g in row["grounds"].values()]:
        assert "U.S. Climate Reference Network" in source
        assert "public domain" in source
        assert "tests/" in source


def test_a_table_fitted_for_other_names_is_refused() -> None:
    text = importlib.resources.files("gonogo.soil").joinpath("natural.json").read_text(encoding="utf-8")
    row = json.loads(text)
    row["parameters"] = row["parameters"][::-1]
    with pytest.raises(SoilError, match="not this program's"):
        natural.parsed(json.dumps(row))
    with pytest.raises(SoilError, match="not this program's"):
        error_growth.parsed(json.dumps({"terms": [], "grounds": {}}))


@pytest.mark.parametrize("name", natural.TABLES)
def test_parameters_are_physical_wherever_the_members_stand(name: str) -> None:
    rng, n = np.random.default_rng(0), 40
    of_weather = [*rng.uniform(0.0, 1.0, (3, n)), rng.normal(0, 1.5, n), rng.uniform(0, 2, n), rng.uniform(-5, 30, n)]
    of_strip = [rng.uniform(-0.7, 0.7, n), *rng.uniform(0.0, 0.3, (2, n))]
    known = np.stack([rng.uniform(0.02, 0.5, n), *of_weather, *of_strip], axis=1)
    scores = natural.scores(natural.shipped(), known, name)[:, :, None] + 4.0 * rng.standard_normal(
        (len(natural.PARAMETERS), n, 30)
    )
    p = natural.params(scores, np.full((n, 1), 150.0), np.full((n, 1), 0.45))
    assert np.all((p.theta_fc > 0.0) & (p.theta_fc < p.theta_sat) & (p.theta_sat <= 0.45 * 1.01))
    assert np.all((p.rew_mm > 0.0) & (p.rew_mm < p.tew_mm))
    assert np.all((p.evaporation_factor >= 0.15) & (p.evaporation_factor <= 2.5))
    assert np.all((p.below_theta >= 0.0) & (p.below_theta <= p.theta_sat) & (p.below_frac_h <= 1.0))
    assert np.all((p.intake_mm_h >= 1.0) & (p.intake_mm_h <= 500.0))


def test_a_season_is_made_of_hours_before_and_goes_on_where_it_was_put_down() -> None:
    rng = np.random.default_rng(1)
    water, et0, temp = rng.gamma(0.2, 2.0, 300), rng.uniform(0.0, 0.5, 300), rng.normal(15.0, 5.0, 300)
    whole, first = season(water, et0, temp), season(water[:120], et0[:120], temp[:120])
    assert whole.state.shape == (301, len(NAMES))
    assert np.array_equal(whole.state[:121], first.state)
    rest = season(water[120:], et0[120:], temp[120:], first.state[-1])
    assert rest.state == pytest.approx(whole.state[120:])
    full = season(np.full(100, 20.0), np.zeros(100), np.full(100, 10.0)).at(100)
    assert predictors(full, 0.3, 150.0, 0.35, 0.3)[1:4] == pytest.approx(1.0)
    assert predictors(full, 0.3, 150.0, 0.35, 0.3)[8:] == pytest.approx([0.05, 0.0])


@pytest.mark.parametrize("ground", ["natural", "fill"])
def test_the_error_grows_with_days_change_and_what_is_not_known(ground: str) -> None:
    growth = error_growth.shipped()[ground]

    def half(**changed: float) -> float:
        base = {
            "lead_h": 48.0,
            "soil_variance": 1e-4,
            "theta": 0.2,
            "expected": 0.2,
            "rain_mm": 5.0,
            "thickness_mm": 150.0,
            "n_taught": 2.0,
        }
        return float(growth.half_width(error_growth.terms(**{k: np.float64(v) for k, v in (base | changed).items()})))

    # Without rain: after it, wet soil drains back to where it was.
    assert half(lead_h=24.0, rain_mm=0.0) < half(rain_mm=0.0) < half(lead_h=240.0, rain_mm=0.0)
    assert half(soil_variance=1e-5) < half() < half(soil_variance=1e-3)
    # Rain makes the content rise: how far, and how far it falls in dry days, is what is known least.
    assert half(rain_mm=0.0) < half(expected=0.21) < half(expected=0.25, rain_mm=40.0)
    assert half(rain_mm=0.0) < half(expected=0.19, rain_mm=0.0)
    steps = growth.steps(50)
    assert steps.mean() == pytest.approx(0.0, abs=1e-12)
    assert np.all(np.diff(steps) >= 0.0)
    assert len(TERMS) == len(growth.scale)


def test_field_capacity_stays_below_full_pores_by_a_twentieth() -> None:
    scores = np.zeros((len(natural.PARAMETERS), 1, 1))
    scores[list(natural.PARAMETERS).index("field_capacity")] = 9.0
    p = natural.params(scores, np.full((1, 1), 150.0), np.full((1, 1), 0.40))
    assert p.theta_fc.item() == pytest.approx(0.38)


@pytest.mark.parametrize("name", natural.TABLES)
def test_the_drier_a_reading_the_more_pores_stand_empty_above_field_capacity(name: str) -> None:
    """Porosity hardly depends on texture, field capacity does: a share of field capacity would shed rain from sand."""
    table, contents = natural.shipped(), np.array([0.05, 0.1, 0.2, 0.3, 0.4])
    known = np.tile(table.centre, (len(contents), 1))
    known[:, natural.PREDICTORS.index("reading")] = contents
    p = natural.params(natural.scores(table, known, name)[:, :, None], np.full((5, 1), 150.0), np.full((5, 1), 0.62))
    assert np.all(np.diff((p.theta_sat - p.theta_fc)[:, 0]) < 0.0)
    # A share of field capacity that is the same everywhere left dry ground 0.02 to 0.03.
    assert (p.theta_sat - p.theta_fc)[0, 0] > 0.1
    assert np.all((p.theta_sat > 0.25) & (p.theta_sat < 0.62))


@pytest.mark.parametrize("name", natural.TABLES)
def test_the_wetter_a_reading_the_more_slowly_rain_goes_in_and_sand_alone_drains_faster_than_the_rest(
    name: str,
) -> None:
    table, contents = natural.shipped(), np.array([0.05, 0.1, 0.2, 0.3, 0.4])
    known = np.tile(table.centre, (len(contents), 1))
    known[:, natural.PREDICTORS.index("reading")] = contents
    p = natural.params(natural.scores(table, known, name)[:, :, None], np.full((5, 1), 150.0), np.full((5, 1), 0.62))
    assert np.all(np.diff(p.intake_mm_h[:, 0]) < 0.0)
    assert np.all((p.intake_mm_h > 2.0) & (p.intake_mm_h < 300.0))
    drained = p.drainage_rise_h[:, 0]
    assert np.all(np.diff(drained[:3]) < 0.0)  # the usual reading lies above 0.2
    assert drained[3] == drained[4]

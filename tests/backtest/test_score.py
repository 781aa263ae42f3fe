"""Scores against numbers worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from gonogo.backtest.score import scores, text

HAND = pd.DataFrame(
    [
        # a misses by 0.01 and 0.03 where no change misses by 0.02 and 0.04; b misses by 0 where it misses by 0.06
        ("a", "arid", 1, 0.20, 0.22, 0.23, 0.21, 0.25),
        ("a", "arid", 1, 0.20, 0.24, 0.27, 0.25, 0.29),
        ("b", "humid", 1, 0.30, 0.24, 0.24, 0.20, 0.28),
        ("b", "humid", 1, 0.30, np.nan, 0.24, 0.20, 0.28),
    ],
    columns=["station", "climate", "lead_days", "reading", "measured", "theta_mean", "theta_p10", "theta_p90"],
)


def test_errors_count_each_station_alike_and_the_band_each_day() -> None:
    row = scores(HAND, leads=(1,)).set_index("climate").loc["all"]
    assert row["forecasts"] == 3
    assert row["rmse"] == pytest.approx(np.sqrt((0.01**2 + 0.03**2) / 2 / 2))
    assert row["rmse_no_change"] == pytest.approx(np.sqrt(((0.02**2 + 0.04**2) / 2 + 0.06**2) / 2))
    assert row["share"] == pytest.approx(row["rmse"] / row["rmse_no_change"])
    assert row["bias"] == pytest.approx(0.04 / 3)
    assert row["band_holds"] == pytest.approx(2 / 3)
    assert row["band_width"] == pytest.approx((0.04 + 0.04 + 0.08) / 3)


def test_each_climate_has_its_row() -> None:
    assert scores(HAND, leads=(1,))["climate"].tolist() == ["all", "arid", "humid"]
    assert scores(HAND, leads=(2,)).empty


def test_the_screen_says_when_there_is_nothing_to_score() -> None:
    assert "no score" in text(scores(HAND, leads=(2,)))
    assert "0.0158" in text(scores(HAND, leads=(1,)))

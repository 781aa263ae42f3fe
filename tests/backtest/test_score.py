"""Scores against numbers worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from gonogo.backtest.report import Backtest, text
from gonogo.backtest.score import chances, month_scores, reliability, scores, station_scores

HAND = pd.DataFrame(
    [
        # a misses by 0.01 and 0.03 where no change misses by 0.02 and 0.04; b misses by 0 where it misses by 0.06
        ("a", "arid", 4, 1, 0.20, 0.22, 0.23, 0.21, 0.25, 0.19, 0.23, 0.62),
        ("a", "arid", 5, 1, 0.20, 0.24, 0.27, 0.25, 0.29, 0.19, 0.23, 0.68),
        ("b", "humid", 5, 1, 0.30, 0.24, 0.24, 0.20, 0.28, 0.21, 0.27, 0.95),
        ("b", "humid", 5, 1, 0.30, np.nan, 0.24, 0.20, 0.28, 0.21, 0.27, 0.1),
    ],
    columns=[
        "station", "climate", "month", "lead_days", "reading", "measured", "theta_mean", "theta_p10", "theta_p90",
        "low", "high", "chance",
    ],
)  # fmt: skip


def shown(rows: pd.DataFrame) -> str:
    return text(Backtest(subject="", done=(), rows=rows, unit="m3/m3", decimals=4, window="in the window"))


def test_errors_count_each_station_alike_and_the_band_each_day() -> None:
    row = scores(HAND, leads=(1,)).set_index("group").loc["all"]
    assert row["forecasts"] == 3
    assert row["rmse"] == pytest.approx(np.sqrt((0.01**2 + 0.03**2) / 2 / 2))
    assert row["rmse_no_change"] == pytest.approx(np.sqrt(((0.02**2 + 0.04**2) / 2 + 0.06**2) / 2))
    assert row["share"] == pytest.approx(row["rmse"] / row["rmse_no_change"])
    assert row["bias"] == pytest.approx(0.04 / 3)
    assert row["band_holds"] == pytest.approx(2 / 3)
    assert row["band_width"] == pytest.approx((0.04 + 0.04 + 0.08) / 3)


def test_each_climate_has_its_row() -> None:
    assert scores(HAND, leads=(1,))["group"].tolist() == ["all", "arid", "humid"]
    assert scores(HAND[HAND["climate"] == "arid"], leads=(1,))["group"].tolist() == ["all"]
    assert scores(HAND, leads=(2,)).empty


def test_each_month_has_its_row_in_the_order_of_the_year() -> None:
    by_month = month_scores(HAND).set_index("group")
    assert by_month.index.tolist() == ["Apr", "May"]
    assert by_month["forecasts"].tolist() == [1, 2]
    assert by_month["share"]["Apr"] == pytest.approx(0.5)


def test_the_worst_station_against_no_change_comes_first() -> None:
    worst = station_scores(HAND)
    assert worst["station"].tolist() == ["a", "b"]
    assert worst["share"].tolist() == pytest.approx([1.0**0.5 * np.sqrt(0.0005 / 0.001), 0.0])


def test_chances_are_held_against_what_came_true() -> None:
    """Of the two given about 0.65 one came true; 0.95 did; the day that nobody measured counts nowhere."""
    rows = reliability(HAND).set_index("tenth")
    assert rows.index.tolist() == [6, 9]
    assert rows["n"].tolist() == [2, 1]
    assert rows["chance"].tolist() == pytest.approx([0.65, 0.95])
    assert rows["came_true"].tolist() == pytest.approx([0.5, 1.0])
    brier = chances(HAND, leads=(1,)).iloc[0]
    assert brier["brier"] == pytest.approx((0.38**2 + 0.68**2 + 0.05**2) / 3)
    # No change: of the two readings inside one stayed, of the one outside it came in.
    assert brier["brier_no_change"] == pytest.approx((0.5**2 + 0.5**2 + 0.0) / 3)


def test_the_screen_shows_classes_months_and_chances() -> None:
    said = shown(HAND)
    assert "0.0158" in said
    assert [line.split()[0] for line in said.splitlines() if line.startswith(("arid", "humid", "Apr", "May"))] == [
        "arid",
        "humid",
        "Apr",
        "May",
    ]
    assert "    65%   50%  of 2" in said


def test_the_screen_says_when_there_is_nothing_to_score() -> None:
    assert shown(HAND.assign(measured=np.nan)) == "Nothing was measured on the days ahead: no score."

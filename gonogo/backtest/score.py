"""How good forecasts were: against what was measured, and against "it stays as it was read"."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

LEADS = (1, 2, 3, 5, 7, 10)


def scores(table: pd.DataFrame, leads: Sequence[int] = LEADS) -> pd.DataFrame:
    """Return a row for each climate and lead: errors, share of "no change", bias, and how the band holds.

    table   columns station, climate, lead_days, reading, measured, theta_mean, theta_p10, theta_p90; a row a day ahead

    Each station weighs the same in the errors, each day in the band. Checked in tests/backtest/test_score.py.
    """
    known = table[table["measured"].notna()]
    rows = []
    for climate in ["all", *sorted(c for c in known["climate"].unique() if c)]:
        for lead in leads:
            some = known[(known["lead_days"] == lead) & ((known["climate"] == climate) | (climate == "all"))]
            if some.empty:
                continue
            error, still = some["theta_mean"] - some["measured"], some["reading"] - some["measured"]
            rmse, rmse_still = _by_station(some, error), _by_station(some, still)
            rows.append(
                {
                    "climate": climate,
                    "lead_days": lead,
                    "forecasts": len(some),
                    "rmse": rmse,
                    "rmse_no_change": rmse_still,
                    "share": rmse / rmse_still if rmse_still > 0.0 else np.nan,
                    "bias": float(error.mean()),
                    "band_holds": float(some["measured"].between(some["theta_p10"], some["theta_p90"]).mean()),
                    "band_width": float((some["theta_p90"] - some["theta_p10"]).mean()),
                }
            )
    return pd.DataFrame(rows)


def text(table: pd.DataFrame, unit: str = "m3/m3", decimals: int = 4) -> str:
    """Return the scores as lines for a screen; says so where nothing was measured."""
    if table.empty:
        return "Nothing was measured on the days ahead: no score."
    lines = [
        f"Errors in {unit} (root mean square, each station alike), all starts; share = error over that of no change.",
        f"{'climate':<10} {'days':>4} {'n':>6} {'error':>8} {'no change':>9} {'share':>6} {'bias':>8} {'in band':>7} "
        f"{'width':>7}",
    ]
    for r in table.to_dict("records"):
        lines.append(
            f"{r['climate']:<10} {r['lead_days']:>4} {r['forecasts']:>6} {r['rmse']:>8.{decimals}f} "
            f"{r['rmse_no_change']:>9.{decimals}f} {r['share']:>6.3f} {r['bias']:>8.{decimals}f} "
            f"{r['band_holds']:>7.3f} {r['band_width']:>7.{decimals}f}"
        )
    return "\n".join(lines)


def _by_station(some: pd.DataFrame, error: pd.Series[float]) -> float:
    """Root of the mean over stations of their mean square."""
    return float(np.sqrt((error**2).groupby(some["station"]).mean().mean()))

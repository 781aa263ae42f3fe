"""How good forecasts were: against what was measured, and against "it stays as it was read"."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

LEADS = (1, 2, 3, 5, 7, 10)
HALF_WINDOW = 0.03  # m3/m3: 2 points of water content at a dry density of 1.5 t/m3


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


def chances(table: pd.DataFrame, leads: Sequence[int] = LEADS) -> pd.DataFrame:
    """Return a row for each lead: Brier score of the chance of lying in the window, and of "no change".

    table   columns lead_days, reading, measured, middle, chance; no change says inside or not by the reading, with the
            frequency with which that came true at this lead

    Checked in tests/backtest/test_score.py.
    """
    known = table[table["measured"].notna() & table["middle"].notna()]
    rows = []
    for lead in leads:
        some = known[known["lead_days"] == lead]
        if some.empty:
            continue
        is_in = (some["measured"] - some["middle"]).abs() <= HALF_WINDOW
        was_in = (some["reading"] - some["middle"]).abs() <= HALF_WINDOW
        still = was_in.map(is_in.groupby(was_in).mean())
        rows.append(
            {
                "lead_days": lead,
                "brier": float(((some["chance"] - is_in.astype(float)) ** 2).mean()),
                "brier_no_change": float(((still - is_in.astype(float)) ** 2).mean()),
            }
        )
    return pd.DataFrame(rows)


def reliability(table: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each tenth of the chance: how many forecasts, the mean chance, and how often it came true."""
    known = table[table["measured"].notna() & table["middle"].notna()]
    is_in = (known["measured"] - known["middle"]).abs() <= HALF_WINDOW
    tenth = np.minimum((known["chance"] * 10.0).astype(int), 9)
    by_tenth = pd.DataFrame({"tenth": tenth, "chance": known["chance"], "came_true": is_in}).groupby("tenth")
    return by_tenth.agg(n=("chance", "size"), chance=("chance", "mean"), came_true=("came_true", "mean")).reset_index()


def chances_text(table: pd.DataFrame) -> str:
    """Return scores of the chances and their reliability as lines for a screen; nothing where nothing was measured."""
    found = chances(table)
    if found.empty:
        return ""
    lines = [
        "Chance of lying within 0.03 m3/m3 of the station's usual content: Brier score against no change with its own "
        "frequency."
    ]
    lines += [
        f"{r['lead_days']:>4} d  {r['brier']:.4f} against {r['brier_no_change']:.4f}" for r in found.to_dict("records")
    ]
    lines.append("Of those given a chance of about ... came true:")
    lines += [
        f"{r['chance']:>7.0%}  {r['came_true']:>4.0%}  of {r['n']}" for r in reliability(table).to_dict("records")
    ]
    return "\n".join(lines)


def _by_station(some: pd.DataFrame, error: pd.Series[float]) -> float:
    """Root of the mean over stations of their mean square."""
    return float(np.sqrt((error**2).groupby(some["station"]).mean().mean()))

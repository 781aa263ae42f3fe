"""How good forecasts were: against what was measured, and against "it stays as it was read". Pure arithmetic on rows.

A row is a day ahead of a start: station, climate, month (of the start, 1 to 12), lead_days, reading, measured,
theta_mean, theta_p10, theta_p90, and the window asked about: low, high, and the chance of lying in it. Contents are in
one unit throughout. NaN where nothing was measured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

LEADS = (1, 2, 3, 5, 7, 10)
SHOWN_LEADS = (1, 3, 5, 10)  # where a table has no room for all
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
ALL = "all"


def scores(table: pd.DataFrame, leads: Sequence[int] = LEADS) -> pd.DataFrame:
    """Return a row for each group (all; each climate, where there are several) and lead.

    Errors, share of "no change", bias, and how the band holds. Each station weighs the same in the errors, each day in
    the band. Checked in tests/backtest/test_score.py.
    """
    known = table[table["measured"].notna()]
    names = sorted(name for name in known["climate"].unique() if name)
    groups = [(ALL, known), *((name, known[known["climate"] == name]) for name in (names if len(names) > 1 else ()))]
    return pd.DataFrame([row for name, some in groups for row in _by_lead(name, some, leads)])


def month_scores(table: pd.DataFrame, leads: Sequence[int] = SHOWN_LEADS) -> pd.DataFrame:
    """Return the rows of `scores` for each month in which forecasts start, in the order of the year."""
    known = table[table["measured"].notna()]
    months = sorted(known["month"].unique()) if len(known) else []
    return pd.DataFrame(
        [row for n in months for row in _by_lead(MONTHS[int(n) - 1], known[known["month"] == n], leads)]
    )


def station_scores(table: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each station over all days ahead, the one that is worst against "no change" first."""
    known = table[table["measured"].notna()]
    rows = [
        {"station": name, "climate": some["climate"].iloc[0], **_row(some)} for name, some in known.groupby("station")
    ]
    found = pd.DataFrame(rows)
    return found.sort_values("share", ascending=False, kind="stable").reset_index(drop=True) if rows else found


def _by_lead(group: str, known: pd.DataFrame, leads: Sequence[int]) -> Iterator[dict[str, object]]:
    for lead in leads:
        some = known[known["lead_days"] == lead]
        if not some.empty:
            yield {"group": group, "lead_days": lead, **_row(some)}


def _row(some: pd.DataFrame) -> dict[str, object]:
    error, still = some["theta_mean"] - some["measured"], some["reading"] - some["measured"]
    rmse, rmse_still = _by_station(some, error), _by_station(some, still)
    return {
        "forecasts": len(some),
        "rmse": rmse,
        "rmse_no_change": rmse_still,
        "share": rmse / rmse_still if rmse_still > 0.0 else np.nan,
        "bias": float(error.mean()),
        "band_holds": float(some["measured"].between(some["theta_p10"], some["theta_p90"]).mean()),
        "band_width": float((some["theta_p90"] - some["theta_p10"]).mean()),
    }


def chances(table: pd.DataFrame, leads: Sequence[int] = LEADS) -> pd.DataFrame:
    """Return a row for each lead: Brier score of the chance of lying in the window, and of "no change".

    No change says inside or not by the reading, with the frequency with which that came true at this lead.
    Checked in tests/backtest/test_score.py.
    """
    known = _asked(table)
    rows = []
    for lead in leads:
        some = known[known["lead_days"] == lead]
        if some.empty:
            continue
        is_in, was_in = _inside(some, "measured"), _inside(some, "reading")
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
    known = _asked(table)
    tenth = np.minimum((known["chance"] * 10.0).astype(int), 9)
    found = pd.DataFrame({"tenth": tenth, "chance": known["chance"], "came_true": _inside(known, "measured")})
    by_tenth = found.groupby("tenth")
    return by_tenth.agg(n=("chance", "size"), chance=("chance", "mean"), came_true=("came_true", "mean")).reset_index()


def _asked(table: pd.DataFrame) -> pd.DataFrame:
    """The rows on which the window was asked about and something was measured."""
    return table[table["measured"].notna() & table["low"].notna()]


def _inside(table: pd.DataFrame, name: str) -> pd.Series[bool]:
    return table[name].between(table["low"], table["high"])


def _by_station(some: pd.DataFrame, error: pd.Series[float]) -> float:
    """Root of the mean over stations of their mean square."""
    return float(np.sqrt((error**2).groupby(some["station"]).mean().mean()))

"""What a backtest found, as lines for a screen: errors by class and by month, and what its chances are worth."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from gonogo.backtest.score import SHOWN_LEADS, chances, month_scores, reliability, scores


@dataclass(frozen=True, slots=True, kw_only=True)
class Backtest:
    """Forecasts beside what was measured.

    subject    what was forecast, in a few words
    done       sentences: how many forecasts, from where, what they lacked
    rows       as backtest/score.py takes them
    unit       of contents, and with how many decimals they are shown
    window     in words, the window whose chance was asked about
    """

    subject: str
    done: tuple[str, ...]
    rows: pd.DataFrame = field(repr=False)
    unit: str
    decimals: int
    window: str
    nothing: str = "Nothing was measured on the days ahead: no score."


def text(found: Backtest) -> str:
    """Return it as lines; says so where nothing was measured."""
    parts = [*found.done, _errors(found)]
    if found.rows["measured"].notna().any():
        parts += [_months(found), _chances(found)]
    return "\n".join(part for part in parts if part)


def _errors(found: Backtest) -> str:
    table, decimals = scores(found.rows), found.decimals
    if table.empty:
        return found.nothing
    lines = [
        f"Errors in {found.unit} (root mean square, each station alike), all starts; "
        "share = error over that of no change.",
        f"{'class':<10} {'days':>4} {'n':>6} {'error':>8} {'no change':>9} {'share':>6} {'bias':>8} {'in band':>7} "
        f"{'width':>7}",
    ]
    for r in table.to_dict("records"):
        lines.append(
            f"{r['group']:<10} {r['lead_days']:>4} {r['forecasts']:>6} {r['rmse']:>8.{decimals}f} "
            f"{r['rmse_no_change']:>9.{decimals}f} {r['share']:>6.3f} {r['bias']:>8.{decimals}f} "
            f"{r['band_holds']:>7.3f} {r['band_width']:>7.{decimals}f}"
        )
    return "\n".join(lines)


def _months(found: Backtest) -> str:
    """Errors by month of the start; nothing where no start has a measured day ahead of it."""
    table = month_scores(found.rows)
    if table.empty:
        return ""
    days = " ".join(f"{lead:>4} d" for lead in SHOWN_LEADS)
    lines = ["By month of the start: share of the error of no change, and of the measured in the 10-90% band."]
    lines.append(f"{'month':<5} {'n':>6} | {days} | {days}")
    for name, some in table.groupby("group", sort=False):
        by_lead = some.set_index("lead_days")
        cells = [
            " ".join(f"{by_lead[column][lead]:>6.3f}" if lead in by_lead.index else " " * 6 for lead in SHOWN_LEADS)
            for column in ("share", "band_holds")
        ]
        lines.append(f"{name:<5} {int(by_lead['forecasts'].max()):>6} | {cells[0]} | {cells[1]}")
    return "\n".join(lines)


def _chances(found: Backtest) -> str:
    """Scores of the chances and their reliability; nothing where no window was asked about."""
    brier = chances(found.rows)
    if brier.empty:
        return ""
    lines = [f"Chance of lying {found.window}: Brier score against no change with its own frequency."]
    lines += [
        f"{r['lead_days']:>4} d  {r['brier']:.4f} against {r['brier_no_change']:.4f}" for r in brier.to_dict("records")
    ]
    lines.append("Of those given a chance of about ... came true:")
    lines += [
        f"{r['chance']:>7.0%}  {r['came_true']:>4.0%}  of {r['n']}" for r in reliability(found.rows).to_dict("records")
    ]
    return "\n".join(lines)

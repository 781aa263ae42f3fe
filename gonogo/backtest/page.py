"""What a backtest found as one page to look at and to print: pictures with their figures in words, and the tables."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import jinja2
import pandas as pd
from markupsafe import Markup

from gonogo.backtest import drawings
from gonogo.backtest.report import Backtest
from gonogo.backtest.score import ALL, SHOWN_LEADS, chances, month_scores, reliability, scores, station_scores

N_WORST = 8
BAND = (0.72, 0.88)  # where a band that is to hold 80 % may lie in a class and lead
LEAST_SHOWN = 10  # a tenth with fewer forecasts is in the table alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A drawing with its head, the key of its lines (sample, name), and what it shows."""

    head: str
    svg: Markup
    keys: tuple[tuple[Markup, str], ...] = ()
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """A table as text: its head, the heads of its columns, its rows, and what is said below it."""

    head: str
    heads: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]
    note: str = ""


def page(found: Backtest) -> str:
    """Return it as one HTML page, complete in itself."""
    table = scores(found.rows, leads=_leads(found.rows))
    return _template().render(
        css=Markup(resources.files("gonogo.backtest").joinpath("page.css").read_text("utf-8")),
        title=found.subject,
        answer=found.nothing if table.empty else _answer(found, table),
        done=found.done,
        pictures=() if table.empty else _pictures(found, table),
        tables=() if table.empty else _tables(found),
    )


def _leads(rows: pd.DataFrame) -> tuple[int, ...]:
    return tuple(int(lead) for lead in sorted(rows["lead_days"].unique()))


def _answer(found: Backtest, table: pd.DataFrame) -> str:
    """The errors at the nearest and the farthest day, and the band over all days, in a sentence each."""
    whole = table[table["group"] == ALL]
    first, last = whole.iloc[0], whole.iloc[-1]
    held = float((whole["band_holds"] * whole["forecasts"]).sum() / whole["forecasts"].sum())

    def error_text(row: pd.Series[Any]) -> str:
        return (
            f"{row['rmse']:.{found.decimals}f} {found.unit} after {_days(row['lead_days'])}, "
            f"{row['share']:.2f} of the error of no change"
        )

    both = error_text(first) if len(whole) == 1 else f"{error_text(first)}, and {error_text(last)}"
    return f"The forecast is off by {both}. The 10–90% band held {held:.0%} of what was measured."


def _days(lead: float) -> str:
    return "1 day" if lead == 1 else f"{lead:.0f} days"


def _pictures(found: Backtest, table: pd.DataFrame) -> tuple[Drawing, ...]:
    drawn = (_error_picture(found, table), _band_picture(table), _chance_picture(found), _station_picture(found))
    return tuple(picture for picture in drawn if picture is not None)


def _error_picture(found: Backtest, table: pd.DataFrame) -> Drawing:
    whole = table[table["group"] == ALL]
    names = (("rmse", "forecast", "disc"), ("rmse_no_change", "no change: it stays as it was read", "frame"))
    lines = tuple(
        drawings.LeadLine(name=name, points=tuple(zip(whole["lead_days"], whole[column], strict=True)), mark=mark)
        for column, name, mark in names
    )
    figures = "; ".join(
        f"{_days(r['lead_days'])} {r['rmse']:.{found.decimals}f} against {r['rmse_no_change']:.{found.decimals}f}"
        for r in whole.to_dict("records")
    )
    ticks = drawings.scale(float(whole[["rmse", "rmse_no_change"]].max().max()))
    picture = drawings.LeadLines(
        title=f"Error by days ahead [{found.unit}]: {figures}.",
        lines=lines,
        ticks=ticks,
        tick=lambda value: f"{value:.{max(found.decimals - 2, 1)}f}",
        axis="days ahead",
    )
    return Drawing(
        head="Error by days ahead",
        svg=Markup(drawings.lines(picture)),
        keys=_keys(lines),
        note=f"Root mean square in {found.unit}, each station alike.",
    )


def _keys(lines: tuple[drawings.LeadLine, ...]) -> tuple[tuple[Markup, str], ...]:
    return tuple((Markup(drawings.key(line.mark)), line.name) for line in lines)


def _band_picture(table: pd.DataFrame) -> Drawing:
    lines = tuple(
        drawings.LeadLine(
            name=str(group),
            points=tuple(zip(some["lead_days"], some["band_holds"], strict=True)),
            mark=drawings.MARKS[n % len(drawings.MARKS)],
        )
        for n, (group, some) in enumerate(table.groupby("group", sort=False))
    )
    figures = "; ".join(
        f"{line.name} " + ", ".join(f"{_days(day)} {share:.0%}" for day, share in line.points) for line in lines
    )
    low, high = BAND
    picture = drawings.LeadLines(
        title=f"Share of the measured that lay in the 10 to 90% band, by class and days ahead: {figures}.",
        lines=lines,
        ticks=(0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0),
        tick=lambda value: f"{value:.0%}",
        axis="days ahead",
        wanted=BAND,
    )
    return Drawing(
        head="How often the band holds",
        svg=Markup(drawings.lines(picture)),
        keys=_keys(lines),
        note=f"Of what was measured, the share between the 10 and the 90% forecast: 80% is right, "
        f"{low:.0%} to {high:.0%} shaded. What lies below 40% is drawn at 40%.",
    )


def _chance_picture(found: Backtest) -> Drawing | None:
    points = tuple(
        (float(r["chance"]), float(r["came_true"]), int(r["n"]))
        for r in reliability(found.rows).to_dict("records")
        if r["n"] >= LEAST_SHOWN
    )
    if not points:
        return None
    figures = "; ".join(f"said {chance:.0%}, came true {came_true:.0%} of {n}" for chance, came_true, n in points)
    picture = drawings.Tenths(
        title=f"Chance of lying {found.window}: {figures}.",
        points=points,
        chance_label="chance said",
        came_label="came true",
    )
    return Drawing(
        head="What a chance is worth",
        svg=Markup(drawings.tenths(picture)),
        note=f"Chance of lying {found.window}, by tenths; on the line it came true as often as it was said. "
        f"A larger disc stands for more forecasts; tenths with fewer than {LEAST_SHOWN} are left out.",
    )


def _station_picture(found: Backtest) -> Drawing:
    worst = station_scores(found.rows).head(N_WORST).to_dict("records")

    def tick(value: float) -> str:
        return f"{value:.{max(found.decimals - 1, 1)}f}"

    figures = "; ".join(f"{r['station']} {tick(r['rmse'])} against {tick(r['rmse_no_change'])}" for r in worst)
    picture = drawings.Bars(
        title=f"Error over all days ahead of the worst against no change: {figures}.",
        rows=tuple((str(r["station"]), float(r["rmse"]), float(r["rmse_no_change"])) for r in worst),
        tick=tick,
    )
    return Drawing(
        head="Where it is worst",
        svg=Markup(drawings.bars(picture)),
        note=f"Error over all days ahead in {found.unit}, the worst against no change first; the upright is the "
        "error of no change.",
    )


def _tables(found: Backtest) -> tuple[TextTable, ...]:
    made = (_class_table(found), _month_table(found), _chance_table(found), _station_table(found))
    return tuple(table for table in made if table is not None)


def _class_table(found: Backtest) -> TextTable:
    heads = ("class", "days", "forecasts", "error", "no change", "share", "bias", "in band", "band width")
    rows = [
        (r["group"], r["lead_days"], r["forecasts"], *_figures(r, found.decimals))
        for r in scores(found.rows).to_dict("records")
    ]
    return TextTable(head=f"By class and days ahead [{found.unit}]", heads=heads, rows=tuple(rows))


def _figures(row: dict[Any, Any], decimals: int) -> tuple[str, ...]:
    shown = (f"{row[name]:.{decimals}f}" for name in ("rmse", "rmse_no_change"))
    return (
        *shown,
        f"{row['share']:.3f}",
        f"{row['bias']:+.{decimals}f}",
        f"{row['band_holds']:.0%}",
        f"{row['band_width']:.{decimals}f}",
    )


def _month_table(found: Backtest) -> TextTable:
    heads = (
        "month",
        "forecasts",
        *(f"share, {_days(lead)}" for lead in SHOWN_LEADS),
        *(f"in band, {_days(lead)}" for lead in SHOWN_LEADS),
    )
    rows = []
    for name, some in month_scores(found.rows).groupby("group", sort=False):
        by_lead = some.set_index("lead_days")
        shares = [f"{by_lead['share'][lead]:.3f}" if lead in by_lead.index else "" for lead in SHOWN_LEADS]
        bands = [f"{by_lead['band_holds'][lead]:.0%}" if lead in by_lead.index else "" for lead in SHOWN_LEADS]
        rows.append((name, int(by_lead["forecasts"].max()), *shares, *bands))
    return TextTable(head="By month of the start: share of the error of no change", heads=heads, rows=tuple(rows))


def _chance_table(found: Backtest) -> TextTable | None:
    tenths = reliability(found.rows)
    if tenths.empty:
        return None
    rows = [(f"{r['chance']:.0%}", f"{r['came_true']:.0%}", r["n"]) for r in tenths.to_dict("records")]
    brier = "; ".join(
        f"{_days(r['lead_days'])} {r['brier']:.4f} against {r['brier_no_change']:.4f}"
        for r in chances(found.rows).to_dict("records")
    )
    return TextTable(
        head=f"Chance of lying {found.window}",
        heads=("said", "came true", "forecasts"),
        rows=tuple(rows),
        note=f"Brier score against no change with its own frequency: {brier}.",
    )


def _station_table(found: Backtest) -> TextTable:
    heads = ("station", "class", "forecasts", "error", "no change", "share", "bias", "in band", "band width")
    rows = [
        (r["station"], r["climate"], r["forecasts"], *_figures(r, found.decimals))
        for r in station_scores(found.rows).to_dict("records")
    ]
    return TextTable(head=f"Every station, all days ahead [{found.unit}]", heads=heads, rows=tuple(rows))


@cache
def _template() -> jinja2.Template:
    source = resources.files("gonogo.backtest").joinpath("page.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(source)

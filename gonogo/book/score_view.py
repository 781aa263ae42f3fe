"""A score in a reader's language: a sentence that is the answer, tables with their counts, and a picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import jinja2
from markupsafe import Markup

from gonogo.book import pictures
from gonogo.book.export import Covered
from gonogo.book.score import LEAST_PAIRS, ChanceScore, LeadScore, RainScore, Score
from gonogo.records.verdict import Verdict
from gonogo.wording import phrases, plain
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Number


@dataclass(frozen=True, slots=True, kw_only=True)
class TableView:
    """One table as text: its title, what it shows, the heads of its columns, and its rows."""

    title: str
    key: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreView:
    """All of a score as text. first: the answer; advice: what to do, "" where all is well; notes: single figures."""

    title: str
    first: str
    advice: str
    notes: tuple[str, ...]
    tables: tuple[TableView, ...]


def view(covered: Covered, score: Score, speak: Speaker) -> ScoreView:
    """Return a score in a language and its units."""
    span = {"first": phrases.Day(day=covered.first), "last": phrases.Day(day=covered.last)}
    known = any(not math.isnan(lead.rmse_pct) for lead in score.leads)
    answer = "score.too_few" if not known else "score.worse" if score.is_worse_than_last_test else "score.better"
    return ScoreView(
        title=speak.word("score.title", site=covered.site.name, **span),
        first=speak.word(answer, least=LEAST_PAIRS),
        advice=speak.word("score.advice") if known and score.is_worse_than_last_test else "",
        notes=_notes(score, speak),
        tables=tuple(
            table for table in (_leads(score, speak), _chances(score, speak), _rain(score, speak)) if table.rows
        ),
    )


def _notes(score: Score, speak: Speaker) -> tuple[str, ...]:
    """Verdicts that tests bore out, litres, mails on time."""
    lines = []
    for verdict in Verdict:
        right, wrong = score.confirmed.get(verdict.value, (0, 0))
        if right + wrong:
            word = speak.word(f"verdict.{verdict}")
            lines.append(speak.word("score.verdict", verdict=word, right=right, n=right + wrong))
    if score.n_doses:
        told, right_litres = (phrases.amount("litres", litres) for litres in (score.litres_told, score.litres_right))
        lines.append(speak.word("score.litres", n=score.n_doses, told=told, right=right_litres))
    if score.n_mails:
        lines.append(speak.word("score.mails", on_time=score.n_mails_on_time, n=score.n_mails))
    return tuple(lines)


def _leads(score: Score, speak: Speaker) -> TableView:
    def row(lead: LeadScore) -> tuple[str, ...]:
        figures = (lead.rmse_pct, lead.as_tested_pct)
        shown = (speak.say(Number(value=round(value, 2), decimals=2)) for value in figures)
        return (ahead(lead.lead_days, speak), speak.say(lead.n), *shown, speak.say(phrases.chance(lead.band_share)))

    return TableView(
        title=speak.word("score.leads"),
        key=speak.word("score.leads_key", least=LEAST_PAIRS),
        heads=tuple(
            speak.word(key) for key in ("score.ahead", "score.pairs", "score.forecast", "score.as_tested", "score.band")
        ),
        rows=tuple(row(lead) for lead in score.leads if lead.n),
    )


def _chances(score: Score, speak: Speaker) -> TableView:
    def row(chance: ChanceScore) -> tuple[str, ...]:
        between = speak.word("score.between", low=round(100 * chance.low), high=round(100 * chance.high))
        return (between, speak.say(chance.n), *(speak.say(phrases.chance(c)) for c in (chance.told, chance.came_true)))

    return TableView(
        title=speak.word("score.chances"),
        key=speak.word("score.chances_key", least=LEAST_PAIRS),
        heads=tuple(speak.word(key) for key in ("score.chance", "score.pairs", "score.said", "score.came_true")),
        rows=tuple(row(chance) for chance in score.chances if chance.n),
    )


def _rain(score: Score, speak: Speaker) -> TableView:
    def row(rain: RainScore) -> tuple[str, ...]:
        figures = (phrases.amount("rain_mm", mm) for mm in (rain.bias_mm, rain.mean_absolute_mm))
        return (ahead(rain.lead_days, speak), speak.say(rain.n), *(speak.say(figure) for figure in figures))

    return TableView(
        title=speak.word("score.rain"),
        key=speak.word("score.rain_key", least=LEAST_PAIRS),
        heads=tuple(speak.word(key) for key in ("score.ahead", "score.pairs", "score.bias", "score.off_by")),
        rows=tuple(row(rain) for rain in score.rain if rain.n),
    )


def ahead(lead_days: int, speak: Speaker) -> str:
    """Return how far ahead a forecast looked."""
    return speak.word("score.same_day") if lead_days == 0 else speak.word("form.days", n=lead_days)


def text(shown: ScoreView) -> str:
    """Return a score as plain text."""
    parts = [shown.title, plain.wrap(" ".join(filter(None, (shown.first, shown.advice))))]
    parts += ["\n".join(plain.wrap(note) for note in shown.notes)] if shown.notes else []
    for table in shown.tables:
        parts.append("\n".join([table.title, plain.wrap(table.key), _grid((table.heads, *table.rows))]))
    return "\n\n".join(parts)


def _grid(rows: Sequence[tuple[str, ...]]) -> str:
    """Return rows in columns of their widest cell, the first one to the left."""
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) if n == 0 else cell.rjust(width) for n, (cell, width) in enumerate(cells)).rstrip()
        for cells in (tuple(zip(row, widths, strict=True)) for row in rows)
    )


@cache
def _template() -> jinja2.Template:
    source = resources.files("gonogo.book").joinpath("score.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(source)


def page(covered: Covered, score: Score, speak: Speaker) -> str:
    """Return a score as one HTML page, complete in itself."""
    leads = [lead for lead in score.leads if not math.isnan(lead.rmse_pct)]
    picture = pictures.Errors(
        title=speak.word("score.leads"),
        labels=tuple(ahead(lead.lead_days, speak) for lead in leads),
        forecast=tuple(lead.rmse_pct for lead in leads),
        as_tested=tuple(lead.as_tested_pct for lead in leads),
        tick=lambda value: speak.say(Number(value=round(value, 1), decimals=1)),
    )
    return _template().render(
        css=Markup(resources.files("gonogo.book").joinpath("month.css").read_text("utf-8")),
        view=view(covered, score, speak),
        word=speak.word,
        language=speak.words.language,
        picture=Markup(pictures.errors(picture)) if leads else "",
    )

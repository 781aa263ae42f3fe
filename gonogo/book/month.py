"""The days of a book as one page to print: weather, hours lost, tests, and a drawing of the site and of each strip."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from functools import cache
from importlib import resources

import jinja2
from markupsafe import Markup

from gonogo import times
from gonogo.book import lost_time, pictures
from gonogo.book.export import Covered
from gonogo.book.gather import BookDay
from gonogo.book.pictures import DayMark
from gonogo.book.tables import TestRow
from gonogo.decide.lift_keys import ROLLED
from gonogo.records.field import Entry, SurfaceWork, Watering
from gonogo.records.site import Strip
from gonogo.records.verdict import Verdict
from gonogo.wording import phrases
from gonogo.wording.language import Speaker
from gonogo.wording.phrases import Gap, Number

RAIN_DAY_MM = 1.0  # a day with at least this much is a day of rain, as climatologists count (WMO-No. 1203)
CAUSE_KEYS = {
    lost_time.RAIN: "rain",
    lost_time.SNOW: "snow",
    lost_time.FROST: "frost",
    lost_time.STORM: "storm",
    lost_time.WET_GROUND: "wet_ground",
    lost_time.DRY_GROUND: "dry_ground",
    lost_time.MISSING_TEST: "missing_test",
    lost_time.NO_FORECAST: "no_forecast",
    lost_time.SHORT_SHIFT: "short_shift",
    lost_time.OUTSIDE_WINDOW: "outside_window",
    lost_time.REWORK: "rework",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """What the page is made from. entries: those in force; adverse_days: anticipated by the contract, None = unsaid."""

    covered: Covered
    days: tuple[BookDay, ...]
    tests: tuple[TestRow, ...]
    entries: tuple[Entry, ...]
    mail_states: Mapping[str, int]
    adverse_days: float | None = None


@cache
def _template() -> jinja2.Template:
    text = resources.files("gonogo.book").joinpath("month.html").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(text)


def page(month: Month, speak: Speaker) -> str:
    """Return the page in a language and its units: complete in itself, with no script and nothing to be fetched."""
    covered = month.covered
    return _template().render(
        css=Markup(resources.files("gonogo.book").joinpath("month.css").read_text("utf-8")),
        word=speak.word,
        language=speak.words.language,
        site=covered.site.name,
        first=phrases.Day(day=covered.first),
        last=phrases.Day(day=covered.last),
        rows=[_row(day, speak) for day in month.days],
        lost=_lost(month, speak),
        picture=Markup(pictures.site_month(_site_month(month, speak))),
        strips=[
            (strip.name, Markup(pictures.strip_month(_strip_month(month, strip, speak))))
            for strip in covered.site.strips
        ],
        tests=[_test(test, month, speak) for test in month.tests],
        mails=_mails(month, speak),
    )


def _row(day: BookDay, speak: Speaker) -> dict[str, object]:
    """One line of the table of days."""
    weather = day.weather
    counts = Counter(strip.verdict for strip in day.strips if strip.reason not in ROLLED)
    works = [f"{strip.strip}: {_done(strip.work_recorded, strip.litres_recorded, speak)}" for strip in day.strips]
    done = [work for strip, work in zip(day.strips, works, strict=True) if strip.work_recorded or strip.litres_recorded]
    return {
        "day": speak.say(phrases.Day(day=weather.day, form="head")),
        "is_off": not weather.is_working_day,
        "service_mm": _amount("rain_mm", weather.service_rain_mm, speak),
        "gauge_mm": _amount("rain_mm", weather.gauge_rain_mm, speak),
        "station_mm": _amount("rain_mm", weather.station_rain_mm, speak),
        "low": _amount("temp_degc", weather.service_temp_min_degc, speak),
        "high": _amount("temp_degc", weather.service_temp_max_degc, speak),
        "wind": _amount("wind_m_s", weather.service_wind_max_2m_m_s, speak),
        "lost": _hours(day.lost.total_h, speak) if weather.is_working_day and day.strips else "",
        "cause": speak.word(f"book.lost_{CAUSE_KEYS[day.lost.cause]}") if day.lost.cause else "",
        "is_adverse": weather.is_working_day and lost_time.is_adverse(day.lost, day.shift_h),
        "told": " ".join(
            f"{speak.word(f'verdict.{verdict}')} {counts[verdict]}" for verdict in Verdict if counts[verdict]
        ),
        "done": "; ".join(done),
    }


def _done(work: str, litres: float, speak: Speaker) -> str:
    """What was recorded of a strip on a day, in the reader's words."""
    found = [speak.word(f"book.work_{part.split(',')[0]}") for part in work.split("; ") if part]
    if litres:
        found.append(speak.say(phrases.amount("litres", litres)))
    return ", ".join(found)


def _lost(month: Month, speak: Speaker) -> dict[str, object]:
    """Hours lost by cause, days of adverse weather, and what the fall of rain did."""
    by_cause: Counter[str] = Counter()
    for day in month.days:
        by_cause.update(day.lost.by_cause)
    worked = [day for day in month.days if day.weather.is_working_day and day.strips]
    adverse = sum(lost_time.is_adverse(day.lost, day.shift_h) for day in worked)
    rain = [day.weather.service_rain_mm for day in month.days if day.weather.service_rain_mm is not None]
    anticipated: Gap = "" if month.adverse_days is None else Number(value=month.adverse_days)
    return {
        "causes": [
            (speak.word(f"book.lost_{CAUSE_KEYS[cause]}"), _hours(hours, speak))
            for cause, hours in sorted(by_cause.items(), key=lambda item: -item[1])
        ],
        "shift": speak.word("book.shift_hours", n=len(worked), hours=_hours(sum(day.shift_h for day in worked), speak)),
        "adverse": speak.word("book.adverse", n=adverse)
        + ("" if month.adverse_days is None else " " + speak.word("book.anticipated", days=anticipated)),
        "rain": speak.word(
            "book.rain_of_month",
            n=sum(mm >= RAIN_DAY_MM for mm in rain),
            rain=phrases.amount("rain_mm", sum(rain)),
            least=phrases.amount("rain_mm", RAIN_DAY_MM),
        )
        if rain
        else "",
    }


def _mails(month: Month, speak: Speaker) -> str:
    n_sent, n_all = month.mail_states.get("sent", 0), sum(month.mail_states.values())
    return speak.word("book.mails", sent=n_sent, n=n_all)


def _test(test: TestRow, month: Month, speak: Speaker) -> dict[str, str]:
    zone, covered = month.covered.site.zone, month.covered
    at = phrases.moment(test.phenomenon_time_utc, zone, covered.first - timedelta(days=1), step_min=1)
    passed = "" if test.is_passed is None else speak.word("book.passed" if test.is_passed else "book.failed")
    return {
        "at": speak.say(at),
        "strip": test.strip,
        "lift": speak.say(test.lift),
        "method": speak.word(f"book.method_{test.procedure.replace(' ', '_')}"),
        "w": speak.say(phrases.amount("w_pct", test.w_pct)),
        "density": _amount("dry_density_kg_m3", test.dry_density_kg_m3, speak),
        "compaction": _amount("w_pct", test.compaction_pct, speak),
        "required": _amount("w_pct", test.required_pct, speak) if test.compaction_pct is not None else "",
        "passed": passed,
    }


def _marks(days: Sequence[BookDay], speak: Speaker) -> tuple[DayMark, ...]:
    every = 1 if len(days) <= 16 else 2
    return tuple(
        DayMark(
            label=speak.number(day.weather.day.day, 0) if n % every == 0 else "",
            is_working_day=day.weather.is_working_day,
        )
        for n, day in enumerate(days)
    )


def _site_month(month: Month, speak: Speaker) -> pictures.SiteMonth:
    days = month.days
    weather_h = tuple(sum(day.lost.by_cause.get(cause, 0.0) for cause in lost_time.WEATHER_CAUSES) for day in days)
    return pictures.SiteMonth(
        title=speak.word("book.picture_site"),
        days=_marks(days, speak),
        rain_mm=tuple(day.weather.service_rain_mm for day in days),
        gauge_mm=tuple(day.weather.gauge_rain_mm for day in days),
        lost_weather_h=weather_h,
        lost_other_h=tuple(day.lost.total_h - lost_h for day, lost_h in zip(days, weather_h, strict=True)),
        shift_h=max((day.shift_h for day in days), default=0.0),
        rain_tick=lambda mm: speak.say(phrases.amount("rain_mm", mm)),
        hour_tick=lambda hours: _hours(hours, speak),
    )


def _strip_month(month: Month, strip: Strip, speak: Speaker) -> pictures.StripMonth:
    site, days = month.covered.site, month.days
    first_utc = times.moment_utc(days[0].weather.day, time(0), site.zone)
    told = {day.weather.day: row for day in days for row in day.strips if row.strip == strip.id}
    material = site.material(strip.material_id)

    def place(at_utc: datetime) -> float:
        return (at_utc - first_utc) / timedelta(days=1)

    works: list[tuple[float, str]] = []
    for entry in month.entries:
        if isinstance(entry, SurfaceWork | Watering) and entry.strip_id == strip.id:
            kind = "watered" if isinstance(entry, Watering) else "rolled" if entry.work == "rolled" else "other"
            if 0.0 <= place(entry.at_utc) < len(days):
                works.append((place(entry.at_utc), kind))
    return pictures.StripMonth(
        title=speak.word("book.picture_strip", strip=strip.name),
        days=_marks(days, speak),
        model_pct=tuple(told[d.weather.day].model_w_pct if d.weather.day in told else None for d in days),
        tests=tuple((place(test.phenomenon_time_utc), test.w_pct) for test in month.tests if test.strip == strip.id),
        works=tuple(works),
        low_pct=material.omc_pct + material.window_low_pct,
        high_pct=material.omc_pct + material.window_high_pct,
        tick=lambda w_pct: speak.say(phrases.amount("w_pct", w_pct)),
    )


def _amount(quantity: str, value: float | None, speak: Speaker) -> str:
    return "" if value is None else speak.say(phrases.amount(quantity, value))


def _hours(hours: float, speak: Speaker) -> str:
    return speak.word("book.hours", hours=Number(value=round(hours, 1), decimals=1))

"""What `gonogo weather` shows: the weather as verdicts use it, its source and age, notes, the next hours and days."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from gonogo import times
from gonogo.cli.outcome import CommandOutcome, Exit
from gonogo.cli.weather_csv import chance_of_rain, csv_text, et0_mm
from gonogo.config import Config
from gonogo.download.forecasts import Fetch, from_stored
from gonogo.download.rounds import Rounds
from gonogo.errors import WeatherError
from gonogo.morning import answers, compute, previous
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site
from gonogo.service.clock import clock_utc
from gonogo.store.open import open_store
from gonogo.weather import services
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather
from gonogo.weather.table import THUNDER_CODES
from gonogo.wording import phrases, plain
from gonogo.wording.clock import Clock
from gonogo.wording.language import Speaker, speaker
from gonogo.wording.notes import note_phrase
from gonogo.wording.phrases import Day, Gap, Names, Phrase, phrase

HOURS_SHOWN = 24
LINE_WIDTH = 100  # of a sentence beside the margin
WET_MM_D = 1.0  # what counts as rain in a day
FALLEN_H = (24, 72, 168, 336)  # spans over which fallen rain is shown
LEAST_MM, LEAST_THUNDER = 0.05, 0.1  # less is no remark
TRUST = {
    ForecastStatus.FRESH: "weather.fresh",
    ForecastStatus.OLD: "weather.old",
    ForecastStatus.NONE: "weather.untrusted",
}


def show(
    config: Config,
    site: Site,
    *,
    now_utc: datetime,
    speak: Speaker | None,
    only_stored: bool = False,
    fetch: Fetch | None = None,
) -> CommandOutcome:
    """Ask for a site's weather as a morning would, keep what came, and return it as text or CSV.

    speak         the language and units of the text; None for CSV
    only_stored   ask no service: show what the store holds
    """
    ask = from_stored if only_stored else fetch or Rounds(config, clock_utc=clock_utc).fetch
    day = times.local_date(now_utc, site.zone)
    store = open_store(config)
    try:
        frame = RunFrame(
            config=config,
            site=site,
            day=day,
            now_utc=now_utc,
            deadline_utc=now_utc,
            store=store,
            fetch=ask,
            keeps=not only_stored,
        )
        stored = previous.load(frame, with_previous=False)
        rng = np.random.default_rng(compute.seed(site, day, frame.edition))
        try:
            downloaded = answers.fetched(frame, stored).downloaded
            weather = answers.checked(frame, stored, downloaded, rng)
        except WeatherError as error:
            head = (speak or speaker("en", "metric")).word("weather.unusable", site=site.name)
            return CommandOutcome(text=f"{head}\n{error}", exit_code=Exit.ATTENTION)
    finally:
        store.dispose()
    shown = (
        csv_text(site, weather)
        if speak is None
        else text(site, weather, now_utc=now_utc, speak=speak, faults=downloaded.faults)
    )
    return CommandOutcome(text=shown, exit_code=Exit.ATTENTION if weather.status is ForecastStatus.NONE else Exit.OK)


def text(site: Site, weather: HourlyWeather, *, now_utc: datetime, speak: Speaker, faults: Sequence[str] = ()) -> str:
    """Return a site's weather as a person reads it, in site time. faults: of the services, as they were logged."""
    found = services.find().get(weather.service)
    clock = Clock(site=site, day=times.local_date(now_utc, site.zone))
    age_h = (now_utc - weather.fetched_utc) / times.HOUR
    source = phrase(
        "weather.from",
        service=found.title if found else weather.service,
        fetched=clock.minute(weather.fetched_utc),
        age=phrases.duration(age_h, step_min=1 if age_h < 2.0 else 60),
        trust=phrase(TRUST[weather.status]),
    )
    credit = (line for words, link in weather.attribution for line in (words, f"  {link}"))
    notes = [plain.sentences(speak, note_phrase(note, clock)) for note in weather.notes]
    shown = {
        "source": [speak.say(source), *credit],
        "notes": notes or [speak.word("weather.no_notes")],
        "faults": faults or [speak.word("weather.no_faults")],
        "fallen": [_fallen(weather, now_utc, speak)],
    }
    labels = {key: speak.word(f"weather.{key}") for key in shown}
    margin = max(map(len, labels.values())) + 2
    day, time = Day(day=clock.day), clock.minute(now_utc)
    lines = [
        speak.word("weather.title", site=site.name, day=day, time=time),
        speak.word("text.zone", zone=site.zone.key),
        "",
        *(line for key, items in shown.items() for line in _beside(labels[key], items, margin)),
        "",
        *_table(_hours(weather, clock, now_utc), speak),
        "",
        *_table(_days(site, weather, now_utc), speak),
    ]
    return "\n".join(lines)


def _beside(label: str, items: Sequence[str], margin: int) -> list[str]:
    """Return items with a label in the margin of the first line."""
    found = [line for item in items for part in item.splitlines() for line in textwrap.wrap(part, LINE_WIDTH)]
    return [f"{label if n == 0 else '':<{margin}}{line}" for n, line in enumerate(found)]


def _table(rows: Sequence[tuple[Gap, ...]], speak: Speaker) -> list[str]:
    """Return rows as lines: the first column and the last, which holds remarks, to the left, numbers to the right."""
    cells = [[speak.say(cell) for cell in row] for row in rows]
    widths = [max(len(row[n]) for row in cells) for n in range(len(cells[0]) - 1)]
    return [
        "  ".join(
            cell if n == len(widths) else f"{cell:<{widths[n]}}" if n == 0 else f"{cell:>{widths[n]}}"
            for n, cell in enumerate(row)
        ).rstrip()
        for row in cells
    ]


def _brief(share: float) -> Gap:
    return replace(phrases.chance(share), is_brief=True)


def _fallen(weather: HourlyWeather, now_utc: datetime, speak: Speaker) -> str:
    """Return what rain has fallen, over some spans of hours."""
    now = times.as_hour(now_utc)
    parts = []
    for hours in FALLEN_H:
        since = now - np.timedelta64(hours, "h")
        inside = (weather.hour_utc >= since) & (weather.hour_utc < now)
        rain_mm = float(weather.rain_mm[inside].sum()) if weather.hour_utc[0] <= since else math.nan
        span = phrases.duration(float(hours))
        parts.append(speak.word("weather.fallen_in", time=span, rain=phrases.amount("rain_mm", rain_mm)))
    return ", ".join(parts)


def _heads(*names: str) -> tuple[Gap, ...]:
    return (*(phrase(f"weather.{name}") for name in names), "")


def _hours(weather: HourlyWeather, clock: Clock, now_utc: datetime) -> list[tuple[Gap, ...]]:
    """Return a row for each of the next hours."""
    rows = [_heads("hour", "temp", "humidity", "wind", "sun", "rain", "chance")]
    chance = chance_of_rain(weather)
    first = int(np.searchsorted(weather.hour_utc, times.as_hour(now_utc)))
    for row in range(first, min(first + HOURS_SHOWN, len(weather.hour_utc))):
        rows.append(
            (
                clock.minute(times.as_datetime(weather.hour_utc[row])),
                phrases.amount("temp_degc", float(weather.temp_degc[row])),
                phrases.amount("rh_pct", float(weather.rh_pct[row])),
                phrases.amount("wind_m_s", float(weather.wind_2m_m_s[row])),
                phrases.amount("radiation_w_m2", float(weather.shortwave_w_m2[row])),
                phrases.amount("rain_mm", float(weather.rain_mm[row])),
                _brief(float(chance[row])),
                Names(items=tuple(_remarks(weather, row))),
            )
        )
    return rows


def _remarks(weather: HourlyWeather, row: int) -> Iterator[Phrase]:
    """Yield what else an hour brings."""
    if weather.snow_mm[row] > LEAST_MM:
        yield phrase("weather.snow", water=phrases.amount("rain_mm", float(weather.snow_mm[row])))
    if weather.melt_mm[row] > LEAST_MM:
        yield phrase("weather.melt", water=phrases.amount("rain_mm", float(weather.melt_mm[row])))
    if weather.is_ground_frozen[row]:
        depth = phrases.amount("thickness_m", float(weather.frost_depth_mm[row]) / 1000.0)
        yield phrase("weather.frost", depth=depth)
    if weather.weather_code[row] in THUNDER_CODES:
        yield phrase("weather.thunder")
    elif weather.thunder_chance[row] >= LEAST_THUNDER:
        yield phrase("weather.thunder_chance", chance=phrases.chance(float(weather.thunder_chance[row])))


def _days(site: Site, weather: HourlyWeather, now_utc: datetime) -> list[tuple[Gap, ...]]:
    """Return a row for each local day from today on that the table holds whole, or from now on."""
    much = phrase("weather.much", floor=phrases.amount("rain_mm", WET_MM_D))
    head = _heads("day", "temp", "rain", "likely", "chance", "evaporation")
    rows = [(*head[:4], much, *head[5:])]
    demand_mm = et0_mm(site, weather)
    day = times.local_date(now_utc, site.zone)
    last = times.local_date(times.as_datetime(weather.hour_utc[-1]), site.zone)
    while day <= last:
        start = times.moment_utc(day, datetime.min.time(), site.zone)
        end = times.moment_utc(day + timedelta(days=1), datetime.min.time(), site.zone)
        inside = (weather.hour_utc >= times.as_hour(max(start, now_utc))) & (weather.hour_utc < times.as_hour(end))
        if inside.any():
            totals = weather.rain_members_mm[inside].sum(axis=0)
            low, high = np.percentile(totals, (10, 90))
            temp = weather.temp_degc[inside]
            is_part = times.as_datetime(weather.hour_utc[inside][-1]) < end - timedelta(hours=1)
            rows.append(
                (
                    Day(day=day),
                    _range("temp_degc", float(temp.min()), float(temp.max())),
                    phrases.amount("rain_mm", float(weather.rain_mm[inside].sum())),
                    _range("rain_mm", float(low), float(high)),
                    _brief(float((totals >= WET_MM_D).mean())),
                    phrases.amount("rain_mm", float(demand_mm[inside].sum())),
                    phrase("weather.part") if is_part else "",
                )
            )
        day += timedelta(days=1)
    return rows


def _range(quantity: str, low: float, high: float) -> Phrase:
    return phrase("weather.range", low=phrases.amount(quantity, low), high=phrases.amount(quantity, high))

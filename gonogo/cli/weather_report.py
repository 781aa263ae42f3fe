"""What `gonogo weather` shows: the source, what was repaired, the next hours and days; as text or as CSV."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from gonogo import times
from gonogo.cli.outcome import Exit, Outcome
from gonogo.config import Config
from gonogo.download.forecasts import Fetch, from_stored
from gonogo.download.rounds import Rounds
from gonogo.errors import WeatherError
from gonogo.morning import answers, compute, previous
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site
from gonogo.service.clock import clock_utc
from gonogo.soil import reference_et
from gonogo.store.open import open_store
from gonogo.weather import services
from gonogo.weather.forecast_status import ForecastStatus
from gonogo.weather.series import HourlyWeather
from gonogo.weather.table import THUNDER_CODES
from gonogo.wording import plain
from gonogo.wording.clock import Clock
from gonogo.wording.language import speaker
from gonogo.wording.notes import note_phrase

HOURS_SHOWN = 24
LINE_WIDTH = 100  # of a sentence beside the margin
WET_MM_H, WET_MM_D = 0.1, 1.0  # what counts as rain in an hour and in a day
TRUST = {
    ForecastStatus.FRESH: "fresh",
    ForecastStatus.OLD: "OLD: the spread is widened, look at the sky first",
    ForecastStatus.NONE: "NOT TRUSTED: no strip is told to compact",
}
CSV_COLUMNS = (
    "hour_local",
    "hour_utc",
    "temp_degc",
    "rh_pct",
    "wind_2m_m_s",
    "pressure_kpa",
    "shortwave_w_m2",
    "et0_mm",
    "rain_mm",
    "rain_p10_mm",
    "rain_p90_mm",
    "rain_chance",
    "snow_mm",
    "melt_mm",
    "frost_depth_mm",
    "thunder_chance",
    "weather_code",
    "service",
    "fetched_utc",
    "forecast_status",
)


def show(
    config: Config,
    site: Site,
    *,
    now_utc: datetime,
    as_csv: bool = False,
    only_stored: bool = False,
    fetch: Fetch | None = None,
) -> Outcome:
    """Ask for a site's weather as a morning would, keep what came, and return it as text or CSV.

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
            return Outcome(text=f"{site.name}: no usable weather.\n{error}", exit_code=Exit.ATTENTION)
    finally:
        store.dispose()
    shown = csv_text(site, weather) if as_csv else text(site, weather, now_utc=now_utc, faults=downloaded.faults)
    return Outcome(text=shown, exit_code=Exit.ATTENTION if weather.status is ForecastStatus.NONE else Exit.OK)


def text(site: Site, weather: HourlyWeather, *, now_utc: datetime, faults: Sequence[str] = ()) -> str:
    """Return a site's weather as a person reads it, in site time and metric units."""
    found = services.find().get(weather.service)
    fetched = weather.fetched_utc.astimezone(site.zone)
    lines = [
        f"{site.name}, {now_utc.astimezone(site.zone):%a %Y-%m-%d %H:%M} site time ({site.zone.key})",
        "",
        f"source    {found.title if found else weather.service}, fetched {fetched:%a %H:%M}, "
        f"{_age(now_utc - weather.fetched_utc)} old: {TRUST[weather.status]}",
        *(f"          {line}" for words, link in weather.attribution for line in (words, f"  {link}")),
        *_list("notes", _notes(site, weather, now_utc), "none"),
        *_list("faults", faults, "none on the way"),
        *_past(site, weather, now_utc),
        "",
        *_hours(site, weather, now_utc),
        "",
        *_days(site, weather, now_utc),
    ]
    return "\n".join(lines)


def csv_text(site: Site, weather: HourlyWeather) -> str:
    """Return every hour of a site's weather as CSV: units in the column names, empty where something is not known."""
    written = io.StringIO()
    rows = csv.writer(written, lineterminator="\n")
    rows.writerow(CSV_COLUMNS)
    p10, p90 = np.percentile(weather.rain_members_mm, (10, 90), axis=1)
    computed = {
        "et0_mm": _et0_mm(site, weather),
        "rain_p10_mm": p10,
        "rain_p90_mm": p90,
        "rain_chance": _chance_of_rain(weather),
    }
    for row, hour in enumerate(weather.hour_utc):
        at = times.as_datetime(hour)
        numbers = {
            name: float(computed[name][row] if name in computed else getattr(weather, name)[row])
            for name in CSV_COLUMNS[2:-3]
        }
        rows.writerow(
            [
                at.astimezone(site.zone).isoformat(timespec="minutes"),
                at.strftime("%Y-%m-%dT%H:%MZ"),
                *("" if math.isnan(value) else f"{value:.4g}" for value in numbers.values()),
                weather.service,
                weather.fetched_utc.isoformat(timespec="seconds"),
                weather.status.value,
            ]
        )
    return written.getvalue()


def _notes(site: Site, weather: HourlyWeather, now_utc: datetime) -> list[str]:
    """Return what was done to the forecast, in English sentences."""
    speak, clock = speaker("en", "metric"), Clock(site=site, day=times.local_date(now_utc, site.zone))
    return [plain.sentences(speak, note_phrase(note, clock)) for note in weather.notes]


def _age(span: timedelta) -> str:
    """Return an age as people say it."""
    minutes = round(span.total_seconds() / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes / 60.0:.0f} h"


def _list(title: str, items: Sequence[str], none: str) -> list[str]:
    """Return lines under a title in the margin."""
    shown = [line for item in items for part in item.splitlines() for line in textwrap.wrap(part, LINE_WIDTH)]
    shown = shown or [none]
    return [f"{title if n == 0 else '':<10}{line}" for n, line in enumerate(shown)]


def _chance_of_rain(weather: HourlyWeather) -> np.ndarray:
    """Return the share of members with rain in each hour: what the verdicts are made from."""
    return np.asarray((weather.rain_members_mm >= WET_MM_H).mean(axis=1))


def _et0_mm(site: Site, weather: HourlyWeather) -> np.ndarray:
    """Return the reference evapotranspiration of each hour [mm], dew left out."""
    return np.maximum(
        reference_et.hourly_et0_mm(weather.air, site.place),
        0.0,
    )


def _past(site: Site, weather: HourlyWeather, now_utc: datetime) -> list[str]:
    """Return the line on rain that has fallen."""
    now = times.as_hour(now_utc)
    parts = []
    for name, hours in (("24 h", 24), ("3 days", 72), ("7 days", 168), ("14 days", 336)):
        since = now - np.timedelta64(hours, "h")
        inside = (weather.hour_utc >= since) & (weather.hour_utc < now)
        is_whole = weather.hour_utc[0] <= since
        parts.append(f"{name} {weather.rain_mm[inside].sum():.1f} mm" if is_whole else f"{name} not known")
    return [f"fallen    {', '.join(parts)}"]


def _hours(site: Site, weather: HourlyWeather, now_utc: datetime) -> list[str]:
    """Return a row for each of the next hours."""
    heads = (("temp", "humid", "wind", "sun", "rain", "chance"), ("°C", "%", "m/s", "W/m²", "mm", "%"))
    lines = [
        f"{first:<12}{a:>6} {b:>7} {c:>6} {d:>6} {e:>8} {f:>8}"
        for first, (a, b, c, d, e, f) in zip(("hour", ""), heads, strict=True)
    ]
    chance = _chance_of_rain(weather)
    first = int(np.searchsorted(weather.hour_utc, times.as_hour(now_utc)))
    for row in range(first, min(first + HOURS_SHOWN, len(weather.hour_utc))):
        at = times.as_datetime(weather.hour_utc[row]).astimezone(site.zone)
        marks = []
        if weather.snow_mm[row] > 0.05:
            marks.append(f"snow {weather.snow_mm[row]:.1f} mm of water")
        if weather.melt_mm[row] > 0.05:
            marks.append(f"melt {weather.melt_mm[row]:.1f} mm")
        if weather.is_ground_frozen[row]:
            marks.append(f"frost {weather.frost_depth_mm[row] / 10.0:.0f} cm deep")
        if weather.weather_code[row] in THUNDER_CODES:
            marks.append("thunder")
        elif weather.thunder_chance[row] >= 0.1:
            marks.append(f"thunder {100 * weather.thunder_chance[row]:.0f} %")
        lines.append(
            f"{at:%a %H:%M}   {weather.temp_degc[row]:6.1f} {weather.rh_pct[row]:7.0f} {weather.wind_2m_m_s[row]:6.1f} "
            f"{weather.shortwave_w_m2[row]:6.0f} {weather.rain_mm[row]:8.1f} {100 * chance[row]:8.0f}   "
            f"{', '.join(marks)}".rstrip()
        )
    return lines


def _days(site: Site, weather: HourlyWeather, now_utc: datetime) -> list[str]:
    """Return a row for each local day from today on that the table holds whole, or from now on."""
    lines = [
        "day              temp       rain    likely        1 mm or more    evaporation",
        "                 °C         mm      mm            %               mm",
    ]
    et0_mm = _et0_mm(site, weather)
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
            lines.append(
                f"{day:%a %Y-%m-%d}   {f'{temp.min():.0f} to {temp.max():.0f}':<11}"
                f"{weather.rain_mm[inside].sum():<8.1f}{f'{low:.1f} to {high:.1f}':<14}"
                f"{100 * (totals >= WET_MM_D).mean():<16.0f}{et0_mm[inside].sum():.1f}"
                f"{'   part of the day' if is_part else ''}"
            )
        day += timedelta(days=1)
    return lines

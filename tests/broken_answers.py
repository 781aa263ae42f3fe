"""Faults as services have them, put into a sound answer: each changes a body in place.

OWN betray themselves in the answer; SECOND are whole and in agreement, and only another answer shows them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

Fault = Callable[[dict[str, Any], int], None]  # changes a body; the row of now
Change = Callable[[list[Any], int], list[Any]]

STATES = ("temperature_2m", "relative_humidity_2m", "dew_point_2m", "wind_speed_10m", "surface_pressure")
RAIN = ("precipitation", "precipitation_probability", "weather_code", "snowfall")
SUN = ("shortwave_radiation", "et0_fao_evapotranspiration")
ALL = (*STATES, *RAIN, *SUN, "soil_temperature_0cm", "snow_depth")
CODES = ((2.5, 63), (1.3, 61), (0.6, 53), (0.1, 51))  # WMO 4677 as the invented services choose it


def _columns(*names: str, change: Change) -> Fault:
    def apply(whole: dict[str, Any], now: int) -> None:
        for name in names:
            whole["hourly"][name] = change(whole["hourly"][name], now)

    return apply


def _times(factor: float, *names: str) -> Fault:
    return _columns(*names, change=lambda values, _: [round(value * factor, 4) for value in values])


def _plus(step: float, *names: str) -> Fault:
    return _columns(*names, change=lambda values, _: [round(value + step, 2) for value in values])


def _rain(change: Change) -> Fault:
    return _columns("precipitation", change=change)


def _all_of(*faults: Fault) -> Fault:
    def apply(whole: dict[str, Any], now: int) -> None:
        for fault in faults:
            fault(whole, now)

    return apply


def _late(hours: int, *names: str) -> Fault:
    """Values come later under the same stamps; earlier where hours is below 0."""
    return _columns(*names, change=lambda values, _: [*values[-hours:], *values[:-hours]])


def _late_from_now(hours: int, *names: str) -> Fault:
    def change(values: list[Any], now: int) -> list[Any]:
        ahead = values[now:]
        return [*values[:now], *ahead[-hours:], *ahead[:-hours]]

    return _columns(*names, change=change)


def _ahead(value: Any, *names: str) -> Fault:
    return _columns(*names, change=lambda values, now: [*values[:now], *[value] * (len(values) - now)])


def _gone_by(value: Any, *names: str) -> Fault:
    return _columns(*names, change=lambda values, now: [*[value] * now, *values[now:]])


def _stuck(*names: str) -> Fault:
    return _columns(*names, change=lambda values, now: [*values[:now], *[values[now]] * (len(values) - now)])


def _dry_under_rain(whole: dict[str, Any], now: int) -> None:
    for name, value in (("precipitation", 0.0), ("precipitation_probability", 100), ("weather_code", 65)):
        whole["hourly"][name][now : now + 14] = [value] * 14


def _hole(n_hours: int, *names: str) -> Fault:
    """Hours without a value around the wettest of the shift."""

    def apply(whole: dict[str, Any], now: int) -> None:
        rain = whole["hourly"]["precipitation"]
        first = now + int(np.argmax(rain[now : now + 12])) - n_hours // 2
        for name in names:
            whole["hourly"][name][first : first + n_hours] = [None] * n_hours

    return apply


def _with_gaps(missing: int, of: int) -> Change:
    """Of each few hours some are missing, from now for a day."""
    return lambda values, now: [
        None if 0 <= at - now < 24 and (at - now) % of < missing else value for at, value in enumerate(values)
    ]


def _cut_out(n_hours: int) -> Fault:
    """Rows of the table are missing, stamps and all, around the wettest hour of the shift."""

    def apply(whole: dict[str, Any], now: int) -> None:
        first = now + int(np.argmax(whole["hourly"]["precipitation"][now : now + 12])) - n_hours // 2
        for name, values in whole["hourly"].items():
            whole["hourly"][name] = values[:first] + values[first + n_hours :]

    return apply


def _of_day(change: Callable[[list[float]], list[float]]) -> Change:
    return lambda values, _: [v for day in range(0, len(values), 24) for v in change(values[day : day + 24])]


def _total(values: list[float]) -> list[float]:
    return [round(float(total), 2) for total in np.cumsum(values)]


def _day_in_one_hour(day: list[float]) -> list[float]:
    return [0.0] * (len(day) - 1) + [round(sum(day), 2)]


def _neighbours_swapped(values: list[Any], _now: int) -> list[Any]:
    return [v for at in range(0, len(values), 2) for v in values[at : at + 2][::-1]]


def _stamps(hours: int) -> Fault:
    return _columns("time", change=lambda values, _: [at + 3_600 * hours for at in values])


def _half_of_stamps(hours: int) -> Fault:
    return _columns("time", change=lambda values, now: [*values[:now], *[at + 3_600 * hours for at in values[now:]]])


def _every_other_stamp(values: list[Any], _now: int) -> list[Any]:
    return [at + 3_600 * (row % 2) for row, at in enumerate(values)]


def _days_ago(days: int) -> Fault:
    """Serve the answer of days before again: it begins and ends so much sooner. The hours that it had are kept."""

    def apply(whole: dict[str, Any], now: int) -> None:
        _stamps(-24 * days)(whole, now)
        _late(24 * days, *ALL)(whole, now)

    return apply


def _no_rain(whole: dict[str, Any], _now: int) -> None:
    for name in RAIN:
        whole["hourly"][name] = [0] * len(whole["hourly"]["time"])


def _less_rain(factor: float) -> Fault:
    """Amounts, chances and codes of a drier sky, in agreement."""

    def apply(whole: dict[str, Any], _now: int) -> None:
        hourly = whole["hourly"]
        hourly["precipitation"] = [round(mm * factor, 2) for mm in hourly["precipitation"]]
        hourly["precipitation_probability"] = [round(p * factor) for p in hourly["precipitation_probability"]]
        hourly["weather_code"] = [
            next((code for least, code in CODES if mm >= least), 3) if was > 3 else was
            for mm, was in zip(hourly["precipitation"], hourly["weather_code"], strict=True)
        ]

    return apply


def _all_as_snow(whole: dict[str, Any], _now: int) -> None:
    whole["hourly"]["snowfall"] = [round(0.7 * mm, 2) for mm in whole["hourly"]["precipitation"]]


OWN: dict[str, Fault] = {
    "amounts 0, chance 100 %, code 65": _dry_under_rain,
    "amounts in metres under the name of mm": _times(0.001, "precipitation"),
    "amounts in cm": _times(0.1, "precipitation"),
    "amounts in inches": _times(0.0394, "precipitation"),
    "amounts in tenths of mm": _times(10.0, "precipitation"),
    "all amounts 0": _times(0.0, "precipitation"),
    "amounts ahead 0": _ahead(0.0, "precipitation"),
    "amounts gone by 0": _gone_by(0.0, "precipitation"),
    "amounts in reverse": _rain(lambda values, _: values[::-1]),
    "amounts three hours late": _late(3, "precipitation"),
    "amounts six hours late": _late(6, "precipitation"),
    "amounts six hours early": _late(-6, "precipitation"),
    "amounts twelve hours late": _late(12, "precipitation"),
    "amounts a day late": _late(24, "precipitation"),
    "amounts a day early": _late(-24, "precipitation"),
    "amounts ahead six hours late": _late_from_now(6, "precipitation"),
    "amounts ahead a day late": _late_from_now(24, "precipitation"),
    "amounts of two hours swapped": _rain(_neighbours_swapped),
    "a day's amount in its last hour": _rain(_of_day(_day_in_one_hour)),
    "running total": _rain(lambda values, _: _total(values)),
    "running total of each day": _rain(_of_day(_total)),
    "running total since now": _rain(lambda values, now: [*values[:now], *_total(values[now:])]),
    "one missing hour of rain": _hole(1, "precipitation"),
    "three missing hours of rain": _hole(3, "precipitation"),
    "nineteen missing hours of rain": _hole(19, "precipitation"),
    "every second hour of rain missing": _rain(_with_gaps(1, 2)),
    "three of four hours of rain missing": _rain(_with_gaps(3, 4)),
    "three missing hours of rain, chance and code": _hole(3, *RAIN),
    "three missing hours of everything": _hole(3, *ALL),
    "three hours cut out": _cut_out(3),
    "nineteen hours cut out": _cut_out(19),
    "chance as a fraction": _times(0.01, "precipitation_probability"),
    "chance 0 and code 0": _times(0.0, "precipitation_probability", "weather_code"),
    "all rain as snow": _all_as_snow,
    "radiation 0": _times(0.0, "shortwave_radiation"),
    "radiation ahead 0": _ahead(0.0, "shortwave_radiation"),
    "radiation and evapotranspiration 0": _times(0.0, *SUN),
    "radiation in MJ": _times(0.0036, "shortwave_radiation"),
    "radiation and evapotranspiration in MJ": _times(0.0036, *SUN),
    "radiation halved": _times(0.5, "shortwave_radiation"),
    "radiation a tenth": _times(0.1, "shortwave_radiation"),
    "radiation by six tenths more": _times(1.6, "shortwave_radiation"),
    "radiation in reverse": _columns("shortwave_radiation", change=lambda values, _: values[::-1]),
    "radiation three hours late": _late(3, "shortwave_radiation"),
    "every column in reverse": _columns(*ALL, change=lambda values, _: values[::-1]),
    "every column twelve hours late": _late(12, *ALL),
    "every column three hours early": _late(-3, *ALL),
    "every column ahead six hours late": _late_from_now(6, *ALL),
    "every column ahead three hours late": _late_from_now(3, *ALL),
    "every column ahead two hours early": _late_from_now(-2, *ALL),
    "every column ahead stuck": _stuck(*ALL),
    "temperature in reverse": _columns("temperature_2m", change=lambda values, _: values[::-1]),
    "temperature in degF": _columns("temperature_2m", change=lambda values, _: [1.8 * v + 32.0 for v in values]),
    "temperature and dew point in degF": _columns(
        "temperature_2m", "dew_point_2m", change=lambda values, _: [1.8 * v + 32.0 for v in values]
    ),
    "temperature 8 degrees less": _plus(-8.0, "temperature_2m"),
    "temperature and dew point 8 degrees less": _plus(-8.0, "temperature_2m", "dew_point_2m"),
    "humidity as a fraction": _times(0.01, "relative_humidity_2m"),
    "humidity 100 %": _columns("relative_humidity_2m", change=lambda values, _: [100] * len(values)),
    "wind in km/h under the name of m/s": _times(3.6, "wind_speed_10m"),
    "wind 0": _times(0.0, "wind_speed_10m"),
    "stamps a day late": _stamps(24),
    "stamps a day early": _stamps(-24),
    "stamps two days late": _stamps(48),
    "stamps two days early": _stamps(-48),
    "stamps three days late": _stamps(72),
    "stamps three days early": _stamps(-72),
    "stamps three hours late": _stamps(3),
    "stamps three hours early": _stamps(-3),
    "stamps of half the hours six hours late": _half_of_stamps(6),
    "stamps ahead an hour late": _half_of_stamps(1),
    "stamps ahead three hours late": _half_of_stamps(3),
    "stamps ahead three hours early": _half_of_stamps(-3),
    "every other stamp an hour late": _columns("time", change=_every_other_stamp),
    "yesterday's answer again": _days_ago(1),
    "the answer of three days ago again": _days_ago(3),
}
SECOND: dict[str, Fault] = {
    "no rain in amounts, chance and code": _no_rain,
    "no rain ahead in amounts, chance and code": _ahead(0, *RAIN),
    "no rain gone by in amounts, chance and code": _gone_by(0, *RAIN),
    "a third of the rain in amounts, chance and code": _less_rain(0.33),
    "rain of all columns in reverse": _columns(*RAIN, change=lambda values, _: values[::-1]),
    "rain of all columns six hours late": _late(6, *RAIN),
    "rain of all columns twelve hours late": _late(12, *RAIN),
    "rain of all columns a day late": _late(24, *RAIN),
    "rain of all columns stuck": _stuck(*RAIN),
    "columns a day early under right stamps": _late(-24, *ALL),
    "columns two days early under right stamps": _late(-48, *ALL),
    "columns three days late under right stamps": _late(72, *ALL),
    "yesterday's values under today's stamps": _late_from_now(24, *ALL),
}

"""A model's run as fields on a grid (GRIB2), read for each site; `gonogo grid-fetch` brings the runs.

Which runs there are stands in `weather/grid/sources.py`. No network and no decoder here: what was read for a site is
its answer (`weather/grid/answer.py`), and this module makes hours of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from gonogo.records.site import Site
from gonogo.weather.checks import distance_km
from gonogo.weather.grid import columns
from gonogo.weather.grid.answer import FORM, HOW
from gonogo.weather.grid.columns import Read, StepSeries
from gonogo.weather.grid.messages import HASH_DIGITS
from gonogo.weather.grid.quantities import AMOUNTS, ESSENTIAL, FIXED, QUANTITIES, RAIN, STATES, Kind
from gonogo.weather.grid.sources import CONTROL, DEFAULT_SOURCE, OLDEST_RUN, SOURCES
from gonogo.weather.notes import Note, note
from gonogo.weather.services import WeatherService, json_body, numbers, refused
from gonogo.weather.sunlight import completed
from gonogo.weather.table import COLUMNS, ParsedForecast

if TYPE_CHECKING:
    pass  # takes long to import: where a table is at hand

NAME = "grid"
SAME_PLACE_KM = 0.1  # an answer that was read for another place is not this site's
MOST_STEP_H = 400  # no run reaches so far


def parse(body: bytes, site: Site) -> ParsedForecast:
    """Return the table of what was read for a site.

    Totals become amounts of steps; within a step states are drawn in a straight line, rain is spread evenly, radiation
    as the sun stands. States are the control's; rain is the mean of the members, and these. Temperature and pressure
    are brought from the model's ground to the site's height; humidity stays as it is.

    Raises WeatherError: passing where the body is no JSON, not passing where its content cannot be used.
    """
    import pandas as pd

    read = _read(body, site)
    notes: list[Note] = []
    table = {"hour_utc": read.hour_utc, **columns.states(read, site, notes)}
    members_mm, chance, span_h = columns.rain(read)
    n_known = np.sum(~np.isnan(members_mm), axis=1)
    mean = np.where(n_known > 0, np.nansum(members_mm, axis=1) / np.maximum(n_known, 1), np.nan)
    table |= {"precip_mm": mean, "rain_chance": chance, "chance_span_h": span_h}
    table["shortwave_w_m2"] = columns.radiation_w_m2(read, site)
    if (snow := columns.snow_mm(read)) is not None:
        table["snow_mm"] = snow
    steps = np.array(read.steps_h)
    long = np.flatnonzero(np.diff(steps) > 1)
    if len(long):
        notes.append(note("long_steps", from_utc=read.run_utc + timedelta(hours=int(steps[long[0]]))))
    parsed = ParsedForecast(
        service=NAME,
        attribution=read.source.attribution,
        latitude_deg=read.place["latitude"],
        longitude_deg=read.place["longitude"],
        table=pd.DataFrame(table).reindex(columns=["hour_utc", *COLUMNS]),
        stamp_utc=read.begin_utc + steps.astype("timedelta64[h]").astype("timedelta64[s]"),
        notes=tuple(notes),
        rain_members_mm=members_mm if read.source.n_members else None,
        issued_utc=read.run_utc,
    )
    return completed(parsed, site)


def _read(body: bytes, site: Site) -> Read:
    """Return an answer with all that a run must have."""
    whole = json_body(NAME, body)
    if not isinstance(whole, dict) or whole.get("form") != FORM:
        form = whole.get("form") if isinstance(whole, dict) else whole
        raise refused(NAME, "form", repr(form)[:40], "this is not what grid-fetch writes.", f'"{FORM}" is right.')
    source = SOURCES.get(str(whole.get("source")))
    if source is None:
        raise refused(
            NAME, "source", repr(whole.get("source"))[:40], "no such run.", f"One of {', '.join(SOURCES)} is right."
        )
    days = whole.get("days")
    if type(days) is not int or not 1 <= days <= 16:
        raise refused(NAME, "days", repr(days)[:40], "this is no number of days.", "1 to 16 is right.")
    read = Read(
        source=source,
        run_utc=_run_utc(whole.get("run")),
        days=days,
        place=_place(whole, site),
        series=_all_series(whole.get("series")),
    )
    for name in (*STATES, *AMOUNTS, *FIXED):
        for member in source.members if name == RAIN else (CONTROL,):
            if name in ESSENTIAL and (name, member) not in read.series:
                raise refused(NAME, name, "nothing", f"member {member} has none.", "A whole run is right.")
    for name in STATES:
        given = read.series.get((name, CONTROL))
        if given is not None and given.to_h != read.steps_h:
            wanted = f"{len(read.steps_h)} steps to hour {read.steps_h[-1]} are right."
            raise refused(NAME, name, f"{len(given.to_h)} steps", "steps are missing or too many.", wanted)
    return read


def _run_utc(text: object) -> datetime:
    try:
        at = datetime.fromisoformat(text) if isinstance(text, str) else None
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise refused(NAME, "run", repr(text)[:40], "this is no time in UTC.", "2026-05-12T00:00:00Z is right.")
    return at.astimezone(UTC)


def _place(whole: Mapping[str, Any], site: Site) -> Mapping[str, Any]:
    """Return where the values are for; refuse what was read for another place."""
    asked, place = whole.get("site"), whole.get("place")
    for key, given in (("site", asked), ("place", place)):
        if not isinstance(given, dict) or not all(
            type(given.get(name)) in (int, float) and abs(given[name]) <= most
            for name, most in (("latitude", 90.0), ("longitude", 360.0))
        ):
            raise refused(NAME, key, repr(given)[:40], "this is no place.", "latitude and longitude are right.")
    assert isinstance(asked, dict)
    assert isinstance(place, dict)
    if distance_km(site.latitude_deg, site.longitude_deg, asked["latitude"], asked["longitude"]) > SAME_PLACE_KM:
        shown = f"{asked['latitude']:g}, {asked['longitude']:g}"
        raise refused(NAME, "site", shown, "it was read for another place.", "Run gonogo grid-fetch again.")
    if place.get("how") not in HOW.values() or type(place.get("away_km")) not in (int, float):
        raise refused(NAME, "place", repr(place)[:40], "how it was read is missing.", "how and away_km are right.")
    return place


def _all_series(listed: object) -> dict[tuple[str, int], StepSeries]:
    """Return the series of an answer by quantity and member."""
    if not isinstance(listed, list) or not listed:
        raise refused(NAME, "series", repr(listed)[:40], "there are no values.", "A list of series is right.")
    found: dict[tuple[str, int], StepSeries] = {}
    for entry in listed:
        named = entry.get("quantity") if isinstance(entry, dict) else None
        if not isinstance(named, str) or named not in QUANTITIES:
            raise refused(NAME, "series", repr(entry)[:40], "this is no series.", "A quantity and values are right.")
        name, member = named, entry.get("member")
        if type(member) is not int or (name, member) in found:
            raise refused(NAME, name, f"member {member!r}", "this is no member, or it stands twice.", "Each once.")
        found[name, member] = _one_series(name, entry)
    return found


def _one_series(name: str, entry: Mapping[str, Any]) -> StepSeries:
    quantity, unit, kinds = QUANTITIES[name], str(entry.get("unit")), {str(kind): kind for kind in Kind}
    from_h, to_h = entry.get("from_h"), entry.get("to_h")
    if not isinstance(from_h, list) or not isinstance(to_h, list) or not from_h or len(from_h) != len(to_h):
        raise refused(NAME, f"{name}.to_h", repr(to_h)[:40], "there are no steps.", "from_h and to_h are right.")
    if not all(type(hour) is int and 0 <= hour < MOST_STEP_H for hour in (*from_h, *to_h)):
        raise refused(NAME, f"{name}.to_h", repr(to_h)[:40], "these are no hours.", "Whole hours are right.")
    kind = kinds.get(str(entry.get("kind")))
    if kind is None or (kind is not Kind.INSTANT) != quantity.of_period or unit not in quantity.units:
        shown = f"{entry.get('kind')} in {unit}"[:60]
        raise refused(NAME, name, shown, "this is not known.", f"One of {', '.join(quantity.units)} is right.")
    hashes = entry.get("hashes")
    if not isinstance(hashes, str) or len(hashes) != HASH_DIGITS * len(to_h):
        raise refused(NAME, f"{name}.hashes", repr(hashes)[:40], "not one a message.", f"{len(to_h)} are right.")
    values = quantity.in_our_unit(numbers(NAME, name, entry.get("values"), len(to_h)), unit)
    if quantity.is_essential and np.isnan(values).any():
        raise refused(NAME, name, "nothing", f"{int(np.isnan(values).sum())} values are missing.", "All are right.")
    return StepSeries(kind=kind, from_h=tuple(from_h), to_h=tuple(to_h), values=values)


def licence_note(key: str | None) -> str:
    """Return what the licences of the runs allow; there is no key."""
    each = " ".join(f"{source.name}: {source.licence}" for source in SOURCES.values())
    return (
        f"grid: no key is needed; {each} The credit stands in every mail. gonogo grid-fetch brings the runs; it gives "
        "no past rain: that comes from the gauge and from earlier forecasts."
    )


SERVICE = WeatherService(
    name=NAME,
    title="Open model grid",
    attribution=SOURCES[DEFAULT_SOURCE].attribution,
    licence_note=licence_note,
    commercial_needs_key=False,
    needs_contact=False,
    request=None,
    parse=parse,
    begins=lambda at_utc: (at_utc - OLDEST_RUN, at_utc),
    sources={name: source.attribution for name, source in SOURCES.items()},
)

"""What `gonogo check` says of an accepted config: what it holds, and what is likely a slip in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from gonogo.config import Config, check_report
from gonogo.config.dated import dated_warnings, file_of
from gonogo.config.toml_file import ConfigFile
from gonogo.config.warning_numbers import BY_CALENDAR, BY_FILE, BY_STORE
from gonogo.errors import Fault, StoreError, WeatherError
from gonogo.records.field import GaugeRain, Reading
from gonogo.records.site import Site
from gonogo.soil.reference_et import pressure_kpa
from gonogo.store import answers, history, replies, schema, upgrade
from gonogo.weather import services

LOOK_BACK = timedelta(days=30)
# The air pressure of a fortnight lies within about 15 hPa of the usual one, which is 130 m; a slip of feet for metres,
# or of another site's elevation, is far more. A service that computes its pressure for the elevation that it was asked
# for agrees with it, so this finds an elevation that was changed since, and services with ground of their own.
FAR_M = 400.0
METRES_FOR_KPA = 84.0  # near sea level; common knowledge
LEAST_RUN, LEAST_STILL, LEAST_RISES, LEAST_TOTAL_MM = 6, 3, 2, 2.0  # of a gauge that adds up: our own choice


def check(config: Config, *, now_utc: datetime) -> str:
    """Return what a config holds and every warning about it; the database is read where there is one."""
    newest: Mapping[tuple[str, str], datetime] = {}
    stored: Sequence[Fault] = ()
    looked_for, remark = BY_FILE | BY_CALENDAR, ""
    try:
        store = _existing_store(config)
        if store is not None:
            try:
                newest, stored = _stored_warnings(store, config, now_utc)
                looked_for |= BY_STORE
            finally:
                store.dispose()
    except StoreError as error:
        remark = f"The database was not looked at: {error}\n"
    warnings = [*dated_warnings(config, now_utc=now_utc, newest_test_utc=newest), *stored]
    return check_report(config, warnings, looked_for=looked_for) + remark


def _existing_store(config: Config) -> sa.Engine | None:
    """Return the database as it is, None where there is none yet; nothing is created or brought up to date."""
    url = sa.make_url(config.store_url)
    if url.get_backend_name() == "sqlite" and not Path(str(url.database)).is_file():
        return None
    store = schema.engine(config.store_url)
    if not upgrade.is_newest(store):
        store.dispose()
        return None
    return store


def _stored_warnings(
    store: sa.Engine, config: Config, now_utc: datetime
) -> tuple[dict[tuple[str, str], datetime], list[Fault]]:
    """Return the newest recorded test of each strip, and what the stored weather, rain and answers make doubtful."""
    newest: dict[tuple[str, str], datetime] = {}
    warnings: list[Fault] = []
    with schema.read(store) as connection:
        silent = replies.stopped(connection)
        for site in config.sites:
            file = file_of(config, site)
            entries = history.entries(connection, site.id, since_utc=now_utc - LOOK_BACK)
            for entry in entries:
                if isinstance(entry, Reading):
                    key = (site.id, entry.strip_id)
                    newest[key] = max(entry.at_utc, newest.get(key, entry.at_utc))
            _warn_of_gauge(file, [entry for entry in entries if isinstance(entry, GaugeRain)])
            _warn_of_pressure(file, site, answers.latest_answer(connection, site.id))
            _warn_of_silent(file, site, silent)
            warnings += file.warnings
    return newest, warnings


def _warn_of_pressure(file: ConfigFile, site: Site, stored: answers.StoredAnswer | None) -> None:
    """Warn where the pressure of the last weather is that of quite another elevation."""
    if stored is None:
        return
    try:
        pressures = services.parse(stored.answer, site).table["pressure_kpa"].to_numpy(dtype=float)
    except WeatherError:
        return
    known = pressures[np.isfinite(pressures)]
    if known.size == 0:
        return
    off_m = (float(pressure_kpa(site.elevation_m)) - float(np.median(known))) * METRES_FOR_KPA
    if abs(off_m) > FAR_M:
        at_m = site.elevation_m + off_m
        wrong = f"does not go with the pressure of the last weather, which is that of about {at_m:.0f} m."
        right = "Write metres above sea level (1 ft is 0.3048 m), and check latitude_deg and longitude_deg."
        file.warn(60, ("site", "elevation_m"), wrong, right)


def _warn_of_gauge(file: ConfigFile, rain: Sequence[GaugeRain]) -> None:
    if (run := adding_up(rain)) is not None:
        first, last = run
        wrong = (
            f"never fell from {first.until_utc:%Y-%m-%d %H:%M} to {last.until_utc:%Y-%m-%d %H:%M} UTC and ends at "
            f"{last.rain_mm:g} mm: it seems to be the sum since the gauge was emptied."
        )
        right = "Record what fell since the reading before; withdraw these with `gonogo record withdraw`."
        file.warn(61, ("recorded rain",), wrong, right)


def adding_up(rain: Sequence[GaugeRain]) -> tuple[GaugeRain, GaugeRain] | None:
    """Return first and last of a run of gauge readings that look like a running total, None where none do.

    A gauge that is emptied shows nothing on most days and is hardly ever the same twice; a total never falls, and
    stands still where none fell.
    """
    in_order = sorted(rain, key=lambda reading: reading.until_utc)
    begin = still = rises = 0
    found = None
    for n, reading in enumerate(in_order):
        before = in_order[n - 1].rain_mm if n > begin else 0.0
        if reading.rain_mm <= 0.0 or reading.rain_mm < before:
            begin, still, rises = (n + 1 if reading.rain_mm <= 0.0 else n), 0, 0
            continue
        if n > begin:
            still, rises = still + (reading.rain_mm == before), rises + (reading.rain_mm > before)
        is_long = n - begin + 1 >= LEAST_RUN and still >= LEAST_STILL and rises >= LEAST_RISES
        if is_long and reading.rain_mm >= LEAST_TOTAL_MM:
            found = in_order[begin], reading
    return found


def _warn_of_silent(file: ConfigFile, site: Site, silent: frozenset[str]) -> None:
    for crew in site.crews:
        for n, person in enumerate(crew.recipients):
            if person.address.lower() in silent:
                loc = ("crew", crew.id, "person", n, "address")
                wrong = 'stopped the mails by reply: gets none until an answer "start".'
                file.warn(62, loc, wrong, "Ask them, or take them out.")

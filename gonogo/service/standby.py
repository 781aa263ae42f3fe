"""A start that cannot run: whoever waits for a mail is told, and the start is tried again until it works.

Addresses, times and transport are those of the config where it can be read, else of the last good one, else of as much
as can be read of the broken one: a site's file without a fault, gonogo.toml where it says how mails leave.
"""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import partial
from pathlib import Path

import sqlalchemy as sa

from gonogo import config as configs
from gonogo import times
from gonogo.config import Config
from gonogo.download.forecasts import from_stored
from gonogo.errors import ConfigError, StoreError
from gonogo.morning import compute
from gonogo.outgoing import mails, notices
from gonogo.outgoing.direct import Direct
from gonogo.outgoing.frame import RunFrame
from gonogo.records import shift
from gonogo.records.outside import Watch
from gonogo.records.site import Site
from gonogo.service import due, health, last_good, logs
from gonogo.service.clock import clock_utc
from gonogo.service.last_good import LastGood
from gonogo.store.operator_hour import ALL_SITES
from gonogo.store.queued import Envelope

log = logging.getLogger("gonogo.service.standby")

TRIED_AGAIN_S = 20.0
FAULTS_SHOWN = 20


def run(
    folder: Path,
    *,
    environ: Mapping[str, str],
    halt: threading.Event,
    start: Callable[[Config], None],
) -> None:
    """Start a service, and while that is impossible, tell those who wait and try again.

    start   runs the service until it is told to stop; StoreError where it cannot begin
    """
    direct, last_error = Direct(), ""
    while True:
        loaded: Config | None = None
        try:
            loaded = configs.load(folder, environ=environ)
            start(loaded)
        except (ConfigError, StoreError) as error:
            known = _known(folder, loaded, environ)
            if str(error) != last_error:
                last_error = str(error)
                _log(error, known)
            if known is not None:
                tell(known, error, direct, now_utc=clock_utc())
            else:
                _write_health(configs.watch_partly(folder, environ=environ), error, logs.Cleaner(), clock_utc())
        else:
            return
        if halt.wait(TRIED_AGAIN_S):
            return


def _known(folder: Path, loaded: Config | None, environ: Mapping[str, str]) -> LastGood | None:
    """Return by what people can be told: the config, the last good one, or what can be read of the broken one."""
    last = last_good.find(folder)
    if loaded is not None:
        return LastGood(config=loaded, mornings=last.mornings if last else {})
    if last is not None:
        return last
    partly = configs.load_partly(folder, environ=environ)
    return None if partly is None else LastGood(config=partly)


def _log(error: ConfigError | StoreError, known: LastGood | None) -> None:
    """Log every fault once, and who cannot be told of it."""
    for line in str(error).splitlines()[:FAULTS_SHOWN]:
        log.error("the service cannot start: %s", line)
    if known is None:
        log.error("nobody can be told by mail: no config says how mails leave")
    elif known.config.operator_address is None:
        log.error("the operator cannot be told by mail: the config names none")
    log.error("it is tried again every %.0f s; Ctrl-C or SIGTERM ends it", TRIED_AGAIN_S)


def tell(last: LastGood, fault: ConfigError | StoreError, direct: Direct, *, now_utc: datetime) -> None:
    """Tell the operator at once, every crew at its mail time and later in the shift, and the health file."""
    config = last.config
    first = next(iter(config.sites), None)
    lines = str(fault).splitlines()[:FAULTS_SHOWN]
    notice = notices.OperatorNotice(
        site_id="all-sites" if first is None else first.id,
        site_name=ALL_SITES,
        day=now_utc.date() if first is None else times.local_date(now_utc, first.zone),
        what=f"start {_which(fault)}",
        subject="the service cannot start",
        lines=(
            "The service was started and cannot run. It is tried again every few seconds; until it works no verdict "
            "is made, and every crew is told so at its mail time.",
            *lines,
        ),
    )
    direct.send(config.transport, notices.to_operator(config, notice, now_utc=now_utc))
    reason = compute.CONFIG_TEXT if isinstance(fault, ConfigError) else compute.COMPUTATION_TEXT
    for its_site in config.sites:
        day = waits_for_mail(config, its_site, now_utc)
        if day is not None and last.mornings.get(its_site.id) != day:
            make = partial(_notices, config, its_site, day, reason, now_utc)
            direct.send_made((its_site.id, day, reason), config, make)
    _write_health(config.watch, fault, logs.Cleaner(logs.secrets_of(config)), now_utc)


def _which(fault: ConfigError | StoreError) -> str:
    """Name a fault for one mail a day: a config's faults as they are, a database's by kind, since its words vary."""
    is_config = isinstance(fault, ConfigError)
    return hashlib.sha256(str(fault).encode()).hexdigest() if is_config else type(fault).__name__


def _write_health(watch: Watch, fault: ConfigError | StoreError, cleaner: logs.Cleaner, now_utc: datetime) -> None:
    """Say in the health file, where there is one, that the service cannot start."""
    if watch.health_file is None:
        return
    state = health.without_store(now_utc=now_utc, fault=f"the service cannot start: {str(fault).splitlines()[0]}")
    try:
        health.write(watch.health_file, state, cleaner=cleaner)
    except OSError as error:
        log.error("the health file could not be written: %s", error.strerror)


def waits_for_mail(config: Config, site: Site, now_utc: datetime) -> date | None:
    """Return the local date whose mail should leave by now, or should have left and its shift still runs."""
    day = due.due_day(site, now_utc, due.lead_min(config, site))
    if day is not None:
        leaves_utc = times.moment_utc(day, site.mail_at, site.zone) - due.NOTICE_LEAD
        return day if now_utc >= leaves_utc else None
    return due.missed_day(site, now_utc)


def _notices(config: Config, site: Site, day: date, reason: str, now_utc: datetime) -> tuple[Envelope, ...]:
    return mails.plain_mails(_frame(config, site, day, now_utc), reason)


def _frame(config: Config, site: Site, day: date, now_utc: datetime) -> RunFrame:
    _, shift_end_utc = shift.shift_utc(site, day)
    return RunFrame(
        config=config,
        site=site,
        day=day,
        edition="notice",
        now_utc=now_utc,
        deadline_utc=shift_end_utc,
        store=sa.create_engine("sqlite://"),  # a notice asks neither database nor service
        fetch=from_stored,
    )

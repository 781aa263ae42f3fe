"""The service: mornings, later looks, delivery, and a watch over all of it, until it is told to stop."""

from __future__ import annotations

import hashlib
import logging
import random
import threading
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from functools import partial

from gonogo import times
from gonogo.config import Config
from gonogo.download.forecasts import Downloaded, Fetch
from gonogo.download.rounds import Rounds
from gonogo.errors import DeliveryError, StoreError
from gonogo.morning import compute, recheck
from gonogo.morning import run as morning_run
from gonogo.outgoing import delivery, mails, notices
from gonogo.outgoing.delivery import delivery_line
from gonogo.outgoing.envelope import always_ours
from gonogo.outgoing.frame import MORNING, RunFrame
from gonogo.records import shift
from gonogo.records.outside import Answer
from gonogo.records.site import Site
from gonogo.service import clock, due, health, logs, schedule
from gonogo.service.config_watch import ConfigWatch
from gonogo.service.due import lead_min
from gonogo.service.ping import ping
from gonogo.service.site_state import is_good_morning
from gonogo.service.workers import Workers
from gonogo.store import answers as stored_answers
from gonogo.store import claims, outbox, owner, runs, schema
from gonogo.store.open import open_store

log = logging.getLogger("gonogo.service.service")

KEPT_DAYS = timedelta(days=3)  # what the process remembers of mornings done


def serve(
    config: Config,
    *,
    stop: threading.Event | None = None,
    fetch: Fetch | None = None,
    environ: Mapping[str, str] | None = None,
) -> None:
    """Run the service until it is told to stop.

    stop      ends it; SIGTERM and SIGINT do when None
    fetch     asks the weather services; those of the config when None
    environ   for the secrets that a changed config names
    """
    halt = stop or threading.Event()
    if stop is None:
        schedule.stop_on_signals(halt)
    one = Service(config, halt=halt, fetch=fetch, environ=environ or {})
    try:
        one.say_what_comes()
        schedule.serve(
            one.sites,
            lead_min=lambda site: lead_min(one.configs.accepted, site),
            run_morning=one.run_morning,
            run_look=one.run_look,
            watch=one.watch,
            deliver=one.deliver,
            stop=halt,
        )
    finally:
        one.store.dispose()
    log.info("stopped")


class Service:
    """What a running service holds: the last good config, the database, and what it remembers having done."""

    def __init__(
        self, config: Config, *, halt: threading.Event, fetch: Fetch | None, environ: Mapping[str, str]
    ) -> None:
        self.configs = ConfigWatch(config, environ)
        self.store = open_store(config)
        self.halt = halt
        self.me = owner.own_name()
        self._fetch = fetch
        self._asking = threading.Lock()
        self._fetcher: tuple[Config, Fetch] | None = None
        self._memory, self._rng = delivery.Memory(), random.Random()
        self._done: set[tuple[str, date, str]] = set()
        self._seen: dict[tuple[str, date], datetime] = {}
        self._told_directly: set[str] = set()
        self._pinged: set[tuple[str, date]] = set()
        self._thinned: date | None = None
        self._told_faults: tuple[str, ...] = ()

    def sites(self) -> tuple[Site, ...]:
        return self.configs.accepted.sites

    def say_what_comes(self) -> None:
        """Log when each site's next run starts."""
        for site in self.sites():
            starts = due.next_start_utc(site, clock.clock_utc(), lead_min(self.configs.accepted, site))
            if starts is not None:
                at = starts.astimezone(site.zone).isoformat(timespec="minutes")
                log.info("next run %s", at, extra={"site": site.id})

    # --- runs ------------------------------------------------------------------------------------------------

    def run_morning(self, site: Site, day: date, now_utc: datetime) -> None:
        """Run a site's morning unless it is done. While the config has faults nothing is run: the watch sees to it."""
        self.configs.refresh()
        config = self.configs.accepted
        if (site.id, day, "morning") in self._done or self.configs.faults:
            return
        _, deadline = due.run_window_utc(site, day, lead_min(config, site))
        noted = {"site": site.id, "day": day, "issue": "morning"}
        try:
            claims.release_dead(self.store, now_utc=now_utc, is_dead=owner.is_dead)
            result = morning_run.run_morning(self._frame(site, day, now_utc, deadline))
        except claims.TakenOverError as error:
            log.error("%s", error, extra=noted)
        except StoreError:
            log.exception("the run could not be stored; it is tried again", extra=noted)
        else:
            if result is not None:
                self._done.add((site.id, day, "morning"))
                log.info("%s", result.conclusion.reason or "verdicts made", extra=noted | {"run": result.run_id})

    def run_look(self, site: Site, day: date, at: time, now_utc: datetime) -> None:
        """Run a later look unless it is done, or the config has faults."""
        self.configs.refresh()
        edition = recheck.edition(at)
        if (site.id, day, edition) in self._done or self.configs.faults:
            return
        _, shift_end_utc = shift.shift_utc(site, day)
        noted = {"site": site.id, "day": day, "issue": edition}
        try:
            result = recheck.run_recheck(self._frame(site, day, now_utc, shift_end_utc, edition=edition))
        except StoreError:
            log.exception("the look could not be stored; it is tried again", extra=noted)
            return
        self._done.add((site.id, day, edition))
        if result is not None:
            log.info("%d mails on what changed", len(result.mails), extra=noted | {"run": result.run_id})

    def _frame(
        self, site: Site, day: date, now_utc: datetime, deadline_utc: datetime, edition: str = MORNING
    ) -> RunFrame:
        return RunFrame(
            config=self.configs.accepted,
            site=site,
            day=day,
            edition=edition,
            now_utc=now_utc,
            deadline_utc=deadline_utc,
            store=self.store,
            fetch=self._ask,
            owner=self.me,
        )

    def _ask(self, site: Site, now_utc: datetime, stored: Sequence[Answer]) -> Downloaded:
        """Ask the weather services, one site at a time: rounds of questions are shared between sites."""
        if self._fetch is not None:
            return self._fetch(site, now_utc, stored)
        with self._asking:
            config = self.configs.accepted
            if self._fetcher is None or self._fetcher[0] is not config:

                def together(at_utc: datetime) -> list[Site]:
                    return [s for s in config.sites if due.due_day(s, at_utc, lead_min(config, s)) is not None]

                self._fetcher = (
                    config,
                    Rounds(config, clock_utc=clock.clock_utc, together=together, is_scheduled=True).fetch,
                )
            return self._fetcher[1](site, now_utc, stored)

    # --- watch -----------------------------------------------------------------------------------------------

    def watch(self, now_utc: datetime, workers: Workers) -> None:
        """Give up runs that take too long, tell the operator of a broken config, ping, and write the health file."""
        self.configs.refresh()
        self._tell_config_faults(now_utc)
        for site in self.sites():
            try:
                self._watch_site(site, now_utc, workers)
            except Exception:  # one site's trouble must not keep the others from their notices
                log.exception("the watch met a fault", extra={"site": site.id})
        self._forget_old(now_utc)
        self._write_health(now_utc)

    def _watch_site(self, site: Site, now_utc: datetime, workers: Workers) -> None:
        config = self.configs.accepted
        day = due.due_day(site, now_utc, lead_min(config, site))
        if day is None:
            return
        seen_utc = self._seen.setdefault((site.id, day), now_utc)
        give_up_utc = due.give_up_utc(site, day, seen_utc, config.settings[site.id]["run_limit_min"])
        try:
            with schema.read(self.store) as connection:
                run = runs.last_run(connection, site.id, day=day, edition=MORNING)
                is_good = run is not None and is_good_morning(connection, run)
            if run is None and now_utc >= give_up_utc:
                workers.give_up((site.id, day, "morning"))
                self._give_up(site, day, now_utc)
        except StoreError:
            if now_utc >= give_up_utc and (site.id, day, "morning") not in self._done:
                log.exception("the database cannot be used; the notices go out without it", extra={"site": site.id})
                self._notify_directly(site, day, now_utc)
            return
        url = config.watch.ping_url
        if is_good and url is not None and (site.id, day) not in self._pinged:
            self._pinged.add((site.id, day))
            workers.put(("ping", site.id, day), partial(self._ping, url, site.id, day))

    def _ping(self, url: str, site_id: str, day: date) -> None:
        if not ping(url, site_id):
            self._pinged.discard((site_id, day))  # asked again at the next look

    def _give_up(self, site: Site, day: date, now_utc: datetime) -> None:
        """Take the morning from whoever is at it, and tell every crew that there is no verdict."""
        faults = self.configs.faults
        reason = compute.CONFIG_TEXT if faults else compute.OVERRUN_TEXT
        config = self.configs.accepted
        _, deadline = due.run_window_utc(site, day, lead_min(config, site))
        result = morning_run.run_morning(
            self._frame(site, day, now_utc, deadline),
            refusal=morning_run.Refusal(reason=reason, faults=faults or ("The run did not finish in its time.",)),
        )
        self._done.add((site.id, day, "morning"))
        if result is not None:
            log.error("%s", reason, extra={"site": site.id, "day": day, "run": result.run_id})

    def _notify_directly(self, site: Site, day: date, now_utc: datetime) -> None:
        """Send the notices past the outbox, each once for this process: the database is what fails."""
        config = self.configs.accepted
        _, deadline = due.run_window_utc(site, day, lead_min(config, site))
        frame = self._frame(site, day, now_utc, deadline, edition="notice")
        with delivery.opened(config.transport) as transport:
            for envelope in mails.plain_mails(frame, compute.COMPUTATION_TEXT):
                if envelope.message_id in self._told_directly:
                    continue
                try:
                    transport.deliver(envelope, always_ours)
                except DeliveryError as error:
                    log.error("a notice did not go: %s", error, extra={"site": site.id})
                else:
                    self._told_directly.add(envelope.message_id)

    def _tell_config_faults(self, now_utc: datetime) -> None:
        """Write to the operator once about each state of a config that cannot be used."""
        faults = self.configs.faults
        if not faults or faults == self._told_faults:
            return
        site = self.sites()[0]
        notice = notices.OperatorNotice(
            site_id=site.id,
            site_name="all sites",
            day=times.local_date(now_utc, site.zone),
            what=f"config {hashlib.sha256(repr(faults).encode()).hexdigest()}",
            subject="the changed config has faults",
            lines=(
                "The config was changed and cannot be used. Until it is mended no verdict is made, and every crew is "
                "told so at its mail time. Addresses and times are those of the last config that was accepted.",
                *faults,
                "`gonogo check` reads the files again.",
            ),
        )
        told = notices.to_operator(self.configs.accepted, notice, now_utc=now_utc)
        try:
            with schema.begin(self.store) as connection:
                outbox.put(connection, told, now_utc=now_utc)
        except StoreError:
            log.exception("the operator could not be written to")
        else:
            self._told_faults = faults

    def _write_health(self, now_utc: datetime) -> None:
        path = self.configs.accepted.watch.health_file
        if path is None:
            return
        try:
            state = health.snapshot(
                self.store, self.configs.accepted, now_utc=now_utc, config_faults=self.configs.faults
            )
        except StoreError as error:
            state = health.without_store(now_utc=now_utc, fault=str(error))
        try:
            health.write(path, state, cleaner=logs.Cleaner(logs.secrets_of(self.configs.accepted)))
        except OSError as error:
            log.error("the health file could not be written: %s", error.strerror)

    def _forget_old(self, now_utc: datetime) -> None:
        """Let go of what is remembered of days gone by."""
        oldest = (now_utc - KEPT_DAYS).date()
        self._done = {key for key in tuple(self._done) if key[1] >= oldest}
        self._seen = {key: at for key, at in self._seen.items() if key[1] >= oldest}
        self._pinged = {key for key in tuple(self._pinged) if key[1] >= oldest}

    # --- delivery --------------------------------------------------------------------------------------------

    def deliver(self, now_utc: datetime) -> None:
        """One round of the delivery worker."""
        config = self.configs.accepted
        self._thin(config, now_utc)
        try:
            report = delivery.Worker(
                store=self.store,
                transport=config.transport,
                now_utc=clock.clock_utc,
                owner=self.me,
                rng=self._rng,
                memory=self._memory,
                expired_instead=notices.expired_instead(config, now_utc),
                failed_instead=notices.failed_instead(config, now_utc),
                may_go_on=lambda: not self.halt.is_set(),
            ).round()
        except StoreError:
            log.exception("the outbox could not be used; it is tried again")
            return
        if not report.is_good:
            log.warning("%s", delivery_line(report, config.transport))

    def _thin(self, config: Config, now_utc: datetime) -> None:
        """Once a day let go of stored weather answers that nothing needs any more."""
        if self._thinned == now_utc.date():
            return
        self._thinned = now_utc.date()
        keep_days = max(config.settings[site.id]["answer_keep_days"] for site in config.sites)
        try:
            with schema.begin(self.store) as connection:
                n_gone = stored_answers.thin_answers(connection, now_utc=now_utc, keep_days=keep_days)
        except StoreError:
            log.exception("old weather answers could not be thinned; it is tried again tomorrow")
            return
        if n_gone:
            log.info("%d old weather answers that no run used were deleted", n_gone)

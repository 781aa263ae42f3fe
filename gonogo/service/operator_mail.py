"""Mails of a running service to its operator, about all sites: by the outbox, or past it where that is what fails."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable
from datetime import datetime, timedelta

from gonogo import times
from gonogo.errors import StoreBusyError, StoreError
from gonogo.outgoing import notices
from gonogo.outgoing.direct import Direct
from gonogo.outgoing.notices import OperatorNotice
from gonogo.service.runner import Runner
from gonogo.store import members, outbox, schema
from gonogo.store.operator_hour import ALL_SITES

log = logging.getLogger("gonogo.service.operator_mail")


class OperatorMail:
    """Writes to the operator of a runner's config."""

    def __init__(self, runner: Runner, direct: Direct) -> None:
        self._runner, self._direct = runner, direct
        self._told_faults: tuple[str, ...] = ()

    def tellers(self) -> tuple[Callable[[datetime], None], ...]:
        """Return what each check of the watch calls: each tells of one kind of fault, where there is one."""
        return self.tell_config_faults, self.tell_unstored, self.tell_wrong_clock

    def tell(self, what: str, subject: str, lines: tuple[str, ...], now_utc: datetime) -> bool:
        """Put a mail to the operator about all sites into the outbox; return whether the database took it."""
        site, config = self._runner.sites()[0], self._runner.configs.accepted
        notice = OperatorNotice(
            site_id=site.id,
            site_name=ALL_SITES,
            day=times.local_date(now_utc, site.zone),
            what=what,
            subject=subject,
            lines=lines,
        )
        try:
            with schema.begin(self._runner.store) as connection:
                outbox.put(connection, notices.to_operator(config, notice, now_utc=now_utc), now_utc=now_utc)
        except StoreError:
            log.exception("the operator could not be written to by the outbox; the mail goes without it")
            return self._direct.send(config.transport, notices.to_operator(config, notice, now_utc=now_utc))
        return True

    def tell_store_fault(self, fault: StoreError, now_utc: datetime) -> None:
        """Write to the operator past the outbox that the database cannot be used: once a day."""
        site, config = self._runner.sites()[0], self._runner.configs.accepted
        is_locked = isinstance(fault, StoreBusyError)
        notice = OperatorNotice(
            site_id=site.id,
            site_name=ALL_SITES,
            day=times.local_date(now_utc, site.zone),
            what="locked" if is_locked else "store",
            subject="the database cannot be used",
            lines=(
                "The database refuses. Until it works no verdict can be stored and no mail leaves the outbox; crews "
                "get plain notices at their mail time.",
                str(fault).splitlines()[0],
                "Look for another program that holds a lock of the database: a copy, an edit by hand, a report."
                if is_locked
                else "Look for a full disk, wrong rights, or a server that is down.",
            ),
        )
        self._direct.send(config.transport, notices.to_operator(config, notice, now_utc=now_utc))

    def tell_unstored(self, now_utc: datetime) -> None:
        """Write to the operator that a run could not be stored, where the database takes nothing yet."""
        unstored = self._runner.unstored
        if unstored.fault is None:
            return
        try:
            members.write_again(self._runner.store, self._runner.me)
        except StoreError as error:
            self.tell_store_fault(error, now_utc)
            return
        if unstored.n_faults > 1:
            self.tell_store_fault(unstored.fault, now_utc)
        unstored.is_written(now_utc)

    def tell_config_faults(self, now_utc: datetime) -> None:
        """Write to the operator once about each state of a config that cannot be used."""
        faults = self._runner.configs.faults
        if not faults or faults == self._told_faults:
            return
        lines = (
            "The config was changed and cannot be used. Until it is mended no verdict is made, and every crew is "
            "told so at its mail time. Addresses and times are those of the last config that was accepted.",
            *faults,
            "`gonogo check` reads the files again.",
        )
        what = f"config {hashlib.sha256(repr(faults).encode()).hexdigest()}"
        if self.tell(what, "the changed config has faults", lines, now_utc):
            self._told_faults = faults

    def tell_wrong_clock(self, now_utc: datetime) -> None:
        """Write to the operator that no run starts while another clock refutes the machine's: once a day and error."""
        offset = self._runner.trust.refuted_by
        if offset is None:
            return
        hours = offset / timedelta(hours=1)
        side = "behind" if hours > 0.0 else "ahead of"
        lines = (
            f"The machine's clock is {abs(hours):.1f} h {side} other clocks that were asked, so runs that seem due are "
            "not. They are made once the clock is right.",
            "Set the clock of the machine.",
        )
        self.tell(f"clock {hours:.0f}", "the machine's clock is wrong", lines, now_utc)

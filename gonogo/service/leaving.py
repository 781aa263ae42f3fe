"""What a service that ends lets go of, so that whoever is next has it at once."""

from __future__ import annotations

import logging
from datetime import datetime

import sqlalchemy as sa

from gonogo.errors import StoreError
from gonogo.store import alive, claims, members, planned

log = logging.getLogger("gonogo.service.leaving")


def let_go(store: sa.Engine, me: str, *, now_utc: datetime) -> None:
    """Let go of the claims and planned runs of a service whose worker processes have ended, and of its membership.

    What the database refuses is let go once this process has ended: then it is known to be dead.
    """
    is_dead = alive.is_dead(store)
    try:
        claims.release_dead(store, now_utc=now_utc, is_dead=lambda owner: owner == me or is_dead(owner))
        planned.release(store, {me})
        members.leave(store, me)
    except StoreError:
        log.exception("it could not be noted that this service ends; the next one that starts does it")

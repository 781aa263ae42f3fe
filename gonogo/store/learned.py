"""What was learned of the soil of each strip: rows are only added; a reset is a row too."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from gonogo.moisture.learned import LearnedSoil, in_force_of
from gonogo.store import schema
from gonogo.store.encoding import decoded, encoded


def rows(connection: sa.Connection, site_id: str, *, until_utc: datetime) -> tuple[LearnedSoil, ...]:
    """Return what had been learned on a site by a moment, in the order in which it was stored."""
    found = connection.scalars(_LEARNED, {"site_id": site_id, "until": until_utc})
    return tuple(decoded(text, LearnedSoil) for text in found)


_LEARNED = (
    sa.select(schema.learned.c.record)
    .where(schema.learned.c.site_id == sa.bindparam("site_id"), schema.learned.c.made_utc <= sa.bindparam("until"))
    .order_by(schema.learned.c.id)
)


def save(
    connection: sa.Connection,
    site_id: str,
    records: Sequence[LearnedSoil],
    *,
    made_utc: datetime,
    run_id: int | None,
) -> int:
    """Store what was learned and return how many were new: one through the same reading of a lift is there already.

    run_id   the run that learned it, None for a reset by hand
    """
    if not records:
        return 0
    in_force = in_force_of(rows(connection, site_id, until_utc=made_utc))
    known = {(learned.strip_id, learned.lift_from_utc): learned.through_utc for learned in in_force}
    fresh = []
    for learned in records:
        last = known.get((learned.strip_id, learned.lift_from_utc))
        if learned.is_reset or last is None or learned.through_utc > last:
            fresh.append(
                {
                    "site_id": site_id,
                    "strip_id": learned.strip_id,
                    "made_utc": made_utc,
                    "run_id": run_id,
                    "record": encoded(learned),
                }
            )
    if fresh:
        connection.execute(sa.insert(schema.learned), fresh)
    return len(fresh)

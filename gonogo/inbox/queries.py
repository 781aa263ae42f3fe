"""What an answer is asked about before it is recorded."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from gonogo.field import amounts, doubles, nothing_there
from gonogo.field.record import told_facts, told_litres
from gonogo.records.field import Entry, GaugeRain, GroundSeen, StationDay, Watering
from gonogo.records.site import Site
from gonogo.replies.answer import Query
from gonogo.replies.understand import Understood
from gonogo.store.history import StoredEntry
from gonogo.times import local_date

MUCH_RAIN_MM = 75.0  # in one reading: common practice asks again


def queries_of(
    understood: Understood, connection: sa.Connection, site: Site, log: Sequence[StoredEntry], now_utc: datetime
) -> list[Query]:
    """Return what is asked about: likely doubles, contradictions, amounts far off, and what is gone but was not known.

    log   the site's entries, newest first
    """
    in_force = doubles.in_force_of(log)
    new = [meant.new for meant in understood.entries]
    ordered_litres = told_litres(connection, site, now_utc) if any(isinstance(n.entry, Watering) for n in new) else {}
    facts = told_facts(connection, site) if any(isinstance(n.entry, GroundSeen) for n in new) else {}
    known = [e for line in in_force if (e := line.entry) is not None and not isinstance(e, StationDay)]
    told = [n.entry for n in new]
    known += told
    found = []
    for n, new_entry in enumerate(new):
        entry = new_entry.entry
        strip_id = getattr(entry, "strip_id", "")
        if (like := doubles.likeness_of(new_entry, in_force)) is not None:
            key = "contradicts" if like.contradicts else "double"
            before = like.before if isinstance(like.before, float) else 0.0
            found.append(Query(key=key, strip_id=strip_id, number=like.number, before_pct=before))
        elif entry in told[:n]:
            found.append(Query(key="twice", strip_id=strip_id))
        elif not understood.entries[n].is_timed and (number := _same_dose(entry, in_force, site)):
            found.append(Query(key="double", strip_id=strip_id, number=number))
        if (far := amounts.far_amount(new_entry, site, ordered_litres)) is not None:
            found.append(Query(key="far", strip_id=strip_id, litres=far.litres, depth_mm=far.depth_mm))
        if nothing_there.is_unknown(new_entry, known, facts):
            found.append(Query(key="gone", strip_id=strip_id))
        if isinstance(entry, GaugeRain) and entry.rain_mm > MUCH_RAIN_MM:
            found.append(Query(key="rain", rain_mm=entry.rain_mm))
    return found


def _same_dose(entry: Entry, in_force: Sequence[StoredEntry], site: Site) -> int:
    """Return the number of the same litres on the same strip and day, 0 where there is none.

    Water told without an hour is told by driver and superintendent, hours apart: it would count twice.
    """
    if not isinstance(entry, Watering):
        return 0
    day = local_date(entry.at_utc, site.zone)
    for line in in_force:
        known = line.entry
        if isinstance(known, Watering) and known.strip_id == entry.strip_id and known.litres == entry.litres:
            if local_date(known.at_utc, site.zone) == day:
                return line.id
    return 0

"""What each crew seals today, by when and with which machine."""

from __future__ import annotations

from gonogo import times
from gonogo.decide.plan.basis import Basis
from gonogo.records.day_plan import Sealing
from gonogo.records.work_order import Work


def sealings(basis: Basis) -> tuple[Sealing, ...]:
    """Return the sealing of each crew that has one in today's order of work."""
    site = basis.site
    found = []
    for work in basis.order.works:
        if work.work != Work.SEALING or times.local_date(work.start_utc, site.zone) != basis.inputs.day:
            continue
        roller = site.crew(work.crew_id).roller
        worked = {w.strip_id for w in basis.order.works if w.crew_id == work.crew_id and w.strip_id}
        found.append(
            Sealing(
                crew_id=work.crew_id,
                strips=tuple(s.id for s in site.strips if s.id in worked),
                start_utc=work.start_utc,
                by_utc=work.end_utc,
                roller_id=roller.id,
                drum=roller.drum,
                why="shift_end",
                rain_utc=None,
            )
        )
    return tuple(found)

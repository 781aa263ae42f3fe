"""Snow cleared or water drained where none was known: asked about before it is recorded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from gonogo.errors import Fault
from gonogo.field.entries import NewEntry
from gonogo.records.field import CLEARED, DRAINED, POND, SNOW, Entry, GroundSeen

GONE: dict[str, tuple[str, str, str]] = {
    # what is gone: (what lay there, fact of a verdict that knows of it, word)
    CLEARED: (SNOW, "snow_lying_mm", "snow"),
    DRAINED: (POND, "standing_water_mm", "standing water"),
}


def is_unknown(new: NewEntry, known: Sequence[Entry], facts: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether an entry says that something is gone of which neither entries nor the last verdicts know.

    known   entries in force and those that come with it
    facts   of the last verdicts, by strip
    """
    entry = new.entry
    if not isinstance(entry, GroundSeen) or entry.state not in GONE or new.is_meant_again:
        return False
    lay, fact, _ = GONE[entry.state]
    own = [e for e in known if isinstance(e, GroundSeen) and e.strip_id == entry.strip_id and e is not entry]
    seen = [e for e in own if e.state in (lay, entry.state) and e.at_utc <= entry.at_utc]
    if seen and max(seen, key=_at).state == lay:
        return False
    return not facts.get(entry.strip_id, {}).get(fact, 0.0) > 0.0


def faults(new: Sequence[NewEntry], in_force: Iterable[Entry], facts: Mapping[str, Mapping[str, float]]) -> list[Fault]:
    """Return a fault for every such entry."""
    known = [*in_force, *(n.entry for n in new)]
    found = []
    for entry in new:
        if is_unknown(entry, known, facts):
            assert isinstance(entry.entry, GroundSeen)
            lay, _, word = GONE[entry.entry.state]
            found.append(
                Fault(
                    place=entry.place,
                    key="state",
                    value=entry.entry.state,
                    wrong=f"no {word} is known on {entry.entry.strip_id}, neither recorded nor by the last verdict.",
                    right=f"If there was some, add --again (in a file: again in the column meant), or record {lay} "
                    "with its depth first. Nothing was stored.",
                )
            )
    return found


def _at(entry: GroundSeen) -> datetime:
    return entry.at_utc

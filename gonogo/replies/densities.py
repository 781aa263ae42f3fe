"""A density that is told alone ("N1 95.8%"): it belongs to the moisture test that it was made with.

A dry density is worked out with a water content, so nobody tests one without the other. Told in two lines, or in a mail
after the test, both are one test. Where none or several can be meant, the writer is asked for the water content.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, tzinfo

from gonogo.records.field import Reading
from gonogo.replies.grammar import ReplyLine, Unread
from gonogo.store.history import StoredEntry

DENSITIES = ("compaction_pct", "dry_density_kg_m3")
TOLD_WITHIN = timedelta(hours=4)  # of its moisture test: half a shift; our own choice


def is_alone(line: ReplyLine) -> bool:
    """Return whether a line tells a density without a water content."""
    return line.kind == "reading" and "w_pct" not in line.amounts


def joined(read: Sequence[ReplyLine | Unread]) -> list[ReplyLine | Unread]:
    """Return the lines of a mail with each density put to the one test of its strip that the mail tells beside it."""
    kept = list(read)
    for density in read:
        if not isinstance(density, ReplyLine) or not is_alone(density):
            continue
        tests = [n for n, other in enumerate(kept) if isinstance(other, ReplyLine) and _may_be_of(density, other)]
        others = [other for other in read if isinstance(other, ReplyLine) and other.strip_id == density.strip_id]
        if len(tests) != 1 or sum(map(is_alone, others)) != 1:
            continue
        test = kept[tests[0]]
        assert isinstance(test, ReplyLine)
        line = f"{test.line} {density.line.strip()}"
        kept[tests[0]] = replace(test, line=line, amounts={**test.amounts, **density.amounts})
        kept.remove(density)
    return kept


def _may_be_of(density: ReplyLine, test: ReplyLine) -> bool:
    """Return whether a line can be the moisture test of a density."""
    if test.kind != "reading" or is_alone(test) or set(DENSITIES) & set(test.amounts):
        return False
    same = (density.clocks in ((), test.clocks), density.method in ("", test.method), density.basis in ("", test.basis))
    return test.strip_id == density.strip_id and all(same) and "depth_m" not in density.amounts


def test_of(density: ReplyLine, at_utc: datetime, in_force: Sequence[StoredEntry], zone: tzinfo) -> StoredEntry | None:
    """Return the stored moisture test that a density was made with, None where there is none or more than one."""
    day = at_utc.astimezone(zone).date()
    found = [
        line
        for line in in_force
        if isinstance(line.entry, Reading)
        and line.entry.strip_id == density.strip_id
        and line.entry.dry_density_kg_m3 is None
        and timedelta(0) <= at_utc - line.entry.at_utc <= TOLD_WITHIN
        and line.entry.at_utc.astimezone(zone).date() == day
        and density.method in ("", line.entry.method)
        and not density.basis
        and "depth_m" not in density.amounts
    ]
    return found[0] if len(found) == 1 else None

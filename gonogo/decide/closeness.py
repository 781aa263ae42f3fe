"""Whether a verdict hangs on a chance that lies near its threshold, so that more members are worth their time."""

from __future__ import annotations

from gonogo.records.verdict import Decision

# Among 50 members a chance of a half has a standard error of 7 points: one that is clear of its threshold by 5 may be
# found up to this far from it.
CLOSE = 0.15


def is_close(decision: Decision, within: float = CLOSE) -> bool:
    """Say whether a chance that this verdict was asked by lies within so much of what it was compared with.

    Asked by: the rows of the table up to the one that decided. A chance that is unknown is not close to anything.
    """
    for row in decision.seen:
        for left, left_value, _, _, right_value in row.saw:
            if left.startswith("chance_") and abs(left_value - right_value) <= within:
                return True
        if row.rule_id == decision.rule_id:
            break
    return False

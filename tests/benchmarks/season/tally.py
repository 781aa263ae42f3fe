"""What is counted in a season."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Tally:
    """Counts of one season.

    accepted, failed   lifts whose density test passed; rollings whose test did not
    waited_inside      strip-days on which a lift lay inside its window for 3 dry hours of the shift and was not rolled
    doses, doses_inside, doubled_doses   of water to be mixed in; on strips truly inside; on strips watered
                       before, where no test since found them below the window
    damped             light waterings of a top, not mixed in: of a dry one, at the dry edge, or to keep it damp
    caught_loose       lifts that a rain of 3 mm or more found neither rolled nor sealed
    rolled_again       rollings of a lift that had been rolled before
    untested           strip-days on which nothing was tested: it lies rolled or done, or no test was asked for
    without_word       strip-days on which a lift lay there and the mail had no instruction for it
    """

    accepted: int = 0
    failed: int = 0
    waited_inside: int = 0
    doses: int = 0
    doses_inside: int = 0
    doubled_doses: int = 0
    tests: int = 0
    seals: int = 0
    caught_loose: int = 0
    rolled_again: int = 0
    diskings: int = 0
    without_word: int = 0
    damped: int = 0
    untested: int = 0

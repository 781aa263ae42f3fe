"""How water above field capacity leaves a layer, and what a share of every hour comes to over a step."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from gonogo.soil.bare_soil import ALL

Floats = npt.NDArray[np.float64]
Number = float | Floats


def share_in_step(frac_h: Number, step_h: float) -> Number:
    """Return what goes in a step of step_h hours where frac_h of the rest goes in every hour [-].

    Source: identity. Checked in tests/soil/test_drainage.py.
    """
    return 1.0 - (1.0 - frac_h) ** step_h


def share_of_hour(time_h: Number) -> Number:
    """Return the share that goes in an hour where 37 % is left after time_h hours [-].

    Source: identity. Checked in tests/soil/test_drainage.py.
    """
    return 1.0 - np.exp(-1.0 / np.asarray(time_h))


class Leaving:
    """How the excess over field capacity leaves a layer in a step: dx/dt = -(a + b x / room) x, solved exactly.

    a  from the share that leaves in an hour whatever the excess; b grows with the excess, as conductivity does

    Checked in tests/soil/test_balance.py.
    """

    def __init__(self, frac_h: Floats, rise_h: Floats, room_mm: Floats, step_h: float) -> None:
        self.share = np.asarray(share_in_step(frac_h, step_h))
        self.rise: Floats | None = None
        if np.any(rise_h > 0.0):
            with np.errstate(divide="ignore", invalid="ignore"):
                a = -np.log1p(-frac_h)
                lasting_h = np.where(a > 0.0, self.share / a, step_h)
            self.kept, self.rise = 1.0 - self.share, rise_h / room_mm * lasting_h

    def take(self, excess_mm: Floats) -> None:
        """Turn an excess into what of it leaves, in place."""
        if self.rise is None:
            excess_mm *= self.share
        else:
            slowed = self.rise * excess_mm
            slowed += ALL
            left_mm = excess_mm * self.kept
            left_mm /= slowed
            excess_mm -= left_mm

"""Random numbers by what they are for: the same seed and the same thing give the same draw, whatever else was drawn."""

from __future__ import annotations

import hashlib

import numpy as np


def draws(seed: int, *what: object) -> np.random.Generator:
    """Return the random generator of a thing, named by a seed and any number of words or numbers.

    Policies of one seed share every draw that has the same name: the moisture of lift 3 of N2, the error of the first
    test of that lift. So differences between policies are not differences of luck.
    """
    text = "|".join(str(part) for part in (seed, *what))
    return np.random.default_rng(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big"))

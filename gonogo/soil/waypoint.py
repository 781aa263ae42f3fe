"""How members stood after the last of their tests, to be taken on from there under another sky.

What would be if a wet lift were disked tomorrow is otherwise only from tomorrow on: two weeks of weather need not be
simulated again to find out. The result is that of a whole run, to the last bit.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from gonogo.soil.ground import Ground
from gonogo.soil.layers import SoilParams, SoilState
from gonogo.soil.members import Members
from gonogo.soil.sky import Sky

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waypoint:
    """Members as they stood at an hour, after its tests, and none came later.

    members   themselves; what they learned and drew has not changed since
    given_out   (S,) hours before that of each strip's last test, whose contents stood as they are given out
    path      by strip, the hours since: contents of lift, top and base as simulated, (H', M) each
    """

    hour: int
    members: Members = field(repr=False)
    state: SoilState = field(repr=False)
    params: SoilParams = field(repr=False)
    is_loosened: npt.NDArray[np.bool_] = field(repr=False)
    given_out: tuple[int, ...] = field(repr=False)
    path: tuple[tuple[Floats, ...], ...] = field(repr=False)


def waypoint(members: Members, hour: int) -> Waypoint:
    """Return how members stand at an hour, before they are taken on from it."""
    contents = (members.theta, members.top, members.base)
    return Waypoint(
        hour=hour,
        members=members,
        state=SoilState(top_mm=members.state.top_mm.copy(), base_mm=members.state.base_mm.copy()),
        params=members.params,
        is_loosened=members.is_loosened,
        given_out=tuple(members.given_out),
        path=tuple(tuple(c[since:hour, s].copy() for c in contents) for s, since in enumerate(members.given_out)),
    )


def taken_on(before: Waypoint, columns: Sequence[int], ground: Ground, sky: Sky) -> Members:
    """Return the members of some strips, simulated from the waypoint to the end of another sky; contents in per cent.

    columns       the strips' places among those of the waypoint
    ground, sky   theirs; until the hour of the waypoint as they were
    """
    first, own = before.members, list(columns)
    members = copy.copy(first)
    members.strips, members.ground, members.sky = first.strips.only(own), ground, sky
    members.knowledge, members.since = [first.knowledge[s] for s in own], [first.since[s] for s in own]
    members.model = [first.model[s] for s in own]
    members.draws, members.starts, members.unknown = first.draws[own], first.starts[own], first.unknown[own]
    members.untested, members.terms = first.untested[own], first.terms[:, own]
    members.is_apart_known, members.is_loosened = first.is_apart_known[own], before.is_loosened[own]
    members.params = before.params.of_strips(own, len(before.given_out))
    members.state = SoilState(top_mm=before.state.top_mm[own], base_mm=before.state.base_mm[own])
    members.given_out = [before.given_out[s] for s in own]
    finished = (first.theta, first.top, first.base)
    members.theta, members.top, members.base = (np.zeros((len(path), len(own), path.shape[2])) for path in finished)
    for k, s in enumerate(own):
        for path, since in zip((members.theta, members.top, members.base), before.path[s], strict=True):
            path[before.given_out[s] : before.hour, k] = since
    n_hours = len(sky.frozen)
    members.keep(before.hour, n_hours)
    members.keep(n_hours, n_hours)
    members.as_lift_pct()
    # What came before was given out as it is, and is so still.
    for path, whole in zip((members.theta, members.top, members.base), finished, strict=True):
        for k, s in enumerate(own):
            path[: before.given_out[s], k] = whole[: before.given_out[s], s]
    return members

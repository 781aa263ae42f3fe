"""A site judged on its weather: a first look at all strips, and a closer one at those that lie near a threshold."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from gonogo.decide.closeness import is_close
from gonogo.decide.conclusion import Conclusion, LookedAt
from gonogo.decide.judge import Judgement, Look, SiteDay, judgement, look, look_closer
from gonogo.moisture.simulate import Kept
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.attempts import first_made
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site
from gonogo.records.verdict import Decision
from gonogo.weather.series import HourlyWeather

MEMBERS_CLOSE = 400  # where a chance lies near its threshold: a standard error of 2.5 points at a half
CELLS_MOST = 24_000  # strips times members that are looked at closer


def seed(site: Site, day: date, edition: str) -> int:
    """Return the seed of a run's random numbers: the same morning made again draws the same members."""
    text = f"{site.id}|{day.isoformat()}|{edition}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big")


def rng_of(frame: RunFrame) -> np.random.Generator:
    """Return the random numbers of a run, from their beginning."""
    return np.random.default_rng(seed(frame.site, frame.day, frame.edition))


def drawn(made: Callable[[np.random.Generator], HourlyWeather], rng: np.random.Generator) -> LookedAt:
    """Return a look at all strips of a site, with weather that is drawn from the random numbers."""
    weather = made(rng)
    return LookedAt(weather=weather, drawn_with=rng.bit_generator.state)


def close_strips(decisions: Sequence[Decision]) -> frozenset[str]:
    """Return the ids of the strips whose verdict hangs on a chance near its threshold."""
    return frozenset(decision.strip_id for decision in decisions if is_close(decision))


def n_members_closer(n_strips: int, n_members: int) -> int | None:
    """Return with how many members so many strips are looked at closer, None where these are no more than before.

    Each member costs time and memory for each strip: where very many strips lie near a threshold, each gets fewer.
    """
    most = min(MEMBERS_CLOSE, CELLS_MOST // max(n_strips, 1))
    return most if n_strips and most > n_members else None


def judged(
    frame: RunFrame, stored: StoredInputs, came: Conclusion, first: LookedAt, more: Callable[[int], LookedAt]
) -> Conclusion:
    """Return a conclusion with the verdicts on its weather; strips near a threshold are judged with more members.

    first   the look at all strips; more: the same with so many members

    What only follows from verdicts is made of the last look alone. Where the closer look fails, the first one stands.
    """
    seen = looked(frame, stored, (first,))
    strip_ids = close_strips(seen.decisions)
    n_members = n_members_closer(len(strip_ids), first.weather.rain_members_mm.shape[1])
    faults: tuple[str, ...] = ()
    if n_members is not None:

        def closer() -> Conclusion:
            looks = (first, replace(more(n_members), strip_ids=strip_ids))
            return _concluded(came, looks, judgement(_closer(frame, stored, seen, looks[1])))

        what = f"{frame.site.id}: judging with {n_members} members"
        surer, traces = first_made((closer,), what=what)
        if surer is not None:
            return surer
        faults = tuple(f"{what}: {trace.splitlines()[-1]}" for trace in traces)
    return replace(_concluded(came, (first,), judgement(seen)), faults=(*came.faults, *faults))


def judge_again(frame: RunFrame, stored: StoredInputs, looks: Sequence[LookedAt]) -> Judgement:
    """Return a site judged by a conclusion's looks, on other weather or entries with members drawn as those were."""
    return judgement(looked(frame, stored, looks))


def looked(frame: RunFrame, stored: StoredInputs, looks: Sequence[LookedAt]) -> Look:
    """Return the verdicts of a site by one look at all strips and closer ones at some, without what follows from them.

    Raises what `look` raises.
    """
    first, *closer = looks
    seen = look(
        _site_day(frame), weather=first.weather, entries=stored.entries, rng=_as_drawn(first), kept=_kept(stored)
    )
    for again in closer:
        seen = _closer(frame, stored, seen, again)
    return seen


def _closer(frame: RunFrame, stored: StoredInputs, seen: Look, again: LookedAt) -> Look:
    return look_closer(
        seen,
        _site_day(frame),
        again.strip_ids,
        weather=again.weather,
        rng=_as_drawn(again),
        entries=stored.entries,
        plans=stored.previous.plans,
    )


def _concluded(came: Conclusion, looks: tuple[LookedAt, ...], found: Judgement) -> Conclusion:
    return replace(
        came,
        weather=looks[-1].weather,
        decisions=found.decisions,
        outlook=found.outlook,
        judgement=found,
        looks=looks,
    )


def _site_day(frame: RunFrame) -> SiteDay:
    settings = frame.config.settings[frame.site.id]
    return SiteDay(site=frame.site, day=frame.day, now_utc=frame.now_utc, settings=settings)


def _kept(stored: StoredInputs) -> Kept:
    return Kept(learned=stored.learned, plans=stored.previous.plans)


def _as_drawn(looked_at: LookedAt) -> np.random.Generator:
    rng = np.random.default_rng()
    rng.bit_generator.state = looked_at.drawn_with
    return rng

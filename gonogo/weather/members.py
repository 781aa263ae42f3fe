"""Equally likely rain from one amount and one chance an hour.

A chance of rain for six or twelve hours is kept for each of them (never divided: no hour is likelier than its
period), and adds its least amount once. An ensemble's own members are used as they are; below 5 whole ones the chance
rules.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo.times import as_hour
from gonogo.weather.notes import Note, note
from gonogo.weather.table import ParsedForecast

Floats = npt.NDArray[np.float64]

# All figures here are choices of ours, no source: they shape the spread until a site's own gauge has taught better.
WET_MM_H = 0.1  # what services mean by a chance of rain: at least this in the hour
CHANCE_OF_AMOUNT = ((0.0, 0.0), (0.1, 0.35), (1.0, 0.6), (3.0, 0.8), (10.0, 0.9))  # (mm in the hour, least chance)
CHANCE_OF_NEIGHBOUR = 0.4  # least chance next to a rainy hour, as a share of that hour's: rain comes early or late
CHANCE_HALVES_H = 480.0  # lead at which the least chance of an amount has fallen to half
VARIATION_NOW = 0.5  # coefficient of variation of the amount, given rain, at lead 0 and before
VARIATION_GROWTH_PER_DAY = 0.07
VARIATION_GAUGED = 0.05  # catch error of a gauge
FAST_MEMORY_H = 5.0  # a shower
MAX_GAP_H = 3  # as for the table itself
LEAST_ENSEMBLE = 5  # with fewer members an ensemble says little; the spread then comes from the chance
SLOW_MEMORY_H = 48.0  # a front that comes early or late, stronger or weaker


def likely_chance(rain_mm: Floats, rain_chance: Floats, lead_h: Floats, *, widening: float | Floats = 1.0) -> Floats:
    """Return the chance of rain that the members follow, (H,).

    rain_mm       (H,)  expected amount of the hour [mm]
    rain_chance   (H,)  the service's chance, 0 to 1, NaN where it has none
    lead_h        (H,)  hours from now, negative in the past
    widening      [-]   1, or more for an old forecast, one number or (H,): the chance is drawn towards one half

    An amount and a chance often come from different runs, so neither is taken below what the other implies.
    """
    at_mm, at_chance = zip(*CHANCE_OF_AMOUNT, strict=True)
    implied = np.interp(rain_mm, at_mm, at_chance) * 0.5 ** (np.maximum(lead_h, 0.0) / CHANCE_HALVES_H)
    beside = np.zeros_like(implied)
    beside[1:] = implied[:-1]
    beside[:-1] = np.maximum(beside[:-1], implied[1:])
    implied = np.maximum(implied, CHANCE_OF_NEIGHBOUR * beside * np.isnan(rain_chance))
    chance = np.clip(np.maximum(np.nan_to_num(rain_chance, nan=0.0), implied), 0.0, 1.0)
    towards_half = np.clip(0.2 * (widening - 1.0), 0.0, 0.5)
    return np.asarray(chance + towards_half * (0.5 - chance), dtype=np.float64)


def expected_rain_mm(rain_mm: Floats, rain_chance: Floats, chance_span_h: Floats | float = 1.0) -> Floats:
    """Return the amount that the members must have on average, (H,) [mm].

    chance_span_h   hours of the period that the chance is for, one number or (H,)

    The service's amount, but not less than its own chance allows: a chance p of at least 0.1 mm is at least
    0.1 p mm on average. Where amount and chance come from different runs, an amount of 0 with a chance of 0.8 is usual.
    """
    return np.maximum(rain_mm, np.nan_to_num(rain_chance, nan=0.0) * WET_MM_H / chance_span_h)


def rain_members_mm(
    rain_mm: Floats,
    rain_chance: Floats,
    lead_h: Floats,
    *,
    n_members: int,
    rng: np.random.Generator,
    widening: float | Floats = 1.0,
    gauged_share: Floats | None = None,
) -> Floats:
    """Return equally likely rain amounts, (H, M) [mm], whose mean over members is `rain_mm` in every hour.

    rain_mm        (H,)  expected amount (see expected_rain_mm)
    rain_chance    (H,)  chance of rain in the hour, 0 to 1, NaN where the service has none
    lead_h         (H,)  hours from now, negative in the past
    n_members      members, at least 1
    widening       [-]   1, or more for an old forecast, one number or (H,): amounts vary more, chances are drawn
                         towards one half; below 1 amounts vary less
    gauged_share   (H,)  share of the hour that the site's gauge vouches for: there the members agree to 5 %

    Each hour the members are ranked by a memory of hours and one of days, so that a member stays wet through a shower
    and early or late through a front; the share of wet members is the chance, and their amounts follow a Weibull
    distribution whose spread grows with lead. Source: common practice (a Gaussian copula in time), figures above.
    """
    drawn = draw(
        rain_mm,
        rain_chance,
        lead_h,
        n_members=n_members,
        rng=rng,
        widening=widening,
        gauged_share=gauged_share,
    )
    return drawn.amounts_mm()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """Members before their amounts: ranks (H, M), how many are wet by amount and chance, and the amounts' shape (H,).

    ranks     of hours with rain, 0 in others
    n_alone   wet members that the amount alone implies, n_wet: with the service's chance, never fewer
    """

    rain_mm: Floats
    ranks: npt.NDArray[np.int64]
    n_alone: npt.NDArray[np.int64]
    n_wet: npt.NDArray[np.int64]
    shape: Floats

    def amounts_mm(self) -> Floats:
        """Return the rain of each member, (H, M) [mm]."""
        return _amounts_mm(self.rain_mm, self.ranks, self.n_wet, self.shape)

    def peaks_mm(self, lead_h: Floats, amounts_mm: Floats) -> Floats:
        """Return the greatest rain of each member under any chance up to the service's, (H, M) [mm].

        amounts_mm   what `amounts_mm` returned

        The same amount on more members is less for each: a greater chance would thin the rain below a stop. What is
        stopped for is judged by these, so that a greater chance never opens an hour. Hours gone by are as they are.
        """
        peaks, n_members = amounts_mm.copy(), self.ranks.shape[1]
        rows = np.flatnonzero((self.n_alone < self.n_wet) & (lead_h >= 0.0) & (self.rain_mm > 0.0))
        if not len(rows):
            return peaks
        total_mm, least, end = self.rain_mm[rows] * n_members, self.n_alone[rows], self.n_wet[rows]
        by_rank = np.zeros((len(rows), n_members))
        for n in range(int(least.min()), int(end.max())):
            thin = np.flatnonzero((least <= n) & (n < end))
            # The amounts of `_amounts_of_mm`, rank by rank: there are thousands of hours and numbers of wet members.
            wet = np.exp(_log_unscaled(n) / self.shape[rows[thin], None])
            wet *= (total_mm[thin] / wet.sum(axis=1))[:, None]
            by_rank[thin, n_members - n :] = np.maximum(by_rank[thin, n_members - n :], wet)
        peaks[rows] = np.maximum(peaks[rows], np.take_along_axis(by_rank, self.ranks[rows], axis=1))
        return peaks


def draw(
    rain_mm: Floats,
    rain_chance: Floats,
    lead_h: Floats,
    *,
    n_members: int,
    rng: np.random.Generator,
    widening: float | Floats = 1.0,
    gauged_share: Floats | None = None,
) -> Drawn:
    """Return the members of rain; arguments as of rain_members_mm."""
    if n_members < 1:
        raise ValueError(f"n_members = {n_members}: at least one member is needed.")
    gauged = np.zeros_like(rain_mm) if gauged_share is None else gauged_share
    chance = likely_chance(rain_mm, rain_chance, lead_h, widening=widening)
    chance = np.where(gauged > 0.5, 1.0, chance)
    alone = np.minimum(likely_chance(rain_mm, np.zeros_like(rain_mm), lead_h, widening=widening), chance)
    alone = np.where(gauged > 0.5, 1.0, alone)
    variation = (VARIATION_NOW + VARIATION_GROWTH_PER_DAY * np.maximum(lead_h, 0.0) / 24.0) * widening
    variation = gauged * VARIATION_GAUGED + (1.0 - gauged) * variation
    n_wet, n_alone = (np.clip(np.round(share * n_members), 1, n_members).astype(np.int64) for share in (chance, alone))
    # Weibull quantile with mean 1 after scaling; shape from variation by Justus et al. (1978): k = cv^-1.086.
    shape = np.clip(variation, 0.02, 3.0) ** -1.086
    ranks = _ranks(rain_mm != 0.0, n_members, rng)  # most hours are dry, and to rank is most of a draw's time
    return Drawn(rain_mm=rain_mm, ranks=ranks, n_alone=n_alone, n_wet=n_wet, shape=shape)


def _amounts_mm(rain_mm: Floats, ranks: npt.NDArray[np.int64], n_wet: npt.NDArray[np.int64], shape: Floats) -> Floats:
    """Return amounts (H, M) whose mean is rain_mm, of which n_wet members in each hour have any."""
    amounts = np.zeros(ranks.shape)
    some = np.flatnonzero(rain_mm != 0.0)
    for n in np.unique(n_wet[some]).tolist():
        rows = some[n_wet[some] == n]
        amounts[rows] = _amounts_of_mm(rain_mm[rows], ranks[rows], n, shape[rows])
    return amounts


def _amounts_of_mm(rain_mm: Floats, ranks: npt.NDArray[np.int64], n_wet: int, shape: Floats) -> Floats:
    """Return amounts (H, M) of hours in which n_wet members have any: those of the highest ranks."""
    n_members = ranks.shape[1]
    by_rank = np.zeros(ranks.shape)
    by_rank[:, n_members - n_wet :] = _unscaled(n_wet) ** (1.0 / shape[:, None])
    raw = by_rank[np.arange(len(ranks))[:, None], ranks]
    return np.asarray(raw * (rain_mm[:, None] / raw.mean(axis=1, keepdims=True)), dtype=np.float64)


def _unscaled(n_wet: int) -> Floats:
    """Return what wet members (N,) have, rank by rank, of a Weibull distribution of shape and scale 1."""
    place = (np.arange(n_wet) + 0.5) / n_wet  # of a wet member among the wet
    return -np.log1p(-np.minimum(place, 1.0 - 1e-12))


@functools.cache
def _log_unscaled(n_wet: int) -> Floats:
    """Return the logarithms of `_unscaled`, not to be written: the same numbers of members come with each site."""
    found: Floats = np.log(_unscaled(n_wet))
    found.flags.writeable = False
    return found


def of_ensemble_mm(
    ensemble_mm: Floats,
    rain_mm: Floats,
    *,
    n_members: int,
    rng: np.random.Generator,
    widening: float | Floats = 1.0,
) -> Floats:
    """Return an ensemble's own members brought to n_members, (H, M) [mm], with the mean `rain_mm` in every hour.

    ensemble_mm  (H, K)  rain of the K members, each a course of its own, no gaps
    rain_mm      (H,)    expected amount
    widening     [-]     above 1 the members are drawn away from their mean, never below 0

    Each of the K members stands as often as the others, but for one more or less drawn by lot. An hour in which no
    member has rain while some is expected is given to all alike.
    """
    n_given = ensemble_mm.shape[1]
    order = np.concatenate([rng.permutation(n_given) for _ in range(-(-n_members // n_given))])[:n_members]
    drawn = ensemble_mm[:, order]
    mean = drawn.mean(axis=1, keepdims=True)
    spread = np.asarray(widening)[..., None] if np.ndim(widening) else widening
    drawn = np.maximum(mean + spread * (drawn - mean), 0.0)
    total = drawn.mean(axis=1, keepdims=True)
    wanted = rain_mm[:, None]
    scaled = np.where(total > 0.0, drawn * (wanted / np.where(total > 0.0, total, 1.0)), wanted)
    return np.asarray(scaled, dtype=np.float64)


def ensemble_mm(
    parsed: ParsedForecast, hour_utc: npt.NDArray[np.datetime64], snow_share: Floats, now_utc: datetime
) -> tuple[Floats | None, list[Note]]:
    """Return the rain of an ensemble's members on the table's hours, (H, K), None where there is no usable ensemble.

    Where the ensemble begins before now_utc, but later than the table, the rows before it are NaN.
    """
    import pandas as pd

    if parsed.rain_members_mm is None:
        return None, []
    said = ~np.isnan(parsed.rain_members_mm).all(axis=1)
    hours = pd.DatetimeIndex(parsed.table["hour_utc"].to_numpy()[said])
    first = ~hours.duplicated()
    on_hours = pd.DataFrame(parsed.rain_members_mm[said][first], index=hours[first].as_unit("s"))
    members = on_hours.reindex(pd.DatetimeIndex(hour_utc).as_unit("s")).to_numpy(dtype=np.float64)
    # Hours put in front of the service's own have no members: their rain is drawn as it is without an ensemble.
    since = int(np.argmax(~np.isnan(members).all(axis=1)))
    if since > (hour_utc < as_hour(now_utc)).sum():
        return None, [note("ensemble_too_short")]
    whole, n_lost = whole_members_mm(members[since:])
    members = np.concatenate([np.full((since, whole.shape[1]), np.nan), whole])
    if members.shape[1] < LEAST_ENSEMBLE:
        return None, [note("ensemble_too_few")]
    lost = [note("members_left_out", n=n_lost, n_members=members.shape[1] + n_lost)] if n_lost else []
    return members * (1.0 - snow_share)[:, None], lost


def whole_members_mm(members_mm: Floats) -> tuple[Floats, int]:
    """Return (members without gaps, how many were left out) of an ensemble's rain on the table's hours, (H, K).

    A member with up to MAX_GAP_H hours missing in a row is filled in a straight line; one with more is left out.
    """
    kept = []
    for member in members_mm.T:
        missing = np.isnan(member)
        edges = np.flatnonzero(np.diff(np.concatenate(([False], missing, [False])).astype(np.int8)))
        if missing.any() and (missing.all() or (edges[1::2] - edges[::2]).max() > MAX_GAP_H):
            continue
        if missing.any():
            known = np.flatnonzero(~missing)
            member = np.interp(np.arange(len(member)), known, member[known])
        kept.append(member)
    whole = np.stack(kept, axis=1) if kept else np.zeros((len(members_mm), 0))
    return whole, members_mm.shape[1] - len(kept)


def _ranks(is_wanted: npt.NDArray[np.bool_], n_members: int, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Return ranks 0 to M-1 of the members in each hour that is wanted, (H, M), that remember hours and days.

    Every hour is drawn, so that one more or fewer that is wanted moves no other; the others' ranks are 0.
    """
    states = rng.standard_normal((2, len(is_wanted), n_members))  # shocks, then states
    keep = np.exp(-1.0 / np.array([[FAST_MEMORY_H], [SLOW_MEMORY_H]]))
    states[:, 1:] *= np.sqrt(1.0 - keep**2)[:, None]
    kept = np.empty((2, n_members))
    for hour in range(1, len(is_wanted)):
        np.multiply(keep, states[:, hour - 1], out=kept)
        states[:, hour] += kept
    latent = states[0, is_wanted] + states[1, is_wanted]
    ranked = np.empty(latent.shape, dtype=np.int64)
    np.put_along_axis(ranked, np.argsort(latent, axis=1), np.broadcast_to(np.arange(n_members), latent.shape), axis=1)
    ranks = np.zeros(states.shape[1:], dtype=np.int64)
    ranks[is_wanted] = ranked
    return ranks

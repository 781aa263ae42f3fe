"""A site's own readings forecast again, each from the one before, with the weather that was stored at the time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import sqlalchemy as sa

from gonogo import times
from gonogo.backtest.forecast import HORIZON
from gonogo.backtest.score import scores, text
from gonogo.config import Config
from gonogo.download.forecasts import from_stored
from gonogo.errors import GonogoError, WeatherError
from gonogo.moisture.simulate import Kept, Simulated, simulate
from gonogo.morning import answers, compute, previous
from gonogo.outgoing.frame import RunFrame
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.soil.readings import METHOD_ERROR_PCT, SPOT_SCATTER_PCT
from gonogo.store.open import open_store
from gonogo.weather.forecast_status import ForecastStatus

LEADS = tuple(range(1, HORIZON + 1))
TENTH_SD = 1.2816  # distance of a tenth from the middle of a normal distribution [standard deviations]
STALE_H = 24.0  # a forecast older than this told nobody to compact; it is not scored either


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A reading forecast from an earlier one of the same lift, with no water put on and no work done between."""

    earlier: Reading
    later: Reading

    @property
    def lead_days(self) -> int:
        return max(1, round((self.later.at_utc - self.earlier.at_utc) / timedelta(days=1)))


def site_backtest(config: Config, site: Site, *, now_utc: datetime, say: Callable[[str], None] = lambda _: None) -> str:
    """Return how well each reading up to ten days after another was foreseen on that day, and by "no change".

    Readings, water and work are those recorded; the weather is the newest forecast stored by then; what was learned is
    what had been learned by then. Raises StoreError.
    """
    store = open_store(config)
    try:
        entries = previous.load(_frame(store, config, site, now_utc), with_previous=False).entries
        found = pairs(site, [e for e in entries if not isinstance(e, Reading) or e.at_utc <= now_utc])
        rows: list[dict[str, object]] = []
        n_dark = 0
        for at_utc in sorted({pair.earlier.at_utc for pair in found}):
            own = [pair for pair in found if pair.earlier.at_utc == at_utc]
            say(f"{at_utc:%Y-%m-%d %H:%M}")
            simulated = _simulated(store, config, site, at_utc)
            if simulated is None:
                n_dark += len(own)
                continue
            rows += [row for pair in own if (row := _row(site, pair, *simulated)) is not None]
    finally:
        store.dispose()
    lines = [f"{site.name} ({site.id}): {len(found)} readings up to {HORIZON} days after another of the same lift."]
    if n_dark:
        lines.append(f"{n_dark} of them have no weather forecast stored on the day of the earlier reading.")
    if not rows:
        return "\n".join([*lines, "Nothing to score yet."])
    return "\n".join([*lines, text(scores(pd.DataFrame(rows), LEADS), unit="points of water content", decimals=2)])


def pairs(site: Site, entries: Sequence[Entry]) -> tuple[Pair, ...]:
    """Return each two readings of a lift between which weather alone was at work, at most ten days apart."""
    out: list[Pair] = []
    for strip in site.strips:
        readings = sorted(
            (e for e in entries if isinstance(e, Reading) and e.strip_id == strip.id), key=lambda e: e.at_utc
        )
        touched = [e.at_utc for e in entries if isinstance(e, Watering | SurfaceWork) and e.strip_id == strip.id]
        for i, earlier in enumerate(readings):
            for later in readings[i + 1 :]:
                apart = later.at_utc - earlier.at_utc
                if timedelta(hours=12) <= apart <= timedelta(days=HORIZON) and not any(
                    earlier.at_utc < at <= later.at_utc for at in touched
                ):
                    out.append(Pair(earlier=earlier, later=later))
    return tuple(out)


def _simulated(
    store: sa.Engine, config: Config, site: Site, at_utc: datetime
) -> tuple[np.ndarray[tuple[int], np.dtype[np.datetime64]], Simulated] | None:
    """Return hours and moisture as a moment knew them, None where no usable forecast was stored by then."""
    frame = _frame(store, config, site, at_utc)
    stored = previous.load(frame, with_previous=False)
    settings, rng = config.settings[site.id], np.random.default_rng(compute.seed(site, at_utc.date(), "backtest"))
    try:
        downloaded = from_stored(site, at_utc, stored.answers)
        weather = answers.checked(frame, stored, downloaded, rng)
    except WeatherError:
        return None
    if weather.status is ForecastStatus.NONE or at_utc - downloaded.answer.fetched_utc > timedelta(hours=STALE_H):
        return None
    try:
        return weather.hour_utc, simulate(
            site,
            now_utc=at_utc,
            weather=weather,
            entries=stored.entries,
            settings=settings,
            rng=rng,
            kept=Kept(learned=stored.learned),
        )
    except GonogoError:
        return None


def _frame(store: sa.Engine, config: Config, site: Site, at_utc: datetime) -> RunFrame:
    return RunFrame(
        config=config,
        site=site,
        day=at_utc.date(),
        edition="backtest",
        now_utc=at_utc,
        deadline_utc=at_utc,
        store=store,
        fetch=from_stored,
        keeps=False,
    )


def _row(
    site: Site, pair: Pair, hour_utc: np.ndarray[tuple[int], np.dtype[np.datetime64]], simulated: Simulated
) -> dict[str, object] | None:
    """A forecast reading beside the measured one, None where the forecast does not reach so far."""
    row = round((pair.later.at_utc - times.as_datetime(hour_utc[0])) / times.HOUR)
    if not 0 <= row < simulated.moisture.w_pct.shape[0]:
        return None
    s = [strip.id for strip in site.strips].index(pair.later.strip_id)
    members = simulated.moisture.w_pct[row, s]
    # What is found is a test, not the lift itself: its error and the spot's belong into the band.
    error_pct = np.hypot(METHOD_ERROR_PCT[pair.later.method], SPOT_SCATTER_PCT)
    half = TENTH_SD * np.hypot(members.std(ddof=1), error_pct)
    return {
        "station": pair.later.strip_id,
        "climate": "",
        "lead_days": pair.lead_days,
        "reading": pair.earlier.w_pct,
        "measured": pair.later.w_pct,
        "theta_mean": float(members.mean()),
        "theta_p10": float(members.mean() - half),
        "theta_p90": float(members.mean() + half),
    }

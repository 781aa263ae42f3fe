"""A site's own readings forecast again, each from the one before, with the weather that was stored at the time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
import pandas as pd
import sqlalchemy as sa

from gonogo import times
from gonogo.backtest.forecast import HORIZON
from gonogo.backtest.report import Backtest
from gonogo.config import Config
from gonogo.download.forecasts import from_stored
from gonogo.errors import GonogoError, WeatherError
from gonogo.moisture.simulate import Kept, Simulated, simulate
from gonogo.morning import answers, compute, previous
from gonogo.outgoing.frame import RunFrame
from gonogo.records.field import Entry, Reading, SurfaceWork, Watering
from gonogo.records.site import Site
from gonogo.soil.readings import METHOD_ERROR_PCT, SPOT_SCATTER_PCT, upper_part
from gonogo.soil.strip import top_thickness_mm
from gonogo.store.open import open_store
from gonogo.weather.forecast_status import ForecastStatus

Floats = npt.NDArray[np.float64]

TENTH_SD = 1.2816  # distance of a tenth from the middle of a normal distribution [standard deviations]
STALE_H = 24.0  # a forecast older than this told nobody to compact; it is not scored either


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingPair:
    """A reading forecast from an earlier one of the same lift, with no water put on and no work done between."""

    earlier: Reading
    later: Reading

    @property
    def lead_days(self) -> int:
        return max(1, round((self.later.at_utc - self.earlier.at_utc) / timedelta(days=1)))


COLUMNS = (
    "station", "climate", "month", "lead_days", "reading", "measured", "theta_mean", "theta_p10", "theta_p90", "low",
    "high", "chance",
)  # fmt: skip


def site_backtest(
    config: Config, site: Site, *, now_utc: datetime, say: Callable[[str], None] = lambda _: None
) -> Backtest:
    """Return how well each reading up to ten days after another was foreseen on that day, and by "no change".

    Readings, water and work are those recorded; the weather is the newest forecast stored by then; what was learned is
    what had been learned by then. A class is a material, a station a strip. Raises StoreError.
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
    done = [f"{site.name} ({site.id}): {len(found)} readings up to {HORIZON} days after another of the same lift."]
    if n_dark:
        done.append(f"{n_dark} of them have no weather forecast stored on the day of the earlier reading.")
    return Backtest(
        subject=f"{site.name}: its own tests",
        done=tuple(done),
        rows=pd.DataFrame(rows, columns=list(COLUMNS)),
        unit="points of water content",
        decimals=2,
        window="in the window of the material",
        nothing="Nothing to score yet.",
    )


def pairs(site: Site, entries: Sequence[Entry]) -> tuple[ReadingPair, ...]:
    """Return each two readings of a lift between which weather alone was at work, at most ten days apart."""
    out: list[ReadingPair] = []
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
                    out.append(ReadingPair(earlier=earlier, later=later))
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
    site: Site, pair: ReadingPair, hour_utc: np.ndarray[tuple[int], np.dtype[np.datetime64]], simulated: Simulated
) -> dict[str, object] | None:
    """A forecast reading beside the measured one, each as the oven would have it; None beyond the forecast's end."""
    row = round((pair.later.at_utc - times.as_datetime(hour_utc[0])) / times.HOUR)
    if not 0 <= row < simulated.moisture.w_pct.shape[0]:
        return None
    s = [strip.id for strip in site.strips].index(pair.later.strip_id)
    history, material = simulated.histories[s], simulated.site.material(simulated.site.strips[s].material_id)
    members = _as_tested_pct(simulated, s, row, pair.later.depth_mm)
    # What is found is a test, not the lift itself: its error and the spot's belong into the band and the chance.
    error_pct = float(np.hypot(METHOD_ERROR_PCT[pair.later.method], SPOT_SCATTER_PCT))
    half = TENTH_SD * np.hypot(members.std(ddof=1), error_pct)
    low, high = material.omc_pct + material.window_low_pct, material.omc_pct + material.window_high_pct
    of_test = NormalDist(sigma=error_pct)
    in_window = [of_test.cdf(high - held) - of_test.cdf(low - held) for held in members.tolist()]
    figures = (
        history.as_oven_pct(pair.earlier),
        history.as_oven_pct(pair.later),
        float(members.mean()),
        float(members.mean() - half),
        float(members.mean() + half),
        low,
        high,
        sum(in_window) / len(in_window),
    )
    month = pair.earlier.at_utc.astimezone(site.zone).month
    return dict(zip(COLUMNS, (pair.later.strip_id, material.name, month, pair.lead_days, *figures), strict=True))


def _as_tested_pct(simulated: Simulated, s: int, row: int, depth_mm: float | None) -> Floats:
    """What the members hold of a strip in the part that a test was taken of (M,) [%]."""
    moisture, lift_mm = simulated.moisture, 1000.0 * simulated.site.strips[s].lift_thickness_m
    if depth_mm is None or depth_mm >= lift_mm:
        return np.asarray(moisture.w_pct[row, s])
    top, base = moisture.w_top_pct[row, s], moisture.w_base_pct[row, s]
    return upper_part(top, base, top_thickness_mm(lift_mm), depth_mm)

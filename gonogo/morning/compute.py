"""What a site's morning comes to. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import replace
from datetime import date

import numpy as np

from gonogo.decide.conclusion import Conclusion
from gonogo.decide.judge import Judgement, judge
from gonogo.decide.verdict import no_verdict
from gonogo.errors import WeatherError
from gonogo.moisture.simulate import Kept
from gonogo.morning import plan
from gonogo.morning.answers import ClockRefutedError, checked, fetched
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.attempts import first_made, trace
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site
from gonogo.weather.series import HourlyWeather

log = logging.getLogger("gonogo.morning.compute")

NO_FORECAST_TEXT = "There is no usable weather forecast."
COMPUTATION_TEXT = "The computation failed; the operator has been told."
OVERRUN_TEXT = "The computation took too long; the operator has been told."
CONFIG_TEXT = "The settings of the service have a fault; the operator has been told."


def seed(site: Site, day: date, edition: str) -> int:
    """Return the seed of a run's random numbers: the same morning made again draws the same members."""
    text = f"{site.id}|{day.isoformat()}|{edition}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big")


def conclude(frame: RunFrame, stored: StoredInputs) -> Conclusion:
    """Return what the morning of a site comes to. Never raises over weather or soil: then every strip waits.

    Raises ClockRefutedError where the weather service's clock says that the run is not due.
    """
    came = without_verdict(frame.site, "", "not_knowable")
    try:
        answer = fetched(frame, stored)
        came = replace(came, answer_id=answer.answer_id, faults=answer.downloaded.faults)
        rng = np.random.default_rng(seed(frame.site, frame.day, frame.edition))
        weather = checked(frame, stored, answer.downloaded, rng)
        came = replace(came, weather=weather)
        came = _with_verdict(came, _judged(frame, stored, weather, rng))
        return plan.planned(frame, came, stored)
    except ClockRefutedError:
        raise
    except Exception as error:  # noqa: BLE001  the one broad catch of a run: it is logged, and every strip waits
        return _despite(frame, stored, came, error)


def _despite(frame: RunFrame, stored: StoredInputs, came: Conclusion, error: Exception) -> Conclusion:
    """What a run comes to where a step failed; `came`: what it had come to by then."""
    noted = {"site": frame.site.id, "day": frame.day, "edition": frame.edition}
    if came.judgement is not None:  # a plan that fails costs nobody the verdict
        log.error("the order of work failed", exc_info=error, extra=noted)
        return replace(came, faults=(*came.faults, f"no order of work: {error}"))
    if isinstance(error, WeatherError):
        log.warning("no usable forecast", extra=noted)
        none = without_verdict(frame.site, NO_FORECAST_TEXT, "no_forecast")
        none = replace(none, faults=(*came.faults, *str(error).splitlines()), answer_id=came.answer_id)
        return _with_tests(frame, stored, none)
    log.error("the computation failed", exc_info=error, extra=noted)
    return _with_tests(frame, stored, replace(came, reason=COMPUTATION_TEXT, error=trace(error)))


def _with_tests(frame: RunFrame, stored: StoredInputs, none: Conclusion) -> Conclusion:
    """A conclusion without a verdict with its day plan, which holds the last tests; one that fails costs no mail."""
    made, _ = first_made((lambda: plan.planned(frame, none, stored),), what=f"{frame.site.id}: the plan of last tests")
    return none if made is None else made


def without_verdict(site: Site, reason: str, key: str) -> Conclusion:
    """Return a conclusion in which every strip waits. reason: a sentence for the crews; key: of each decision."""
    return Conclusion(
        decisions=no_verdict(site, site.strips, key),
        outlook=(),
        weather=None,
        judgement=None,
        reason=reason,
        faults=(),
        error="",
    )


def _judged(frame: RunFrame, stored: StoredInputs, weather: HourlyWeather, rng: np.random.Generator) -> Judgement:
    return judge(
        frame.site,
        day=frame.day,
        now_utc=frame.now_utc,
        weather=weather,
        entries=stored.entries,
        settings=frame.config.settings[frame.site.id],
        rng=rng,
        kept=Kept(learned=stored.learned, plans=stored.previous.plans),
    )


def _with_verdict(came: Conclusion, judgement: Judgement) -> Conclusion:
    """A conclusion with its verdicts, and a fault for each reading that did not fit."""
    return replace(
        came,
        decisions=judgement.decisions,
        outlook=judgement.outlook,
        judgement=judgement,
        faults=(*came.faults, *(f"{r.strip_id}: {text}" for r, _, text in judgement.reading_notes)),
    )

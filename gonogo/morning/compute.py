"""What a site's morning comes to. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from gonogo.decide.closeness import is_close
from gonogo.decide.conclusion import Conclusion
from gonogo.decide.judge import Judgement, Look, SiteDay, judgement, look
from gonogo.decide.verdict import no_verdict
from gonogo.download.forecasts import Downloaded
from gonogo.errors import StoreBusyError, WeatherError
from gonogo.moisture.simulate import Kept
from gonogo.morning import plan, second_service
from gonogo.morning.answers import AskAgainError, ClockRefutedError, checked, fetched
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.attempts import first_made, trace
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site
from gonogo.weather.series import HourlyWeather

log = logging.getLogger("gonogo.morning.compute")

NO_FORECAST_TEXT = "There is no usable weather forecast."
COMPUTATION_TEXT = "The computation failed; the operator has been told."
OVERRUN_TEXT = "The computation took too long; the operator has been told."
MEMBERS_CLOSE = 400  # where a chance lies near its threshold: a standard error of 2.5 points at a half
CELLS_MOST = 24_000  # strips times members that are judged a second time
CONFIG_TEXT = "The settings of the service have a fault; the operator has been told."


def seed(site: Site, day: date, edition: str) -> int:
    """Return the seed of a run's random numbers: the same morning made again draws the same members."""
    text = f"{site.id}|{day.isoformat()}|{edition}"
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:6], "big")


def conclude(frame: RunFrame, stored: StoredInputs) -> Conclusion:
    """Return what the morning of a site comes to. Never raises over weather or soil: then every strip waits.

    Raises ClockRefutedError where the weather service's clock says that the run is not due, AskAgainError where a
    forecast may come yet, StoreBusyError where another's lock kept the forecast from being stored: the run may be made
    again.
    """
    came = without_verdict(frame.site, "", "not_knowable")
    try:
        answer = fetched(frame, stored)
        came = replace(came, answer_id=answer.answer_id, faults=answer.downloaded.faults)
        rng = _rng(frame)
        weather = checked(frame, stored, answer.downloaded, rng)
        came = replace(came, weather=weather)
        came = _as_surely_as_wanted(frame, stored, answer.downloaded, came, rng)
        came = _with_notes(_by_a_second(frame, stored, came))
        return plan.planned(frame, came, stored)
    except (AskAgainError, ClockRefutedError, StoreBusyError):
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


def n_members_wanted(came: Conclusion) -> int | None:
    """Return how many members a site is judged with again, None where no chance lies close to a threshold.

    Each member costs time and memory for each strip: a large site gets fewer.
    """
    if came.weather is None or not any(is_close(decision) for decision in came.decisions):
        return None
    most = min(MEMBERS_CLOSE, CELLS_MOST // max(len(came.decisions), 1))
    return most if most > came.weather.rain_members_mm.shape[1] else None


def _as_surely_as_wanted(
    frame: RunFrame, stored: StoredInputs, downloaded: Downloaded, came: Conclusion, rng: np.random.Generator
) -> Conclusion:
    """A conclusion with the verdicts on its weather, judged again with more members where a chance lies close.

    What only follows from verdicts is made of the last look alone. Where the second look fails, the first one stands.
    """
    assert came.weather is not None, "verdicts rest on weather"
    drawn_with = rng.bit_generator.state
    first = _looked(frame, stored, came.weather, drawn_with)

    def as_first_seen() -> Conclusion:
        return _with_judgement(came, judgement(first), drawn_with)

    n_members = n_members_wanted(replace(came, decisions=first.decisions))
    if n_members is None:
        return as_first_seen()

    def more_surely() -> Conclusion:
        again = _rng(frame)
        weather = checked(frame, stored, downloaded, again, n_members=n_members)
        return _judged(frame, stored, replace(came, weather=weather), again)

    what = f"{frame.site.id}: judging with {n_members} members"
    surer, faults = first_made((more_surely,), what=what)
    if surer is not None:
        return surer
    return replace(as_first_seen(), faults=(*came.faults, *(f"{what}: {f.splitlines()[-1]}" for f in faults)))


def _by_a_second(frame: RunFrame, stored: StoredInputs, came: Conclusion) -> Conclusion:
    """A conclusion with what a second service says, judged again where it says otherwise."""
    if came.weather is None or came.judgement is None or not second_service.hangs_on_weather(came.judgement):
        return came
    weather, is_other = second_service.looked_at(frame, stored, came.weather, _rng(frame))
    came = replace(came, weather=weather)
    return _judged(frame, stored, came, _rng(frame)) if is_other else came


def _rng(frame: RunFrame) -> np.random.Generator:
    return np.random.default_rng(seed(frame.site, frame.day, frame.edition))


def judge_again(
    frame: RunFrame, stored: StoredInputs, weather: HourlyWeather, drawn_with: Mapping[str, Any] | None = None
) -> Judgement:
    """Return a site judged on other weather or entries with members drawn as those of a conclusion were."""
    return judgement(_looked(frame, stored, weather, drawn_with))


def _looked(
    frame: RunFrame, stored: StoredInputs, weather: HourlyWeather, drawn_with: Mapping[str, Any] | None
) -> Look:
    """The verdicts of a site on some weather, before what only follows from them."""
    rng = _rng(frame)
    if drawn_with is not None:
        rng.bit_generator.state = drawn_with
    return look(
        SiteDay(site=frame.site, day=frame.day, now_utc=frame.now_utc, settings=frame.config.settings[frame.site.id]),
        weather=weather,
        entries=stored.entries,
        rng=rng,
        kept=Kept(learned=stored.learned, plans=stored.previous.plans),
    )


def _judged(frame: RunFrame, stored: StoredInputs, came: Conclusion, rng: np.random.Generator) -> Conclusion:
    """A conclusion with the verdicts on its weather."""
    assert came.weather is not None, "verdicts rest on weather"
    drawn_with = rng.bit_generator.state
    return _with_judgement(came, judge_again(frame, stored, came.weather, drawn_with), drawn_with)


def _with_judgement(came: Conclusion, judged: Judgement, drawn_with: Mapping[str, Any]) -> Conclusion:
    return replace(came, decisions=judged.decisions, outlook=judged.outlook, judgement=judged, drawn_with=drawn_with)


def _with_notes(came: Conclusion) -> Conclusion:
    """A conclusion with a fault for each reading that did not fit."""
    notes = came.judgement.reading_notes if came.judgement is not None else ()
    return replace(came, faults=(*came.faults, *(f"{r.strip_id}: {text}" for r, _, text in notes)))

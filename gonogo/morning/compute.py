"""What a site's morning comes to. A fault on the way becomes "wait, decide on site with a test"."""

from __future__ import annotations

import logging
from dataclasses import replace
from functools import partial

from gonogo.decide.conclusion import Conclusion, LookedAt
from gonogo.decide.verdict import no_verdict
from gonogo.download.forecasts import Downloaded
from gonogo.errors import StoreBusyError, WeatherError
from gonogo.morning import judging, plan, second_service
from gonogo.morning.answers import AskAgainError, ClockRefutedError, checked, fetched
from gonogo.morning.previous import StoredInputs
from gonogo.outgoing.attempts import first_made, trace
from gonogo.outgoing.frame import RunFrame
from gonogo.records.site import Site

log = logging.getLogger("gonogo.morning.compute")

NO_FORECAST_TEXT = "There is no usable weather forecast."
COMPUTATION_TEXT = "The computation failed; the operator has been told."
OVERRUN_TEXT = "The computation took too long; the operator has been told."
CONFIG_TEXT = "The settings of the service have a fault; the operator has been told."


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
        more = partial(_drawn, frame, stored, answer.downloaded)
        first = more()
        came = replace(came, weather=first.weather)
        came = judging.judged(frame, stored, came, first, more)
        came = _with_notes(_by_a_second(frame, stored, came, answer.downloaded))
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


def _by_a_second(frame: RunFrame, stored: StoredInputs, came: Conclusion, downloaded: Downloaded) -> Conclusion:
    """A conclusion with what a second service says, judged again where it says otherwise."""
    if came.weather is None or came.judgement is None or not second_service.hangs_on_weather(came.judgement):
        return came
    first = came.looks[0].weather
    second = second_service.looked_at(frame, stored, first, judging.rng_of(frame))
    came = replace(came, weather=second.noted(came.weather))
    if second.other is None:
        return came
    other = second.other

    def mixed(n_members: int | None) -> LookedAt:
        weather = first if n_members is None else _drawn(frame, stored, downloaded, n_members).weather
        both = second_service.mixed(frame, stored, weather, other, judging.rng_of(frame))
        return LookedAt(weather=second.noted(both), drawn_with=judging.rng_of(frame).bit_generator.state)

    return judging.judged(frame, stored, came, mixed(None), mixed)


def _drawn(frame: RunFrame, stored: StoredInputs, downloaded: Downloaded, n_members: int | None = None) -> LookedAt:
    """A look at all strips with members of a download's rain, as many as the site's settings say or another number."""
    made = partial(checked, frame, stored, downloaded, n_members=n_members)
    return judging.drawn(lambda rng: made(rng=rng), judging.rng_of(frame))


def _with_notes(came: Conclusion) -> Conclusion:
    """A conclusion with a fault for each reading that did not fit."""
    notes = came.judgement.reading_notes if came.judgement is not None else ()
    return replace(came, faults=(*came.faults, *(f"{r.strip_id}: {text}" for r, _, text in notes)))

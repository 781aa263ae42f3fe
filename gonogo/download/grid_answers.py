"""A site's answer from a folder of runs: the newest that can be used, whole and not stale. Nothing is downloaded."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from gonogo.download import grid_files
from gonogo.download.asking import Question
from gonogo.download.grid_files import RunFolder
from gonogo.download.usable import Usable
from gonogo.download.web import WHOLE_ANSWER_TIMEOUTS
from gonogo.errors import WeatherError
from gonogo.records.outside import Answer
from gonogo.weather.grid.sources import DEFAULT_SOURCE, OLDEST_RUN, SOURCES, Source


def read(question: Question) -> tuple[Answer, Usable]:
    """Return a site's answer and its table, of the newest run that can be used.

    What `gonogo grid-fetch` read for the site is taken as it is. Where it read nothing for it (a new site), the run's
    messages are read now, in the time that a whole answer over HTTP may take.

    Raises WeatherError, which names why each run cannot be used; passing where one may come.
    """
    settings = question.settings
    source, folder = SOURCES[settings.source or DEFAULT_SOURCE], settings.folder
    if folder is None or not (folder / source.name).is_dir():
        shown = folder / source.name if folder else "nothing"
        raise _refused(f"folder = {shown}: no run of {source.title} lies there.", passing=True)
    faults, is_passing = [], False
    for run in grid_files.runs(folder, source, settings.days):
        age = question.now_utc - run.run_utc
        if age > OLDEST_RUN:
            faults.append(f"{run.spoken} is stale: it began {age.total_seconds() / 3600.0:.0f} h ago.")
            break
        try:
            run.require_reach()
            answer = _answer(run, question)
        except WeatherError as error:
            faults.append(str(error))
            is_passing |= error.passing
            continue
        try:
            return answer, question.usable(answer)
        except WeatherError as error:
            question.gathered.rejected.append(answer)
            faults.append(str(error))
    is_passing |= all("is stale" in fault for fault in faults)
    raise _refused("\n".join(faults) or f"folder = {folder}: no run of {source.title} lies there.", passing=is_passing)


def _answer(run: RunFolder, question: Question) -> Answer:
    """Return what was read for a site from one run, read now where nobody did."""
    path = run.site_path(question.site)
    with question.round_state.turn(question.asked_at):
        if not path.is_file():
            sites = [question.site]
            sites += [other for other in question.together if other.id != question.site.id]
            sites = [site for site in sites if not run.site_path(site).is_file()]
            limit_s = WHOLE_ANSWER_TIMEOUTS * question.settings.timeout_s
            grid_files.read_sites(run, sites, go_on=_until(question.round_state.clock, limit_s, run))
        body = _body(path, question.site.id, run)
    return Answer(
        service=question.service.name,
        url=address(run.source, question.settings.base_url, run),
        fetched_utc=question.now_utc,
        status=200,
        headers={},
        body=body,
    )


def address(source: Source, base_url: str | None, run: RunFolder) -> str:
    """Return where a run came from, as it is kept with an answer."""
    return f"{base_url or source.root}?run={run.run_utc:{grid_files.RUN_FORM}}"


def _body(path: Path, site_id: str, run: RunFolder) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise _refused(f"{run.spoken}: {site_id} lies outside of its grid.", passing=False) from error
    except OSError as error:
        raise _refused(f"{path}: it cannot be read ({error.strerror}).", passing=True) from error


def _until(clock: Callable[[], float], limit_s: float, run: RunFolder) -> Callable[[], None]:
    """Return what stops a reading that takes longer."""
    end_s = clock() + limit_s

    def go_on() -> None:
        if clock() > end_s:
            raise _refused(
                f"{run.spoken} was not read within {limit_s:.0f} s. gonogo grid-fetch reads it for every site "
                "beforehand.",
                passing=True,
            )

    return go_on


def _refused(text: str, *, passing: bool) -> WeatherError:
    faults = "\n".join(line.removeprefix("grid: ") for line in text.splitlines())
    return WeatherError(f"grid: {faults} {_REMEDY}", passing=passing)


_REMEDY = "gonogo grid-fetch brings the newest run; no run is used."

"""The open runs that are read: whose they are, where they lie, which steps and members they have, and their credit.

Files, names and times are those that the services publish:
https://confluence.ecmwf.int/display/DAC/ECMWF+open+data%3A+real-time+forecasts+from+IFS+and+AIFS (since cycle 50r1 the
control run lies under `oper` alone, of 6 and 18 UTC too, and the ensemble's files hold its 50 perturbed members);
https://www.nco.ncep.noaa.gov/pmb/products/gfs/ and https://www.nco.ncep.noaa.gov/pmb/products/gens/.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from gonogo.weather.grid.quantities import AMOUNTS, FIXED, RAIN, STATES

SERVICE = "grid"  # how [[weather]] names it
RUN_EVERY_H = 6
MOST_DAYS = 10  # what every source can reach from 0 and 12 UTC
CONTROL = 0  # the number of the run from the best estimate; an ensemble's other members begin at 1
OLDEST_RUN = timedelta(hours=26)  # an older run is refused: two newer ones have come since


class IndexKind(StrEnum):
    """How a service says where the messages of a file lie."""

    JSON_LINES = "json"  # one object per message, with _offset and _length
    INVENTORY = "inventory"  # one line per message, with its first byte; the next line ends it


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePart:
    """What is wanted of one file of a run.

    path         below the source's root
    index_path   of its index
    step_h       hours after the run's begin
    quantities   names of `quantities.QUANTITIES`
    members      numbers whose messages are wanted
    """

    path: str
    index_path: str
    step_h: int
    quantities: tuple[str, ...]
    members: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One open run of a model.

    root           plain HTTPS address under which its files lie
    centre         how the decoder calls its centre: a file of another one is refused
    n_members      members beside the control
    index_kind     how its index is written
    index_of       path of a file -> path of its index
    file_of        (run, step, member) -> path of the file that holds the member
    steps_of       (hour of the run, days) -> steps [h], the first 0
    is_shared      one file holds all members
    ready_after_h  how long after its start a run is usually published
    attribution    (text, link) pairs that stand in every mail
    licence        a sentence for `gonogo check`
    """

    name: str
    title: str
    root: str
    centre: str
    n_members: int
    index_kind: IndexKind
    index_of: Callable[[str], str] = field(repr=False)
    file_of: Callable[[datetime, int, int], str] = field(repr=False)
    steps_of: Callable[[int, int], tuple[int, ...]] = field(repr=False)
    is_shared: bool
    ready_after_h: float
    attribution: tuple[tuple[str, str], ...]
    licence: str

    @property
    def members(self) -> tuple[int, ...]:
        return tuple(range(self.n_members + 1))

    def steps_h(self, run_utc: datetime, days: int) -> tuple[int, ...]:
        """Return the steps that are wanted of a run [h]."""
        return self.steps_of(run_utc.hour, days)

    def falls_short(self, run_utc: datetime, days: int) -> str:
        """Return in words that a run reaches less far than others of its source would in so many days, else ""."""
        reach_h = {hour: self.steps_of(hour, days)[-1] for hour in range(0, 24, RUN_EVERY_H)}
        longest_h = max(reach_h.values())
        if reach_h[run_utc.hour] >= longest_h:
            return ""
        long = " and ".join(f"{hour:02d}" for hour, reach in reach_h.items() if reach == longest_h)
        return f"reaches {reach_h[run_utc.hour]} h and days = {days} asks for {longest_h}: runs of {long} UTC do."

    def parts(self, run_utc: datetime, days: int) -> tuple[FilePart, ...]:
        """Return what is wanted of every file of a run, the control first, step by step."""
        found = []
        for step_h in self.steps_h(run_utc, days):
            wanted = (*STATES, *(FIXED if step_h == 0 else AMOUNTS))
            found.append(self._part(run_utc, step_h, wanted, (CONTROL,)))
            if step_h == 0 or not self.n_members:
                continue
            perturbed = tuple(member for member in self.members if member != CONTROL)
            groups = (perturbed,) if self.is_shared else tuple((member,) for member in perturbed)
            found += [self._part(run_utc, step_h, (RAIN,), group) for group in groups]
        return tuple(found)

    def _part(self, run_utc: datetime, step_h: int, quantities: tuple[str, ...], members: tuple[int, ...]) -> FilePart:
        path = self.file_of(run_utc, step_h, members[0])
        return FilePart(
            path=path, index_path=self.index_of(path), step_h=step_h, quantities=quantities, members=members
        )

    def newest_runs(self, now_utc: datetime) -> tuple[datetime, ...]:
        """Return the runs that may be published by now and are not stale, the newest first."""
        hour = now_utc.replace(minute=0, second=0, microsecond=0)
        newest = hour - timedelta(hours=hour.hour % RUN_EVERY_H)
        runs = (newest - timedelta(hours=RUN_EVERY_H * n) for n in range(24 // RUN_EVERY_H + 1))
        soonest_h = self.ready_after_h - 1.0  # it comes a little early at times
        return tuple(run for run in runs if timedelta(hours=soonest_h) <= now_utc - run and now_utc - run <= OLDEST_RUN)


def _thinned(*stretches: tuple[int, int, int], until_h: int) -> tuple[int, ...]:
    """Return steps from stretches (first, last, every), each ending where the next begins."""
    steps = {step for first, last, every in stretches for step in range(first, last + 1, every)}
    return tuple(sorted(step for step in steps if step <= until_h))


def _ecmwf_steps(run_hour: int, days: int) -> tuple[int, ...]:
    long = ((150, 240, 6),) if run_hour in (0, 12) else ()
    return _thinned((0, 144, 3), *long, until_h=24 * days)


def _gfs_steps(run_hour: int, days: int) -> tuple[int, ...]:
    return _thinned((0, 48, 1), (51, 240, 3), until_h=24 * days)  # every hour is there to 120; to 48 they are taken


def _gefs_steps(run_hour: int, days: int) -> tuple[int, ...]:
    return _thinned((0, 240, 3), until_h=24 * days)


def _ecmwf_file(run_utc: datetime, step_h: int, member: int) -> str:
    stream, kind = ("oper", "fc") if member == CONTROL else ("enfo", "ef")
    return f"{run_utc:%Y%m%d}/{run_utc:%H}z/ifs/0p25/{stream}/{run_utc:%Y%m%d%H}0000-{step_h}h-{stream}-{kind}.grib2"


def _gfs_file(run_utc: datetime, step_h: int, member: int) -> str:
    return f"gfs.{run_utc:%Y%m%d}/{run_utc:%H}/atmos/gfs.t{run_utc:%H}z.pgrb2.0p25.f{step_h:03d}"


def _gefs_file(run_utc: datetime, step_h: int, member: int) -> str:
    name = "gec00" if member == CONTROL else f"gep{member:02d}"
    folder = f"gefs.{run_utc:%Y%m%d}/{run_utc:%H}/atmos/pgrb2sp25"
    return f"{folder}/{name}.t{run_utc:%H}z.pgrb2s.0p25.f{step_h:03d}"


def _json_index(path: str) -> str:
    return f"{path.removesuffix('.grib2')}.index"


def _inventory_index(path: str) -> str:
    return f"{path}.idx"


ECMWF_CREDIT = (
    (
        "This service is based on data and products of the European Centre for Medium-Range Weather Forecasts (ECMWF)",
        "https://www.ecmwf.int/",
    ),
    (
        "CC BY 4.0; ECMWF does not accept any liability whatsoever for any error or omission in the data, their "
        "availability, or for any loss or damage arising from their use",
        "https://creativecommons.org/licenses/by/4.0/",
    ),
)
ECMWF_LICENCE = "ECMWF open data, CC BY 4.0 with ECMWF's terms of use: commercial use is allowed."
NOAA_LICENCE = "NOAA, public domain: any use is allowed; no endorsement may be implied."


def _ecmwf(name: str, title: str, n_members: int, ready_after_h: float) -> Source:
    return Source(
        name=name,
        title=title,
        root="https://data.ecmwf.int/forecasts",
        centre="ecmf",
        n_members=n_members,
        index_kind=IndexKind.JSON_LINES,
        index_of=_json_index,
        file_of=_ecmwf_file,
        steps_of=_ecmwf_steps,
        is_shared=True,
        ready_after_h=ready_after_h,
        attribution=ECMWF_CREDIT,
        licence=ECMWF_LICENCE,
    )


def _noaa(
    name: str,
    title: str,
    root: str,
    n_members: int,
    file_of: Callable[[datetime, int, int], str],
    steps_of: Callable[[int, int], tuple[int, ...]],
    ready_after_h: float,
) -> Source:
    return Source(
        name=name,
        title=title,
        root=root,
        centre="kwbc",
        n_members=n_members,
        index_kind=IndexKind.INVENTORY,
        index_of=_inventory_index,
        file_of=file_of,
        steps_of=steps_of,
        is_shared=False,
        ready_after_h=ready_after_h,
        attribution=((f"Data from NOAA/NWS, {title}", "https://www.weather.gov/disclaimer"),),
        licence=NOAA_LICENCE,
    )


# How long after its start a run is out: as observed and published for ECMWF, from memory for NOAA.
SOURCES: dict[str, Source] = {
    source.name: source
    for source in (
        _ecmwf("ecmwf", "ECMWF IFS open data", 0, 6.5),
        _ecmwf("ecmwf_ensemble", "ECMWF IFS ensemble open data", 50, 6.6),
        _noaa("gfs", "GFS", "https://noaa-gfs-bdp-pds.s3.amazonaws.com", 0, _gfs_file, _gfs_steps, 4.5),
        _noaa("gefs", "GEFS", "https://noaa-gefs-pds.s3.amazonaws.com", 30, _gefs_file, _gefs_steps, 5.5),
    )
}
DEFAULT_SOURCE = "ecmwf"

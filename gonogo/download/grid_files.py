"""A folder of runs on this machine: which messages are there, and what is read from them for sites.

    <folder>/<source>/<run, as 2026051200>/f042-m17-precip_mm.grib2     one message per file, never half of one
    <folder>/<source>/<run>/sites/<site>-<place>.json                   what was read for a site: its answer

A site's file is there only once the whole run was there and was read without a fault.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from gonogo.errors import WeatherError
from gonogo.records.site import Site
from gonogo.weather.grid import answer, decode, places
from gonogo.weather.grid.messages import HEAD_BYTES, require_whole
from gonogo.weather.grid.quantities import ESSENTIAL, FIXED, QUANTITIES
from gonogo.weather.grid.sources import CONTROL, IndexKind, Source

RUN_FORM = "%Y%m%d%H"
KEPT_RUNS = 2  # the newest, and the one that serves while the next comes
SITES_AT_ONCE = 10_000  # read in one go: 60 steps of 50 members are 120 MB then
NAMED_MISSING = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFolder:
    """One run of a source in a folder, as far as `days` want it."""

    folder: Path
    source: Source
    run_utc: datetime
    days: int

    @property
    def path(self) -> Path:
        return self.folder / self.source.name / self.run_utc.strftime(RUN_FORM)

    @property
    def spoken(self) -> str:
        return f"run {self.run_utc:%Y-%m-%d %H} UTC of {self.source.name}"

    def require_reach(self) -> None:
        """Raise WeatherError, passing, where longer runs of the source reach further and so far is asked for."""
        if short := self.source.falls_short(self.run_utc, self.days):
            raise WeatherError(f"{self.spoken} {short} It is not used.", passing=True)

    def message_path(self, step_h: int, member: int, quantity: str) -> Path:
        return self.path / f"f{step_h:03d}-m{member:02d}-{quantity}.grib2"

    def site_path(self, site: Site) -> Path:
        """Where a site's answer lies: a site that moved, or other days, have another file."""
        where = f"{site.latitude_deg:.6f} {site.longitude_deg:.6f} {self.days}"
        return self.path / "sites" / f"{site.id}-{hashlib.sha256(where.encode()).hexdigest()[:12]}.json"

    def expected(self) -> Iterator[tuple[int, int, str]]:
        """Yield (step, member, quantity) of every message that may be there, the fixed fields first."""
        inventory = self.source.index_kind is IndexKind.INVENTORY
        for part in self.source.parts(self.run_utc, self.days):
            for member in part.members:
                for name in sorted(part.quantities, key=lambda name: name not in FIXED):
                    quantity = QUANTITIES[name]
                    if (quantity.in_inventory if inventory else quantity.in_json) is not None:
                        yield part.step_h, member, name


def runs(folder: Path, source: Source, days: int) -> list[RunFolder]:
    """Return the runs that lie in a folder, the newest first. Anything else in it is passed over."""
    found = []
    for path in sorted((folder / source.name).glob("[0-9]" * 10), reverse=True):
        try:
            run_utc = datetime.strptime(path.name, RUN_FORM).replace(tzinfo=UTC)
        except ValueError:
            continue
        found.append(RunFolder(folder=folder, source=source, run_utc=run_utc, days=days))
    return found


def is_there(path: Path) -> bool:
    """Return whether a message's file is there and is as long as the message states."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
            return len(head) == HEAD_BYTES and os.fstat(file.fileno()).st_size == int.from_bytes(head[8:16], "big")
    except OSError:
        return False


def require_message(message: bytes, run: RunFolder, step_h: int, member: int, quantity: str, place: str) -> decode.Head:
    """Return the head of a message that is what was asked for. Raises WeatherError where it is cut or another one."""
    found = decode.field(message, place, with_values=False)
    if found is None:
        raise WeatherError(f"{place}: this is no {quantity}. It is not used.", passing=True)
    _require_asked(found.head, run, step_h, member, quantity, place)
    return found.head


def keep_message(message: bytes, run: RunFolder, step_h: int, member: int, quantity: str) -> None:
    """Put a message where it belongs, whole or not at all. Raises WeatherError where the disk refuses."""
    _write(run.message_path(step_h, member, quantity), message)


def require_whole_run(run: RunFolder) -> None:
    """Raise WeatherError, passing, where a message that a run must have is not there, or is cut."""
    missing = [
        (step_h, member, name)
        for step_h, member, name in run.expected()
        if name in ESSENTIAL and not is_there(run.message_path(step_h, member, name))
    ]
    if missing:
        shown = ", ".join(
            f"{name} at hour {step_h}" + (f" of member {member}" if member != CONTROL else "")
            for step_h, member, name in missing[:NAMED_MISSING]
        )
        more = f" and {len(missing) - NAMED_MISSING} more" if len(missing) > NAMED_MISSING else ""
        raise WeatherError(
            f"{run.path}: {run.spoken} is not whole: {shown}{more} missing or cut. gonogo grid-fetch goes on with it.",
            passing=True,
        )


def is_whole(run: RunFolder) -> bool:
    """Return whether all is there that a run must have."""
    try:
        require_whole_run(run)
    except WeatherError:
        return False
    return True


def read_sites(
    run: RunFolder,
    sites: Sequence[Site],
    *,
    go_on: Callable[[], None] = lambda: None,
    say: Callable[[str], None] = lambda _text: None,
) -> int:
    """Read a whole run for sites, write the answer of each, and return for how many there is one.

    go_on   called before each message; raises what stops the reading

    Raises WeatherError where a message is missing, cut or another one, and where a site lies outside of the grid.
    """
    require_whole_run(run)
    n_read = 0
    for first in range(0, len(sites), SITES_AT_ONCE):
        block = sites[first : first + SITES_AT_ONCE]
        series, where = _read(run, block, go_on, say)
        for site, body in answer.answers(
            series, where, block, source=run.source.name, run_utc=run.run_utc, days=run.days
        ):
            _write(run.site_path(site), body)
            n_read += 1
    return n_read


def _read(
    run: RunFolder, sites: Sequence[Site], go_on: Callable[[], None], say: Callable[[str], None]
) -> tuple[list[answer.Series], places.Places]:
    """Return every series at the sites, and how they were read."""
    where: places.Places | None = None
    grid: places.Grid | None = None
    gathered: dict[tuple[str, int], list[tuple[decode.Head, np.ndarray]]] = {}
    for step_h, member, name in run.expected():
        path = run.message_path(step_h, member, name)
        if name not in ESSENTIAL and not is_there(path):
            continue
        go_on()
        say(f"reading hour {step_h}")
        place = str(path)
        found = decode.field(_bytes(path), place)
        if found is None:
            raise WeatherError(f"{place}: this is no {name}. The run is not used.", passing=False)
        _require_asked(found.head, run, step_h, member, name, place)
        if where is None or grid is None:
            grid = found.head.grid
            latitude_deg, longitude_deg = (
                np.array([getattr(site, key) for site in sites], dtype=np.float64)
                for key in ("latitude_deg", "longitude_deg")
            )
            where = places.between_points(grid, latitude_deg, longitude_deg)
            if name == "land_share":
                where = places.over_land(where, grid, found.values)
        elif found.head.grid != grid:
            raise WeatherError(f"{place}: grid: it differs from that of the run's other fields.", passing=False)
        values = places.at(found.values, where).astype(np.float32)
        gathered.setdefault((name, member), []).append((found.head, values))
    assert where is not None  # a whole run has messages
    return [_series(name, member, steps) for (name, member), steps in gathered.items()], where


def _series(name: str, member: int, steps: list[tuple[decode.Head, np.ndarray]]) -> answer.Series:
    head = steps[0][0]
    for other, _ in steps:
        if (other.unit, other.kind) != (head.unit, head.kind):
            raise WeatherError(f"{name}: unit = {head.unit} and {other.unit}: they change in the run.", passing=False)
    return answer.Series(
        quantity=name,
        member=member,
        unit=head.unit,
        kind=head.kind,
        from_h=tuple(other.from_h for other, _ in steps),
        to_h=tuple(other.to_h for other, _ in steps),
        hashes=tuple(other.sha for other, _ in steps),
        values=np.stack([values for _, values in steps]),
    )


def _require_asked(head: decode.Head, run: RunFolder, step_h: int, member: int, quantity: str, place: str) -> None:
    """Raise WeatherError where a message is of another run, step, member, quantity or centre than it should be."""
    pairs = (
        ("run", f"{head.run_utc:%Y-%m-%d %H:%M} UTC", f"{run.run_utc:%Y-%m-%d %H:%M} UTC"),
        ("centre", head.centre, run.source.centre),
        ("quantity", head.quantity, quantity),
        ("member", str(head.member), str(member)),
        ("step", f"{head.to_h} h", f"{step_h} h"),
    )
    for key, found, right in pairs:
        if found != right:
            raise WeatherError(f"{place}: {key} = {found}: {right} is right. The message is not used.", passing=False)


def _bytes(path: Path) -> bytes:
    try:
        message = path.read_bytes()
    except OSError as error:
        raise WeatherError(f"{path}: it cannot be read ({error.strerror}).", passing=True) from error
    require_whole(message, str(path))
    return message


def _write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, readable for its owner and group as the folder allows."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise WeatherError(f"{path}: it cannot be written ({error.strerror}).", passing=True) from error


def thin(folder: Path, source: Source, days: int) -> int:
    """Delete runs that newer whole ones have replaced, and return how many."""
    whole, gone = 0, 0
    for run in runs(folder, source, days):
        if whole >= KEPT_RUNS:
            shutil.rmtree(run.path, ignore_errors=True)
            gone += 1
        elif (run.path / "sites").is_dir():
            whole += 1
    return gone

"""Runs brought into a folder: from an object store over plain HTTPS, the wanted bytes alone, or from other files.

One total time and few tries, so that a server that fails is given up in minutes; what came is kept, and the next call
goes on from there. Every message is looked at before it is kept: whole, and of the run, step and member asked for.
"""

from __future__ import annotations

import mmap
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from gonogo.download import grid_files, grid_http
from gonogo.download.grid_files import RunFolder
from gonogo.errors import WeatherError
from gonogo.weather.grid import decode
from gonogo.weather.grid.index import MessageWanted, wanted_messages
from gonogo.weather.grid.messages import spans
from gonogo.weather.grid.quantities import ESSENTIAL
from gonogo.weather.grid.sources import OLDEST_RUN, FilePart, Source

MOST_JOINED_BYTES = 4_000_000  # of messages that one question brings: it has a minute
AT_ONCE = 4  # connections; the open servers ask for few
NO_RUN = "gonogo grid-fetch finds none to bring."


@dataclass(slots=True, kw_only=True)
class Tally:
    """What one call brought; filled while it runs.

    n_messages, n_bytes   fetched now; n_before: messages that were there already
    """

    n_messages: int = 0
    n_bytes: int = 0
    n_before: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, n_bytes: int, most_bytes: int) -> None:
        """Count bytes that are about to be fetched. Raises WeatherError where they would be more than allowed."""
        with self.lock:
            if self.n_bytes + n_bytes > most_bytes:
                raise WeatherError(
                    f"grid-fetch: {self.n_bytes / 1e6:.0f} MB came, and the next message would be more than the "
                    f"{most_bytes / 1e6:.0f} MB that are allowed. What came is kept. Allow more with --max-mb, or ask "
                    "for fewer days in gonogo.toml; the next call goes on from here.",
                    passing=False,
                )
            self.n_bytes += n_bytes

    def keep(self) -> None:
        """Count a message that was kept."""
        with self.lock:
            self.n_messages += 1

    def find(self, n_messages: int) -> None:
        """Count messages that were there already."""
        with self.lock:
            self.n_before += n_messages


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be brought.

    root         address under which the source's files lie
    most_bytes   of all messages of this call
    say          told what is being done, message by message
    """

    source: Source
    folder: Path
    root: str
    days: int
    most_bytes: int
    client: grid_http.Client
    say: Callable[[str], None] = lambda _text: None

    def run(self, run_utc: datetime) -> RunFolder:
        return RunFolder(folder=self.folder, source=self.source, run_utc=run_utc, days=self.days)


def newest_run(order: Order, now_utc: datetime) -> RunFolder:
    """Return the newest run whose last step is published. Raises WeatherError where there is none that is not stale.

    Runs that reach less far than is asked for are passed over.
    """
    newest = order.source.newest_runs(now_utc)
    tried = [run_utc for run_utc in newest if not order.source.falls_short(run_utc, order.days)]
    for run_utc in tried:
        last = order.source.parts(run_utc, order.days)[-1]
        if order.client.text(f"{order.root}/{last.index_path}") is not None:
            return order.run(run_utc)
    shown = ", ".join(f"{run_utc:%Y-%m-%d %H}" for run_utc in tried)
    raise WeatherError(
        f"grid-fetch: {order.root}: none of the runs {shown} UTC is there as a whole. {NO_RUN}", passing=True
    )


def fetch(order: Order, run: RunFolder) -> Tally:
    """Bring every wanted message of a run that is not there yet. Raises WeatherError at the first that cannot come."""
    run.require_reach()
    tally, failed = Tally(), threading.Event()

    def part_of(part: FilePart) -> None:
        if failed.is_set():
            return
        try:
            _part(order, run, part, tally)
        except BaseException:
            failed.set()
            raise

    with ThreadPoolExecutor(AT_ONCE) as pool:
        tasks = [pool.submit(part_of, part) for part in order.source.parts(run.run_utc, order.days)]
        try:
            for task in tasks:
                task.result()
        except BaseException:
            failed.set()
            pool.shutdown(cancel_futures=True)
            raise
    return tally


def _part(order: Order, run: RunFolder, part: FilePart, tally: Tally) -> None:
    """Bring what is wanted of one file."""
    wanted = [(member, name) for member in part.members for name in part.quantities]
    there = [key for key in wanted if grid_files.is_there(run.message_path(part.step_h, *key))]
    if {key for key in wanted if key[1] in ESSENTIAL} <= set(there) and part.step_h > 0:
        tally.find(len(there))
        return
    address = f"{order.root}/{part.index_path}"
    text = order.client.text(address)
    if text is None:
        raise WeatherError(f"{address}: it is not there. {run.spoken} is not whole yet.", passing=True)
    listed = wanted_messages(text, order.source.index_kind, part, run.run_utc, address)
    tally.find(sum((message.member, message.quantity) in there for message in listed))
    file = f"{order.root}/{part.path}"
    for joined in _joined([message for message in listed if (message.member, message.quantity) not in there]):
        order.say(f"hour {part.step_h}; {tally.n_messages} messages, {tally.n_bytes / 1e6:.0f} MB so far")
        for message, content in zip(joined, _contents(order, file, joined, tally), strict=True):
            place = f"{file}, byte {message.offset}"
            grid_files.require_message(content, run, part.step_h, message.member, message.quantity, place)
            grid_files.keep_message(content, run, part.step_h, message.member, message.quantity)
            tally.keep()


def _joined(wanted: Sequence[MessageWanted]) -> list[list[MessageWanted]]:
    """Return messages, in the order in which they lie, by those that one question brings: each where the last ends."""
    found: list[list[MessageWanted]] = []
    for message in wanted:
        last = found[-1][-1] if found else None
        if (
            last is not None
            and last.n_bytes is not None
            and message.n_bytes is not None
            and last.offset + last.n_bytes == message.offset
            and message.offset + message.n_bytes - found[-1][0].offset <= MOST_JOINED_BYTES
        ):
            found[-1].append(message)
        else:
            found.append([message])
    return found


def _contents(order: Order, address: str, joined: Sequence[MessageWanted], tally: Tally) -> Iterator[bytes]:
    """Give the bytes of messages that follow one another in a file, from one question."""
    first = joined[0]
    lengths = [message.n_bytes for message in joined if message.n_bytes is not None]
    if not lengths:
        content = order.client.span(address, first.offset, None)
        tally.take(len(content), order.most_bytes)
        yield content
        return
    tally.take(sum(lengths), order.most_bytes)
    content, at = order.client.span(address, first.offset, sum(lengths)), 0
    for n_bytes in lengths:
        yield content[at : at + n_bytes]
        at += n_bytes


def take_from(order: Order, files: Path, now_utc: datetime, run_utc: datetime | None) -> tuple[RunFolder, Tally]:
    """Take the wanted messages of a run out of GRIB2 files that somebody else brought. Raises WeatherError.

    files     a folder, looked through with all that lies below it
    run_utc   the run; None: the newest that lies there
    """
    heads = list(_heads(files, order))
    if not heads:
        raise WeatherError(
            f"{files}: no message of {order.source.title} lies there. "
            "Name the folder in which the GRIB2 files of the run lie, at whatever depth.",
            passing=True,
        )
    there = {head.run_utc for _, _, _, head in heads}
    wanted_run = run_utc or max(there, key=lambda run: (not order.source.falls_short(run, order.days), run))
    order.run(wanted_run).require_reach()
    age_h = (now_utc - wanted_run).total_seconds() / 3600.0
    if not 0.0 <= age_h <= OLDEST_RUN.total_seconds() / 3600.0:
        raise WeatherError(
            f"{files}: run = {wanted_run:%Y-%m-%d %H} UTC: it began {age_h:.0f} h "
            f"ago. At most {OLDEST_RUN.total_seconds() / 3600:.0f} h are right. Nothing was taken.",
            passing=True,
        )
    run, tally = order.run(wanted_run), Tally()
    asked = set(run.expected())
    best: dict[tuple[int, int, str], tuple[Path, int, int, decode.Head]] = {}
    for path, offset, n_bytes, head in heads:
        key = (head.to_h, head.member, head.quantity)
        if head.run_utc != wanted_run or key not in asked:
            continue
        if key not in best or head.to_h - head.from_h < best[key][3].to_h - best[key][3].from_h:
            best[key] = (path, offset, n_bytes, head)
    for key, (path, offset, n_bytes, _) in best.items():
        if grid_files.is_there(run.message_path(*key)):
            tally.find(1)
            continue
        tally.take(n_bytes, order.most_bytes)
        with _mapped(path) as data:
            grid_files.keep_message(bytes(data[offset : offset + n_bytes]), run, *key)
        tally.keep()
    return run, tally


def _heads(files: Path, order: Order) -> Iterator[tuple[Path, int, int, decode.Head]]:
    """Yield the messages of the source that lie below a folder, with what they say of themselves."""
    for path in _below(files):
        with _mapped(path) as data:
            if bytes(data[:4]) != b"GRIB":
                continue
            order.say(path.name)
            for span in spans(data, str(path)):
                message = bytes(data[span.offset : span.offset + span.n_bytes])
                found = decode.field(message, f"{path}, byte {span.offset}", with_values=False)
                if found is not None and found.head.centre == order.source.centre:
                    yield path, span.offset, span.n_bytes, found.head


def _below(files: Path) -> Sequence[Path]:
    if not files.is_dir():
        raise WeatherError(f"{files}: this is no folder. Name one with GRIB2 files.", passing=False)
    return sorted(path for path in files.rglob("*") if path.is_file() and path.stat().st_size > 0)


@contextmanager
def _mapped(path: Path) -> Iterator[memoryview]:
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
            data = memoryview(mapped)
            try:
                yield data
            finally:
                data.release()
    except OSError as error:
        raise WeatherError(f"{path}: it cannot be read ({error.strerror}).", passing=True) from error

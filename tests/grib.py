"""Synthetic GRIB2 for tests: messages, files of a run with their index, and a server of byte ranges on loopback.

Nothing of it is real: fields are made of the scenario's hours on a small grid, packed by ecCodes from its own samples.
"""

from __future__ import annotations

import importlib
import json
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gonogo.weather.grid.places import Grid
from gonogo.weather.grid.quantities import QUANTITIES, RAIN
from gonogo.weather.grid.sources import CONTROL, SOURCES, IndexKind, Source

RUN_UTC = datetime(2026, 5, 12, 0, tzinfo=UTC)
GRID = Grid(n_lat=9, n_lon=11, first_lat_deg=43.0, first_lon_deg=264.5, step_lat_deg=-0.25, step_lon_deg=0.25)
DAYS = 2
# (shortName, level type, level) by centre, where the name differs from the quantity's first one.
NAMES = {
    "ecmf": {"radiation_j_m2": "ssrd", "elevation_m": "z", "sea_level_pressure_kpa": "msl"},
    "kwbc": {"radiation_j_m2": "avg_sdswrf", "elevation_m": "orog", "sea_level_pressure_kpa": "prmsl"},
}


def eccodes() -> Any:
    """Return the decoder, or skip where it is not installed; never in CI, where the test extra brings it."""
    if os.environ.get("GONOGO_NO_SKIP"):
        return importlib.import_module("eccodes")
    return pytest.importorskip(
        "eccodes", exc_type=ImportError, reason="ecCodes is not installed: pip install 'gonogo[grid]'"
    )


def message(
    quantity: str,
    values: np.ndarray | float,
    *,
    run_utc: datetime = RUN_UTC,
    from_h: int = 0,
    to_h: int = 0,
    member: int | None = None,
    centre: str = "ecmf",
    grid: Grid = GRID,
    **keys: Any,
) -> bytes:
    """Return one message of a quantity. values: (n_lat, n_lon) in the unit of the centre's own field."""
    codes = eccodes()
    handle = codes.codes_grib_new_from_samples("regular_ll_sfc_grib2")
    try:
        of_period = QUANTITIES[quantity].of_period
        codes.codes_set(handle, "centre", centre)
        # Tables 4.0 and 4.10: a moment, or a period; the same of a member of an ensemble.
        template = {(False, False): 0, (False, True): 1, (True, False): 8, (True, True): 11}
        codes.codes_set(handle, "productDefinitionTemplateNumber", template[of_period, member is not None])
        if (centre, quantity) == ("kwbc", RAIN):
            for key, value in (("parameterCategory", 1), ("parameterNumber", 8), ("typeOfStatisticalProcessing", 1)):
                codes.codes_set(handle, key, value)
        else:
            codes.codes_set(handle, "shortName", NAMES[centre].get(quantity, QUANTITIES[quantity].short_names[0]))
        if member is not None:
            codes.codes_set(handle, "number", member)
        for key, value in (
            ("dataDate", int(f"{run_utc:%Y%m%d}")),
            ("dataTime", int(f"{run_utc:%H%M}")),
            ("Ni", grid.n_lon),
            ("Nj", grid.n_lat),
            ("latitudeOfFirstGridPointInDegrees", grid.first_lat_deg),
            ("longitudeOfFirstGridPointInDegrees", grid.first_lon_deg),
            ("latitudeOfLastGridPointInDegrees", grid.first_lat_deg + (grid.n_lat - 1) * grid.step_lat_deg),
            ("longitudeOfLastGridPointInDegrees", (grid.first_lon_deg + (grid.n_lon - 1) * grid.step_lon_deg) % 360.0),
            ("iDirectionIncrementInDegrees", grid.step_lon_deg),
            ("jDirectionIncrementInDegrees", abs(grid.step_lat_deg)),
            ("jScansPositively", int(grid.step_lat_deg > 0.0)),
            ("stepUnits", 1),
        ):
            codes.codes_set(handle, key, value)
        if of_period:
            codes.codes_set(handle, "startStep", from_h)
            codes.codes_set(handle, "endStep", to_h)
        else:
            codes.codes_set(handle, "forecastTime", to_h)
        codes.codes_set(handle, "packingType", "grid_ccsds")
        codes.codes_set(handle, "bitsPerValue", 16)
        for key, value in keys.items():
            codes.codes_set(handle, key, value)
        flat = np.broadcast_to(np.asarray(values, dtype=np.float64), (grid.n_lat, grid.n_lon)).ravel()
        codes.codes_set_values(handle, flat)
        return bytes(codes.codes_get_message(handle))
    finally:
        codes.codes_release(handle)


Weather = Callable[[str, int, int, int], "np.ndarray | float"]


def plain_weather(quantity: str, from_h: int, to_h: int, member: int) -> float:
    """Return a field of one value: 15 degC, light wind, sun by day, 0.2 mm an hour (member M: M/10 more)."""
    hours = to_h - from_h
    lit = [max(0.0, np.sin(np.pi * ((hour + 6.5) % 24 - 12.0) / 12.0)) for hour in range(from_h - 6, to_h - 6)]
    return {
        "temp_degc": 288.15,
        "dew_point_degc": 281.15,
        "wind_east_m_s": 3.0,
        "wind_north_m_s": 4.0,
        "pressure_kpa": 97_500.0,
        "radiation_j_m2": float(sum(lit)) * 600.0 * 3600.0,
        RAIN: 0.2 * hours * (1.0 + member / 10.0),
        "snow_mm": 0.0,
        "land_share": 1.0,
        "elevation_m": 325.0,
        "sea_level_pressure_kpa": 101_300.0,
    }[quantity]


@dataclass(kw_only=True)
class Run:
    """A run of a source as its service lays it out: by path the bytes of each file and of its index."""

    source: Source
    run_utc: datetime
    files: dict[str, bytes] = field(default_factory=dict)

    def write(self, folder: Path) -> None:
        """Write every file below a folder."""
        for path, content in self.files.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(content)


def in_their_unit(source: Source, quantity: str, value: Any, hours: int) -> Any:
    """Return a value of plain_weather in the unit in which a source's own field stands."""
    if source.centre == "ecmf":
        metres = {RAIN: 0.001, "snow_mm": 0.001, "elevation_m": 9.80665}
        return value * metres.get(quantity, 1.0)
    return value / (3600.0 * hours) if quantity == "radiation_j_m2" else value


def period_from_h(source: Source, step_h: int) -> int:
    """Return when the period of a step begins: with the run at ECMWF, anew every six hours at NOAA."""
    return 0 if source.centre == "ecmf" else (step_h - 1) // 6 * 6


def whole_run(
    name: str,
    *,
    run_utc: datetime = RUN_UTC,
    days: int = DAYS,
    weather: Weather = plain_weather,
    leaves_out: Callable[[str, int, int], bool] = lambda quantity, step_h, member: False,
    grid: Grid = GRID,
) -> Run:
    """Return a run with every message that is wanted, but for those that are left out, between others that are not."""
    source = SOURCES[name]
    run = Run(source=source, run_utc=run_utc)
    for part in source.parts(run_utc, days):
        body, lines = bytearray(), []
        # A field that nobody wants comes first: what is wanted lies somewhere in the middle of a file.
        other = message(
            "temp_degc", 250.0, run_utc=run_utc, to_h=part.step_h, centre=source.centre, grid=grid, level=80
        )
        lines.append((0, len(other), None, 0, CONTROL))
        body += other
        for member in part.members:
            for quantity in part.quantities:
                known = QUANTITIES[quantity]
                index_name = known.in_json if source.index_kind is IndexKind.JSON_LINES else known.in_inventory
                if index_name is None or leaves_out(quantity, part.step_h, member):
                    continue
                from_h = period_from_h(source, part.step_h) if known.of_period else part.step_h
                value = in_their_unit(
                    source, quantity, weather(quantity, from_h, part.step_h, member), part.step_h - from_h
                )
                content = message(
                    quantity,
                    value,
                    run_utc=run_utc,
                    from_h=from_h,
                    to_h=part.step_h,
                    member=member if source.n_members and (member or not source.is_shared) else None,
                    centre=source.centre,
                    grid=grid,
                )
                lines.append((len(body), len(content), quantity, from_h, member))
                body += content
        run.files[part.path] = bytes(body)
        run.files[part.index_path] = index_text(source, run_utc, part.step_h, lines).encode()
    return run


def index_text(source: Source, run_utc: datetime, step_h: int, lines: list[Any]) -> str:
    """Return the index of a file in the words of its service."""
    rows = []
    for number, (offset, n_bytes, quantity, from_h, member) in enumerate(lines, start=1):
        known = QUANTITIES[quantity] if quantity else None
        if source.index_kind is IndexKind.JSON_LINES:
            line: dict[str, Any] = {
                "domain": "g",
                "date": f"{run_utc:%Y%m%d}",
                "time": f"{run_utc:%H}00",
                "expver": "0001",
                "class": "od",
                "type": "pf" if member else "fc",
                "stream": "enfo" if member else "oper",
                "step": str(step_h),
                "levtype": "sfc" if known else "pl",
                "param": known.in_json if known else "t",
                "_offset": offset,
                "_length": n_bytes,
            }
            rows.append(json.dumps(line | ({"number": str(member)} if member else {})))
            continue
        name, level = (known.in_inventory if known else None) or ("TMP", "80 m above ground")
        when = "anl" if step_h == 0 else f"{step_h} hour fcst"
        if known and known.of_period:
            when = f"{from_h}-{step_h} hour {'acc' if quantity == RAIN else 'ave'} fcst"
        of_member = f"ENS=+{member}" if member else ("ENS=low-res ctl" if source.n_members else "")
        rows.append(f"{number}:{offset}:d={run_utc:%Y%m%d%H}:{name}:{level}:{when}:{of_member}")
    return "\n".join(rows) + "\n"


@dataclass(kw_only=True)
class Served:
    """An object store on loopback. answer: path and range -> status, or None for the usual; asked: what was asked."""

    root: str
    asked: list[tuple[str, str]] = field(default_factory=list)


@contextmanager
def serving(
    files: Mapping[str, bytes], odd: Callable[[str, int], tuple[int, bytes] | None] = lambda path, n: None
) -> Iterator[Served]:
    """Serve files with byte ranges. odd: (path, how often anything was asked before) -> (status, body) instead."""
    served = Served(root="")

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_GET(self) -> None:
            path, span = self.path.lstrip("/"), self.headers.get("Range", "")
            n_before = len(served.asked)
            served.asked.append((path, span))
            status, body = self.usual(path, span)
            if (instead := odd(path, n_before)) is not None:
                status, body = instead
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def usual(self, path: str, span: str) -> tuple[int, bytes]:
            if path not in files:
                return 404, b"not there"
            if not span:
                return 200, files[path]
            first, last = span.removeprefix("bytes=").split("-")
            return 206, files[path][int(first) : int(last) + 1 if last else None]

        def log_message(self, *words: Any) -> None:
            """Nothing is printed."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    served.root = f"http://127.0.0.1:{server.server_port}"
    try:
        yield served
    finally:
        server.shutdown()
        server.server_close()
        thread.join()

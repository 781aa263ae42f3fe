"""What was read for a site, as the answer that is stored for it: values as they stood, with the hash of each message.

One JSON object. Nothing is converted in it: a morning made again from it goes the whole way from the model's own
numbers. Values have six significant digits, which is finer than the fields are packed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from gonogo.records.site import Site
from gonogo.weather.grid.places import AT_SEA, BETWEEN, ON_LAND, Places
from gonogo.weather.grid.quantities import Kind

FORM = "grid 1"  # changes where the object changes in a way that older versions cannot read
HOW = {BETWEEN: "between", ON_LAND: "on_land", AT_SEA: "at_sea"}
DIGITS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One quantity of one member, step by step (N,), at all sites (N, S). hashes: of the message of each step."""

    quantity: str
    member: int
    unit: str
    kind: Kind
    from_h: tuple[int, ...]
    to_h: tuple[int, ...]
    hashes: tuple[str, ...]
    values: npt.NDArray[np.float32]


def answers(
    series: Sequence[Series], places: Places, sites: Sequence[Site], *, source: str, run_utc: datetime, days: int
) -> Iterator[tuple[Site, bytes]]:
    """Yield each site's answer, in the order of the sites; sites outside of the grid have none."""
    heads = [_series_head(part) for part in series]
    for n, site in enumerate(sites):
        if not places.is_inside[n]:
            continue
        yield (
            site,
            json.dumps(
                {
                    "form": FORM,
                    "source": source,
                    "run": f"{run_utc:%Y-%m-%dT%H:%M:%SZ}",
                    "days": days,
                    "site": {"latitude": site.latitude_deg, "longitude": site.longitude_deg},
                    "place": {
                        "how": HOW[int(places.how[n])],
                        "latitude": round(float(places.lat_deg[n]), 6),
                        "longitude": round(float(places.lon_deg[n]), 6),
                        "away_km": round(float(places.away_km[n]), 3),
                    },
                    "series": [
                        {**head, "values": _shortened(part.values[:, n])}
                        for head, part in zip(heads, series, strict=True)
                    ],
                },
                separators=(",", ":"),
            ).encode(),
        )


def _series_head(part: Series) -> Mapping[str, object]:
    return {
        "quantity": part.quantity,
        "member": part.member,
        "unit": part.unit,
        "kind": str(part.kind),
        "from_h": list(part.from_h),
        "to_h": list(part.to_h),
        "hashes": "".join(part.hashes),
    }


def _shortened(values: npt.NDArray[np.float32]) -> list[float | None]:
    """Return values with as many digits as they are good for, None where there is none."""
    return [float(f"{value:.{DIGITS}g}") if value == value else None for value in values.tolist()]

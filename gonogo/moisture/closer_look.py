"""A site's moisture with some of its strips simulated again with more members; the others stay as they were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from gonogo.moisture.lift_history import LiftHistory
from gonogo.moisture.simulate import Simulated
from gonogo.moisture.strips_run import together
from gonogo.records.field import Reading
from gonogo.soil.ensemble import StripMoisture


def with_closer(all_strips: Simulated, closer: Simulated) -> Simulated:
    """Return what was simulated of all strips, with that of some of them in its place.

    closer   as `all_strips.again` returns it

    Each strip is as it was simulated, in the one or the other: none of it depends on which others were.
    """
    row_of = {strip.id: k for k, strip in enumerate(closer.site.strips)}
    ids = [strip.id for strip in all_strips.site.strips]
    source = [closer if strip_id in row_of else all_strips for strip_id in ids]
    far = [s for s, strip_id in enumerate(ids) if strip_id not in row_of]
    near = [ids.index(strip.id) for strip in closer.site.strips]

    def run(rows: Sequence[int], histories: Sequence[LiftHistory]) -> StripMoisture:
        places = {looked: [i for i, s in enumerate(rows) if (ids[s] in row_of) == looked] for looked in (False, True)}
        parts = []
        for looked, own in places.items():
            if own:
                whole = closer if looked else all_strips
                at = [row_of[ids[rows[i]]] if looked else rows[i] for i in own]
                parts.append((own, whole.resimulate(at, [histories[i] for i in own])))
        return together(parts)

    readings, moisture = _with_readings(all_strips, closer, source, far, near)
    return replace(
        all_strips,
        readings=readings,
        moisture=moisture,
        learned=(
            *(soil for soil in all_strips.learned if soil.strip_id not in row_of),
            *(soil for soil in closer.learned if soil.strip_id in row_of),
        ),
        unknown=tuple(
            (work, share)
            for strip_id, own in zip(ids, source, strict=True)
            for work, share in own.unknown
            if work.strip_id == strip_id
        ),
        resimulate=run,
    )


def _with_readings(
    all_strips: Simulated, closer: Simulated, source: Sequence[Simulated], far: Sequence[int], near: Sequence[int]
) -> tuple[tuple[Reading, ...], StripMoisture]:
    """Return the readings strip by strip, and the moisture whose flags count them so."""
    readings: list[Reading] = []
    flags: list[tuple[int, str, str]] = []
    expected_pct: dict[int, tuple[float, float]] = {}
    for strip, own in zip(all_strips.site.strips, source, strict=True):
        place = {}
        for i, reading in enumerate(own.readings):
            if reading.strip_id == strip.id:
                place[i] = len(readings)
                readings.append(reading)
        flags += [(place[i], key, text) for i, key, text in own.moisture.reading_flags if i in place]
        expected_pct |= {place[i]: band for i, band in own.moisture.expected_pct.items() if i in place}
    far_moisture = all_strips.moisture.of_strips(far)
    moisture = together([(far, far_moisture), (near, closer.moisture)]) if far else closer.moisture
    return tuple(readings), replace(moisture, reading_flags=tuple(sorted(flags)), expected_pct=expected_pct)

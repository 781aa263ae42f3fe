"""Tests as an AGS4 file, the open transfer format of geotechnical data (Association of Geotechnical and
Geoenvironmental Specialists, edition 4.1.1): in-situ density and water content, and the laboratory's compaction tests.

Strips stand as locations, materials as locations of their own with one large bulk sample each. In-situ bulk density is
the dry density times 1 + water content, as the format asks for it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from gonogo import __version__
from gonogo.book.export import Covered
from gonogo.book.tables import TestRow
from gonogo.records.site import Material

EDITION = "4.1.1"
NOT_GIVEN = "not given"
_CODES = {  # abbreviations of the standard's own lists
    ("LOCA_TYPE", "IDEN"): "In situ density test",
    ("SAMP_TYPE", "LB"): "Large bulk disturbed sample (for earthworks testing)",
    ("IDEN_TYPE", "NUCLEAR"): "Nuclear",
    ("CMPG_TYPE", "2.5KG"): "2.5kg",
    ("CMPG_TYPE", "4.5KG"): "4.5kg Heavy compaction",
}
_TYPES = {
    "ID": "Unique identifier",
    "PA": "Text listed in ABBR group",
    "X": "Text",
    "XN": "Text / numeric",
    "DT": "Date time in international format",
    "2DP": "Value with required number of decimal places, 2",
    "3DP": "Value with required number of decimal places, 3",
    "2SF": "Value with required number of significant figures, 2",
}
_UNITS = {
    "m": "metre",
    "Mg/m3": "megagrams per cubic metre",
    "%": "percentage",
    "yyyy-mm-dd": "year month day",
    "yyyy-mm-ddThh:mm": "year month day hours minutes",
}


@dataclass(slots=True, kw_only=True)
class _Group:
    """One group of the file: its columns as (heading, unit, type), and its rows."""

    name: str
    columns: tuple[tuple[str, str, str], ...]
    rows: list[tuple[str, ...]] = field(default_factory=list)


def ags4(covered: Covered, tests: Sequence[TestRow], *, made_utc: datetime) -> str:
    """Return the tests of a span as the text of an AGS4 file, lines ended as the format asks."""
    site = covered.site
    groups = [_project(covered), _transmission(made_utc), _locations(covered), _in_situ(covered, tests)]
    groups += _laboratory(site.materials)
    used = [group for group in groups if group.rows]
    return "\r\n".join(_lines(group) for group in (*used[:2], *_definitions(used), *used[2:]))


def _project(covered: Covered) -> _Group:
    columns = (("PROJ_ID", "", "ID"), ("PROJ_NAME", "", "X"), ("PROJ_LOC", "", "X"))
    site = covered.site
    place = f"{site.latitude_deg:.5f} N, {site.longitude_deg:.5f} E (WGS 84)"
    return _Group(name="PROJ", columns=columns, rows=[(site.id, site.name, place)])


def _transmission(made_utc: datetime) -> _Group:
    columns = (
        ("TRAN_ISNO", "", "X"),
        ("TRAN_DATE", "yyyy-mm-dd", "DT"),
        ("TRAN_PROD", "", "X"),
        ("TRAN_STAT", "", "X"),
        ("TRAN_DESC", "", "X"),
        ("TRAN_AGS", "", "X"),
        ("TRAN_RECV", "", "X"),
        ("TRAN_DLIM", "", "X"),
        ("TRAN_RCON", "", "X"),
    )
    row = ("1", f"{made_utc:%Y-%m-%d}", f"gonogo {__version__}", "Draft", "Field tests", EDITION, NOT_GIVEN, "|", "+")
    return _Group(name="TRAN", columns=columns, rows=[row])


def _locations(covered: Covered) -> _Group:
    columns = (("LOCA_ID", "", "ID"), ("LOCA_TYPE", "", "PA"), ("LOCA_REM", "", "X"))
    strips = [(strip.id, "IDEN", strip.name) for strip in covered.site.strips]
    materials = [(_source(material), "", material.name) for material in covered.site.materials]
    return _Group(name="LOCA", columns=columns, rows=[*strips, *materials])


def _in_situ(covered: Covered, tests: Sequence[TestRow]) -> _Group:
    columns = (
        ("LOCA_ID", "", "ID"),
        ("IDEN_DPTH", "m", "2DP"),
        ("IDEN_TESN", "", "X"),
        ("IDEN_DATE", "yyyy-mm-ddThh:mm", "DT"),
        ("IDEN_TYPE", "", "PA"),
        ("IDEN_IDEN", "Mg/m3", "2DP"),
        ("IDEN_MC", "%", "X"),
        ("IDEN_REM", "", "X"),
        ("IDEN_METH", "", "X"),
    )
    group = _Group(name="IDEN", columns=columns)
    known = {strip.id for strip in covered.site.strips}
    for number, test in enumerate(tests, start=1):
        if test.strip not in known:
            continue  # a strip that the config no longer has is no location of this file
        density, at = test.dry_density_kg_m3, test.phenomenon_time_utc.astimezone(covered.site.zone)
        bulk = "" if density is None else f"{density * (1.0 + test.w_pct / 100.0) / 1000.0:.2f}"
        kind = "NUCLEAR" if test.procedure == "nuclear gauge" else ""
        name = f"{test.entry if test.entry is not None else f'config {number}'}"
        group.rows.append(
            (
                test.strip,
                "0.00",
                name,
                f"{at:%Y-%m-%dT%H:%M}",
                kind,
                bulk,
                f"{test.w_pct:.1f}",
                _remark(test),
                test.procedure,
            )
        )
    return group


def _remark(test: TestRow) -> str:
    """Lift and compaction, for which the group has no heading."""
    if test.compaction_pct is None or test.required_pct is None:
        return f"Lift {test.lift}"
    result = "passed" if test.is_passed else "not reached"
    reached = f"{test.compaction_pct:.1f} % of maximum dry density"
    return f"Lift {test.lift}; {reached}, {test.required_pct:g} % required: {result}"


_SAMPLE = (("LOCA_ID", "", "ID"), ("SAMP_TOP", "m", "2DP"), ("SAMP_REF", "", "X"), ("SAMP_TYPE", "", "PA"))
_SAMPLE_ID = (*_SAMPLE, ("SAMP_ID", "", "ID"))
_SPECIMEN = (*_SAMPLE_ID, ("SPEC_REF", "", "X"), ("SPEC_DPTH", "m", "2DP"), ("CMPG_TESN", "", "X"))


def _laboratory(materials: Sequence[Material]) -> list[_Group]:
    """Samples and compaction tests of the materials; points only where the laboratory's stand in the config."""
    samples = _Group(name="SAMP", columns=_SAMPLE_ID)
    peaks = _Group(
        name="CMPG",
        columns=(
            *_SPECIMEN,
            ("CMPG_TYPE", "", "PA"),
            ("CMPG_PDEN", "Mg/m3", "XN"),
            ("CMPG_MAXD", "Mg/m3", "2DP"),
            ("CMPG_MCOP", "%", "2SF"),
            ("CMPG_REM", "", "X"),
        ),
    )
    points = _Group(
        name="CMPT",
        columns=(*_SPECIMEN, ("CMPT_TESN", "", "X"), ("CMPT_MC", "%", "X"), ("CMPT_DDEN", "Mg/m3", "3DP")),
    )
    for material in materials:
        sample = (_source(material), "0.00", "1", "LB", f"{material.id}-1")
        key = (*sample, "1", "0.00", "1")
        samples.rows.append(sample)
        effort = {"standard Proctor": "2.5KG", "modified Proctor": "4.5KG"}.get(material.test, "")
        gravity = f"{'#' if 'specific_gravity' in material.assumed else ''}{material.specific_gravity:.2f}"
        peaks.rows.append(
            (*key, effort, gravity, f"{material.mdd_kg_m3 / 1000:.2f}", _two(material.omc_pct), material.test)
        )
        curve = zip(material.curve_w_pct, material.curve_dry_density_kg_m3, strict=True)
        for number, (w_pct, density) in enumerate(curve, start=1):
            points.rows.append((*key, str(number), f"{w_pct:.1f}", f"{density / 1000:.3f}"))
    return [samples, peaks, points]


def _source(material: Material) -> str:
    return f"SOURCE-{material.id}"


def _two(value: float) -> str:
    """A number to two significant figures, as the heading's type asks."""
    return f"{value:.1f}" if value < 9.95 else f"{value:.0f}"


def _definitions(groups: Sequence[_Group]) -> list[_Group]:
    """The groups that define the types, units and abbreviations in use."""
    own = (("TYPE_TYPE", "", "X"), ("TYPE_DESC", "", "X"))
    units = (("UNIT_UNIT", "", "X"), ("UNIT_DESC", "", "X"))
    codes = (("ABBR_HDNG", "", "X"), ("ABBR_CODE", "", "X"), ("ABBR_DESC", "", "X"))
    columns = [column for group in groups for column in group.columns]
    types_used = {"X"} | {kind for _, _, kind in columns}
    units_used = {unit for _, unit, _ in columns if unit}
    codes_used = {
        (heading, row[n])
        for group in groups
        for n, (heading, _, kind) in enumerate(group.columns)
        for row in group.rows
        if kind == "PA" and row[n]
    }
    return [
        _Group(name="UNIT", columns=units, rows=[row for row in _UNITS.items() if row[0] in units_used]),
        _Group(name="TYPE", columns=own, rows=[row for row in _TYPES.items() if row[0] in types_used]),
        _Group(name="ABBR", columns=codes, rows=[(*code, text) for code, text in _CODES.items() if code in codes_used]),
    ]


def _lines(group: _Group) -> str:
    """A group as the format writes it: every cell in quotes, a blank line after."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(("GROUP", group.name))
    for head, n in (("HEADING", 0), ("UNIT", 1), ("TYPE", 2)):
        writer.writerow((head, *(column[n] for column in group.columns)))
    writer.writerows(("DATA", *row) for row in group.rows)
    return out.getvalue()

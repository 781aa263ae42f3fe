"""Whether a GRIB message is whole, what an index says, and what the decoder makes of a message of our own."""

from __future__ import annotations

import tracemalloc
from datetime import UTC, datetime, timedelta

import complex_packing
import grib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gonogo.errors import WeatherError
from gonogo.weather.grid import decode, index, messages, places
from gonogo.weather.grid.places import Grid
from gonogo.weather.grid.quantities import QUANTITIES, Kind
from gonogo.weather.grid.sources import SOURCES, FilePart, IndexKind


def frame(n_inside: int, fill: bytes = b"\x00", edition: int = 2) -> bytes:
    """Return bytes that are framed as a message is, with nothing of use inside."""
    n_bytes = 16 + n_inside + 4
    head = b"GRIB\x00\x00\x00" + bytes([edition]) + n_bytes.to_bytes(8, "big")
    return head + (fill * n_inside)[:n_inside] + b"7777"


@given(sizes=st.lists(st.integers(0, 50), min_size=1, max_size=5))
def test_messages_are_found_one_after_the_other(sizes: list[int]) -> None:
    data = b"".join(frame(size, b"GRIB7777") for size in sizes)  # letters of a frame inside of one mean nothing
    found = list(messages.spans(data, "f"))
    assert [span.n_bytes for span in found] == [size + 20 for size in sizes]
    assert found[0].offset == 0


@given(size=st.integers(0, 60), data=st.data())
def test_a_message_cut_anywhere_is_refused_as_cut(size: int, data: st.DataObject) -> None:
    whole = frame(size)
    at = data.draw(st.integers(1, len(whole) - 1))
    with pytest.raises(WeatherError, match=r"the message is (cut|broken)") as fault:
        messages.require_whole(whole[:at], "f")
    assert fault.value.passing
    with pytest.raises(WeatherError, match="is cut"):
        list(messages.spans(whole + whole[:at], "f"))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"<html>not here</html>", "is no begin of a GRIB message"),
        (frame(9)[:-4] + b"0000", "no end follows"),
        (frame(9, edition=1), "edition = 1: only edition 2 is read"),
        (b"GRIB\x00\x00\x00\x02" + (3).to_bytes(8, "big") + b"7777", "states a length of 3 bytes"),
        (frame(3) + frame(4), "2 messages stand where one is right"),
        (b"", "0 messages stand where one is right"),
    ],
)
def test_what_is_no_message_is_refused_in_words(data: bytes, said: str) -> None:
    with pytest.raises(WeatherError, match=said):
        messages.require_whole(data, "f")


def test_a_message_of_ours_is_read_with_its_head_and_values() -> None:
    values = 280.0 + np.arange(99.0).reshape(9, 11)
    content = grib.message("temp_degc", values, to_h=42)
    found = decode.field(content, "f")
    assert found is not None
    head = found.head
    assert (head.quantity, head.unit, head.kind, head.member) == ("temp_degc", "K", Kind.INSTANT, 0)
    assert (head.run_utc, head.from_h, head.to_h, head.centre) == (grib.RUN_UTC, 42, 42, "ecmf")
    assert head.grid == grib.GRID
    assert head.sha == messages.hash_of(content)
    np.testing.assert_allclose(found.values.reshape(9, 11), values, atol=0.01)


@pytest.mark.parametrize("centre", ["ecmf", "kwbc"])
def test_totals_and_means_of_a_member_are_known_with_their_period(centre: str) -> None:
    rain = decode.field(grib.message("precip_mm", 0.25, from_h=6, to_h=9, member=7, centre=centre), "f")
    light = decode.field(grib.message("radiation_j_m2", 250.0, from_h=6, to_h=9, centre=centre), "f")
    assert rain is not None
    assert light is not None
    assert (rain.head.member, rain.head.from_h, rain.head.to_h, rain.head.kind) == (7, 6, 9, Kind.TOTAL)
    assert rain.head.unit == {"ecmf": "m", "kwbc": "kg m**-2"}[centre]
    assert light.head.kind is {"ecmf": Kind.TOTAL, "kwbc": Kind.MEAN}[centre]
    assert QUANTITIES["precip_mm"].in_our_unit(rain.values, rain.head.unit)[0] == pytest.approx(
        {"ecmf": 250.0, "kwbc": 0.25}[centre]
    )


def test_a_truncated_message_never_reaches_the_decoder() -> None:
    content = grib.message("temp_degc", np.arange(99.0).reshape(9, 11))
    for at in (20, 120, len(content) - 5, len(content) - 1):
        with pytest.raises(WeatherError, match="cut") as fault:
            decode.field(content[:at], "f")
        assert fault.value.passing


def test_a_point_without_a_value_is_not_a_number() -> None:
    values = np.full((9, 11), 280.0)
    values[3, 4] = 9999.0
    found = decode.field(grib.message("temp_degc", values, bitmapPresent=1, missingValue=9999.0), "f")
    assert found is not None
    assert np.isnan(found.values).sum() == 1
    assert np.isnan(found.values[3 * 11 + 4])


@pytest.mark.parametrize("packing", ["grid_ccsds", "grid_simple", "grid_complex", "grid_complex_spatial_differencing"])
def test_a_value_that_is_the_decoder_s_own_word_for_none_stays_a_value(packing: str) -> None:
    """9,999 J/m2 of radiation beside a point without a value: a field with a bitmap, in the services' packings."""
    values = np.full((9, 11), 9999.0)
    values[2, 2] = 1e20
    message = grib.message(
        "radiation_j_m2", values, from_h=0, to_h=3, bitmapPresent=1, missingValue=1e20, packingType=packing
    )
    found = decode.field(message, "f")
    assert found is not None
    assert np.flatnonzero(np.isnan(found.values)).tolist() == [2 * 11 + 2]
    assert np.nanmax(np.abs(found.values - 9999.0)) < 1.0


@pytest.mark.parametrize("packing", ["grid_complex", "grid_complex_spatial_differencing"])
def test_a_point_that_complex_packing_itself_leaves_without_a_value_is_not_a_number(packing: str) -> None:
    """No bitmap: the groups say which points have no value (missing value management 1), a whole row among them."""
    values = 280.0 + np.arange(99.0).reshape(9, 11) / 10.0
    values[0, 0] = values[3, 4] = values[5] = 1e20
    content = grib.message("temp_degc", values, missingValue=1e20, packingType=packing)
    assert said_of(content, "bitmapPresent", "missingValueManagementUsed") == [0, 1]
    found = decode.field(content, "f")
    assert found is not None
    np.testing.assert_allclose(found.values, np.where(values == 1e20, np.nan, values).ravel(), atol=0.01)


@pytest.mark.parametrize("kinds", [1, 2])
@pytest.mark.parametrize("differs", [False, True], ids=["5.2", "5.3"])
def test_both_kinds_of_missing_values_of_complex_packing_are_no_numbers(differs: bool, kinds: int) -> None:
    """A missing value may be named primary or secondary (missing value management 2), in a group or for all of one."""
    points: list[complex_packing.Point] = [280.0 + n / 10.0 for n in range(99)]
    second = complex_packing.SECONDARY if kinds == 2 else complex_packing.PRIMARY
    points[4], points[17], points[20] = complex_packing.PRIMARY, second, complex_packing.PRIMARY
    points[44:55], points[66:77] = [second] * 11, [complex_packing.PRIMARY] * 11
    content = complex_packing.repacked(
        grib.message("temp_degc", 280.0), points, kinds=kinds, differs=differs, row=grib.GRID.n_lon
    )
    template, management = said_of(content, "dataRepresentationTemplateNumber", "missingValueManagementUsed")
    assert (template, management) == (3 if differs else 2, kinds)
    found = decode.field(content, "f")
    assert found is not None
    wanted = [np.nan if isinstance(point, str) else point for point in points]
    np.testing.assert_allclose(found.values, wanted, atol=1e-3)


def said_of(content: bytes, *keys: str) -> list[int]:
    codes = grib.eccodes()
    handle = codes.codes_new_from_message(content)
    try:
        return [codes.codes_get(handle, key) for key in keys]
    finally:
        codes.codes_release(handle)


def test_a_field_that_nobody_needs_is_passed_over() -> None:
    assert decode.field(grib.message("temp_degc", 280.0, level=80), "f") is None


@pytest.mark.parametrize("order", ["iScansNegatively", "jPointsAreConsecutive", "alternativeRowScanning"])
def test_a_grid_in_another_order_is_refused(order: str) -> None:
    with pytest.raises(WeatherError, match="only a regular grid"):
        decode.field(grib.message("temp_degc", 280.0, **{order: 1}), "f")


@pytest.mark.parametrize(("first_lon_deg", "centre"), [(180.0, "ecmf"), (0.0, "kwbc")])
def test_the_world_is_read_from_180_degrees_on_as_from_0(first_lon_deg: float, centre: str) -> None:
    """ECMWF's open fields begin at 180 degrees, NOAA's at 0; both go from north to south."""
    world = Grid(
        n_lat=5, n_lon=1440, first_lat_deg=90.0, first_lon_deg=first_lon_deg, step_lat_deg=-0.25, step_lon_deg=0.25
    )
    lon_deg = (first_lon_deg + 0.25 * np.arange(1440) + 180.0) % 360.0 - 180.0
    east = np.broadcast_to(280.0 + lon_deg / 10.0, (5, 1440))
    found = decode.field(grib.message("temp_degc", east, grid=world, centre=centre), "f")
    assert found is not None
    assert found.head.grid == world
    sites = np.array([-97.3, -0.1, 0.1, 13.4])
    read = places.at(found.values, places.between_points(found.head.grid, np.full(4, 89.9), sites))
    assert read == pytest.approx(280.0 + sites / 10.0, abs=0.01)


def part(step_h: int, *quantities: str, members: tuple[int, ...] = (0,)) -> FilePart:
    return FilePart(path="f", index_path="f.idx", step_h=step_h, quantities=quantities, members=members)


INVENTORY = """1:0:d=2026051200:PRMSL:mean sea level:9 hour fcst:
2:1000:d=2026051200:TMP:2 m above ground:9 hour fcst:
3:2500:d=2026051200:APCP:surface:0-9 hour acc fcst:
4:3100:d=2026051200:APCP:surface:6-9 hour acc fcst:
5:4000:d=2026051200:DSWRF:surface:6-9 hour ave fcst:
"""


def test_an_inventory_tells_where_a_message_ends_and_the_shortest_period_is_taken() -> None:
    wanted = part(9, "temp_degc", "precip_mm", "radiation_j_m2")
    found = index.wanted_messages(INVENTORY, IndexKind.INVENTORY, wanted, grib.RUN_UTC, "i")
    assert [(w.quantity, w.offset, w.n_bytes) for w in found] == [
        ("temp_degc", 1000, 1500),
        ("precip_mm", 3100, 900),
        ("radiation_j_m2", 4000, None),
    ]


def test_of_what_is_wanted_for_a_moment_no_mean_or_extreme_is_taken() -> None:
    text = (
        "1:0:d=2026051200:TMP:2 m above ground:6-9 hour ave fcst:\n"
        "2:9:d=2026051200:TMP:2 m above ground:9 hour fcst:\n"
        "3:20:d=2026051200:TMP:2 m above ground:6-9 hour max fcst:\n"
    )
    found = index.wanted_messages(text, IndexKind.INVENTORY, part(9, "temp_degc"), grib.RUN_UTC, "i")
    assert [(w.offset, w.n_bytes) for w in found] == [(9, 11)]


def test_the_time_of_a_run_may_be_a_number() -> None:
    line = JSON_LINE.replace('"0000"', "600") % (1, 0)
    run_utc = grib.RUN_UTC.replace(hour=6)
    found = index.wanted_messages(line, IndexKind.JSON_LINES, part(9, "precip_mm", members=(1,)), run_utc, "i")
    assert [w.member for w in found] == [1]


def test_a_period_in_days_is_known_and_another_step_s_is_not_taken() -> None:
    text = "1:0:d=2026051200:APCP:surface:0-1 day acc fcst:\n2:9:d=2026051200:APCP:surface:0-21 hour acc fcst:\n"
    found = index.wanted_messages(text, IndexKind.INVENTORY, part(24, "precip_mm"), grib.RUN_UTC, "i")
    assert [(w.offset, w.n_bytes) for w in found] == [(0, 9)]


JSON_LINE = (
    '{"domain": "g", "date": "20260512", "time": "0000", "type": "pf", "stream": "enfo", "step": "9", '
    '"levtype": "sfc", "number": "%d", "param": "tp", "_offset": %d, "_length": 800}\n'
)


def test_json_lines_tell_the_members() -> None:
    text = "".join(JSON_LINE % (member, 800 * member) for member in (2, 1, 3))
    found = index.wanted_messages(text, IndexKind.JSON_LINES, part(9, "precip_mm", members=(1, 2)), grib.RUN_UTC, "i")
    assert [(w.member, w.offset, w.n_bytes) for w in found] == [(1, 800, 800), (2, 1600, 800)]
    with pytest.raises(WeatherError, match=r"i: tp of member 4 is missing. A whole run is right"):
        index.wanted_messages(text, IndexKind.JSON_LINES, part(9, "precip_mm", members=(1, 4)), grib.RUN_UTC, "i")


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("<html>", IndexKind.JSON_LINES, "this is no line of an index"),
        ("<html>", IndexKind.INVENTORY, "this is no line of an index"),
        ("[1]", IndexKind.JSON_LINES, "this is no line of an index"),
        ("", IndexKind.INVENTORY, "APCP:surface is missing"),
        (JSON_LINE.replace("800}", "0}") % (0, 5), IndexKind.JSON_LINES, "no message lies there"),
        (JSON_LINE.replace("800}", "99999999999}") % (0, 5), IndexKind.JSON_LINES, "no message lies there"),
        (JSON_LINE.replace("20260512", "20260511") % (0, 5), IndexKind.JSON_LINES, "run = 2026051100: this index"),
        (INVENTORY.replace("2026051200", "2026051118"), IndexKind.INVENTORY, "run = 2026051118: this index"),
    ],
)
def test_an_index_that_is_none_or_another_run_s_is_refused(text: str, kind: IndexKind, said: str) -> None:
    with pytest.raises(WeatherError, match=said):
        index.wanted_messages(text, kind, part(9, "precip_mm"), grib.RUN_UTC, "i")


def test_an_index_without_end_is_refused_before_it_is_cut_into_cells() -> None:
    tracemalloc.start()
    try:
        with pytest.raises(WeatherError, match="no index has so many"):
            index.wanted_messages(
                "1:1:d=2026:a:b:c\n" * 1_000_000, IndexKind.INVENTORY, part(9, "precip_mm"), grib.RUN_UTC, "i"
            )
        assert tracemalloc.get_traced_memory()[1] < 50_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("source", SOURCES.values(), ids=SOURCES.keys())
def test_a_source_lays_out_its_run_as_it_publishes_it(source: object) -> None:
    paths = {
        "ecmwf": "20260512/00z/ifs/0p25/oper/20260512000000-6h-oper-fc.grib2",
        "ecmwf_ensemble": "20260512/00z/ifs/0p25/enfo/20260512000000-6h-enfo-ef.grib2",
        "gfs": "gfs.20260512/00/atmos/gfs.t00z.pgrb2.0p25.f006",
        "gefs": "gefs.20260512/00/atmos/pgrb2sp25/gep30.t00z.pgrb2s.0p25.f006",
    }
    given_source = SOURCES[source.name]  # type: ignore[attr-defined]
    found = given_source.parts(grib.RUN_UTC, 6)
    assert paths[given_source.name] in {each.path for each in found}
    assert max(each.step_h for each in found) == 144
    assert given_source.root.startswith("https://")
    # Every member's rain of every step, once.
    rain = [(each.step_h, m) for each in found if "precip_mm" in each.quantities for m in each.members]
    assert (
        len(rain) == len(set(rain)) == (len(given_source.steps_h(grib.RUN_UTC, 6)) - 1) * (given_source.n_members + 1)
    )


def test_the_newest_runs_are_those_that_may_be_out_and_are_not_stale() -> None:
    at = datetime(2026, 5, 12, 10, 0, tzinfo=UTC)
    runs = SOURCES["ecmwf"].newest_runs(at)
    assert runs[0] == datetime(2026, 5, 12, 0, tzinfo=UTC)
    assert all(timedelta(hours=5) < at - run <= timedelta(hours=26) for run in runs)

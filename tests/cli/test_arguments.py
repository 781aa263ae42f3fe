"""The words of the command line become dates, or are refused in words."""

from __future__ import annotations

from datetime import date, datetime

import pytest

from gonogo.cli.arguments import parse_date_or_moment
from gonogo.errors import ConfigError


@pytest.mark.parametrize("text", ["2026-05-13", "2026-05-13T06:10"])
def test_a_day_or_a_moment_is_read(text: str) -> None:
    assert parse_date_or_moment(text) == (datetime if "T" in text else date).fromisoformat(text)


@pytest.mark.parametrize("text", ["0001-01-01", "9999-12-31", "9999-12-31T23:59", "2026-02-30", "soon", "", "\x1b[2J"])
def test_what_is_no_day_of_this_century_is_refused(text: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_date_or_moment(text)
    (fault,) = caught.value.faults
    assert (fault.key, fault.value) == ("--date", text)
    assert "2026-05-13" in fault.right
    assert str(fault).isprintable()

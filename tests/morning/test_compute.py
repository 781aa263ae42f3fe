"""What a site's morning comes to where a step of it fails."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from example_mornings import concluded_example, example_config

from gonogo.morning import compute
from gonogo.records.verdict import Verdict


def test_a_second_look_that_fails_leaves_what_the_first_one_saw(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    checked = compute.checked

    def checked_once(*given: Any, n_members: int | None = None, **named: Any) -> Any:
        if n_members is not None:
            raise MemoryError("invented fault")
        return checked(*given, **named)

    monkeypatch.setattr(compute, "checked", checked_once)
    came = concluded_example(example_config(tmp_path))
    assert came.weather is not None
    assert came.weather.rain_members_mm.shape[1] == 50
    assert Verdict.COMPACT in {d.verdict for d in came.decisions}
    assert came.outlook
    assert came.plan is not None
    assert "harrow-flats: judging with 400 members: MemoryError: invented fault" in came.faults

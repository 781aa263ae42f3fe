"""Tables that are put into force for the time of a forecast must be those that the forecast is made with."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import hand_made
import numpy as np
import pytest
from hand_made import NOW_UTC, SETTINGS, at

from gonogo.moisture import strips_run
from gonogo.moisture.simulate import simulate
from gonogo.records.field import Reading
from gonogo.soil.ground import FILL, NATURAL, Tables


@pytest.mark.parametrize("kind", [FILL, NATURAL])
def test_the_members_are_spread_by_the_growth_in_force(kind: str) -> None:
    site = hand_made.site([hand_made.strip(ground=kind)])

    def spread_pct() -> float:
        simulated = simulate(
            site,
            now_utc=NOW_UTC,
            weather=hand_made.weather(shortwave_w_m2=250.0),
            entries=[Reading(strip_id="N1", at_utc=at(-30), w_pct=16.0, method="oven")],
            settings=SETTINGS,
            rng=np.random.default_rng(1),
        )
        return float(simulated.moisture.w_pct[-1, 0].std())

    shipped = Tables()
    is_one = np.arange(len(shipped.growth[kind].scale)) == 0
    wide = replace(shipped.growth[kind], scale=np.where(is_one, np.log(0.05), 0.0))
    usual = spread_pct()
    with patch.object(strips_run, "Tables", lambda: Tables(growth={FILL: wide, NATURAL: wide})):
        assert spread_pct() > 1.3 * usual

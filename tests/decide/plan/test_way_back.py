"""When a wet strip is disked, and from which chance on it is tested after it."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, SPREAD, at, morning, strip

from gonogo import times
from gonogo.decide.dry_back import Disked, disk_hours
from gonogo.decide.plan.basis import Basis
from gonogo.decide.plan.way_back import way_back
from gonogo.decide.today import prepare
from gonogo.records.work_order import WorkOrder


def disked_basis(inside_by_hour: dict[float, float]) -> Basis:
    """A wet strip that, disked twice a day, is inside with so great a chance from an hour of today on."""
    prepared = prepare(morning(18.0, strips=[strip(id="N1", name="N1 field")]))
    inputs = prepared.inputs
    hours = [times.as_datetime(h) for h in inputs.hour_utc]
    w_pct = np.full((N_HOURS, len(SPREAD)), 18.0)
    ranked = np.argsort(np.argsort(SPREAD)) / len(SPREAD)
    for hour, share in inside_by_hour.items():
        w_pct[[h >= at(hour) for h in hours]] = np.where(ranked < share, 14.0, 18.0)
    disked = Disked(disk_utc=disk_hours(inputs), w_pct=w_pct)
    return Basis(
        prepared=prepared,
        decisions={},
        histories={},
        refused={},
        unknown=(),
        disked={"N1": disked},
        order=WorkOrder(
            works=(), unplanned=(), moves=(), expected_area_m2=0.0, given_order_area_m2=0.0, gap_frac=0.0, method=""
        ),
        done={},
        shift_utc=(at(7.0), at(17.0)),
        next_shift_utc=None,
    )


@pytest.mark.parametrize(
    ("inside_by_hour", "ready_h"),
    [
        ({8.0: 0.55}, 11.0),  # as likely as not after the first disking at 9: tested once it has rested
        ({8.0: 0.4}, 15.0),  # less: it is disked again at 13, and tested after that
        ({8.0: 0.2, 13.0: 0.3}, 15.0),  # the last test of the day is worth it from 0.25 on
    ],
)
def test_a_test_that_another_follows_wants_even_odds_and_the_last_of_the_day_less(
    inside_by_hour: dict[float, float], ready_h: float
) -> None:
    back = way_back(disked_basis(inside_by_hour), 0)
    assert back is not None
    assert back.ready is not None
    assert (back.ready.day, back.ready.at_utc) == (DAY, at(ready_h))


def test_where_no_test_of_today_is_worth_it_the_strip_is_promised_later_at_even_odds() -> None:
    back = way_back(disked_basis({8.0: 0.2, 30.0: 0.4, 54.0: 0.6}), 0)
    assert back is not None
    assert back.ready is not None
    assert back.ready.day == DAY + timedelta(days=2)

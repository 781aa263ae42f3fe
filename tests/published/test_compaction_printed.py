"""Published values of phase relations, laboratory curves and the oversize correction."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import printed
import pytest

from gonogo.errors import SoilError
from gonogo.soil import compaction, density
from gonogo.soil import curve as laboratory

KINDS: printed.Kinds = {}


def kind(function: Callable[..., dict[str, Any]]) -> Callable[..., dict[str, Any]]:
    """Make a function the one that computes the cases of its name."""
    KINDS[function.__name__] = function
    return function


def arrays(*lists: Any) -> list[np.ndarray]:
    return [np.asarray(x, dtype=np.float64) for x in lists]


@kind
def phase(wet, w_pct, specific_gravity, unit_kg_m3):
    dry = unit_kg_m3 * wet / (1 + w_pct / 100)
    return {
        "e": compaction.void_ratio(dry, specific_gravity),
        "s_pct": compaction.saturation_pct(w_pct, dry, specific_gravity),
        "a_pct": compaction.air_voids_pct(w_pct, dry, specific_gravity),
    }


@kind
def phase_from_masses(volume_cm3, wet_g, dry_g, specific_gravity):
    return phase(1000 * wet_g / volume_cm3, 100 * (wet_g - dry_g) / dry_g, specific_gravity, 1.0)


@kind
def density_test(wet, w_pct, maximum, specific_gravity):
    found = density.density_result(w_pct, wet / (1 + w_pct / 100), mdd_kg_m3=maximum, specific_gravity=specific_gravity)
    return {"relative_pct": found.compaction_pct, "s_pct": found.saturation_pct, "a_pct": found.air_voids_pct}


@kind
def zav(w_pct, specific_gravity, unit_kg_m3):
    return {"zav": compaction.zav_dry_density_kg_m3(np.array(w_pct, float), specific_gravity) / unit_kg_m3}


@kind
def impossible(dry, w_pct, specific_gravity, unit_kg_m3):
    limit = compaction.zav_dry_density_kg_m3(w_pct, specific_gravity) / unit_kg_m3
    try:
        compaction.require_below_zav(w_pct, dry * unit_kg_m3, specific_gravity)
    except SoilError:
        return {"zav": limit, "is_refused": 1}
    return {"zav": limit, "is_refused": 0}


@kind
def field(wet, w_pct, maximum):
    return {"relative_pct": compaction.relative_compaction_pct(wet / (1 + w_pct / 100), maximum)}


@kind
def compaction_of(dry, maximum):
    return {"relative_pct": compaction.relative_compaction_pct(dry, maximum)}


KINDS["compaction"] = KINDS.pop("compaction_of")  # the module has the name


@kind
def wet_basis(wet_basis_pct):
    return {"w_pct": compaction.wet_to_dry_basis_pct(np.array(wet_basis_pct, float))}


@kind
def curve(w_pct, wet, specific_gravity, unit_kg_m3):
    w, density = arrays(w_pct, wet)
    return dry_curve(w, density / (1 + w / 100), specific_gravity, unit_kg_m3)


@kind
def dry_curve(w_pct, dry, specific_gravity, unit_kg_m3):
    w, density = arrays(w_pct, dry)
    fit = laboratory.fit_curve(w, density * unit_kg_m3, specific_gravity=specific_gravity)
    top = int(np.argmax(density))
    assert fit.highest_point == top
    assert density[top] * unit_kg_m3 - 1e-9 <= fit.mdd_kg_m3 <= 1.01 * density[top] * unit_kg_m3
    assert "swapped" not in [note.key for note in fit.notes]
    assert w[top - 1] < fit.omc_pct < w[top + 1]
    assert fit.saturation_at_peak_pct <= 100.1
    return {"mdd": fit.mdd_kg_m3 / unit_kg_m3, "omc_pct": fit.omc_pct}


@kind
def oversize_w(fines_w_pct, oversize_frac, coarse_w_pct):
    return {"w_pct": compaction.oversize_w_pct(fines_w_pct, oversize_frac, coarse_w_pct=coarse_w_pct)}


@kind
def oversize_density(fines, oversize_frac, bulk_specific_gravity, unit_kg_m3):
    whole = compaction.oversize_dry_density_kg_m3(
        fines * unit_kg_m3, oversize_frac, bulk_specific_gravity=bulk_specific_gravity
    )
    return {"dry": whole / unit_kg_m3}


@kind
def oversize_limits():
    most = compaction.OVERSIZE_MAX_FRAC
    ignored = compaction.OVERSIZE_IGNORED_BELOW_FRAC
    return {"most_4_75_mm": most["4.75 mm"], "most_19_mm": most["19 mm"], "ignored_up_to": ignored}


@pytest.mark.parametrize("case", printed.cases("compaction"))
def test_the_published_value_comes_out(case: dict[str, Any]) -> None:
    printed.require(case, KINDS)


def test_cases_are_complete_and_no_kind_stands_idle() -> None:
    printed.require_complete("compaction", KINDS, n_least=25)

"""A material's soil class: written, or by what the laboratory reports; what nobody printed is said to be so."""

from __future__ import annotations

import pytest
from config_copy import SITE, Copy

from gonogo.config import check_report
from gonogo.errors import SoilError
from gonogo.records.site import Material
from gonogo.soil.classes import SOIL_CLASSES
from gonogo.soil.groups import LIKELY_UNIFIED, UNIFIED, group_row

WRITTEN = 'soil_class = "sandy_loam"'
LIMITS = (
    "\n[material.silty_sand.laboratory]\npassing_4_75mm_pct = 98\npassing_2mm_pct = 94\npassing_0_425mm_pct = 82\n"
    "passing_0_075mm_pct = 64\nliquid_limit_pct = 38\nplastic_limit_pct = 19\n"
)


def silty_sand(example: Copy) -> Material:
    return example.load().sites[0].material("silty_sand")


@pytest.mark.parametrize(
    ("key", "symbol", "soil_class"),
    [
        ("uscs", "CL", "silty_clay_loam"),
        ("uscs", "sm", "sandy_loam"),
        ("uscs", "SP-SM", "loamy_sand"),
        ("uscs", "SM-SC", "sandy_loam"),
        ("uscs", "SP-SC", "sandy_loam"),
        ("aashto", "A-1-b", "sandy_loam"),
        ("aashto", "A-6 (9)", "silty_clay_loam"),
        ("aashto", "a-2-4", "sandy_loam"),
    ],
)
def test_a_group_symbol_stands_in_the_place_of_a_soil_class(
    key: str, symbol: str, soil_class: str, example: Copy
) -> None:
    example.edit(SITE, WRITTEN, f'{key} = "{symbol}"')
    found = silty_sand(example)
    assert (found.soil_class, found.soil_group) == (soil_class, f"{key.upper()} {symbol}")


def test_sieves_and_limits_are_classified_by_both_standards(example: Copy) -> None:
    example.edit(SITE, WRITTEN, "")
    example.add(SITE, LIMITS)
    found = silty_sand(example)
    assert (found.soil_class, found.soil_group) == ("silty_clay_loam", "USCS CL, AASHTO A-6 (10)")
    assert found.theta_fc == SOIL_CLASSES["silty_clay_loam"].theta_fc
    flat = " ".join(check_report(example.load()).split())
    assert (
        "soil class silty_clay_loam by USCS CL, AASHTO A-6 (10) (EPA/600/R-94/168a pairs it with clay loam, silty"
        in flat
    )


def test_a_class_that_is_written_leads(example: Copy) -> None:
    example.edit(SITE, WRITTEN, f'{WRITTEN}\nuscs = "CH"')
    found = silty_sand(example)
    assert (found.soil_class, found.soil_group) == ("sandy_loam", "")


def test_a_group_that_no_table_pairs_says_so(example: Copy) -> None:
    example.edit(SITE, WRITTEN, 'uscs = "MH"')
    assert silty_sand(example).group_textures == ""
    assert "no published table has it" in " ".join(check_report(example.load()).split())


@pytest.mark.parametrize(
    ("instead", "key", "wrong", "right"),
    [
        ("", "soil_class", "is missing", 'uscs = "CL"'),
        ('uscs = "XX"', "uscs", "no group symbol", 'uscs = "'),
        ('uscs = "A-6"', "uscs", "no group symbol", 'uscs = "'),
        ('aashto = "CL"', "aashto", "no group of AASHTO", 'aashto = "A-6"'),
        ('aashto = "A-2"', "aashto", "A-2-4, A-2-5, A-2-6, A-2-7", 'aashto = "'),
        ('uscs = "PT"', "uscs", "organic", "soil_class"),
    ],
)
def test_what_is_no_group_is_refused(instead: str, key: str, wrong: str, right: str, example: Copy) -> None:
    example.edit(SITE, WRITTEN, instead)
    (fault,) = example.faults()
    assert fault.key == f"material.silty_sand.{key}"
    assert wrong in fault.wrong
    assert right in fault.right


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong"),
    [
        ("passing_0_075mm_pct = 64", "passing_0_075mm_pct = 90", "passing_0_075mm_pct", "more than passing_0_425mm"),
        ("plastic_limit_pct = 19", "plastic_limit_pct = 39", "plastic_limit_pct", "above the liquid limit"),
        ("plastic_limit_pct = 19\n", "", "plastic_limit_pct", "belong together"),
        ("liquid_limit_pct = 38\nplastic_limit_pct = 19\n", "", "liquid_limit_pct", "fines that decide"),
        ("liquid_limit_pct = 38", "liquid_limit_pct = 38\nis_plastic = false", "is_plastic", "stands beside limits"),
        ("liquid_limit_pct = 38", "liquid_limit_pct = 0.38", "liquid_limit_pct", "outside 5 to 300"),
    ],
)
def test_a_laboratory_report_that_cannot_be_is_refused(old: str, new: str, key: str, wrong: str, example: Copy) -> None:
    example.edit(SITE, WRITTEN, "")
    example.add(SITE, LIMITS.replace(old, new))
    (fault,) = example.faults()
    assert fault.key == f"material.silty_sand.laboratory.{key}"
    assert wrong in fault.wrong


def test_no_group_that_may_hold_clay_or_much_silt_loses_its_wet_edge() -> None:
    clean = {s for s in (*UNIFIED, *LIKELY_UNIFIED) if SOIL_CLASSES[group_row(s).soil_class].is_granular}
    assert clean == {"GW", "GP", "SW", "SP", "A-1-a", "A-3"}


def test_each_group_has_a_class_that_exists() -> None:
    assert {group_row(symbol).soil_class for symbol in (*UNIFIED, *LIKELY_UNIFIED)} <= set(SOIL_CLASSES)
    assert {unified for likely in LIKELY_UNIFIED.values() for unified in likely} <= {*UNIFIED, "OL", "OH"}
    with pytest.raises(SoilError, match="subgroup"):
        group_row("A-7")

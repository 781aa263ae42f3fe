"""Strips, people, machines and materials in lists beside the site's file: the same checks, line and column named."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from config_copy import SITE, Copy

from gonogo.config import files_of
from gonogo.config.lists import columns_of_list
from gonogo.config.material_tables import LaboratoryTable, MaterialTable, MethodTable, OversizeTable, TreatedTable
from gonogo.config.table import Table
from gonogo.config.tables import PersonTable, ReadingTable, RollerTable, StripTable, TruckTable
from gonogo.records.site import Site

LISTS = "sites/harrow-flats/"
STRIPS = "id,name,crew,material,length_m,width_m,lift_thickness_m,dry_density_kg_m3,surface\n"


def put(example: Copy, name: str, text: str, encoding: str = "utf-8") -> None:
    path = example.folder / LISTS / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding=encoding)


def without_strips(example: Copy) -> None:
    path = example.folder / SITE
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"(?ms)^\[strip\..*?(?=^# A site may change)", "", text), encoding="utf-8")


def site(example: Copy) -> Site:
    return example.load().sites[0]


@pytest.mark.parametrize(
    "text",
    [
        STRIPS + "E1,East,north,clay,120.5,12,0.25,1400,loose\n",
        "\ufeff" + STRIPS.replace(",", ";") + "E1;East;north;clay;120,5;12;0,250;1400;loose\n\n;;;;;;;;\n",
        STRIPS.replace(",", "\t") + "E1\tEast\tnorth\tclay\t120.5\t12\t0.25\t1400\tloose\n",
        STRIPS.strip() + ",,\nE1,East,north,clay,120.5,12,0.25,1400,loose,,\n",
    ],
)
def test_strips_stand_in_a_list_as_a_spreadsheet_saves_it(text: str, example: Copy) -> None:
    without_strips(example)
    put(example, "strips.csv", text)
    (strip,) = site(example).strips
    assert (strip.id, strip.name, strip.length_m, strip.lift_thickness_m) == ("E1", "East", 120.5, 0.25)


def test_lines_of_a_list_come_after_the_tables_of_the_file(example: Copy) -> None:
    n_before = len(site(example).strips)
    put(example, "strips.csv", STRIPS + "E1,East,north,clay,120,12,0.25,1400,loose\n")
    assert [s.id for s in site(example).strips][n_before:] == ["E1"]


def test_a_column_may_hold_another_unit_that_it_names(example: Copy) -> None:
    put(
        example,
        "strips.csv",
        "id,crew,material,length_ft,width_ft,lift_thickness_in,dry_density_lb_ft3,surface\n"
        "E1,north,clay,400,40,10,87.5,loose\n",
    )
    strip = site(example).strip("E1")
    assert (strip.length_m, strip.width_m, strip.lift_thickness_m) == (121.92, 12.192, 0.254)
    assert strip.dry_density_kg_m3 == pytest.approx(1401.6)


def test_a_strip_brings_its_test_and_its_dates(example: Copy) -> None:
    put(
        example,
        "strips.csv",
        STRIPS.strip() + ",reading.w_pct,reading.at,reading.method,finish_by (dd/mm/yyyy),may_vibrate\n"
        "E1,East,north,clay,120,12,0.25,1400,loose,18.2,2026-05-11 15:30,oven,22/05/2026,no\n",
    )
    config = example.load()
    strip = config.sites[0].strip("E1")
    assert (strip.finish_by, strip.may_vibrate) == (date(2026, 5, 22), False)
    assert [r.w_pct for r in config.readings["harrow-flats"] if r.strip_id == "E1"] == [18.2]


def test_machines_people_and_materials_stand_in_lists_too(example: Copy) -> None:
    put(
        example, "machines.csv", "kind,id,name,drum,tank_gal\nroller,pad2,Second padded,padded,\ntruck,t3,Third,,4000\n"
    )
    put(example, "people.csv", "crew,name,address,role,language\nnorth,Pat Reed,pat@example.com,planner,es\n")
    put(
        example,
        "materials.csv",
        "id,name,uscs,test,curve_w_pct,curve_dry_density_kg_m3,window_points,required_compaction_pct\n"
        "till,Till,CL,ASTM D698,14.1 16 18.1 20 22.1,1668 1730 1762 1739 1672,-2 2,95\n",
    )
    example.edit(SITE, 'roller = "padfoot"', 'roller = "pad2"')
    example.edit(SITE, 'truck = "big"', 'truck = "t3"')
    example.edit(SITE, 'material = "clay"', 'material = "till"')
    found = site(example)
    crew = found.crew("north")
    assert crew.truck is not None
    assert (crew.roller.name, round(crew.truck.tank_litres)) == ("Second padded", 15142)
    assert ("Pat Reed", "es") in [(p.name, p.language) for p in crew.recipients]
    assert found.material("till").curve_w_pct == (14.1, 16.0, 18.1, 20.0, 22.1)


FAULTS = {
    "no number": ("strips.csv", STRIPS + "E1,,north,clay,12x,12,0.25,1400,loose\n",
        2, "length_m", "strip.E1.length_m", "not a number"),
    "thousands or decimals": ("strips.csv",
        STRIPS.replace("_m,w", "_ft,w") + 'E1,,north,clay,"1,200",12,0.25,1400,loose\n',
        2, "length_ft", "strip.E1.length_m", "thousands or with decimals"),
    "outside its range": ("strips.csv", STRIPS + "E1,,north,clay,120,12,250,1400,loose\n",
        2, "lift_thickness_m", "strip.E1.lift_thickness_m", "outside 0.05 to 0.6"),
    "half a pass": ("strips.csv", STRIPS.strip() + ",passes\n\nE1,,north,clay,120,12,0.25,1400,loose,6.5\n",
        3, "passes", "strip.E1.passes", "whole number"),
    "no date": ("strips.csv", STRIPS.strip() + ",finish_by\nE1,,north,clay,120,12,0.25,1400,loose,22/05/2026\n",
        2, "finish_by", "strip.E1.finish_by", "not a date"),
    "a word not known": ("strips.csv", STRIPS + "E1,,north,clay,120,12,0.25,1400,soft\n",
        2, "surface", "strip.E1.surface", "words known"),
    "no such crew": ("strips.csv", STRIPS + "E1,,nort,clay,120,12,0.25,1400,loose\n",
        2, "crew", "strip.E1.crew", "no crew"),
    "in the file already": ("strips.csv", STRIPS + "N1,,north,clay,120,12,0.25,1400,loose\n",
        2, "id", "strip.N1", "harrow-flats.toml:"),
    "twice in the list": ("strips.csv", STRIPS + 2 * "E1,,north,clay,120,12,0.25,1400,loose\n",
        3, "id", "strip.E1", "strips.csv:2"),
    "no id": ("strips.csv", STRIPS + ",East,north,clay,120,12,0.25,1400,loose\n", 2, "id", "id", "empty"),
    "a column not known": ("strips.csv", STRIPS.replace("length_m", "lenght_m"), 1, "lenght_m", "header", "no column"),
    "a column in two units": ("strips.csv", STRIPS.strip() + ",length_ft\n",
        1, "length_ft", "header", "same as length_m"),
    "person of no crew": ("people.csv", "crew,name,address,role\nnort,Pat,pat@example.com,planner\n",
        2, "crew", "crew", "no crew"),
    "person without a right address": ("people.csv", "crew,name,address,role\nnorth,Pat,pat at example,planner\n",
        2, "address", "crew.north.person.3.address", "mail address"),
    "kind of machine": ("machines.csv", "kind,id,name,drum\nrolller,p,P,padded\n", 2, "kind", "kind", "no kind"),
    "a tank for a roller": ("machines.csv", "kind,id,name,drum,tank_litres\nroller,p,P,padded,9000\n",
        2, "tank_litres", "roller.p.tank_litres", "no key"),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_of_a_list_names_file_line_and_column(case: str, example: Copy) -> None:
    name, text, line, column, key, wrong = FAULTS[case]
    put(example, name, text)
    (fault,) = example.faults()
    assert fault.place == f"{example.folder / LISTS / name}:{line}, column {column}"
    assert fault.key == key
    assert wrong in fault.wrong
    assert fault.right


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        (STRIPS + "E1,,north,clay,120,12,0.25,1400,loose,7\n", "more values than columns"),
        (STRIPS + 'E1,"a"b,north,clay,120,12,0.25,1400,loose\n', "no row of a CSV"),
        ("name,crew\nx,north\n", "no column `id`"),
        ("", "no column `id`"),
    ],
)
def test_a_file_that_is_no_list_is_one_fault(text: str, wrong: str, example: Copy) -> None:
    put(example, "strips.csv", text)
    (fault,) = example.faults()
    assert Path(fault.place.rpartition(":")[0]).name == "strips.csv"
    assert wrong in fault.wrong


def test_all_faults_of_file_and_lists_come_together(example: Copy) -> None:
    example.edit(SITE, "elevation_m = 325", "elevation_m = 9000")
    put(example, "strips.csv", STRIPS + "E1,,north,clay,x,12,0.25,1400,loose\nE2,,north,clay,1,12,0.25,y,soft\n")
    keys = {fault.key for fault in example.faults()}
    assert keys == {
        "site.elevation_m",
        "strip.E1.length_m",
        "strip.E2.length_m",
        "strip.E2.dry_density_kg_m3",
        "strip.E2.surface",
    }


def test_a_missing_value_is_said_of_the_line(example: Copy) -> None:
    put(example, "strips.csv", STRIPS + "E1,,north,clay,,12,0.25,1400,loose\n")
    (fault,) = example.faults()
    assert (fault.place, fault.key) == (f"{example.folder / LISTS}/strips.csv:2", "strip.E1.length_m")


@pytest.mark.parametrize("name", ["strip.csv", "Strips.CSV", "strips.xlsx"])
def test_another_file_beside_the_lists_is_passed_over_with_a_warning(name: str, example: Copy) -> None:
    put(example, name, "x\n")
    put(example, "notes.md", "x\n")
    (warning,) = [w for w in example.load().warnings if w.number == 35]
    assert warning.place.endswith(name)
    assert "strips.csv" in warning.right


def test_the_files_of_a_config_are_known_to_the_watch(example: Copy) -> None:
    put(example, "strips.csv", STRIPS)
    names = [path.relative_to(example.folder).as_posix() for path in files_of(example.folder)]
    assert names == ["gonogo.toml", SITE, f"{LISTS}strips.csv"]


@pytest.mark.parametrize(
    ("name", "tables"),
    [
        ("strips.csv", (StripTable, ReadingTable)),
        ("people.csv", (PersonTable,)),
        ("machines.csv", (RollerTable, TruckTable)),
        ("materials.csv", (MaterialTable, LaboratoryTable, OversizeTable, TreatedTable, MethodTable)),
    ],
)
def test_each_key_of_a_table_is_a_column_of_its_list(name: str, tables: tuple[type[Table], ...]) -> None:
    last_parts = {column.rpartition(".")[2] for column in columns_of_list(name)}
    nested = {"reading", "laboratory", "oversize", "treated", "method_specification"}
    assert {key for table in tables for key in table.model_fields} - nested <= last_parts

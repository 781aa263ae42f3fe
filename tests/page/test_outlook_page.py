"""The page of the outlook: whole in itself, readable without its drawings, and what it says is what was judged."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, NOW_UTC, at, morning, row, strip
from views_of_plan import of_plan, scene

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.propose import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.page import charts
from gonogo.page.outlook import page
from gonogo.page.screen import screen
from gonogo.page.view import Outlook, build
from gonogo.records.day_plan import Task
from gonogo.records.field import Reading
from gonogo.records.work_order import Change, Why, Work
from gonogo.wording.language import languages, speaker

STRIPS = (strip(id="A", name="Alpha <one>"), strip(id="B", name="Beta"), strip(id="C", name="Gamma"))
TEST = Reading(strip_id="A", at_utc=NOW_UTC - timedelta(hours=1), w_pct=14.2, method="oven")


EN, US = speaker("en", "metric"), speaker("en", "us")


def ahead(inputs: MorningInputs, changes: tuple[Change, ...] | None = None) -> Outlook:
    made = decide(inputs)
    return Outlook(
        inputs=inputs,
        decisions=made,
        outlook=outlook(inputs),
        order=propose(inputs, made, done={}, before=None),
        changes=changes,
        entries=(TEST,),
    )


@pytest.fixture(scope="module")
def mixed() -> Outlook:
    rain = np.zeros(N_HOURS)
    rain[row(8.0, DAY + timedelta(days=1)) : row(16.0, DAY + timedelta(days=1))] = 1.5
    return ahead(morning([14.0, 9.0, 18.0], strips=STRIPS, rain_mm=rain))


class Outline(HTMLParser):
    """Collects tags with their attributes, and the text outside drawings and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.silent += tag in ("svg", "style")

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("svg", "style")

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.text += data + " "


def outline(html: str) -> Outline:
    found = Outline()
    found.feed(html)
    found.text = " ".join(found.text.split())
    return found


def test_the_page_is_whole_in_itself(mixed: Outlook) -> None:
    html = page(mixed, EN)
    found = outline(html)
    assert not {"script", "link", "img", "iframe", "object"} & {tag for tag, _ in found.tags}
    for _, attributes in found.tags:
        assert not {"src", "href", "onload", "onclick"} & set(attributes)
    assert "url(" not in html
    assert "@import" not in html


def test_names_cannot_break_the_page(mixed: Outlook) -> None:
    html = page(mixed, EN)
    assert "Alpha &lt;one&gt;" in html
    assert "<one>" not in html


def test_without_drawings_the_page_says_verdict_chance_order_and_caution(mixed: Outlook) -> None:
    text = outline(page(mixed, EN)).text
    for said in ("COMPACT", "WATER FIRST", "WAIT", ">99% 10 h", "w >99%", "off", "Rain", "12 mm"):
        assert said in text
    view = build(mixed)
    assert view.order is not None
    for work in (work for day in view.order.days for work in day.works):
        assert " ".join(EN.say(work.line).split()).replace("\u00a0", " ") in text.replace("\u00a0", " ")
    assert "responsible engineer decide" in text
    assert "lightning" in text


def test_each_drawing_is_sound_and_says_what_it_shows(mixed: Outlook) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page(mixed, EN), re.S)
    assert len(drawings) == 1 + len(STRIPS)
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.find("title").text
        assert root.find("desc").text
        for shape in root.iter():
            for name, value in shape.attrib.items():
                assert "nan" not in value, (shape.tag, name)


def test_window_readings_and_planned_work_stand_in_the_drawing_where_they_belong(mixed: Outlook) -> None:
    drawing = re.findall(r"<svg.*?</svg>", page(mixed, EN), re.S)[1]
    root = ElementTree.fromstring(drawing)
    kinds = [shape.get("class") for shape in root.iter()]
    assert kinds.count("reading") == 1
    assert kinds.count("window") == 1
    assert kinds.count("rolling") == sum(w.strip_id == "A" and w.work == Work.ROLLING for w in mixed.order.works)
    (dot,) = [shape for shape in root.iter() if shape.get("class") == "reading"]
    assert dot.find("title").text == "14.2%"
    (window,) = [shape for shape in root.iter() if shape.get("class") == "window"]
    top, high = float(window.get("y")), float(window.get("height"))
    # 14.2 % between the edges of 12 and 16 %
    assert float(dot.get("y1")) == pytest.approx(top + high * (16.0 - 14.2) / 4.0, abs=0.2)
    (now,) = [shape for shape in root.iter() if shape.get("class") == "now"]
    assert float(dot.get("x1")) < float(now.get("x1"))
    # half past five of the first of the columns, each 100 wide
    assert float(now.get("x1")) == pytest.approx(100.0 * 5.5 / 24.0, abs=0.1)


def test_a_path_that_is_not_known_is_left_out_and_said() -> None:
    hours = np.full(N_HOURS, np.nan)
    html = page(ahead(morning(hours, strips=STRIPS[1:2])), EN)
    assert "The moisture is not known." in html
    assert "nan" not in outline(html).text.replace("no such", "")


def test_what_changed_is_told_with_its_cause_and_nothing_is_said_to_be_nothing(mixed: Outlook) -> None:
    change = Change(
        strip_id="B",
        what="verdict",
        before="wait",
        after="water",
        why=(Why(key="reading", numbers={"reading_w_pct": 9.1}, at_utc=at(3.0)),),
    )
    text = outline(page(ahead(mixed.inputs, (change,)), EN)).text
    assert "Beta: WAIT is now WATER FIRST. A moisture test (03:00) read 9.1%." in text
    assert "No change since the last run of the day before." in outline(page(ahead(mixed.inputs, ()), EN)).text
    assert "What changed" not in outline(page(mixed, EN)).text


def test_litres_and_rain_come_in_the_readers_units(mixed: Outlook) -> None:
    assert " gal" not in outline(page(mixed, EN)).text
    text = outline(page(mixed, US)).text
    assert " gal" in text
    assert "0.45 in" in text or "0.50 in" in text
    assert not re.search(r"\d L\b", text.replace("\u00a0", " "))


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("units", ["metric", "us"])
def test_page_and_screen_say_the_same_cells_in_every_language(mixed: Outlook, code: str, units: str) -> None:
    speak, view = speaker(code, units), build(mixed)
    html, shown = outline(page(mixed, speak)).text, screen(view, speak)
    assert f'<html lang="{code}">' in page(mixed, speak)
    for cell in (cell for strip_row in view.rows for cell in strip_row.cells):
        for part in (cell.shown, cell.below):
            if part is not None:
                assert bare(speak.say(part)) in bare(html)
                assert bare(speak.say(part)) in bare(shown)
    for caution in view.cautions:
        assert bare(speak.say(caution)) in bare(html)
        assert bare(speak.say(caution)) in bare(shown)
    assert [line for line in shown.splitlines() if len(line) > 77] == []
    for text in (html, shown):
        assert not re.search(r"\{\w*\}|\bnan\b|\binf\b|\bNone\b|Undefined", text)


def bare(text: str) -> str:
    return re.sub(r"\s+", "", text)


def test_a_day_of_23_hours_is_a_column_like_any_other() -> None:
    midnights = tuple(NOW_UTC + timedelta(hours=h) for h in (0, 24, 47, 71))
    axis = charts.Axis(midnights_utc=midnights, now_utc=NOW_UTC)
    assert axis.width == 300.0
    assert axis.x(midnights[2]) == 200.0
    assert axis.x(midnights[1] + timedelta(hours=11.5)) == pytest.approx(150.0)
    assert axis.x(NOW_UTC - timedelta(hours=3)) == 0.0
    assert axis.x(midnights[-1] + timedelta(hours=3)) == 300.0


def test_rain_outside_the_days_shown_is_not_drawn() -> None:
    axis = charts.Axis(midnights_utc=(NOW_UTC, NOW_UTC + timedelta(days=1)), now_utc=NOW_UTC)
    hours = tuple(NOW_UTC + timedelta(hours=h) for h in (-2, 3, 30))
    amounts = np.array([9.0, 1.0, 9.0])
    drawing = charts.rain(
        charts.Rain(title="Rain", words="Rain", at_utc=hours, mean=amounts, p90=amounts, top=2.0), axis
    )
    bars = [shape for shape in ElementTree.fromstring(drawing).iter() if shape.get("class") == "expected"]
    assert [(float(bar.get("x")), float(bar.get("height"))) for bar in bars] == [(12.5, charts.RAIN_HEIGHT / 2.0)]


def test_the_page_begins_with_the_bar_of_each_crews_day_and_what_each_strip_is_told() -> None:
    inputs = morning([14.0, 9.0], strips=STRIPS[:2])
    shown = scene(inputs)
    html = page(replace(ahead(inputs), order=shown.order, plan=shown.plan), EN)
    text = outline(html).text.replace("\u00a0", " ")
    bar, table = html.index('<table class="bar'), html.index('<table class="ahead')
    assert html.index("<h1>") < bar < table
    for strip_id in ("A", "B"):
        printed = of_plan(shown, strip_id)
        assert f"Roll {printed.rolled[0]}–{printed.rolled[1]}" in text
        if printed.watered is not None:
            assert f"Water {printed.watered[0]}–{printed.watered[1]}, {printed.litres} L" in text
    assert of_plan(shown, "B").watered is not None
    assert "North 7 9 11 1 3" in text or "North 7 9 11 13 15" in text


def test_the_path_of_a_strip_that_is_watered_today_has_the_water_in_it() -> None:
    inputs = morning([9.0], strips=STRIPS[1:2])
    shown = scene(inputs)
    (water,) = [job for job in shown.plan.jobs if job.task == Task.WATER]
    data = replace(ahead(inputs), plan=shown.plan, order=shown.order)
    told = "Expected: 9.0% at first, {last}% at the end;"
    assert told.format(last="9.0") in page(replace(data, plan=None), EN)
    added = 100.0 * water.litres / (STRIPS[1].area_m2 * STRIPS[1].dry_mass_kg_m2)
    assert told.format(last=f"{9.0 + added:.1f}") in page(data, EN)

"""The page of the outlook: whole in itself, readable without its drawings, and what it says is what was judged."""

from __future__ import annotations

import re
from datetime import timedelta
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, NOW_UTC, at, morning, row, strip

from gonogo.decide.inputs import MorningInputs
from gonogo.decide.order.propose import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.page import charts, words
from gonogo.page.outlook import Told, page
from gonogo.records.field import Reading
from gonogo.records.work_order import Change, Why, Work

STRIPS = (strip(id="A", name="Alpha <one>"), strip(id="B", name="Beta"), strip(id="C", name="Gamma"))
TEST = Reading(strip_id="A", at_utc=NOW_UTC - timedelta(hours=10), w_pct=14.2, method="oven")


def told(inputs: MorningInputs, changes: tuple[Change, ...] | None = None, units: str = "metric") -> Told:
    made = decide(inputs)
    return Told(
        inputs=inputs,
        decisions=made,
        outlook=outlook(inputs),
        order=propose(inputs, made, done={}, before=None),
        changes=changes,
        entries=(TEST,),
        units=units,
    )


@pytest.fixture(scope="module")
def mixed() -> Told:
    rain = np.zeros(N_HOURS)
    rain[row(8.0, DAY + timedelta(days=1)) : row(16.0, DAY + timedelta(days=1))] = 1.5
    return told(morning([14.0, 9.0, 18.0], strips=STRIPS, rain_mm=rain))


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


def test_the_page_is_whole_in_itself(mixed: Told) -> None:
    html = page(mixed)
    found = outline(html)
    assert not {"script", "link", "img", "iframe", "object"} & {tag for tag, _ in found.tags}
    for _, attributes in found.tags:
        assert not {"src", "href", "onload", "onclick"} & set(attributes)
    assert "url(" not in html
    assert "@import" not in html


def test_names_cannot_break_the_page(mixed: Told) -> None:
    html = page(mixed)
    assert "Alpha &lt;one&gt;" in html
    assert "<one>" not in html


def test_without_drawings_the_page_says_verdict_chance_order_and_caution(mixed: Told) -> None:
    text = outline(page(mixed)).text
    for said in ("compact", "water first", "wait", "100% 10h", "w 100%", "off", "Rain of the day", "12 mm"):
        assert said in text
    for work in mixed.order.works:
        assert words.when(mixed.inputs.site, work) in text
    assert "responsible engineer decide" in text
    assert "lightning" in text


def test_each_drawing_is_sound_and_says_what_it_shows(mixed: Told) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page(mixed), re.S)
    assert len(drawings) == 1 + len(STRIPS)
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.find("title").text
        assert root.find("desc").text
        for shape in root.iter():
            for name, value in shape.attrib.items():
                assert "nan" not in value, (shape.tag, name)


def test_window_readings_and_planned_work_stand_in_the_drawing_where_they_belong(mixed: Told) -> None:
    drawing = re.findall(r"<svg.*?</svg>", page(mixed), re.S)[1]
    root = ElementTree.fromstring(drawing)
    kinds = [shape.get("class") for shape in root.iter()]
    assert kinds.count("reading") == 1
    assert kinds.count("window") == 1
    assert kinds.count("rolling") == sum(w.strip_id == "A" and w.work == Work.ROLLING for w in mixed.order.works)
    (dot,) = [shape for shape in root.iter() if shape.get("class") == "reading"]
    (window,) = [shape for shape in root.iter() if shape.get("class") == "window"]
    top, high = float(window.get("y")), float(window.get("height"))
    # 14.2 % between the edges of 12 and 16 %
    assert float(dot.get("cy")) == pytest.approx(top + high * (16.0 - 14.2) / 4.0, abs=0.2)
    (now,) = [shape for shape in root.iter() if shape.get("class") == "now"]
    assert float(dot.get("cx")) < float(now.get("x1"))


def test_a_path_that_is_not_known_is_left_out_and_said() -> None:
    hours = np.full(N_HOURS, np.nan)
    html = page(told(morning(hours, strips=STRIPS[1:2])))
    assert "The moisture is not known." in html
    assert "nan" not in outline(html).text.replace("no such", "")


def test_what_changed_is_told_with_its_cause_and_nothing_is_said_to_be_nothing(mixed: Told) -> None:
    change = Change(
        strip_id="B",
        what="verdict",
        before="wait",
        after="water",
        why=(Why(key="reading", numbers={"reading_w_pct": 9.1}, at_utc=at(3.0)),),
    )
    text = outline(page(told(mixed.inputs, (change,)))).text
    assert "Beta: wait last time, now water first because a moisture test came in (9.1 %)" in text
    assert "Nothing worth a word." in outline(page(told(mixed.inputs, ()))).text
    assert "What changed" not in outline(page(mixed)).text


def test_litres_and_rain_come_in_the_readers_units(mixed: Told) -> None:
    assert " gal" not in outline(page(mixed)).text
    text = outline(page(told(mixed.inputs, units="us"))).text
    assert " gal" in text
    assert "0.45 in" in text or "0.50 in" in text
    assert " L" not in text.replace(" Lift", "")


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.0, "0%"), (0.004, "<1%"), (0.5, "50%"), (0.996, ">99%"), (1.0, "100%"), (float("nan"), "?")],
)
def test_a_chance_near_certain_is_not_called_certain(chance: float, said: str) -> None:
    assert words.percent(chance) == said


def test_a_day_without_room_has_no_name_in_a_drawing() -> None:
    days = tuple((NOW_UTC + timedelta(days=k), f"Wed {17 + k}") for k in range(30))
    axis = charts.Axis(from_utc=NOW_UTC, until_utc=NOW_UTC + timedelta(days=30), now_utc=NOW_UTC, days=days)
    drawing = charts.rain(axis, (), np.array([]), np.array([]), ())
    assert "Wed" not in drawing

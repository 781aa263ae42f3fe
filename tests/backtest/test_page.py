"""The page of a backtest: whole in itself, its pictures drawn where the figures say and told in words beside."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from backtest_builders import write_folder
from mail_browser import PROGRAM, Browser

from gonogo.backtest import drawings
from gonogo.backtest.page import page
from gonogo.backtest.report import Backtest
from gonogo.cli import app

LEADS = (1, 3, 5, 10)


def rows(n_stations: int = 3) -> pd.DataFrame:
    """Forecasts that err by a known tenth of what no change errs by, a chance of 0.85 that comes true in 3 of 4."""
    out = []
    for s in range(n_stations):
        for start in range(20):
            for lead in LEADS:
                measured = 0.20 if start % 4 else 0.30
                still = 0.01 * lead
                out.append(
                    {
                        "station": f"place <{s}>",
                        "climate": ("arid", "humid")[s % 2],
                        "month": 4 + start % 3,
                        "lead_days": lead,
                        "reading": measured + still,
                        "measured": measured,
                        "theta_mean": measured + (0.1 + 0.1 * s) * still,
                        "theta_p10": measured - 0.01,
                        "theta_p90": measured + (0.01 if start % 5 else -0.005),
                        "low": 0.17,
                        "high": 0.23,
                        "chance": 0.85,
                    }
                )
    return pd.DataFrame(out)


def found(table: pd.DataFrame) -> Backtest:
    return Backtest(
        subject="made <stations>", done=("60 forecasts.",), rows=table, unit="m3/m3", decimals=4, window="within 0.03"
    )


@pytest.fixture(scope="module")
def html() -> str:
    return page(found(rows()))


def alt_texts(html: str) -> list[str]:
    return re.findall(r'role="img" aria-label="([^"]*)"', html)


def test_the_page_is_whole_in_itself_and_no_name_breaks_it(html: str) -> None:
    for outside in ("src=", "href=", "url(", "@import", "<script"):
        assert outside not in html
    assert "<stations>" not in html
    assert "place <" not in html
    assert "place &lt;2&gt;" in html


def test_every_picture_says_its_figures_in_words(html: str) -> None:
    error, band, chance, worst = alt_texts(html)
    # Errors of 0.1, 0.2 and 0.3 of no change, each station alike: the root of the mean square is 0.2160.
    assert "1 day 0.0022 against 0.0100" in error
    assert "10 days 0.0216 against 0.1000" in error
    assert "all 1 day 80%" in band
    assert "humid 1 day 80%" in band
    assert "said 85%, came true 75% of 240" in chance
    assert worst.index("&lt;2&gt;") < worst.index("&lt;1&gt;") < worst.index("&lt;0&gt;")


def test_the_tables_stand_below_with_classes_months_and_stations(html: str) -> None:
    text = re.sub(r"<[^>]*>", " ", html)
    for said in ("By class and days ahead", "By month of the start", "Every station", "Apr", "Jun", "0.216", "in band"):
        assert said in text


def test_a_folder_without_measurements_says_so_and_draws_nothing() -> None:
    html = page(found(rows().assign(measured=np.nan)))
    assert "Nothing was measured on the days ahead" in html
    assert "<svg" not in html
    assert "Traceback" not in html
    assert page(found(rows().head(0))).count("<svg") == 0


def test_without_a_window_no_chance_is_shown() -> None:
    html = page(found(rows().assign(low=np.nan)))
    assert len(alt_texts(html)) == 3
    assert "came true" not in html


def test_a_chance_that_comes_true_as_said_lies_on_the_line() -> None:
    picture = drawings.Tenths(title="", points=((0.5, 0.5, 9), (0.9, 0.4, 9)), chance_label="", came_label="")
    svg = drawings.tenths(picture)
    x1, y1, x2, y2 = map(float, re.findall(r'even" x1="([\d.]+)" y1="([\d.]+)" x2="([\d.]+)" y2="([\d.]+)"', svg)[0])
    (at, height), (other, low) = (tuple(map(float, found)) for found in re.findall(r'cx="([\d.]+)" cy="([\d.]+)"', svg))
    assert (at, height) == pytest.approx(((x1 + x2) / 2, (y1 + y2) / 2), abs=0.1)
    assert low > y1 + (y2 - y1) * (other - x1) / (x2 - x1)


def test_lines_lie_by_their_scale_and_beyond_it_at_its_edge() -> None:
    line = drawings.LeadLine(name="a", points=((1, 0.0), (5, 1.0), (10, 9.0)), mark="disc")
    picture = drawings.LeadLines(title="", lines=(line,), ticks=(0.0, 1.0, 2.0), tick=str, axis="")
    heights = [float(y) for y in re.findall(r'<circle[^>]*cy="([\d.]+)"', drawings.lines(picture))]
    top, foot = drawings.TOP, drawings.HEIGHT - drawings.BOTTOM
    assert heights == pytest.approx([foot, (top + foot) / 2, top], abs=0.1)


@pytest.mark.parametrize("most", [0.0, 0.0031, 0.02, 0.069, 0.25, 1.0, 7.3, 240.0])
def test_a_scale_is_round_and_reaches_what_is_drawn(most: float) -> None:
    ticks = drawings.scale(most)
    assert ticks[0] == 0.0
    assert ticks[-1] >= most
    assert len(ticks) <= 6
    steps = np.diff(ticks)
    assert steps == pytest.approx(steps[0])


def test_the_command_writes_the_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = str(write_folder(tmp_path / "data", n_stations=1))
    asked = ["backtest", data, "--readings", "first", "--out", str(tmp_path / "p.csv"), "--html"]
    assert app.run([*asked, str(tmp_path / "page.html")]) == app.Exit.OK
    assert "Page written to" in capsys.readouterr().out
    assert len(alt_texts((tmp_path / "page.html").read_text(encoding="utf-8"))) == 4
    assert app.run([*asked, str(tmp_path / "nowhere" / "page.html")]) == app.Exit.CONFIG
    assert "--html" in capsys.readouterr().err
    assert app.run([*asked, str(tmp_path)]) == app.Exit.ATTENTION
    assert "cannot be written" in capsys.readouterr().err


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    pytest.importorskip("websocket", reason="needs the package websocket-client to steer a browser")
    if PROGRAM is None:
        pytest.skip("needs Chromium to look at the page")
    opened = Browser(tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width_px", [390, 1280])
def test_it_fits_phone_and_desk(browser: Browser, html: str, width_px: int, theme: str) -> None:
    browser.show(html, width_px=width_px, theme=theme)
    assert browser.value("document.documentElement.scrollWidth") <= width_px
    beyond = "[...document.querySelectorAll('.chart text')].filter(e => { const a = e.getBoundingClientRect(),"
    beyond += " b = e.closest('svg').getBoundingClientRect(); return a.left < b.left - 1 || a.right > b.right + 1 })"
    assert browser.value(f"{beyond}.map(e => e.textContent)") == []
    paper = browser.value("getComputedStyle(document.body).backgroundColor")
    assert paper == {"light": "rgb(255, 254, 251)", "dark": "rgb(24, 26, 25)"}[theme]

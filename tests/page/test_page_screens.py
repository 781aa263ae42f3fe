"""The page of the outlook in a real browser: phone, desk and paper, light and dark: nothing overflows or fades.

Contrast by WCAG 2.1, success criterion 1.4.3 level AA: 4.5 to 1.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np
import pytest
from hand_made import DAY, N_HOURS, morning, row, strip
from mail_browser import PROGRAM, Browser

from gonogo.decide.order.propose import propose
from gonogo.decide.outlook import outlook
from gonogo.decide.verdict import decide
from gonogo.page.outlook import page
from gonogo.page.view import Outlook
from gonogo.wording.language import speaker

pytest.importorskip("websocket", reason="needs the package websocket-client to steer a browser")
pytestmark = pytest.mark.skipif(PROGRAM is None, reason="needs Chromium to look at the page")

MEASURE = """(() => {
  const lum = c => { const f = c.map(v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4 });
                     return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2] };
  const rgb = s => (s.match(/[\\d.]+/g) || []).map(Number);
  const ground = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor);
                        if (c.length === 3 || c[3] > 0) return c } return [255, 255, 255] };
  const ratio = (a, b) => { const [x, y] = [lum(a), lum(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05) };
  const out = {width: document.documentElement.scrollWidth, faint: [], small: [], n: 0,
               page: getComputedStyle(document.body).backgroundColor};
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement, style = getComputedStyle(e);
    if (!walker.currentNode.textContent.trim() || e.closest('title, desc') || !e.getClientRects().length) continue;
    out.n += 1;
    const has = ratio(rgb(e.closest('svg') ? style.fill : style.color), ground(e));
    if (has < 4.5) out.faint.push([walker.currentNode.textContent.trim(), has]);
    if (!e.closest('svg') && parseFloat(style.fontSize) < 12) out.small.push(walker.currentNode.textContent.trim());
  }
  return out })()"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    opened = Browser(tmp_path_factory.mktemp("profile"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def html() -> str:
    rain = np.zeros(N_HOURS)
    rain[row(8.0, DAY + timedelta(days=1)) : row(16.0, DAY + timedelta(days=1))] = 1.5
    strips = [strip(id=name, name=f"{name} with a long name of its own", lifts=2) for name in ("A", "B", "C")]
    inputs = morning([14.0, 9.0, 18.0], strips=strips, rain_mm=rain)
    made = decide(inputs)
    order = propose(inputs, made, done={}, before=None)
    data = Outlook(inputs=inputs, decisions=made, outlook=outlook(inputs), order=order, changes=(), entries=())
    return page(data, speaker("en", "metric"))


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("width_px", "media"), [(390, "screen"), (1200, "screen"), (703, "print")])
def test_nothing_overflows_fades_or_is_too_small(
    browser: Browser, html: str, width_px: int, media: str, theme: str
) -> None:
    browser.show(html, width_px=width_px, theme=theme, media=media)
    seen = browser.value(MEASURE)
    assert seen["n"] > 80
    assert seen["width"] <= width_px
    assert seen["faint"] == []
    if media == "screen":
        assert seen["small"] == []
    is_dark = seen["page"] != "rgb(255, 255, 255)"
    assert is_dark is (theme == "dark" and media == "screen")  # paper is white


def test_every_strip_keeps_together_on_paper(browser: Browser, html: str) -> None:
    browser.show(html, width_px=703, theme="light", media="print")
    broken = browser.value(
        "[...document.querySelectorAll('tbody, .keep')].filter(e => getComputedStyle(e).breakInside !== 'avoid').length"
    )
    tallest = browser.value("Math.max(...[...document.querySelectorAll('.ahead tbody')].map(e => e.offsetHeight))")
    assert broken == 0
    assert tallest < 980  # the height of an A4 or Envelope page between its margins, in px

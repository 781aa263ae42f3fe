"""Pages of several readers in one file: the switches choose one, without a script, and a printer gets that one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from mail_browser import PROGRAM, Browser

from gonogo.page.switches import switched

PAGE = "<html><head><style>p { margin: 0; }\n</style></head>\n<body>\n<main>\n<p>%s</p>\n</main>\n</body>\n</html>"
NAMES = {"en": "English", "es": "Español & más"}
READERS = [("en", "us"), ("en", "metric"), ("es", "us"), ("es", "metric")]


def made() -> str:
    return switched({reader: PAGE % " ".join(reader) for reader in READERS}, NAMES)


def test_each_reader_has_a_part_in_its_language_and_the_first_is_chosen() -> None:
    text = made()
    parts = re.findall(r'<main class="(\w+) (\w+)" lang="(\w+)">\s*<p>(\w+) (\w+)</p>', text)
    assert parts == [(language, units, language, language, units) for language, units in READERS]
    assert re.findall(r'id="([\w-]+)"[^>]* checked', text) == ["language-en", "units-us"]
    assert "Español &amp; más" in text
    assert "<script" not in text
    assert text.count("<body>") == text.count("</body>") == 1


def test_one_reader_needs_no_switch() -> None:
    assert switched({("en", "us"): PAGE % "x"}, NAMES) == PAGE % "x"


@pytest.mark.skipif(PROGRAM is None, reason="needs Chromium to look at the page")
def test_a_browser_shows_the_chosen_part_alone_on_screen_and_on_paper(tmp_path: Path) -> None:
    pytest.importorskip("websocket", reason="needs the package websocket-client to steer a browser")
    browser = Browser(tmp_path)
    try:
        for media in ("screen", "print"):
            browser.show(made(), width_px=390, theme="light", media=media)
            for language, units in READERS[::-1]:
                browser.value(f"document.getElementById('language-{language}').click()")
                browser.value(f"document.getElementById('units-{units}').click()")
                shown = browser.value("document.body.innerText").split()
                labels = "English Español & más m · L · °C ft · gal · °F".split()
                assert [word for word in shown if word not in labels] == [language, units]
                assert ("English" in shown) == (media == "screen")
    finally:
        browser.close()

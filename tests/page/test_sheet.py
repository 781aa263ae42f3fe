"""The page for the pen: one a crew and day, in the reader's words, what was told and room for what was done."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from example_mornings import example_config, opened, run_example

from gonogo.cli import demo, sheets
from gonogo.errors import ConfigError
from gonogo.page.sheet import SheetData, sheet
from gonogo.wording.language import speaker

LANGUAGES = ("en", "es", "pt", "fr")


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_it_says_what_was_told_in_the_reader_s_words(language: str, units: str, tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    store = opened(loaded)
    result = run_example(loaded, store)
    store.dispose()
    assert result is not None
    plan = result.conclusion.plan
    assert plan is not None
    site, crew = loaded.sites[0], loaded.sites[0].crew("north")
    data = SheetData(site=site, crew=crew, day=demo.DAY, plan=plan, contact="gonogo@example.com")
    says = speaker(language, units)
    page = sheet(data, says)
    assert f'lang="{language}"' in page
    assert says.word("badge.compact") in page
    assert says.word("badge.test") in page, "what the mails tell, not the bare verdict"
    assert says.word("sheet.done_at") in page
    assert "size: A4" in page
    assert all(strip.name in page for strip in site.strips if strip.crew_id == "north")
    assert not any(strip.name in page for strip in site.strips if strip.crew_id == "south")
    assert ("(gal)" if units == "us" else "(L)") in page
    assert "src=" not in page
    assert "<script" not in page


def test_a_name_cannot_add_to_the_page(tmp_path: Path) -> None:
    site = example_config(tmp_path).sites[0]
    site = replace(site, strips=(replace(site.strips[0], name="<script>x</script>"), *site.strips[1:]))
    page = sheet(SheetData(site=site, crew=site.crew("north"), day=demo.DAY, plan=None), speaker("en", "us"))
    assert "<script>" not in page


def test_pages_are_written_for_each_crew_and_before_any_morning_too(tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    wanted = sheets.SheetOptions(crew_id="", day=demo.DAY + timedelta(days=1), paper="Letter", folder=tmp_path / "out")
    names = [Path(line).name for line in sheets.write(loaded, loaded.sites[0], wanted).splitlines()]
    assert names == ["harrow-flats-north-2026-05-13.html", "harrow-flats-south-2026-05-13.html"]
    assert "size: letter" in (tmp_path / "out" / names[0]).read_text(encoding="utf-8")


@pytest.mark.parametrize("change", [{"crew_id": "nort"}, {"paper": "A5"}])
def test_a_crew_or_a_paper_that_is_not_there_is_refused(change: dict[str, str], tmp_path: Path) -> None:
    loaded = example_config(tmp_path)
    wanted = sheets.SheetOptions(crew_id="", day=date(2026, 5, 12), paper="A4", folder=tmp_path)
    with pytest.raises(ConfigError, match="no such"):
        sheets.write(loaded, loaded.sites[0], replace(wanted, **change))

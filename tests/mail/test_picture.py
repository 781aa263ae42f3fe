"""The picture of the moisture path: small, the same each time, told in words too, and told by shape, not by colour."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import timedelta

import mail_scene as scene
import numpy as np
import pytest
from PIL import Image, ImageFont

from gonogo import times
from gonogo.decide.plan.added_water import added_pct
from gonogo.mail import picture
from gonogo.mail.items import MorningView, PathsView
from gonogo.mail.panels import STRIPS_AT_MOST
from gonogo.mail.path import HOURS_BEFORE
from gonogo.records.day_plan import Task
from gonogo.wording import language
from gonogo.wording.language import speaker
from gonogo.wording.phrases import amount

PICTURE_BYTES_MAX = 25_000


def morning(**changes: object) -> MorningView:
    return scene.built(**({"paths": scene.paths()} | changes))


def paths() -> PathsView:
    found = morning().paths
    assert found is not None
    return found


def opened(png: bytes) -> Image.Image:
    return Image.open(io.BytesIO(png))


@pytest.mark.parametrize("code", language.languages())
@pytest.mark.parametrize(("units", "n_days"), [("metric", 4), ("us", 10)])
def test_each_picture_is_small_and_the_same_each_time(code: str, units: str, n_days: int) -> None:
    first = picture.pngs(paths(), code, units, n_days)
    picture._pngs.cache_clear()
    assert picture.pngs(paths(), code, units, n_days) == first
    assert len(first) == 2  # five strips, shared out over two
    for png in first:
        assert len(png) < PICTURE_BYTES_MAX
        assert opened(png).size[0] == picture.WIDTH


def test_a_crew_s_readers_of_one_language_and_unit_system_share_a_picture() -> None:
    assert picture.pngs(paths(), "en", "us", 4)[0] is picture.pngs(paths(), "en", "us", 4)[0]
    assert picture.pngs(paths(), "en", "us", 4) != picture.pngs(paths(), "en", "metric", 4)
    assert picture.pngs(paths(), "es", "metric", 4) != picture.pngs(paths(), "pt", "metric", 4)


def test_it_is_readable_in_grey_and_has_its_own_ground() -> None:
    """Ink, hatch, tint and paper stay apart in luminance alone: 3 to 1 for what is told, after WCAG 2.1, 1.4.11."""
    png = opened(picture.pngs(paths(), "en", "metric", 4)[0])
    assert png.mode == "P"
    assert "transparency" not in png.info
    palette = np.array(png.getpalette()[: 3 * picture.N_SHADES]).reshape(-1, 3) / 255.0  # type: ignore[index]
    linear = np.where(palette <= 0.03928, palette / 12.92, ((palette + 0.055) / 1.055) ** 2.4)
    light = linear @ np.array([0.2126, 0.7152, 0.0722])
    assert (np.diff(light) > 0).all()  # the darker the shade, the darker its grey

    def shade(value: int) -> float:
        return float(light[(value * (picture.N_SHADES - 1) + 127) // 255])

    paper, tint = shade(picture.PAPER), shade(picture.WINDOW)
    for told in (picture.INK, picture.BAND):
        for ground in (paper, tint):
            assert (ground + 0.05) / (shade(told) + 0.05) > 3.0
    assert tint < paper


def test_today_s_water_is_in_the_path_from_its_first_drop_to_its_last() -> None:
    """18,432 L on 2,880 m2 of 362.5 kg/m2 dry mass: 6.4 kg/m2, 1.77 points."""
    job = next(j for j in scene.morning().plan.jobs if j.strip_id == "N2" and j.task == Task.WATER)
    path = scene.paths()["N2"]
    start_utc = times.as_datetime(path.hour_utc[0])
    added = added_pct(len(path.w_mean_pct), start_utc, scene.site().strip("N2"), job)
    first, last = ((at_utc - start_utc) / times.HOUR for at_utc in (job.start_utc, job.end_utc))
    assert (added[: int(first) + 1] == 0.0).all()
    np.testing.assert_allclose(added[int(last) + 1 :], 100.0 * 6.4 / 362.5)
    panel = next(p for p in paths().panels if p.strip == "N2")
    assert panel.water_h == (first, last)
    assert panel.mean[-1] == pytest.approx(path.w_mean_pct[-1] + 100.0 * 6.4 / 362.5, abs=0.006)


def test_the_days_ahead_show_the_moisture_at_the_start_of_each_shift() -> None:
    path = scene.paths()["N1"]
    panel = next(p for p in paths().panels if p.strip == "N1")
    first_utc = scene.at(6, scene.DAY) + timedelta(days=1)
    hours = [round((first_utc - times.as_datetime(path.hour_utc[0])) / times.HOUR) + 24 * k for k in range(9)]
    water = next((j for j in scene.morning().plan.jobs_of("N1") if j.task == Task.WATER), None)
    assert water is None
    assert [round(amount.metric[0], 1) for _, amount in panel.ahead] == pytest.approx(
        [round(float(path.w_mean_pct[h]), 1) for h in hours], abs=0.051
    )


def test_the_window_is_where_the_path_leaves_it() -> None:
    """The mean of N1 starts inside its window: the picture has ink between its edges at the left, none far above."""
    png = np.asarray(opened(picture.pngs(paths(), "en", "metric", 4)[0]).convert("L"))
    panel_top = picture.LINE_PX + picture.GAP_PX + picture.RAIN_PX + picture.GAP_PX + picture.LINE_PX
    panel = png[panel_top : panel_top + picture.PANEL_PX, picture.LEFT + 4 : picture.WIDTH - picture.RIGHT - 4]
    dark = panel < 60
    edges = np.flatnonzero(dark.mean(axis=1) > 0.8)  # the two lines of the window run all along
    assert len(edges) >= 4
    top, foot = edges.min(), edges.max()
    curve = np.flatnonzero(dark[:, 20:60].any(axis=1))
    assert ((curve > top + 3) & (curve < foot - 3)).any()


def test_the_words_beside_it_say_the_same() -> None:
    described = picture.described(paths(), speaker("en", "us"), 4)
    assert described[0][0] == "Rain expected: Wed 17: 0.20\u00a0in."
    assert described[0][1].startswith("N2: 13.9% now; Thu 18: ")
    assert described[0][1].endswith("when the shift starts; window 15.0% to 18.5%.")
    assert sum(len(lines) for lines in described) == 6  # the rain once, and five strips
    spanish = picture.described(paths(), speaker("es", "metric"), 4)
    assert spanish[0][0] == "Lluvia esperada: mié 17: 5,0\u00a0mm."


def test_rain_that_fell_before_now_is_in_the_bars_and_not_in_the_amount_to_come() -> None:
    fallen = {
        k: replace_rain(p, np.where(np.arange(len(p.rain_mm)) < HOURS_BEFORE, 3.0, 0.0))
        for k, p in scene.paths().items()
    }
    found = morning(paths=fallen).paths
    assert found is not None
    assert sum(a.metric[0] for a in found.rain_by_day) == 0.0
    assert max(found.rain_mm) == 3.0


def test_a_day_that_the_table_calls_dry_has_no_amount_in_the_picture_either(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.2 mm are 0.01 in, and nothing in half millimetres."""
    written: list[str] = []
    draw = picture._Sheet.text

    def noted(sheet: picture._Sheet, x: float, y: float, text: str, anchor: str = "la") -> None:
        written.append(text)
        draw(sheet, x, y, text, anchor)

    monkeypatch.setattr(picture._Sheet, "text", noted)
    for rain_mm, is_told in ((0.2, False), (0.3, True)):
        written.clear()
        picture._pngs.cache_clear()
        days = tuple(amount("rain_mm", rain_mm) for _ in paths().rain_by_day)
        picture.pngs(replace(paths(), rain_by_day=days), "en", "us", 4)
        assert ("0.01" in written) == is_told


def replace_rain(path: object, rain_mm: np.ndarray) -> object:
    return replace(path, rain_mm=rain_mm)  # type: ignore[type-var]


def test_a_strip_whose_path_is_unknown_is_left_out_and_counted() -> None:
    broken = scene.paths()
    broken["N1"] = replace(broken["N1"], w_mean_pct=np.full(240, np.nan))
    found = morning(paths=broken).paths
    assert found is not None
    assert "N1" not in [p.strip for p in found.panels]
    assert found.n_left_out == 1


def test_more_strips_than_a_mail_can_show_are_counted() -> None:
    strips = tuple(scene.strip(f"B{k:02}", f"B{k:02}") for k in range(STRIPS_AT_MOST + 5))
    path = scene.paths()["N1"]
    made = scene.built(
        strips=strips,
        decisions=[replace(scene.decisions()[0], strip_id=s.id) for s in strips],
        outlook=(),
        order=None,
        paths={s.id: path for s in strips},
    ).paths
    assert made is not None
    assert len(made.panels) == STRIPS_AT_MOST
    assert made.n_left_out == 5
    assert len(picture.pngs(made, "en", "metric", 10)) == 3


def test_without_a_trusted_forecast_there_is_no_picture() -> None:
    assert morning(weather=None).paths is None


def test_the_font_has_every_letter_of_every_catalogue() -> None:
    font = ImageFont.truetype(str(picture.FONT), 24)
    missing = bytes(font.getmask("\ue000"))
    letters = set()
    for code in language.languages():
        for sentence in language.load(code).sentences.values():
            letters |= set("".join((sentence,) if isinstance(sentence, str) else sentence.values()))
    unknown = [c for c in letters if c.strip() and bytes(font.getmask(c)) == missing]
    assert unknown == []
    assert bytes(font.getmask("中")) == missing

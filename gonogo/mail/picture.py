"""The picture of the moisture path: one panel per strip under the rain, as small PNGs in the reader's words and units.

Drawn at twice the width of a phone, in one ramp from ink over blue to paper: what matters is told by shape, hatch and
darkness, so that a grey print and a colour-blind eye lose nothing. It has a ground of its own, also on a dark page.
"""

from __future__ import annotations

import functools
import io
import itertools
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageChops, ImageDraw, ImageFont

from gonogo.mail.items import PanelView, PathsView
from gonogo.wording.language import NO_BREAK, Speaker, speaker
from gonogo.wording.phrases import Names, phrase

Floats = npt.NDArray[np.float64]

FONT = Path(__file__).parent / "font" / "DejaVuSans-latin.ttf"

# Everything in pixels of the picture; a phone shows them at half the size.
WIDTH, LEFT, RIGHT = 716, 104, 14
TEXT_PX, LINE_PX = 24, 30
PANELS_AT_MOST = 4  # more make a second picture, so that each stays small
HEAD_PX = 96  # a day narrower than this has its name in two lines
RAIN_PX, PANEL_PX, GAP_PX = 74, 112, 10
CURVE_PX, ROLL_PX, HATCH_PX = 5, 12, 14

# Shades: 0 is ink, 255 paper. Eight are kept.
INK, BAND, GRID, WINDOW, PAPER = 0, 109, 182, 219, 255
N_SHADES = 8
RAMP = ((0.0, (28, 29, 33)), (0.4, (26, 74, 138)), (1.0, (255, 255, 255)))

_SHADE_OF = bytes((v * (N_SHADES - 1) + 127) // 255 for v in range(256))

RAIN_TOP_MM_H = 2.0  # the bars reach the top at this rain or at the wettest hour, whichever is more


def pngs(paths: PathsView, language: str, unit_system: str, n_days: int) -> tuple[bytes, ...]:
    """Return the pictures for readers of a language and a unit system, over n_days from today at the most.

    As many as it takes at PANELS_AT_MOST panels each. The same arguments give the same bytes.
    """
    return _pngs(paths, language, unit_system, n_days)


@functools.lru_cache(maxsize=16)  # a crew's readers share them, no other site does; 0.3 MB each with what they show
def _pngs(paths: PathsView, language: str, unit_system: str, n_days: int) -> tuple[bytes, ...]:
    speak = speaker(language, unit_system)
    return tuple(_png(paths, panels, speak, n_days) for panels in _pages(paths))


def described(paths: PathsView, speak: Speaker, n_days: int) -> tuple[tuple[str, ...], ...]:
    """Return for each picture the sentences that say the same, for who does not see it."""
    coming = [
        phrase("paths.point", day=day, amount=rain)
        for day, rain, end in zip(paths.days, paths.rain_by_day, paths.midnights_h[1:], strict=True)
        if rain.metric[0] and end > paths.now_h
    ][:n_days]
    rain = speak.word("paths.rain", points=Names(items=tuple(coming))) if coming else speak.word("paths.dry")
    return tuple(
        (*((rain,) if place == 0 else ()), *(_strip_described(panel, speak, n_days) for panel in panels))
        for place, panels in enumerate(_pages(paths))
    )


def _strip_described(panel: PanelView, speak: Speaker, n_days: int) -> str:
    ahead = tuple(phrase("paths.point", day=day, amount=w) for day, w in panel.ahead[: n_days - 1])
    key = "paths.strip" if ahead else "paths.strip_now"
    window = {"low": panel.window_low, "high": panel.window_high}
    return speak.word(key, strip=panel.strip, now=panel.now, points=Names(items=ahead), **window)


def _pages(paths: PathsView) -> tuple[tuple[PanelView, ...], ...]:
    """Return the panels of each picture, shared out evenly."""
    n_pictures = math.ceil(len(paths.panels) / PANELS_AT_MOST)
    per_picture = math.ceil(len(paths.panels) / n_pictures)
    return tuple(paths.panels[k : k + per_picture] for k in range(0, len(paths.panels), per_picture))


def _png(paths: PathsView, panels: Sequence[PanelView], speak: Speaker, n_days: int) -> bytes:
    """Return one picture of some of the strips."""
    n_hours = min(paths.n_hours, round(paths.now_h) + 24 * n_days)
    heads = [speak.say(day).replace(".", "").split(" ") for day in paths.days]
    is_stacked = 24 * (WIDTH - LEFT - RIGHT) / n_hours < HEAD_PX
    top = LINE_PX * (2 if is_stacked else 1) + GAP_PX
    sheet = _Sheet(top + RAIN_PX + len(panels) * (GAP_PX + LINE_PX + PANEL_PX) + GAP_PX, n_hours)
    sheet.days([h if is_stacked else [" ".join(h)] for h in heads], paths.midnights_h)
    sheet.rain(paths, speak, top)
    sheet.now(paths.now_h, top, top + RAIN_PX)
    y = top + RAIN_PX
    for panel in panels:
        sheet.panel(panel, speak, y + GAP_PX)
        y += GAP_PX + LINE_PX + PANEL_PX
        sheet.now(paths.now_h, y - PANEL_PX, y)
    return sheet.png()


class _Sheet:
    """The paper with its scale of hours."""

    def __init__(self, height: int, n_hours: int) -> None:
        self._image = Image.new("L", (WIDTH, height), PAPER)
        self._pen = ImageDraw.Draw(self._image)
        self._n_hours = n_hours
        self._px_per_h = (WIDTH - LEFT - RIGHT) / n_hours

    def x(self, hour: float) -> float:
        return LEFT + min(max(hour, 0.0), self._n_hours) * self._px_per_h

    def text(self, x: float, y: float, text: str, anchor: str = "la") -> None:
        mask, left, top = _written(text.replace(NO_BREAK, " ").replace("\u202f", " "), anchor, x % 1.0, y % 1.0)
        self._pen.bitmap((math.floor(x) + left, math.floor(y) + top), mask, INK)

    def days(self, heads: Sequence[Sequence[str]], midnights_h: Sequence[float]) -> None:
        """Name the days at the head and rule their midnights down to the foot."""
        for lines, (start, end) in zip(heads, itertools.pairwise(midnights_h), strict=True):
            left, right = self.x(start), self.x(end)
            if left > LEFT:
                self._pen.line([(left, 0), (left, self._image.height - GAP_PX)], GRID, 2)
            if max(map(_length, lines)) + 2 <= right - left:
                for row, line in enumerate(lines):
                    self.text((left + right) / 2, row * LINE_PX + 4, line, "ma")

    def rain(self, paths: PathsView, speak: Speaker, y: int) -> None:
        """Draw the rain of each hour as bars that stand on a line, with the amount of each day above them."""
        foot = y + RAIN_PX
        self.text(LEFT - 8, y, speak.word("label.rain"), "ra")
        self.text(LEFT - 8, y + LINE_PX, paths.rain_by_day[0].shown(speak.unit_system)[2], "ra")
        highest = max(RAIN_TOP_MM_H, *paths.rain_mm[: self._n_hours])
        room = RAIN_PX - LINE_PX
        for hour, rain_mm in enumerate(paths.rain_mm[: self._n_hours]):
            if rain_mm >= 0.05:
                left, right = self.x(hour), max(self.x(hour + 1) - 1, self.x(hour) + 1)
                self._pen.rectangle([left, foot - max(room * rain_mm / highest, 2), right, foot], BAND)
        self._pen.line([(LEFT, foot), (WIDTH - RIGHT, foot)], INK, 2)
        for amount, (start, end) in zip(paths.rain_by_day, itertools.pairwise(paths.midnights_h), strict=True):
            value, decimals, _ = amount.shown(speak.unit_system)
            number = speak.number(value, decimals)
            left, right = self.x(max(start, paths.now_h)), self.x(end)
            is_dry = amount.metric[0] == 0  # as in the table of days
            if not is_dry and _length(number) + 4 <= right - left:
                self.text((left + right) / 2, y, number, "ma")

    def panel(self, panel: PanelView, speak: Speaker, y: int) -> None:
        """Draw one strip: its name, the window, the likely range, the mean, and when it can be rolled today."""
        top, foot = y + LINE_PX, y + LINE_PX + PANEL_PX
        name = self._cut(panel.strip)
        self._pen.rectangle([LEFT, y - 2, LEFT + _length(name) + 4, top - 1], PAPER)
        self.text(LEFT, y - 2, name)
        n = min(self._n_hours + 1, len(panel.mean))
        low, mean, high = (np.array(path[:n]) for path in (panel.low, panel.mean, panel.high))
        width_pct = panel.window_high_pct - panel.window_low_pct
        # The window fills a third of the panel at least: a path far outside of it runs along the edge.
        lowest = max(min(low.min(), panel.window_low_pct) - 0.1 * width_pct, panel.window_low_pct - width_pct)
        highest = min(max(high.max(), panel.window_high_pct) + 0.1 * width_pct, panel.window_high_pct + width_pct)

        def level(w_pct: float) -> float:
            return float(foot - (min(max(w_pct, lowest), highest) - lowest) / (highest - lowest) * PANEL_PX)

        def line(w_pct: Floats) -> list[float]:
            """Return a path as x, y, x, y..."""
            y_px = foot - (np.clip(w_pct, lowest, highest) - lowest) / (highest - lowest) * PANEL_PX
            x_px = LEFT + np.arange(len(w_pct)) * self._px_per_h
            return np.column_stack((x_px, y_px)).ravel().tolist()

        edge = WIDTH - RIGHT
        wet, dry = level(panel.window_high_pct), level(panel.window_low_pct)
        self._pen.rectangle([LEFT, wet, edge, dry], WINDOW)
        self._hatch(line(low), line(high), top)
        self._dashes(LEFT, edge, level(panel.optimum_pct))
        for at in (wet, dry):
            self._pen.line([(LEFT, at), (edge, at)], INK, 3)
        curve = line(mean)
        self._pen.line(curve, PAPER, CURVE_PX + 4)
        self._pen.line(curve, INK, CURVE_PX)
        self._pen.rectangle([LEFT, top, edge, foot], None, GRID, 2)
        for at, amount, anchor in ((wet, panel.window_high, "rm"), (dry, panel.window_low, "rm")):
            self.text(LEFT - 8, at, speak.say(amount), anchor)
        if panel.water_h is not None:
            start, end = self.x(panel.water_h[0]), self.x(panel.water_h[1])
            self._pen.rectangle([start - 3, foot - ROLL_PX - 3, max(end, start + 4) + 3, foot], PAPER)
            self._pen.rectangle([start, foot - ROLL_PX, max(end, start + 4), foot], PAPER, INK, 2)
        if panel.roll_h is not None:
            start, end = self.x(panel.roll_h[0]), self.x(panel.roll_h[1])
            self._pen.rectangle([start - 3, foot - ROLL_PX - 3, end + 3, foot], PAPER)
            self._pen.rectangle([start, foot - ROLL_PX, max(end, start + 4), foot], INK)

    def now(self, now_h: float, top: int, foot: int) -> None:
        """Draw the moment of the mail as a line of short strokes under a pointer."""
        x = self.x(now_h)
        self._image.paste(INK, (round(x) - 1, top), _strokes(3, foot - top, 12, 7))
        self._pen.polygon([(x - 9, top - 2), (x + 9, top - 2), (x, top + 10)], INK)

    def png(self) -> bytes:
        """Return the picture with its few shades of the ramp."""
        picture = self._image.point(_SHADE_OF)
        picture.putpalette(_palette())  # which makes it one of a palette: nothing is copied
        out = io.BytesIO()
        picture.save(out, "PNG", bits=4, compress_level=4)  # 6 takes half as long again for a twentieth less
        return out.getvalue()

    def _hatch(self, low: Sequence[float], high: Sequence[float], top: int) -> None:
        """Fill the likely range with slanting lines inside a thin outline."""
        mask = Image.new("1", (WIDTH, PANEL_PX + 2), 0)
        back = [c for x, y in zip(high[-2::-2], high[::-2], strict=True) for c in (x, y)]
        outline = [*low, *back]
        outline[1::2] = [y - top for y in outline[1::2]]
        ImageDraw.Draw(mask).polygon(outline, 1)
        lines = ImageChops.logical_and(mask, _lines(WIDTH, PANEL_PX + 2))
        self._image.paste(BAND, (0, top), lines)
        for side in (low, high):
            self._pen.line(list(side), BAND, 2)

    def _dashes(self, left: int, right: int, y: float) -> None:
        """Draw a level line of short strokes."""
        self._image.paste(BAND, (left, round(y) - 1), _strokes(right - left, 2, 18, 8))

    def _cut(self, name: str) -> str:
        """Return a name that fits over its panel."""
        room = WIDTH - LEFT - RIGHT
        if _length(name) <= room:
            return name
        return next(name[:k] for k in range(len(name), 0, -1) if _length(name[:k]) < room - 20) + "..."


@functools.cache
def _font() -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(FONT), TEXT_PX, layout_engine=ImageFont.Layout.BASIC)


@functools.lru_cache(maxsize=2048)
def _length(text: str) -> float:
    """Return how long a text is [px]."""
    return _font().getlength(text)


@functools.lru_cache(maxsize=1024)  # the days' names, hours and rain stand in the same places in all pictures of a day
def _written(text: str, anchor: str, x_part: float, y_part: float) -> tuple[Image.Image, int, int]:
    """Return a text as a mask, and where its corner lies from the pixel of its anchor.

    x_part, y_part   of that pixel before the anchor, 0 to 1
    """
    box = _font().getbbox(text, anchor=anchor)
    left, top = (math.floor(edge) - 2 for edge in box[:2])
    mask = Image.new("L", (math.ceil(box[2]) + 3 - left, math.ceil(box[3]) + 3 - top), 0)
    ImageDraw.Draw(mask).text((x_part - left, y_part - top), text, 255, _font(), anchor)
    return mask, left, top


@functools.cache
def _lines(width: int, height: int) -> Image.Image:
    """Return slanting lines as a mask, to fill a shape with."""
    hatched = Image.new("1", (width, height), 0)
    pen = ImageDraw.Draw(hatched)
    for x in range(-height, width, HATCH_PX):
        pen.line([(x, height), (x + height, 0)], 1, 2)
    return hatched


@functools.cache
def _strokes(width: int, height: int, step: int, stroke: int) -> Image.Image:
    """Return a line of strokes along its longer side as a mask."""
    line = Image.new("1", (width, height), 0)
    pen = ImageDraw.Draw(line)
    for at in range(0, max(width, height), step):
        end = at + stroke - 1
        pen.rectangle([at, 0, end, height] if width > height else [0, at, width, end], 1)
    return line


@functools.cache
def _palette() -> bytes:
    """Return the ramp's colours, ink first."""
    colours = []
    for k in range(N_SHADES):
        share = k / (N_SHADES - 1)
        (a, dark), (b, light) = next(p for p in itertools.pairwise(RAMP) if share <= p[1][0])
        colours += [round(d + (li - d) * (share - a) / (b - a)) for d, li in zip(dark, light, strict=True)]
    return bytes(colours)

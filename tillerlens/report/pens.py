"""Drawing on photographs: lines that show on light and on dark, lettering, and the colours of bend.

Canvas frame: (x, y) in canvas pixels, (0, 0) = centre of the top-left pixel. Colours are (R, G, B), 0-255.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

INK: Colour = (18, 20, 24)
PAPER: Colour = (250, 248, 242)
# Told apart by every common kind of colour vision: Okabe and Ito's set (value from memory).
STRING: Colour = (240, 228, 66)
GAP: Colour = (150, 215, 255)  # the sky blue of that set, made lighter for thin lines
HINGE: Colour = (213, 94, 0)
STIFF: Colour = (0, 114, 178)

_SHIFT = 4  # cv2 takes sixteenths of a pixel
_LOWEST = 0.12  # of the colour map, whose darkest end is lost on brown wood


@dataclass(frozen=True, eq=False)
class Canvas:
    """A picture that is drawn on in place. px: width of one hair line; letter: height of the lettering."""

    rgb: Picture
    px: float
    letter: int

    def line(self, points: Array, colour: Colour, width: float = 1.0, halo: bool = True) -> None:
        """A polyline through (N, 2) points; rows of NaN break it. width in hair lines."""
        for run in _runs(points):
            fixed = [np.round(run * 2**_SHIFT).astype(np.int32).reshape(-1, 1, 2)]
            if halo:
                cv2.polylines(self.rgb, fixed, False, INK, self._thick(width + 1.6), cv2.LINE_AA, _SHIFT)
            cv2.polylines(self.rgb, fixed, False, colour, self._thick(width), cv2.LINE_AA, _SHIFT)

    def dashes(self, start: Array, end: Array, colour: Colour, width: float = 1.0, dash: float = 9.0) -> None:
        """A dashed straight line; dash in hair lines."""
        n = max(1, int(np.hypot(*(end - start)) / (2 * dash * self.px)))
        for i in range(n):
            ends = np.array([[2 * i], [2 * i + 1]]) / (2 * n - 1)
            self.line(start + ends * (end - start), colour, width)

    def ring(self, at: Array, radius: float, colour: Colour, width: float = 2.5) -> None:
        """A circle round a point; radius in canvas pixels."""
        turn = np.linspace(0, 2 * np.pi, 73)
        self.line(at + radius * np.column_stack([np.cos(turn), np.sin(turn)]), colour, width)

    def dot(self, at: Array, radius: float, colour: Colour) -> None:
        """A filled disc with a dark rim; radius in canvas pixels."""
        for r, c in ((radius + 1.2 * self.px, INK), (radius, colour)):
            centre = tuple(int(v) for v in np.round(np.asarray(at) * 2**_SHIFT))
            cv2.circle(self.rgb, centre, round(r * 2**_SHIFT), c, -1, cv2.LINE_AA, _SHIFT)

    def words(self, items: Sequence[tuple[str, Array, Colour]], bold: bool = True) -> None:
        """Lettering, each centred on its point and kept within the picture."""
        image = Image.fromarray(self.rgb)
        pen, font, rim = ImageDraw.Draw(image), letters(self.letter, bold), max(2, round(self.letter / 9))
        for text, at, colour in items:
            x0, y0, x1, y1 = pen.textbbox((0, 0), text, font=font, anchor="mm", stroke_width=rim)
            x = float(np.clip(at[0], -x0, max(image.width - x1, -x0)))
            y = float(np.clip(at[1], -y0, max(image.height - y1, -y0)))
            pen.text((x, y), text, colour, font, "mm", stroke_width=rim, stroke_fill=INK)
        self.rgb[:] = np.asarray(image)

    def _thick(self, width: float) -> int:
        return max(1, round(width * self.px))


def letters(height: int, bold: bool = True) -> ImageFont.FreeTypeFont:
    """The typeface that comes with the package, at so many pixels; made anew, since no two threads may draw with one."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    with resources.as_file(resources.files("tillerlens").joinpath("fonts", name)) as path:
        return ImageFont.truetype(str(path), height)


def bend_colours(share: Array) -> NDArray[np.uint8]:
    """(N,) 0 = bends least ... 1 = bends most to (N, 3) RGB, lightness rising evenly from dark blue to
    yellow.
    """
    if len(share) == 0:  # OpenCV gives None for an empty picture
        return np.empty((0, 3), np.uint8)
    level = np.clip(_LOWEST + (1 - _LOWEST) * np.nan_to_num(np.asarray(share, float)), 0, 1)
    table = cv2.applyColorMap(np.round(level * 255).astype(np.uint8).reshape(-1, 1), cv2.COLORMAP_VIRIDIS)
    return np.asarray(table.reshape(-1, 3)[:, ::-1], dtype=np.uint8)


def wrapped(text: str, font: ImageFont.FreeTypeFont, width: float) -> list[str]:
    """The text broken into lines no wider than ``width`` pixels."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _runs(points: Array) -> list[Array]:
    """The stretches of (N, 2) points without NaN, each of two points or more."""
    points = np.asarray(points, float)
    good = np.isfinite(points).all(axis=1)
    cuts = np.flatnonzero(np.diff(good.astype(int))) + 1
    return [run for run in np.split(points, cuts) if len(run) > 1 and np.isfinite(run).all()]

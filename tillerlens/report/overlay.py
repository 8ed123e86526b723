"""The photograph with what was seen drawn over it: the proof that a number belongs to this bow.

Everything is drawn in the frame of the picture that is returned; full-size pixels come in through
``_Window``, in one place. The lettering is sized by the picture's width, so that it can be read on a phone
held upright.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from tillerlens.core.measurement import LIMBS, FrontView, Measurement, TracedBow
from tillerlens.report.pens import (
    GAP,
    HINGE,
    INK,
    PAPER,
    STIFF,
    STRING,
    Array,
    Canvas,
    Colour,
    Picture,
    bend_colours,
    letters,
    wrapped,
)
from tillerlens.report.questions import closer_box, draw_asks, draw_clicks, draw_followed
from tillerlens.report.words.from_rest import Bend, bend_of
from tillerlens.report.words.quantities import Units, in_words, say_two_limbs
from tillerlens.report.words.verdict import limb_length_mm

MAX_SIDE_PX = 2048
LETTER_SHARE = 1 / 41  # of the width: 9.5 px on a phone's 390
HAIR_SHARE = 1 / 1400  # of the width
MARGIN = 0.14  # of the bow's longer side, around it in the close view
NARROWEST = 0.35  # of its height, that the close view of a bow's face is wide at the least
MOST_ROWS = 3  # of gap labels, before every second one is left out
LEAST_RANGE_PER_M = 0.2  # a limb more even than this is not made to look lively


def draw_overlay(
    rgb: NDArray[np.uint8],
    measurement: Measurement,
    max_side: int = MAX_SIDE_PX,
    units: Units | None = None,
    close: bool = False,
    silhouettes: bool = True,
    rest: Measurement | None = None,
) -> Picture:
    """The photograph with the traced bow and a key below it, or, where nothing was measured, the reasons why.

    rgb: (H, W, 3) uint8, the upright photograph that was measured. max_side: of the photograph in pixels;
    the key adds to its height. close: only the bow with a margin. silhouettes: draw both edges too.
    rest: that of the bow unstrung; with it the colours show the bend from rest, else the shape.
    Returns (h, w, 3) uint8. Raises ValueError if the measurement's gap lines do not belong to its gap rows.
    """
    units = units or Units()
    bend = bend_of(measurement, rest)
    measurement = bend.shown
    window = _window(rgb, measurement if close else None, max_side)
    canvas = _canvas(rgb, window)
    if measurement.trace is not None:
        _draw_bow(canvas, window, measurement, units, silhouettes)
    if measurement.front is not None:
        _draw_front(canvas, window, measurement.front, measurement)
    parts = [canvas.rgb]
    if measurement.status != "measured":
        _draw_asked(canvas, window, measurement)
        parts += _closer(rgb, measurement, canvas)
        parts.append(_caption(canvas, [in_words(r, units) for r in measurement.reasons]))
    else:
        draw_asks(canvas, window, measurement)
        parts += [*([] if close else _closer(rgb, measurement, canvas)), _key(canvas, bend, units)]
    return np.vstack(parts)


def _draw_asked(canvas: Canvas, window: _Window, measurement: Measurement) -> None:
    if measurement.followed is not None:
        draw_followed(canvas, window, measurement.followed)
    draw_clicks(canvas, window, measurement)
    draw_asks(canvas, window, measurement)


def _closer(rgb: Picture, measurement: Measurement, above: Canvas) -> list[Picture]:
    """The first doubtful place once more, enlarged to the width of the picture above; nothing where none is named."""
    box = closer_box(measurement, (rgb.shape[1], rgb.shape[0]))
    if box is None:
        return []
    width = above.rgb.shape[1]
    window = _Window(box, width / (box[2] - box[0]))
    cut = rgb[box[1] : box[3], box[0] : box[2]]
    how = cv2.INTER_CUBIC if window.scale > 1 else cv2.INTER_AREA
    enlarged = cv2.resize(cut, (width, round(cut.shape[0] * window.scale)), interpolation=how)
    canvas = Canvas(np.ascontiguousarray(enlarged, dtype=np.uint8), above.px, above.letter)
    if measurement.trace is not None:
        for side in (measurement.trace.back_px, measurement.trace.belly_px):
            canvas.line(window(side), PAPER, 1.0)
        draw_asks(canvas, window, measurement)
    else:
        _draw_asked(canvas, window, measurement)
    return [np.full((max(4, above.letter // 3), width, 3), PAPER, np.uint8), canvas.rgb]


# --- from the photograph to the picture


@dataclass(frozen=True)
class _Window:
    """A cutting of the photograph, left, top, right, bottom in whole pixels, and its enlargement."""

    box: tuple[int, int, int, int]
    scale: float

    def __call__(self, points: Array) -> Array:
        """Full-size pixels (..., 2) to pixels of the cutting."""
        return np.asarray((np.asarray(points, float) - self.box[:2] + 0.5) * self.scale - 0.5)


def _extent(measurement: Measurement) -> list[Array]:
    """Places of what was traced (n, 2)."""
    trace, front = measurement.trace, measurement.front
    if front is not None:
        return [front.right_px, front.left_px, front.nocks_px]
    if trace is None:
        return []
    hook = [] if trace.hook_px is None else [np.asarray(trace.hook_px)[None]]
    return [trace.back_px, trace.belly_px, trace.nocks_px, trace.gap_lines_px.reshape(-1, 2), *hook]


def _window(rgb: Picture, close_to: Measurement | None, max_side: int) -> _Window:
    height, width = rgb.shape[:2]
    box = (0, 0, width, height)
    parts = [] if close_to is None else _extent(close_to)
    if parts:
        points = np.concatenate([np.asarray(part, float) for part in parts])
        low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
        room = MARGIN * float(max(high - low))
        if close_to is not None and close_to.front is not None:  # narrow as it hangs: names and marks stand beside it
            short = np.maximum(0.0, NARROWEST * float(max(high - low)) - (high - low)) / 2
            low, high = low - short, high + short
        left, top = (int(max(0, v)) for v in np.floor(low - room))
        right, bottom = (int(min(v, s)) for v, s in zip(np.ceil(high + room), (width, height), strict=True))
        box = (left, top, right, bottom)
    return _Window(box, min(1.0, max_side / max(box[2] - box[0], box[3] - box[1])))


def _canvas(rgb: Picture, window: _Window) -> Canvas:
    left, top, right, bottom = window.box
    cut = rgb[top:bottom, left:right]
    size = (max(1, round(cut.shape[1] * window.scale)), max(1, round(cut.shape[0] * window.scale)))
    small = cv2.resize(cut, size, interpolation=cv2.INTER_AREA) if window.scale < 1 else cut
    width = size[0]
    picture = np.ascontiguousarray(small, dtype=np.uint8).copy()
    return Canvas(picture, max(1.0, width * HAIR_SHARE), max(12, round(width * LETTER_SHARE)))


# --- the bow


def _draw_bow(canvas: Canvas, window: _Window, measurement: Measurement, units: Units, silhouettes: bool) -> None:
    trace = measurement.trace
    assert trace is not None
    nocks = window(trace.nocks_px)
    for side in (trace.back_px, trace.belly_px) if silhouettes else ():
        canvas.line(window(side), PAPER, 1.0)
    if trace.hook_px is not None:
        hook = window(trace.hook_px)
        canvas.line(np.array([nocks[0], hook, nocks[1]]), STRING, 1.6)
        canvas.dot(hook, 4 * canvas.px, STRING)
    if len(trace.gap_lines_px):
        canvas.dashes(nocks[0], nocks[1], GAP, 1.0)
    for belly, string in window(trace.gap_lines_px):
        canvas.line(np.array([belly, string]), GAP, 1.5)
    _draw_bend(canvas, window, measurement)
    for nock in nocks:
        canvas.dot(nock, 4.5 * canvas.px, PAPER)
    _draw_handle(canvas, window(trace.handle_px), nocks)
    labels = [
        *_limb_names(canvas, nocks, _toward_back(trace)),
        *_gap_labels(canvas, window, measurement, units),
    ]
    labels += _draw_spots(canvas, window, measurement)
    canvas.words(labels)


def _draw_front(canvas: Canvas, window: _Window, front: FrontView, measurement: Measurement) -> None:
    """Both edges, the line between the tips, the string over the handle, and the handle's middle; beside the limbs, where a
    heat-treated belly is paler or darker."""
    nocks = window(front.nocks_px)
    for edge in (front.right_px, front.left_px):
        canvas.line(window(edge), PAPER, 1.2)
    canvas.dashes(nocks[0], nocks[1], GAP, 1.0)
    if len(front.string_px):
        canvas.line(window(front.string_px), STRING, 1.6)
    for nock in nocks:
        canvas.dot(nock, 4.5 * canvas.px, PAPER)
    canvas.dot(window(front.handle_px), 4.5 * canvas.px, STIFF)
    across = np.array([nocks[1, 1] - nocks[0, 1], nocks[0, 0] - nocks[1, 0]])
    labels = _limb_names(canvas, nocks, _unit(across))
    if measurement.belly is not None:
        labels += _draw_patches(canvas, nocks, window(front.handle_px), measurement)
    canvas.words(labels)


def _draw_patches(canvas: Canvas, nocks: Array, handle: Array, measurement: Measurement) -> list[tuple[str, Array, Colour]]:
    """A bar beside the limb for each pale or dark stretch, and its name."""
    assert measurement.belly is not None
    labels: list[tuple[str, Array, Colour]] = []
    for p in measurement.belly.patches:
        nock = nocks[LIMBS.index(p.limb)]
        length = limb_length_mm(measurement.shot, p.limb)
        if not np.isfinite(length):
            continue
        along = (handle - nock) / length
        across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
        aside = across * (2.2 * canvas.letter if across[0] + across[1] > 0 else -2.2 * canvas.letter)
        ends = np.array([nock + along * d + aside for d in (p.start_mm, p.end_mm)])
        canvas.line(ends, PAPER if p.kind == "pale" else HINGE, 3.0)
        labels.append((p.kind, ends.mean(axis=0) + aside, PAPER))
    return labels


def bend_range(measurement: Measurement) -> tuple[float, float]:
    """The curvatures, in 1/m, that the least and the most coloured place stand for."""
    parts = [p.curvature_per_m for p in measurement.profile.values()]
    curvature = np.concatenate([part[np.isfinite(part)] for part in parts]) if parts else np.zeros(0)
    if not len(curvature):
        return 0.0, LEAST_RANGE_PER_M
    low, high = (float(v) for v in np.percentile(curvature, (2, 98)))
    if high - low < LEAST_RANGE_PER_M:
        middle = (low + high) / 2
        low, high = middle - LEAST_RANGE_PER_M / 2, middle + LEAST_RANGE_PER_M / 2
    return low, high


def _draw_bend(canvas: Canvas, window: _Window, measurement: Measurement) -> None:
    low, high = bend_range(measurement)
    for profile in measurement.profile.values():
        points = window(profile.centre_px)
        canvas.line(points, INK, 4.6, halo=False)
        colours = bend_colours((profile.curvature_per_m - low) / (high - low))
        for (start, end), colour in zip(pairwise(points), colours[:-1], strict=True):
            canvas.line(np.array([start, end]), _as_colour(colour), 3.4, halo=False)


def _draw_handle(canvas: Canvas, handle: Array, nocks: Array) -> None:
    """A short bar across the handle's centre."""
    along = _unit(nocks[1] - nocks[0])
    across = np.array([-along[1], along[0]]) * 14 * canvas.px
    canvas.line(np.array([handle - across, handle + across]), PAPER, 1.6)


def _limb_names(canvas: Canvas, nocks: Array, back: Array) -> list[tuple[str, Array, Colour]]:
    """``upper`` and ``lower`` beyond the nocks, or on the back's side of them where the picture ends
    there.
    """
    labels: list[tuple[str, Array, Colour]] = []
    room = 3.9 * canvas.letter  # for a name and a little
    for name, nock in zip(LIMBS, nocks, strict=True):
        outward = _unit(nock - nocks.mean(axis=0))
        sideways = abs(outward[0]) > abs(outward[1])
        at = nock + outward * canvas.letter * (2.2 if sideways else 1.0)
        if sideways and not (room < nock[0] < canvas.rgb.shape[1] - room):
            at = nock + back * 1.4 * canvas.letter
        labels.append((name, at, PAPER))
    return labels


def _toward_back(trace: TracedBow) -> Array:
    """The direction from belly to back in the picture, of length one."""
    return _unit(np.nanmedian(np.asarray(trace.back_px) - np.asarray(trace.belly_px), axis=0))


def _unit(vector: Array) -> Array:
    return np.asarray(vector / max(float(np.hypot(*vector)), 1e-9))


def _gap_labels(canvas: Canvas, window: _Window, measurement: Measurement, units: Units) -> list[tuple[str, Array, Colour]]:
    """Each gap's length beyond the string, in as many rows as keep the labels apart."""
    trace = measurement.trace
    assert trace is not None
    lines, rows = window(trace.gap_lines_px), measurement.gaps
    if len(lines) != 2 * len(rows):
        raise ValueError(f"{len(lines)} gap lines for {len(rows)} gap rows; each row has an upper and a lower line")
    labels = []
    said = [say_two_limbs(row.upper, row.lower, row.difference, units) for row in rows]
    for k in (0, 1):
        ends = lines[k::2]
        texts = [_bare((two.upper, two.lower)[k]) for two in said]
        labels += _in_rows(canvas, ends, texts)
    return labels


def _bare(length: str) -> str:
    return length.removesuffix(" in").removesuffix(" cm")


def _in_rows(canvas: Canvas, lines: Array, texts: list[str]) -> list[tuple[str, Array, Colour]]:
    """One limb's labels: beyond the string's end of each gap line, in staggered rows with a thin leader."""
    if not texts:
        return []
    font = letters(canvas.letter)
    outward = _unit(np.median(lines[:, 1] - lines[:, 0], axis=0))
    sideways = abs(outward[1]) > abs(outward[0])  # labels sit side by side, as their gaps stand upright
    wide = max(font.getlength(text) for text in texts) + 0.5 * canvas.letter
    needed = wide if sideways else 1.25 * canvas.letter
    steps = np.hypot(*np.diff(lines[:, 1], axis=0).T) if len(lines) > 1 else np.array([needed])
    rows = int(np.ceil(needed / max(float(np.median(steps)), 1.0)))
    skip = int(np.ceil(rows / MOST_ROWS))
    rows = int(np.ceil(rows / skip))
    pitch, first = (1.3 * canvas.letter, 0.9 * canvas.letter) if sideways else (wide, 0.6 * wide)
    labels: list[tuple[str, Array, Colour]] = []
    for i, (line, text) in enumerate(list(zip(lines, texts, strict=True))[::skip]):
        at = line[1] + outward * (first + (i % rows) * pitch)
        if i % rows:
            canvas.line(np.array([line[1], at - outward * first * 0.6]), GAP, 0.7)
        labels.append((text, at, PAPER))
    return labels


def _draw_spots(canvas: Canvas, window: _Window, measurement: Measurement) -> list[tuple[str, Array, Colour]]:
    trace = measurement.trace
    assert trace is not None
    radius = 1.1 * canvas.letter
    labels: list[tuple[str, Array, Colour]] = []
    away = _toward_back(trace)
    for spot in measurement.spots:
        at = window(np.asarray(spot.centre_px))
        canvas.ring(at, radius, PAPER, 4.0)
        canvas.ring(at, radius, HINGE if spot.kind == "hinge" else STIFF, 2.4)
        reach = radius + canvas.letter * (0.9 if abs(away[1]) > abs(away[0]) else 1.8)
        labels.append((spot.kind, at + away * reach, PAPER))
    return labels


def _as_colour(rgb: NDArray[np.uint8]) -> Colour:
    return int(rgb[0]), int(rgb[1]), int(rgb[2])


# --- below the photograph


def _caption(canvas: Canvas, paragraphs: list[str]) -> Picture:
    """Text on paper, as wide as the picture."""
    width, size = canvas.rgb.shape[1], canvas.letter
    font = letters(size, bold=False)
    lines = [line for text in paragraphs for line in wrapped(text, font, width - 2 * size)]
    image = Image.new("RGB", (width, round((1.35 * max(1, len(lines)) + 0.9) * size)), PAPER)
    pen = ImageDraw.Draw(image)
    for i, line in enumerate(lines):
        pen.text((size, (0.45 + 1.35 * i) * size), line, INK, font)
    return np.asarray(image)


def _key(canvas: Canvas, bend: Bend, units: Units) -> Picture:
    """What the colours and the figures mean."""
    size, measurement = canvas.letter, bend.shown
    strips = [_bend_key(canvas, bend, units)] if measurement.profile else []
    if measurement.gaps:
        text = f"Figures: belly to the line between the nocks, in {units.axis}."
        strips.append(_caption(canvas, [text]))
    if measurement.front is not None:
        strips.append(_caption(canvas, ["Dashes: the line between the tips. Yellow: the string. Blue dot: the handle's middle."]))
    if not strips:
        strips = [np.full((size // 2, canvas.rgb.shape[1], 3), PAPER, np.uint8)]
    return np.vstack(strips)


def _bend_key(canvas: Canvas, bend: Bend, units: Units) -> Picture:
    """The bar of colours between its two ends in words, with the curvatures they stand for; below it, what they are."""
    measurement = bend.shown
    width, size = canvas.rgb.shape[1], canvas.letter
    low, high = bend_range(measurement)
    ends = ("more to the back", "more to the belly") if measurement.state == "unstrung" else ("rounded less", "rounded more")
    ends = ("bends less", "bends more") if bend.from_rest else ends
    font, small = letters(size), letters(round(0.8 * size), bold=False)
    image = Image.new("RGB", (width, round(3.1 * size)), PAPER)
    pen = ImageDraw.Draw(image)
    left, right = (round(font.getlength(end) + 2 * size) for end in ends)
    bar = bend_colours(np.linspace(0, 1, max(2, width - left - right)))
    block = np.repeat(bar[None], round(0.9 * size), axis=0)
    image.paste(Image.fromarray(block), (left, round(0.6 * size)))
    middle = 1.05 * size
    pen.text((size, middle), ends[0], INK, font, "lm")
    pen.text((width - size, middle), ends[1], INK, font, "rm")
    for x, value, anchor in ((left, low, "lm"), (width - right, high, "rm")):
        pen.text((x, 2.2 * size), f"{units.on_bend(value):.2f}", INK, small, anchor)
    pen.text(((left + width - right) / 2, 2.2 * size), f"bend, {units.bend_axis}", INK, small, "mm")
    return np.vstack([np.asarray(image), _caption(canvas, [bend.key])])

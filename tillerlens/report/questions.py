"""What a refusal or a doubt shows on the photograph: the line that was followed, the doubtful stretch of it, and where to look.

The places come from the measurement's reasons, so the words, the printed document and the drawing tell of one finding.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tillerlens.core.errors import Ask
from tillerlens.core.measurement import Followed, Measurement
from tillerlens.report.pens import HINGE, PAPER, STRING, Array, Canvas

ToCanvas = Callable[[Array], Array]
DOUBT = HINGE
LABELS = {
    "nock_upper": "upper nock?",
    "nock_lower": "lower nock?",
    "handle": "handle?",
    "hook": "hook?",
    "edge_back": "back's edge?",
    "edge_belly": "belly's edge?",
}
LEAST_CLOSER = 0.16  # of the picture's longer side: a doubtful place is shown with this much around it
LOW = 0.6  # height over width of the enlarged place, so that it stands below a picture without hiding the words
ROOM = 0.35  # of the doubtful stretch's own size, around it


def asks_of(measurement: Measurement) -> tuple[Ask, ...]:
    """The places in the picture that the reasons point at, the first first."""
    asks = (reason.asks for reason in measurement.reasons)
    return tuple(a for a in asks if a is not None and (a.place_px is not None or a.stretch_px))


def draw_followed(canvas: Canvas, to_canvas: ToCanvas, followed: Followed) -> None:
    """Both edges that were followed; where there are none yet, the path."""
    sides = [px for px in (followed.back_px, followed.belly_px) if len(px)]
    for px in sides or [followed.middle_px]:
        canvas.line(to_canvas(px), PAPER if sides else STRING, 1.2)


def draw_clicks(canvas: Canvas, to_canvas: ToCanvas, measurement: Measurement) -> None:
    """The places that a person has given already."""
    for place in () if measurement.shot is None else measurement.shot.clicks.values():
        canvas.dot(to_canvas(np.array(place, float)), 3.5 * canvas.px, STRING)


def draw_asks(canvas: Canvas, to_canvas: ToCanvas, measurement: Measurement) -> None:
    """The doubtful stretches, and a ring with a word where something is wanted."""
    labels = []
    for ask in asks_of(measurement):
        if len(ask.stretch_px) > 1:
            canvas.line(to_canvas(np.array(ask.stretch_px)), DOUBT, 3.0)
        if ask.place_px is None:
            continue
        at, radius = to_canvas(np.array(ask.place_px, float)), 1.3 * canvas.letter
        canvas.ring(at, radius, PAPER, 3.6)
        canvas.ring(at, radius, DOUBT, 2.2)
        if ask.wants in LABELS:
            up = -1.0 if at[1] > 3.5 * canvas.letter else 1.0
            labels.append((LABELS[ask.wants], np.array([at[0], at[1] + up * (radius + 0.9 * canvas.letter)]), PAPER))
    canvas.words(labels)


def closer_box(measurement: Measurement, size: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """A cutting (left, top, right, bottom) px about the first doubtful place of a picture (width, height), ``LOW`` times as high
    as wide; None where no place is named, or where it would come no closer than the picture itself."""
    ask = next(iter(asks_of(measurement)), None)
    if ask is None:
        return None
    points = np.array([*ask.stretch_px, *([ask.place_px] if ask.place_px else [])], float)
    low, high = points.min(axis=0), points.max(axis=0)
    need = (high - low) * (1 + 2 * ROOM)
    w = float(max(LEAST_CLOSER * max(size), need[0], need[1] / LOW))
    h = LOW * w
    if w > 0.6 * size[0] or h > size[1]:
        return None
    left, top = np.clip((low + high) / 2 - [w / 2, h / 2], 0, [size[0] - w, size[1] - h])
    return int(left), int(top), int(np.ceil(left + w)), int(np.ceil(top + h))

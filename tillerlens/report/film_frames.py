"""Frames of a draw on film with the traced bow over them, small enough to be leafed through."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from tillerlens.film.clip import read_frames
from tillerlens.film.draw import DrawFilm
from tillerlens.film.play import bow_in_frame, rows_to_play
from tillerlens.report.pens import PAPER, STRING, Canvas

MOST_FRAMES, SIDE_PX, QUALITY = 60, 960, 80  # some 60 kB a frame: a clip of any length takes a few MB


@dataclass(frozen=True)
class DrawnFrame:
    """One frame of the draw as a JPEG; ``row``: of the track."""

    row: int
    jpeg: bytes


def drawn_frames(source: Path | bytes, film: DrawFilm, most: int = MOST_FRAMES, side_px: int = SIDE_PX) -> Iterator[DrawnFrame]:
    """Frames of a followed clip, evenly over it, with limbs and string as they were traced.

    Parameters
    ----------
    source : the clip that ``film`` was made from.
    film : a draw that was followed, with measured frames.
    most : frames at the most.
    side_px : of the longer side.

    Raises
    ------
    ClipError
        The clip can't be read.
    """
    assert film.track is not None
    rows = {int(film.track.frame[row]): row for row in rows_to_play(film, most)}
    for frame in read_frames(source, film.name, only=list(rows)):
        rgb, row = frame.rgb(), rows[frame.index]
        k = side_px / max(rgb.shape)
        how = cv2.INTER_AREA if k < 1 else cv2.INTER_LINEAR
        small = np.ascontiguousarray(cv2.resize(rgb, None, fx=k, fy=k, interpolation=how), np.uint8)
        bow = bow_in_frame(film, row)
        if bow is not None:
            canvas = Canvas(small, max(small.shape) / side_px, 12)
            canvas.line((bow.string + 0.5) * k - 0.5, STRING, 1.5, halo=False)
            for side in bow.sides:
                canvas.line((side + 0.5) * k - 0.5, PAPER, 1.0, halo=False)
        done, data = cv2.imencode(".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        assert done
        yield DrawnFrame(row, data.tobytes())

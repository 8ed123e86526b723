"""The traced bow in any followed frame: its shape between the measured frames beside it, laid onto where it was followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import LIMBS, Measurement
from tillerlens.film.draw import DrawFilm, Stage

Array = NDArray[np.float64]

PLACES = 60  # of a limb, that are drawn
LEAST_PLACES = 10  # known both in the picture and in the bow's frame, that a plane can be told from


@dataclass(frozen=True, eq=False)
class BowInFrame:
    """Where the bow lies in one frame, px of the full frame. ``sides``: back and belly of the upper limb, then of the lower, each
    (N, 2) from the nock on; ``string`` (3, 2): upper nock, hook, lower nock."""

    sides: tuple[Array, ...]
    string: Array


def rows_to_play(film: DrawFilm, most: int) -> list[int]:
    """Rows of the track in which the bow was seen, evenly over the clip, at most so many."""
    assert film.track is not None
    seen = np.nonzero(np.isfinite(film.track.draw_mm))[0]
    return [int(seen[i]) for i in np.unique(np.linspace(0, len(seen) - 1, min(most, len(seen))).round().astype(int))]


def bow_in_frame(film: DrawFilm, row: int) -> BowInFrame | None:
    """The traced bow in a row of the track; None where nothing was seen there or no frame near it was measured."""
    track = film.track
    stages = [s for s in film.stages if _can_be_placed(s.measurement)]
    if track is None or not stages or track.seen[row].lost:
        return None
    seen, draw = track.seen[row], float(track.draw_mm[row])
    before, after, share = _beside(stages, draw)
    shape = [(1 - share) * a + share * b for a, b in zip(_shape(before.measurement), _shape(after.measurement), strict=True)]
    plane = _plane(before.measurement if share < 0.5 else after.measurement)
    # what was followed says where the nocks are; the limbs between nock and root go with them as far as they are along
    along = np.linspace(1.0, 0.0, PLACES)[:, None]
    moved = []
    for k, tip in enumerate(seen.tips):
        nock = (shape[2 * k][0] + shape[2 * k + 1][0]) / 2
        moved += [side + along * (tip - nock) for side in shape[2 * k : 2 * k + 2]]
    own = np.vstack([seen.tips, seen.hook, np.zeros(2)])
    fix = _affine(_through(plane, own), seen.px)
    sides = tuple(_through(plane, side) @ fix[:2] + fix[2] for side in moved)
    return BowInFrame(sides, seen.px[[0, 2, 1]])


def _can_be_placed(m: Measurement) -> bool:
    limbs = [m.profile[limb] for limb in LIMBS if limb in m.profile and len(m.profile[limb].centre_mm)]
    known = [np.isfinite(np.hstack([p.centre_mm, p.centre_px])).all(1).sum() for p in limbs]
    return len(known) == 2 and min(known) >= LEAST_PLACES


def _beside(stages: Sequence[Stage], draw: float) -> tuple[Stage, Stage, float]:
    """The measured frames drawn next less and next more, and how far it is from the one to the other."""
    by_draw = sorted(stages, key=lambda s: s.draw_mm)
    at = np.array([s.draw_mm for s in by_draw])
    k = int(np.clip(np.searchsorted(at, draw), 1, max(len(at) - 1, 1)))
    before, after = by_draw[k - 1], by_draw[min(k, len(at) - 1)]
    way = after.draw_mm - before.draw_mm
    return before, after, float(np.clip((draw - before.draw_mm) / way, 0.0, 1.0)) if way > 0 else 0.0


def _shape(m: Measurement) -> list[Array]:
    """Back and belly of each limb from nock to root, (PLACES, 2) mm in the bow's frame."""
    out = []
    for limb in LIMBS:
        p = m.profile[limb]
        ok = np.isfinite(p.centre_mm).all(1)
        s, middle = p.from_nock_mm[ok], p.centre_mm[ok]
        half = np.nan_to_num(p.thickness_mm[ok], nan=0.0) / 2
        at = np.linspace(s[0], s[-1], PLACES)
        along = np.gradient(middle, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        # square to the limb, toward the back: the side on which y grows
        square = np.column_stack([-along[:, 1], along[:, 0]]) * np.sign(along[:, :1])
        for sign in (1.0, -1.0):
            side = middle + sign * half[:, None] * square
            out.append(np.column_stack([np.interp(at, s, side[:, i]) for i in (0, 1)]))
    return out


def _plane(m: Measurement) -> Array:
    """(3, 3) from the bow's frame to the picture of a measured frame."""
    mm, px = (np.vstack([getattr(m.profile[limb], name) for limb in LIMBS]) for name in ("centre_mm", "centre_px"))
    known = np.isfinite(np.hstack([mm, px])).all(axis=1)
    return np.asarray(cv2.findHomography(mm[known], px[known])[0], float)


def _through(plane: Array, own: Array) -> Array:
    return np.asarray(cv2.perspectiveTransform(own.reshape(-1, 1, 2), plane), float).reshape(-1, 2)


def _affine(there: Array, seen: Array) -> Array:
    """(3, 2) by least squares, from where the bow lay in the measured frame to where it is seen."""
    return np.asarray(np.linalg.lstsq(np.column_stack([there, np.ones(len(there))]), seen, rcond=None)[0])

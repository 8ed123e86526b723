"""A kept photograph drawn over once more from its measurement document, without measuring it again.

The document keeps the limbs' middle in the picture and in the bow's frame; what else is drawn follows from the two: the plane
map between them, the thickness, and the definition of a gap.
"""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tillerlens.core.errors import DocumentError
from tillerlens.core.measurement import LIMBS, LimbProfile, Measurement
from tillerlens.core.reading import shown
from tillerlens.core.unforeseen import net
from tillerlens.photo.intake import read_photo
from tillerlens.report.overlay import draw_overlay
from tillerlens.report.words.quantities import Units

Array = NDArray[np.float64]

LEAST_PLACES = 10  # of the limbs, known in the picture and in the bow's frame


def redrawn(data: bytes, name: str, found: Measurement, units: Units, max_side: int, rest: Measurement | None = None) -> bytes:
    """A JPEG of the photograph ``data`` with all that its kept measurement tells; ``rest``: that of the bow unstrung.

    Raises PhotoError and Unforeseen.
    """
    with net("drawing", shown(name)):
        drawn = with_trace(found)
        photo = read_photo(data, name)
        picture = draw_overlay(photo.rgb, drawn, max_side, units, close=True, silhouettes=False, rest=rest)
        out = io.BytesIO()
        Image.fromarray(picture).save(out, "JPEG", quality=88, subsampling=0)
        return out.getvalue()


def can_be_redrawn(found: Measurement) -> bool:
    """Whether a kept measurement holds enough: it was measured, and keeps the nocks in the bow's frame and the limbs' lengths."""
    lengths = {f"limb_length_{limb}" for limb in LIMBS}
    if found.front is not None:
        return True
    places = found.trace is not None and len(found.trace.nocks_mm) > 0
    return found.status == "measured" and places and lengths <= set(found.values)


def with_trace(found: Measurement) -> Measurement:
    """A kept measurement with all of its trace. Back and belly (N, 2) px stand off the middle by half the limb's thickness: the
    silhouettes, which also show some of its width, are not kept. A front view keeps all of its own."""
    if found.front is not None:
        return found
    trace, limbs = found.trace, [found.profile[limb] for limb in LIMBS]
    assert trace is not None  # as can_be_redrawn has seen to
    mm, px = np.vstack([p.centre_mm for p in limbs]), np.vstack([p.centre_px for p in limbs])
    known = np.isfinite(np.hstack([mm, px])).all(axis=1)
    to_picture = cv2.findHomography(mm[known], px[known])[0] if known.sum() >= LEAST_PLACES else None
    if to_picture is None:
        raise DocumentError("This picture's measurement does not say where the bow lies in it.", "Measure the picture again.")

    def at(q: Array) -> Array:
        if q.size == 0:  # an unstrung bow has no gap lines, and OpenCV gives None for no points
            return np.empty((0, 2))
        return np.asarray(cv2.perspectiveTransform(q.reshape(-1, 1, 2), to_picture), float).reshape(-1, 2)

    sides = [_sides(p) for p in limbs]
    gap = np.full((1, 2), np.nan)  # the handle between the limbs is not kept
    back, belly = (np.vstack([at(sides[0][k]), gap, at(sides[1][k][::-1])]) for k in (0, 1))
    centre = np.vstack([limbs[0].centre_px, limbs[1].centre_px[::-1]])
    lines = at(_gap_lines(found, limbs, [s[1] for s in sides], trace.nocks_mm)).reshape(-1, 2, 2)
    return replace(found, trace=replace(trace, back_px=back, belly_px=belly, centre_px=centre, gap_lines_px=lines))


def _sides(p: LimbProfile) -> tuple[Array, Array]:
    """The limb's back and belly (N, 2) mm in the bow's frame, in which y grows toward the back."""
    along = np.gradient(p.centre_mm, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-9)
    across *= np.sign(np.median(across[:, 1]))
    half = 0.5 * np.nan_to_num(p.thickness_mm)[:, None] * across
    return p.centre_mm + half, p.centre_mm - half


def _gap_lines(found: Measurement, limbs: list[LimbProfile], bellies: list[Array], nocks: Array) -> Array:
    """From the belly to the line between the nocks, in the bow's y: (2 K, 2, 2) mm, the upper limb's and the lower's in turn."""
    (ux, uy), (lx, ly) = nocks
    lines = []
    for row in found.gaps:
        for name, p, belly in zip(LIMBS, limbs, bellies, strict=True):
            from_nock = found.values[f"limb_length_{name}"].value - row.from_handle_mm
            x, y = (float(np.interp(from_nock, p.from_nock_mm, belly[:, k])) for k in (0, 1))
            lines.append([[x, y], [x, uy + (ly - uy) * (x - ux) / (lx - ux)]])
    return np.array(lines, float).reshape(-1, 2, 2)

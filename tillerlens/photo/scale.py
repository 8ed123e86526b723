"""From the shot's kind of scale to a fitted camera."""

from __future__ import annotations

import cv2
import numpy as np

from tillerlens.core.errors import ScaleError
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import CameraFit, Lens, Marks, fit_camera
from tillerlens.photo.intake import Photo
from tillerlens.photo.marks.dots import settle_on_dot
from tillerlens.photo.marks.grid import find_grid
from tillerlens.photo.marks.lines import find_lines
from tillerlens.photo.marks.tags import fit_tags, tag_marks

# The nocks' distance over the bow's length (common practice, no source); a tenth unsure, so that the length must decide.
CHORD, CHORD_U = {"unstrung": 0.995, "braced": 0.97, "drawn": 0.85}, 0.1


def lens_of(photo: Photo) -> Lens:
    """What the photograph says of its lens."""
    return Lens((photo.width, photo.height), photo.exif_focal_px, photo.exif_focal_u_px)


def fit_scale(photo: Photo, shot: Shot) -> CameraFit:
    """Find the marks the shot names and fit the camera to them. Raises ``ScaleError`` with what to do."""
    scale, lens = shot.scale, lens_of(photo)
    if scale.kind == "aruco":
        assert scale.side_mm and scale.tag_centres_mm
        marks = tag_marks(np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), np.uint8), scale.side_mm, scale.tag_centres_mm)
        return fit_tags(marks, lens)
    if scale.kind == "grid":
        assert scale.spacing_mm
        return find_grid(photo.rgb, scale.spacing_mm, lens)
    dots = [settle_on_dot(photo.rgb, q) for q in shot.marks_px]
    px = np.array([d.xy for d in dots], float).reshape(-1, 2)
    u = np.array([d.u_px for d in dots], float)
    if scale.kind == "lines_and_two_marks":
        assert scale.spacing_mm and scale.marks_apart_mm
        return find_lines(photo.rgb, scale.spacing_mm, px, u, scale.marks_apart_mm, lens)
    if scale.kind == "four_marks":
        assert scale.width_mm and scale.height_mm
        w, h = scale.width_mm, scale.height_mm
        return fit_camera(Marks.of_points(px, np.array([[0, 0], [w, 0], [w, h], [0, h]], float), u), lens)
    if scale.kind in ("tape", "two_marks", "stick"):
        apart = scale.length_mm if scale.kind == "tape" else scale.marks_apart_mm
        assert apart
        return fit_camera(Marks.of_points(px, np.array([[0, 0], [apart, 0]], float), u, squared=False), lens)
    if scale.kind == "bow_length":
        return _from_bow_length(photo, shot)
    raise ScaleError(f"The scale '{scale.kind}' is not known.", "Choose one of those the shot form lists.")


def _from_bow_length(photo: Photo, shot: Shot) -> CameraFit:
    """Last resort: the clicked nocks and the bow's own length. The bow is curved, so the chord is only a start: the length
    of the traced bow corrects it later."""
    if not {"nock_upper", "nock_lower"} <= set(shot.clicks):
        raise ScaleError(
            "With the bow's own length as the only scale the two nocks must be clicked.",
            "Click both nocks, or put marks on the board.",
        )
    px = np.array([shot.clicks["nock_upper"], shot.clicks["nock_lower"]], float)
    chord = CHORD[shot.state] * shot.nock_to_nock_mm
    apart_px = float(np.linalg.norm(px[1] - px[0]))
    u = np.full(2, CHORD_U * apart_px / np.sqrt(2))
    return fit_camera(Marks.of_points(px, np.array([[0, 0], [chord, 0]], float), u, squared=False), lens_of(photo))

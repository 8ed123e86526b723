"""From where the bow was looked at: squarely, or so far aslant that its shape cannot be measured.

Marks that square the picture tell where the camera stood. Where nothing squares it the bow itself does: seen from beside its
upper end the upper limb is nearer, and so looks longer than the lower one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tillerlens.photo.camera import OBLIQUENESS_PRIOR_U, Camera

Array = NDArray[np.float64]

# A board that squares the picture carries a view up to here; beyond, a limb shows more of its broad face than of its thickness.
MOST_BY_MARKS = np.radians(30.0)
MOST_BY_HALVES = 3 * OBLIQUENESS_PRIOR_U  # nobody who means to stand opposite the handle stands so far aside


@dataclass(frozen=True)
class View:
    """Where the camera stood, as seen from the bow's middle: angles (rad) from straight opposite.

    ``along`` the bow, + toward its upper end; ``across`` it.
    """

    along: float
    across: float
    by: Literal["marks", "halves"]

    @property
    def aslant(self) -> float:
        """The angle from straight opposite, radians."""
        return float(np.arctan(np.hypot(np.tan(self.along), np.tan(self.across))))

    @property
    def too_far(self) -> bool:
        """Whether it is too far aside to measure."""
        return self.aslant > (MOST_BY_MARKS if self.by == "marks" else MOST_BY_HALVES)


def view_by_marks(camera: Camera, ends_px: Array, standoff_mm: float) -> View:
    """The view of a bow whose upper and lower end lie at ``ends_px`` (2, 2), by marks that square the picture.

    It is the direction the camera looks in: who stands aside turns to the bow. The camera's place would say the same, but of a
    picture that was cut to size it is wrong, since its middle is not the lens's.
    """
    upper, lower = camera.to_plane(ends_px, standoff_mm)
    along = (upper - lower) / np.linalg.norm(upper - lower)
    looks = camera.rotation[2]
    aside, away = -looks[:2], float(looks[2])
    across = np.array([-along[1], along[0]])
    return View(float(np.arctan2(aside @ along, away)), float(np.arctan2(aside @ across, away)), "marks")


def view_by_halves(halves_px: tuple[float, float], span_px: float, focal_px: float, upper_share: float | None = None) -> View:
    """The view along the bow by how long its halves look.

    Parameters
    ----------
    halves_px : lengths in the picture from the handle's middle to the upper and to the lower nock.
    span_px : from nock to nock in the picture.
    focal_px : the lens.
    upper_share : of the bow's length that the upper limb is, where it was measured on the bow; else the limbs are taken to be
        alike, which is true to an inch or so: two or three degrees.

    Notes
    -----
    A plane turned by an angle a about the bow's middle, at a distance D, shows two equal halves, each of length l, as long as
    1 + q to 1 - q, with q = l sin(a) / D. With the span s = 2 f l cos(a) / D in the picture, tan(a) = 2 f q / s.
    """
    own = 0.0 if upper_share is None else 2 * upper_share - 1
    q = (halves_px[0] - halves_px[1]) / (halves_px[0] + halves_px[1]) - own
    return View(float(np.arctan(2 * focal_px * q / max(span_px, 1.0))), 0.0, "halves")

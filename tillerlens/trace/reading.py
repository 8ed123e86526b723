"""What a photograph gives before anything is known of the bow, and the ways in which it can be read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Reason
from tillerlens.photo.intake import Photo, judge
from tillerlens.photo.light import linear_light, lit_from_camera
from tillerlens.trace.network import FinderMaps, find_maps

NOCKS = ("nock_upper", "nock_lower")  # the clicks' names, in the order of every pair of ends


@dataclass(frozen=True, eq=False)
class Prepared:
    """One photograph, ready to be traced; made once, it serves every correction of the shot.

    Attributes
    ----------
    photo : the decoded picture.
    light : (H, W, 3) linear light.
    flash : how likely the camera's own flash lit it.
    maps : where the finder sees limb, string and shadow.
    doubts : what is amiss with the photograph itself.
    """

    photo: Photo
    light: NDArray[np.uint16]
    flash: float
    maps: FinderMaps
    doubts: tuple[Reason, ...]


def prepare(photo: Photo, doubts: tuple[Reason, ...] | None = None) -> Prepared:
    """Do the half of the work that does not depend on the shot.

    Parameters
    ----------
    photo : the decoded picture.
    doubts : of the photograph, where it has been judged already.
    """
    found = tuple(judge(photo)) if doubts is None else doubts
    light = linear_light(photo.rgb)
    return Prepared(photo, light, lit_from_camera(light), find_maps(photo.rgb), found)


@dataclass(frozen=True)
class TraceVariant:
    """One way to trace a picture. The default comes first; ``measure`` takes another only on evidence.

    Attributes
    ----------
    smooth_path : start from the dynamic-programming path, not from the one through the map's brightest places.
    nocks_px : nocks that the string has shown to lie well off the ends traced before: the clicks' names and places.
    handle_held : put the handle's back on the line between the limbs' roots.
    """

    smooth_path: bool = False
    nocks_px: tuple[tuple[str, tuple[float, float]], ...] | None = None
    handle_held: bool = False

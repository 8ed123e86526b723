"""The bow as its own scale: what in the picture looks most like a whole bow, and the camera that its known length asks for.

Nothing else in the picture gives a length, so the length can't distinguish the bow from something else that is long. Later stages
ask about a rival as long, and about what isn't shaped like a bow.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Ask, ScaleError
from tillerlens.core.shot import Shot, State
from tillerlens.photo.camera import CameraFit, Marks, fit_camera
from tillerlens.photo.intake import Photo
from tillerlens.photo.scale import lens_of
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.path import STRING_SHARE, candidates, resample, smooth_path, string_carried

Array = NDArray[np.float64]

LEAST_SUPPORT = 0.6
WORTH_A_GAP = 1.1  # times the worth found before: a wider gap may join the bow to its neighbour
LEAST_OF_PICTURE = 0.3  # of its longer side: a bow that is smaller there measures nothing
# Relative, of what was followed as the bow's length: wood past the nocks, ends not yet settled, the view's own tilt.
SCALE_U = 0.05


def fit_to_bow(photo: Photo, maps: FinderMaps, shot: Shot) -> CameraFit:
    """The camera by the bow's own length, found without a click.

    Raises
    ------
    ScaleError
        Where nothing in the picture looks like a whole bow.
    """
    path = longest_bow(maps, shot.state)
    if path is None:
        raise ScaleError(
            "No whole bow was found in the picture, and its own length is the only scale.",
            "Click both nocks, where the string sits, or put marks on the board.",
            asks=Ask("nock_upper"),
        )
    long = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    ends = path[[0, -1]]
    apart = float(np.linalg.norm(ends[1] - ends[0]))
    chord = shot.nock_to_nock_mm * apart / long
    u = np.full(2, SCALE_U * apart / np.sqrt(2))
    marks = Marks.of_points(ends, np.array([[0, 0], [chord, 0]], float), u, squared=False)
    return fit_camera(marks, lens_of(photo))


def longest_bow(maps: FinderMaps, state: State) -> Array | None:
    """The longest thing (N, 2) px that the finder takes for a limb along most of its length; None where there is none as long
    as a bow that can be measured. Of a strung bow what carries a string comes first, however long the timber beside it."""
    best: tuple[bool, float, Array] | None = None
    for some in candidates(maps):
        for found, support in some:
            if support < LEAST_SUPPORT or np.ptp(maps.to_map(found), axis=0).max() < LEAST_OF_PICTURE * max(maps.limb.shape):
                continue
            path = smooth_path(found, 4 * maps.k[0])
            worth = support * float(np.linalg.norm(np.diff(resample(path, 4.0), axis=0), axis=1).sum())
            strung = string_carried(maps, path, state) > STRING_SHARE
            if best is None or strung > best[0] or (strung == best[0] and worth > WORTH_A_GAP * best[1]):
                best = strung, worth, path
    return None if best is None else best[2]

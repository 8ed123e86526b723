"""What a bow weighs along a filmed pull, and the energy that stores: the film's frames with the weighings of the bow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tillerlens.film.draw import DrawFilm, over_the_pull
from tillerlens.mechanics.bench import Bench, Given, tell


def weigh_pull(film: DrawFilm, given: Given) -> Bench | None:
    """The bow as its bench tells it, with the film's frames among its pictures, up to the film's longest draw.

    Parameters
    ----------
    film : DrawFilm
        A draw that was followed.
    given : Given
        What else is known of the bow as it is now; its weighings.

    Returns
    -------
    Bench or None
        None where nothing was weighed or nothing was drawn. A bench without a curve says in its ``reasons`` why.
    """
    frames = [s.measurement.as_printed() for s in over_the_pull(film.stages)]
    if film.track is None or not frames or not given.weighed:
        return None
    longest = film.hold.draw.value if film.hold is not None else float(np.nanmax(film.track.draw_mm))
    return tell(replace(given, pictures=[*given.pictures, *frames], full_draw_mm=longest))

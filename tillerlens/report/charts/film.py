"""A draw on film as a picture: draw upward, place along the bow across, colour for how far each place has bent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import LIMBS, Measurement
from tillerlens.film.draw import DrawFilm, Stage
from tillerlens.report.charts.svg import INK, LETTER, WIDE, Plot, box, draw_text, set_colour, ticks
from tillerlens.report.words.from_rest import bend_of
from tillerlens.report.words.quantities import Units

Array = NDArray[np.float64]
CELLS = 60  # along a limb: a cell is half an inch
STEPS = 40  # of the colours' key
ON_PHONE = 1.7  # times as large letters, where the figure is half as wide


def draw_figure(film: DrawFilm, units: Units | None = None, rest: Measurement | None = None, on_phone: bool = False) -> str:
    """The pull as an SVG: a row for each measured frame up to the hold, the upper limb to the left.

    Parameters
    ----------
    film : DrawFilm
        A draw that was followed.
    units : Units, optional
        The reader's.
    rest : Measurement, optional
        Of the bow unstrung; without it the bend is that since the first row.
    on_phone : bool
        With letters that can be read on one.

    Raises
    ------
    ValueError
        Fewer than two frames of the pull were measured.
    """
    units = units or Units()
    stages = sorted((s for s in film.stages if s.phase != "let-down"), key=lambda s: s.draw_mm)
    if len(stages) < 2:
        raise ValueError("a picture of the pull needs two measured frames")
    found = [bend_of(s.measurement, rest) for s in stages]
    from_rest = all(b.from_rest for b in found)
    length = min(float(p.from_nock_mm[-1]) for s in stages for p in s.measurement.profile.values())
    at = (np.arange(CELLS) + 0.5) / CELLS * length  # from the nock
    bends = np.array([_bends(b.shown if from_rest else s.measurement, at) for b, s in zip(found, stages, strict=True)])
    if not from_rest:
        bends = bends - bends[0]
    most = max(float(np.percentile(bends, 99)), 1e-9)
    root = float(np.mean([_root_mm(s) for s in stages]))
    reach = units.on_axis(root + length)
    edges = _edges(units.on_axis(1.0) * np.array([s.draw_mm for s in stages]))
    k = ON_PHONE if on_phone else 1.0
    extent = (-reach, reach), (float(edges[0]), float(edges[-1]))
    plot = Plot(*extent, 264.0 + 96.0 * k, left=26.0 + 26.0 * k, top=26.0 * k, bottom=70.0 * k, text_scale=k)
    for side, sign in enumerate((-1.0, 1.0)):  # upper limb left
        sides = np.array([units.on_axis(root + length * (1 - i / CELLS)) * sign for i in range(CELLS + 1)])
        for row, bend in enumerate(bends[:, side]):
            for i, value in enumerate(bend):
                (x0, x1), (y0, y1) = plot.at(sides[i : i + 2], edges[[row, row + 1]])
                left, top = min(x0, x1), min(y0, y1)
                plot.parts.append(box(left, top, abs(x1 - x0) + 0.4, abs(y1 - y0) + 0.4, set_colour(value / most), "none"))
    places = [(v, f"{abs(v):g}") for v in ticks(-reach, reach)]
    plot.axes(f"← upper limb, {units.axis} from the handle's centre, lower limb →", f"draw ({units.axis})", places)
    since = "from rest" if from_rest else "since the lowest row"
    _key(plot, f"bent {since}: 0", f"{units.on_bend(most):.2f} {units.bend_axis}")
    return plot.svg()


def _key(plot: Plot, least: str, most: str) -> None:
    """Under the axis: the colours from the least bend to the most."""
    k = plot.text_scale
    size, ways = 11 * k, (len(least) * LETTER * 11 * k, len(most) * LETTER * 11 * k)
    step = min(4.0, (WIDE - sum(ways) - 16) / STEPS)  # the words at both sides need their room
    first = min(max(WIDE / 2 - step * STEPS / 2, ways[0] + 8), WIDE - step * STEPS - ways[1] - 8)
    low = plot.height - 42 * k
    for i in range(STEPS):
        plot.parts.append(box(first + step * i, low, step + 0.5, 9 * k, set_colour(i / (STEPS - 1)), "none"))
    plot.parts.append(draw_text(first - 8, low + 9 * k, least, "end", size, INK))
    plot.parts.append(draw_text(first + step * STEPS + 8, low + 9 * k, most, "start", size, INK))


def _bends(shown: Measurement, at: Array) -> Array:
    """Curvature of both limbs, 1/m, at places from their nocks: (2, CELLS)."""
    out = []
    for limb in LIMBS:
        p = shown.profile[limb]
        order = np.argsort(p.from_nock_mm)
        out.append(np.interp(at, p.from_nock_mm[order], p.curvature_per_m[order]))
    return np.array(out)


def _root_mm(stage: Stage) -> float:
    """From the handle's centre to the limbs' roots."""
    return float(np.mean([abs(float(p.centre_mm[-1, 0])) for p in stage.measurement.profile.values()]))


def _edges(draws: Array) -> Array:
    """The rows' borders: halfway between neighbours, and as far beyond the first and the last."""
    middle = (draws[1:] + draws[:-1]) / 2
    return np.r_[2 * draws[0] - middle[0], middle, 2 * draws[-1] - middle[-1]]

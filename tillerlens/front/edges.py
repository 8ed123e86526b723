"""Where the wood ends, seen from the front.

Across an edge lie the broad face, perhaps a strip of side wall or rounding, and the ground, perhaps with a strip of shadow. Both
strips are darker than what they belong to, but have its hue.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.front.ruled import Ruled
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.straighten import Strip

Array = NDArray[np.float64]

REACH_PX, STEP_PX = 10.0, 0.5  # looked at to either side of the edge as proposed
PLACES_PX = 7.0  # where the edge may lie, to either side of it
FAR_PX = 5.0  # from there on it is face or ground
FACE = np.linspace(0.1, 0.5, 15)  # of the way to the other edge: more of the face than a string hides
OTHER_HUE, OTHER_LIGHT = 0.2, 0.4  # of the logarithms of hue and light, by which what lies beside an edge is not the limb's wood
STRING_WINDOWS = 13  # about such a place
# A phone keeps colour at half the detail of light: so near a place has some of a brighter one's hue, and so much of what that is
# brighter by.
BLEED_PX, BLEED = 2.0, 0.05
MIXED_PX, MIXED = 1.0, 0.2  # so near an edge blur makes one colour of both its sides, and a place counts for so much only
WINDOW_MM, EVERY_MM = 12.0, 5.0  # along the limb, looked at together, and from one to the next
ALONG_MM = 40.0  # along the limb, that the face's hue is taken from
HUE_U = 0.04  # of the logarithm of hue, that face or ground vary by at the least
DARKER_U, BRIGHTER_U = 0.8, 0.3  # of that of light: a side wall or a shadow is darker, hardly anything brighter
MOST = 9.0  # of one place's misfit: a knot or a chip counts for no more
WINDOW_PX, LEAST_PLACES = 1.5, 5  # between the places of a window along the limb, and how few there are
BLACK = 1e-4  # of full light
SPREADS, SPREAD_WINDOWS = 1.5, 9  # of hue, that a window's own scatter counts as; windows whose scatter is one
MOST_CLIMB_PX = 2.25  # from a place in a step's blurred foot to its middle
SIDE_PX, HALF_SIDE_PX, MOST_MOVE_PX = 2.0, 1.1, 1.25  # from an edge to its sides, half of their width, and what it may move by
BEND = 2.0  # of misfit, for a pixel squared that the edge leaves its run from one window to the next
# Windows in which the middle of the step is sought; another step lies as near as a side wall is wide.
SEEK_PX = (1.1, 0.9, 0.8, 0.8)
# Where a limb rounds off it is darker, which moves the middle of the step: out before bright ground and in before dark. How much
# wood's light a rim takes away, in mm of its face (rounding of 1 to 4 mm, lit from in front or from aside), and how much of the
# ground's a limb's shadow does; over how many pixels to either side light is summed, and over how many further ones wood and
# ground are read; what share of both a sum errs by otherwise; and how far a step may lie from its edge.
RIM_MM, RIM_U_MM, SHADE_U_MM = 0.25, 0.2, 0.15
SUM_PX, LEVEL_PX, SUM_U, STEP_U_PX = 3.5, 1.75, 0.06, 0.5
# A lit rim before pale ground of nearly the wood's hue looks like that ground: differences of the logarithms of hue and light,
# and how far the edge then may be off.
LIKE_HUE, LIKE_LIGHT, LIT_RIM_U_MM = 0.2, -0.1, 4.3
RIM_FROM_PX, LIT = 1.5, 1.1  # inward of the step, from where on it is a rim; and how many times its face's light a lit one has


class _Side(NamedTuple):
    """What wood or ground is like along an edge: logarithm of light (W,), hue (W, 2), and how far that varies (W,)."""

    bright: Array
    hue: Array
    hue_u: Array


def place_edge(
    light: NDArray[np.uint16],
    strip: Strip,
    columns: Array,
    proposed: tuple[Array, Array],
    outward: int,
    px_per_mm: float,
    ruled: Ruled | None = None,
) -> tuple[Array, Array, Array, Array]:
    """One edge's rows at windows along the limb.

    Parameters
    ----------
    columns, proposed : (N,) columns of the strip, and the rows where the network ends the limb there and where its other edge is.
    outward : +1 where rows grow out of the limb, -1 where they shrink.
    ruled : lines on the board that run along the limb.

    Returns
    -------
    columns (M,) of the windows, rows (M,), and how far the edge may lie from there (M,), px: by the light alone, and since a lit
    rim may pass for the ground.
    """
    at = np.arange(columns[0], columns[-1] + 1e-9, EVERY_MM * px_per_mm / strip.step)
    n = max(LEAST_PLACES, int(WINDOW_MM * px_per_mm / WINDOW_PX))
    near = at[:, None] + np.linspace(-0.5, 0.5, n)[None] * WINDOW_MM * px_per_mm / strip.step
    off = np.arange(-REACH_PX, REACH_PX + 1e-9, STEP_PX)
    own, other = (np.interp(near, columns, row)[..., None] for row in proposed)
    rows = own + outward * off / strip.step
    v = _seen(light, strip, near, rows)
    board = v if ruled is None else _seen(light, strip, near, rows, ruled)
    face = _seen(light, strip, near, own + FACE * (other - own))
    sides, string = _sides(v, board, off, face)
    cost = _misfits(v, board, off, sides, string)
    places = np.nonzero(np.abs(off) <= PLACES_PX)[0]
    chosen = places[_smoothest(cost[:, places], off[places])]
    take = np.arange(len(at))
    worth = np.exp(-(cost[:, places] - cost[take, chosen][:, None]).clip(0, None) / 2)
    u = np.sqrt(np.sum(worth * (off[places] - off[chosen][:, None]) ** 2, axis=1) / worth.sum(1))
    v = np.where((off[None] > off[chosen][:, None])[..., None], board, v)
    found = _past_rim(v, off, _sharpened(v, off, off[chosen]), px_per_mm)
    wood, ground = sides
    unseen = (np.linalg.norm(wood.hue - ground.hue, axis=1) < LIKE_HUE) & (ground.bright > wood.bright + LIKE_LIGHT)
    rim_u = np.where(unseen, LIT_RIM_U_MM * px_per_mm, 0.0)
    return at, np.interp(at, columns, proposed[0]) + outward * found / strip.step, u, rim_u


def _seen(light: NDArray[np.uint16], strip: Strip, columns: Array, rows: Array, ruled: Ruled | None = None) -> Array:
    """Linear light (W, O, 3) at rows (W, n, O) over the columns (W, n) of each window: a knot or a flake counts for little.
    With ``ruled``, as the board would be without its lines."""
    flat = rows.reshape(len(rows), -1)
    px = strip.px(np.broadcast_to(columns[..., None], rows.shape).reshape(flat.shape), flat)
    v = sample(light, px)
    if ruled is not None:
        v = (v / ruled.lighter(px)).astype(np.float32)
    return np.asarray(np.median(v.reshape(*rows.shape, 3) / np.float32(FULL), axis=1), float)


def _tone(v: Array) -> tuple[Array, Array]:
    """Logarithms of light (W, O) and of hue (W, O, 2)."""
    seen = np.log(np.maximum(v, BLACK))
    return seen.mean(2), seen[..., [0, 2]] - seen[..., [1]]


def _sides(v: Array, board: Array, off: Array, face: Array) -> tuple[tuple[_Side, _Side], NDArray[np.bool_]]:
    """Wood and ground along an edge, and the windows (W,) where a string lies beside it. ``face`` (W, F, 3): the limb's light
    further in, which stands for the wood there."""
    (bright, hue), (bright_beyond, hue_beyond) = _tone(v), _tone(board)
    within, beyond = off <= -FAR_PX, off >= FAR_PX
    wood, string = _without_string((bright[:, within], hue[:, within]), _tone(face))
    return (_side(wood, ALONG_MM), _side((bright_beyond[:, beyond], hue_beyond[:, beyond]), EVERY_MM)), string


def _misfits(v: Array, board: Array, off: Array, sides: tuple[_Side, _Side], string: NDArray[np.bool_]) -> Array:
    """How badly (W, O) an edge at each offset explains the light (W, O, 3): wood within, ground beyond, which is the light of
    ``board`` there. ``string``: windows where one lies beside the edge."""
    tones = _tone(v), _tone(board)
    across = sides[1].hue - sides[0].hue
    across /= np.maximum(np.linalg.norm(across, axis=1), BLACK)[:, None]
    of = []
    for side, (bright, hue) in zip(sides, tones, strict=True):
        brighter = np.expm1(ndimage.maximum_filter1d(bright, 2 * round(BLEED_PX / STEP_PX) + 1, axis=1) - bright)
        bled = BLEED * np.where(string[:, None], 0.0, brighter)
        away = hue - side.hue[:, None]
        toward = np.einsum("wok,wk->wo", away, across) ** 2  # what runs over an edge is the hue of its other side
        hue_u = side.hue_u[:, None] ** 2
        hue_off = (np.sum(away**2, axis=2) - toward) / hue_u + toward / (hue_u + bled**2)
        over = bright - side.bright[:, None]
        over_u = np.where(over < 0, DARKER_U, np.hypot(BRIGHTER_U, bled))
        of.append(np.minimum(hue_off + (over / over_u) ** 2, MOST))
    wood, ground = of
    past = off[None] - off[:, None]  # (edge, place)
    sharp, mixed = (
        wood @ np.where(past < 0, counts, 0.0).T + ground @ np.where(past < 0, 0.0, counts).T
        for counts in (np.ones(past.shape), np.where(np.abs(past) < MIXED_PX, MIXED, 1.0))
    )
    # between a string and the ground too little wood is left to do without the places by its edge
    return np.asarray(np.where(string[:, None], sharp, mixed) * STEP_PX)


def _side(seen: tuple[Array, Array], along_mm: float) -> _Side:
    """Of brightness (W, O) and hue (W, O, 2) of places that are of one side for certain; taken along so much of the edge."""
    size = max(1, round(along_mm / EVERY_MM))
    hue = ndimage.median_filter(np.median(seen[1], axis=1), (size, 1), mode="nearest")
    bright = ndimage.median_filter(np.median(seen[0], axis=1), size, mode="nearest")
    spread = np.median(np.abs(seen[1] - hue[:, None]), axis=(1, 2))
    return _Side(bright, hue, np.hypot(HUE_U, SPREADS * ndimage.median_filter(spread, SPREAD_WINDOWS, mode="nearest")))


def _without_string(inner: tuple[Array, Array], face: tuple[Array, Array]) -> tuple[tuple[Array, Array], NDArray[np.bool_]]:
    """Brightness (W, O) and hue (W, O, 2) of the wood beside an edge; from the ``face`` where something of another colour lies
    there. And the windows (W,) near such places: a string crosses a limb so slantwise that it stays by its edge for inches."""
    hues, brights = ([np.median(side[k], axis=1) for side in (inner, face)] for k in (1, 0))
    other = (np.linalg.norm(hues[0] - hues[1], axis=1) > OTHER_HUE) | (np.abs(brights[0] - brights[1]) > OTHER_LIGHT)
    same = np.linspace(0, face[0].shape[1] - 1, inner[0].shape[1]).round().astype(int)  # as many of the one as of the other
    wood = np.where(other[:, None], face[0][:, same], inner[0]), np.where(other[:, None, None], face[1][:, same], inner[1])
    return wood, np.asarray(ndimage.maximum_filter1d(other, STRING_WINDOWS), bool)


def _smoothest(cost: Array, places: Array) -> NDArray[np.intp]:
    """The run of places (W,) that explains the windows (W, P) best and turns least (Viterbi)."""
    turn = BEND * (places[:, None] - places[None]) ** 2
    total, came = cost[0], np.zeros(cost.shape, np.intp)
    for w in range(1, len(cost)):
        through = total[:, None] + turn
        came[w] = through.argmin(0)
        total = through.min(0) + cost[w]
    out = np.empty(len(cost), np.intp)
    out[-1] = total.argmin()
    for w in range(len(cost) - 1, 0, -1):
        out[w - 1] = came[w, out[w]]
    return out


def _sharpened(v: Array, off: Array, place: Array) -> Array:
    """The middle of the step of linear light (W, O, 3) nearest to each place (W,), in the direction that its two sides differ."""
    away = off[None] - place[:, None]
    sides = [np.where((np.abs(away - way * SIDE_PX) < HALF_SIDE_PX)[..., None], v, np.nan) for way in (-1, 1)]
    step = np.nanmean(sides[1], axis=1) - np.nanmean(sides[0], axis=1)
    g = np.clip(np.einsum("woc,wc->wo", np.gradient(v, STEP_PX, axis=1), step), 0, None)
    out = place.copy()
    for width in SEEK_PX:
        w = g * np.exp(-0.5 * ((off[None] - out[:, None]) / width) ** 2)
        total = w.sum(1)
        out = np.where(total > 0, (w * off).sum(1) / np.maximum(total, 1e-12), place)
    return np.where(np.abs(out - place) < MOST_CLIMB_PX, out, place)


def _past_rim(v: Array, off: Array, step: Array, px_per_mm: float) -> Array:
    """The edge (W,) by the sum of light about the ``step`` (W,) that was found in the light (W, O, 3).

    Blur and sharpening move light about and leave its sum. It is short of that of plain wood up to the edge and plain ground from
    there by what the rim and the shadow took of each; wood and ground differ in hue, so three colours tell these from the edge's
    place. Where they differ little, what rims usually take decides.
    """
    away = off[None] - step[:, None]

    def level(low: float, high: float) -> Array:
        on = (away >= low) & (away <= high)
        return np.einsum("wo,woc->wc", on / np.maximum(on.sum(1), 1)[:, None], v)

    wood, ground = level(-SUM_PX - LEVEL_PX, -SUM_PX), level(SUM_PX, SUM_PX + LEVEL_PX)
    rim = level(-SUM_PX, -RIM_FROM_PX)  # where it faces a lamp it is brighter than its face
    lit = (rim.sum(1) > LIT * wood.sum(1))[:, None]
    wood = np.where(lit, rim, wood)
    beyond = np.clip(away / STEP_PX + 0.5, 0, 1)[..., None]
    plain = wood[:, None] * (1 - beyond) + ground[:, None] * beyond
    more = np.einsum("wo,woc->wc", np.abs(away) <= SUM_PX, v - plain) * STEP_PX + np.where(lit, 0.0, RIM_MM) * px_per_mm * wood
    scatter = [u**2 * x[:, :, None] * x[:, None] for u, x in ((RIM_U_MM * px_per_mm, wood), (SHADE_U_MM * px_per_mm, ground))]
    noise = (SUM_U * (wood + ground) + BLACK) ** 2
    worth = np.linalg.inv(scatter[0] + scatter[1] + noise[:, :, None] * np.eye(3))
    to_edge = np.einsum("wcd,wd->wc", worth, wood - ground)
    out = np.sum(to_edge * more, axis=1) / (np.sum(to_edge * (wood - ground), axis=1) + STEP_U_PX**-2)
    reach = np.abs(step) + SUM_PX + LEVEL_PX <= REACH_PX  # its levels are seen
    return np.asarray(step + np.where(reach, np.clip(out, -MOST_MOVE_PX, MOST_MOVE_PX), 0.0))

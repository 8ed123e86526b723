"""The limb's silhouettes to a fraction of a pixel.

The network says *which* edge is the silhouette (not the arris between edge and broad face, not the shadow beside it); its
place is then measured on linear light: the centre of the brightness step nearest to the proposal, in the colour
direction in which this edge shows best.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.robust import mad_u
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.shadow_fringe import ShadowFringe, find_shadow_fringe, one_lamp
from tillerlens.trace.straighten import Band, Strip, smooth_rows

Array = NDArray[np.float64]

LEAST_COLUMNS = 8  # of a side: fewer are no edge
MEDIAN, SPECK, BLUR = 9, 7, 2.0  # columns: what a proposal and what was found are smoothed by
FINE_ROWS = 0.25  # between samples across an edge
CALM, CALM_AGAIN = 31, 15  # columns of the parabola that an edge is held against, and before it is measured again
STRAYS, LEAST_STRAY = 4, 0.6  # noises, and rows: what is further off is left out
REACH = 4.0  # strip steps searched at either side of the proposal
ALONG = 5  # columns averaged before measuring: straightening makes the edge run level
CLEAR = 1.5  # steps from the proposal: beyond, a sample belongs to one side
TELL_COLUMNS = 8.0  # along the limb, that are looked at together
TELL_FLOOR = 0.06  # of the step: the least variation assumed on each side, in every colour
FINE_PX = 1.25  # what a step should be where the edge is placed
# Widths of the window that seeks the step's middle, in steps, and by how much it is moved past its centroid (which is drawn to
# the window's own middle): until nothing is left of where it began; then, from a line that the picture drew, a few times only,
# which has less scatter.
SEEK = ((1.2, 1.0), (1.0, 1.0), (0.9, 1.0), (0.9, 1.0))
SETTLE = ((1.2, 1.0), (1.0, 1.0), (0.9, 1.0))
NEAR = ((0.7, 1.0), (0.6, 1.0), (0.6, 1.0))  # the same, beside a stronger edge inside the limb
MOVED = 0.5  # steps that an edge may lie inside the network's proposal: further in it is seldom the silhouette
# Where limb, ground and what lies between two edges are looked at: share of the way between, and rows beyond and within.
BETWEEN, BEYOND, WITHIN = np.linspace(0.2, 0.8, 4), np.linspace(0.75, 2.75, 5), np.linspace(1.0, 3.0, 5)
MOVED_COLUMNS = 15  # along which an edge must lie inside the proposal
NO_GROUND = 0.25  # of the difference between limb and ground: what differs so much from the ground is no ground
PULL = 2.2  # further than this from the proposal, in steps, an edge is another edge


@dataclass(frozen=True, eq=False)
class Side:
    """One silhouette: per column its row, NaN where it could not be measured; ``contrast`` over noise; noise in steps."""

    row: Array
    quality: Array
    noise: float
    fringe: ShadowFringe | None = None  # of shadow beside it, already taken off


def measure_side(
    light: NDArray[np.uint16], strip: Strip, proposal: Array, network: Array | None = None, outward: int = 0
) -> Side:
    """Refine a proposed silhouette to the edge on linear light.

    A strip's steps follow the limb's thickness: where they are coarse the edge found in them is looked at again in steps of
    about a pixel, as many along the limb as the strip's columns leave between them.

    Parameters
    ----------
    light : (H, W, 3) linear light.
    strip : the picture along the limb.
    proposal : rows per column, NaN outside the limb.
    network : rows where the network sees the limb end, which knows limb from ground better than light does. Where the edge
        found lies well inside and what is between is no ground, that is a colour line or a face's border, and the edge is
        looked for nearer to the network's.
    outward : +1 where rows grow out of the limb, -1 where they shrink.
    """
    columns = np.nonzero(~np.isnan(proposal))[0]
    out = np.full(len(proposal), np.nan)
    quality = np.zeros(len(proposal))
    if len(columns) < LEAST_COLUMNS:
        return Side(out, quality, np.nan)
    start = _smoothed(proposal[columns])
    parts = max(1, round(strip.step / FINE_PX))
    fine = (columns[:, None] + (np.arange(parts) - (parts - 1) / 2) / parts).ravel()

    def measured(begin: Array, windows: tuple[tuple[float, float], ...]) -> tuple[Array, Array, NDArray[np.bool_]]:
        row, peak, seen = _centres(light, strip, fine, np.interp(fine, columns, begin), 1.0 / parts, windows)
        seen = seen.reshape(-1, parts)
        row = np.where(seen, row.reshape(-1, parts), 0.0).sum(1) / np.maximum(seen.sum(1), 1)
        return row, peak.reshape(-1, parts).mean(1), 2 * seen.sum(1) > parts

    row, peak, ok = measured(start, SEEK)
    if parts > 1 and ok.sum() >= LEAST_COLUMNS:  # once more from the line that this makes
        start = np.interp(columns, columns[ok], ndimage.median_filter(row[ok], SPECK, mode="nearest"))
        row, peak, ok = measured(smooth_rows(start, CALM_AGAIN) if len(start) > CALM_AGAIN else start, SETTLE)
    if ok.sum() < LEAST_COLUMNS:
        return Side(out, quality, np.nan)
    row = np.interp(columns, columns[ok], row[ok])  # what is not seen must not draw its neighbours away
    if network is not None:
        proposed = _smoothed(network[columns])
        inner = _inside_of(light, strip, columns.astype(float), proposed, row, outward)
        if inner.any():
            near, peak_near, clear = measured(proposed, NEAR)
            clear &= outward * (proposed - near) < MOVED  # else no edge shows beside the inner one: the network's stands
            row[inner] = np.where(clear, near, proposed)[inner]
            peak, ok = np.where(inner, peak_near, peak), ok | inner
    # columns that leave their neighbours (a ruled line behind, a scratch) are left out, not averaged in
    # (a parabola: the limb may still slope or bend a little in the strip, most of all at its tips)
    unspecked = ndimage.median_filter(row, SPECK, mode="nearest")
    calm = smooth_rows(unspecked, CALM) if len(row) > CALM else np.full(len(row), np.median(row))
    stray = row - calm
    noise = mad_u(stray)
    ok &= np.abs(stray) < max(STRAYS * noise, LEAST_STRAY / parts)
    out[columns[ok]] = row[ok]
    quality[columns] = peak
    return Side(out, quality, noise)


def _smoothed(rows: Array) -> Array:
    return np.asarray(ndimage.gaussian_filter1d(ndimage.median_filter(rows, MEDIAN, mode="nearest"), BLUR, mode="nearest"))


def _inside_of(
    light: NDArray[np.uint16], strip: Strip, columns: Array, proposed: Array, row: Array, outward: int
) -> NDArray[np.bool_]:
    """Columns (C,) where ``row`` lies well inside ``proposed`` and the stretch between them does not look like ground."""
    moved = ndimage.median_filter(outward * (proposed - row), MOVED_COLUMNS, mode="nearest")
    far = moved > MOVED
    if not far.any():
        return far
    rows = {
        "between": row[:, None] + (proposed - row)[:, None] * BETWEEN,
        "ground": proposed[:, None] + outward * BEYOND,
        "limb": row[:, None] - outward * WITHIN,
    }
    tone = {}
    for name, at in rows.items():
        v = np.sqrt(sample(light, strip.px(columns[:, None], at)) / np.float32(FULL))
        tone[name] = ndimage.gaussian_filter1d(v.mean(1), TELL_COLUMNS, axis=0, mode="nearest")
    apart = np.linalg.norm(tone["between"] - tone["ground"], axis=1)
    return np.asarray(far & (apart > NO_GROUND * np.linalg.norm(tone["limb"] - tone["ground"], axis=1)))


def _centres(
    light: NDArray[np.uint16], strip: Strip, columns: Array, start: Array, unit: float, windows: tuple[tuple[float, float], ...]
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """The middle of the brightness step nearest to ``start`` (rows) in each of ``columns``, how strong it is, and whether it is
    one; lengths across are in ``unit`` strip steps.

    The middle is where a Gaussian window's centroid of the gradient is the window's own middle.
    """
    off = np.arange(-REACH, REACH + 0.01, FINE_ROWS)
    rows = start[:, None] + unit * off[None]
    v = sample(light, strip.px(columns[:, None], rows)) / np.float32(FULL)
    v = ndimage.uniform_filter1d(v, ALONG, axis=0, mode="nearest")
    grad = np.gradient(v, FINE_ROWS, axis=1)
    g = np.clip(np.einsum("cok,ck->co", grad, _telling(v, off)), 0, None)
    place = np.zeros(len(columns))
    for width, gain in windows:
        w = g * np.exp(-0.5 * ((off[None] - place[:, None]) / width) ** 2)
        peak = w.sum(1)
        place = np.clip(place + gain * ((w * off).sum(1) / np.maximum(peak, 1e-12) - place), -REACH, REACH)
    ok = (np.abs(place) < PULL) & (peak > LEAST_STEP * np.median(peak))
    return start + unit * place, peak, ok


def _telling(v: Array, off: Array) -> Array:
    """The colour direction (C, 3), unit, that tells the two sides of an edge apart best: v (C, offsets, 3) across it.

    Fisher's linear discriminant (R. A. Fisher, Annals of Eugenics 7, 1936): the step between the sides' means, weighed
    against how each side varies in itself. A rounded belly darkens toward its silhouette and a shadow lightens away from it;
    both vary in light far more than in hue, so there the hue counts.
    """
    sides = [v[:, off < -CLEAR], v[:, off > CLEAR]]
    mean = [ndimage.gaussian_filter1d(s.mean(1), TELL_COLUMNS, axis=0, mode="nearest") for s in sides]
    spread = sum(np.einsum("coj,cok->cjk", s - m[:, None], s - m[:, None]) / s.shape[1] for s, m in zip(sides, mean, strict=True))
    spread = ndimage.gaussian_filter1d(np.asarray(spread), TELL_COLUMNS, axis=0, mode="nearest")
    step = mean[1] - mean[0]
    floor = TELL_FLOOR * np.sum(step**2, axis=1) + 1e-12  # where both sides are blown out there is no step
    spread = spread + floor[:, None, None] * np.eye(3)
    w = np.linalg.solve(spread, step[..., None])[..., 0]
    return w / np.maximum(np.linalg.norm(w, axis=1, keepdims=True), 1e-12)


def measure_edges(
    light: NDArray[np.uint16], strip: Strip, band: Band, ends: tuple[float, float], by_flash: bool
) -> tuple[Side, Side]:
    """Both silhouettes between the end columns, left-hand side of the path first (for a path running right: the upper).

    ``by_flash``: whether the camera's own flash may have lit the picture; another lamp's shadow is softer, or stands clear of the
    limb.
    """
    seen = np.zeros(len(strip.path), bool)
    seen[max(band.first, int(np.ceil(ends[0]))) : min(band.last, int(ends[1])) + 1] = True
    proposals = [np.where(seen, rows, np.nan) for rows in (band.upper_row, band.lower_row)]
    beside = (find_shadow_fringe(light, strip, p, way) if by_flash else None for p, way in zip(proposals, (-1, 1), strict=True))
    fringes = one_lamp(*beside)
    sides = []
    for proposal, fringe, outward in zip(proposals, fringes, (-1, 1), strict=True):
        if fringe is None:
            beyond = np.maximum(wood_beyond_px(light, strip, proposal, outward), dark_beyond_px(light, strip, proposal, outward))
            sides.append(measure_side(light, strip, proposal + outward * beyond / strip.step, proposal, outward))
        else:  # the shadow's outer border is the sharper: measure it, and subtract the shadow's width
            side = measure_side(light, strip, proposal + outward * fringe.outer)
            sides.append(replace(side, row=side.row - outward * fringe.width, fringe=fringe))
    return sides[0], sides[1]


HELD = 12  # columns at either side of a corrected place where it rules if no step, or one in fewer than half, lies near it
HAND_STEPS = 2.0  # a step within this of the place that was set is what the person meant


def held_to(side: Side, places: Array) -> Side:
    """The silhouette drawn through places (K, 2: column, row) that a person has set, wherever no step was found near them."""
    row = side.row.copy()
    columns = np.arange(len(row))
    for column, want in places:
        near = np.abs(columns - column) <= HELD
        found = row[near & ~np.isnan(row)]
        if len(found) < HELD or abs(float(np.median(found)) - want) > HAND_STEPS:
            row[near] = want
    return replace(side, row=row)


# Profiles of light across an edge, in windows along the limb, to tell a dark margin from wood and ground: px between samples,
# half of the edge itself, what is clear of it, and of the ground's light what is black.
PROFILE_PX, EDGE_PX, CLEAR_PX, BLACK = 0.5, 0.7, 1.5, 0.02
# A margin inside the silhouette: columns it takes to tell one, windows, and how deep it is looked for (share of the limb, px).
MARGIN_COLUMNS, MARGIN_WINDOWS, DEEP_SHARE, DEEP_PX = 80, 10, 0.6, (4.0, 9.0)
BEYOND_COLUMNS, BAND_WINDOWS, WOOD_WINDOWS, GROUND_PX = 120, 24, 16, 4  # likewise beyond it; the outermost px are ground
LEAST_STEP = 0.2  # of the usual brightness step: below this no edge is measured
DARK = 0.6  # of the ground's light: a margin darker than this may be a shadow
PLAIN = 0.5  # of the limb's colour difference: a margin plainer than this shows the ground's colour, not the wood's


def plain_margin_px(light: NDArray[np.uint16], strip: Strip, row: Array, inward: int, thickness: Array) -> float:
    """Width (px) of a dark margin inside one silhouette that has the ground's colour: a shadow fringe, or a dark belly.

    A shadow beside the limb (a flash throws one a few px wide) is the ground darkened evenly in all colours; toasted wood
    can look the same, so the margin is not cut off but counted as doubt. Median over windows along the limb; 0 where there is
    none.

    Parameters
    ----------
    light, strip : linear light, and the picture along the limb.
    row, thickness : (N,) the silhouette's row and the limb's thickness in rows, per column.
    inward : +1 where the limb's rows grow, -1 where they shrink.
    """
    have = np.nonzero(~np.isnan(row) & ~np.isnan(thickness))[0]
    if len(have) < MARGIN_COLUMNS:
        return 0.0
    deep = float(np.clip(DEEP_SHARE * np.nanmedian(thickness) * strip.step, *DEEP_PX))
    off = np.arange(-DEEP_PX[0], deep + 0.01, PROFILE_PX)
    widths = []
    for part in np.array_split(have, MARGIN_WINDOWS):
        cols = part[:: max(1, len(part) // 60)]
        rows = row[cols][:, None] + inward * off[None] / strip.step
        v = np.median(sample(light, strip.px(cols[:, None].astype(float), rows)), axis=0)
        ratio = v / np.maximum(v[off < -CLEAR_PX].mean(0), 1.0)
        level = ratio.mean(1)
        colour = np.linalg.norm(ratio - level[:, None], axis=1) / np.maximum(level, BLACK)
        wood = float(np.median(colour[off > deep - 2]))
        inside = off > EDGE_PX
        plain = (level < DARK) & (colour < PLAIN * wood)
        stop = np.nonzero(inside & ~plain)[0]
        widths.append(float(off[stop[0]] - EDGE_PX) if len(stop) else deep)
    return float(np.median(widths))


SHARP_PX = 2.5  # within which a hard border passes from band to ground: a soft shadow's takes longer
INNER = 0.2  # of a window's columns
BAND_SHOWN = 0.3  # of the windows along the limb
GROUND = 0.85  # of the ground's light: what is lighter is ground


def dark_beyond_px(light: NDArray[np.uint16], strip: Strip, row: Array, outward: int) -> Array:
    """How far (px, per column) a dark band with a hard outer border goes on beyond a proposed edge: a burnt belly's face.

    A shadow as dark has a hard border only under a flash or the sun; the one is recognised before, and the other's stands off
    the limb. Windows along the limb; 0 everywhere where few of them show a band.
    """
    have = np.nonzero(~np.isnan(row))[0]
    if len(have) < BEYOND_COLUMNS:
        return np.zeros(len(row))
    off = np.arange(0.0, FAR_PX + 0.01, PROFILE_PX)
    centres, widths, begins = [], [], []
    for part in np.array_split(have, BAND_WINDOWS):
        cols = part[:: max(1, len(part) // 50)]
        # the network may take parts of the band for wood: start where it does not
        line = np.polynomial.polynomial.Polynomial.fit(cols, row[cols], 1)
        begin = float(np.quantile(outward * (row[cols] - line(cols)), INNER))
        rows = (line(cols) + outward * begin)[:, None] + outward * off[None] / strip.step
        v = np.median(sample(light, strip.px(cols[:, None].astype(float), rows)), axis=0).mean(1)
        level = v / max(float(np.median(v[off > FAR_PX - GROUND_PX])), 1.0)
        centres.append(float(cols.mean()))
        widths.append(_hard_band(off, level))
        begins.append(float(line(cols.mean())) + outward * begin)
    w = ndimage.median_filter(np.array(widths), 3, mode="nearest")
    if np.mean(w > 0) <= BAND_SHOWN:
        return np.zeros(len(row))
    columns = np.arange(len(row))
    border = np.interp(columns, centres, np.array(begins) + outward * w / strip.step)
    on = np.clip(outward * (border - row) * strip.step, 0.0, None)
    return np.where(np.interp(columns, centres, w) > 0, np.nan_to_num(on), 0.0)


def _hard_band(off: Array, level: Array) -> float:
    """Width of a dark band that begins at an edge and ends at a hard border, in a profile of light over the ground's; or 0."""
    dark = np.nonzero((level < DARK) & (off > 1.0))[0]
    if len(dark) == 0 or off[dark[0]] > SHARP_PX:
        return 0.0
    beyond = off > off[dark[0]]
    past, clear = np.nonzero((level >= DARK) & beyond)[0], np.nonzero((level >= GROUND) & beyond)[0]
    hard = len(past) > 0 and len(clear) > 0 and off[clear[0]] - off[past[0]] <= SHARP_PX
    return float(off[past[0]]) if hard else 0.0


FAR_PX, WOOD_PX = 16.0, 5.0  # looked at beyond an edge and within it
LEAST_WOOD_PX, LEAST_HUE = 1.6, 0.1  # a narrower band is blur; a wood less unlike its ground in hue cannot be distinguished
# Of the ground's light. What has the wood's hue and is darker than this beyond an edge is wood: blur and glare of a bright limb
# are lighter than the ground, and a shadow keeps the ground's hue.
DARKER = 0.92


def wood_beyond_px(light: NDArray[np.uint16], strip: Strip, row: Array, outward: int) -> Array:
    """How far (px, per column) wood goes on beyond a proposed edge: a dark belly face past the arris.

    Beyond a true silhouette lies the ground. Where instead a band follows that is as unlike the ground in colour as the limb
    itself is, the proposal stopped at the arris. Windows along the limb, median of each; 0 where the ground begins at once.
    """
    have = np.nonzero(~np.isnan(row))[0]
    out = np.zeros(len(row))
    if len(have) < BEYOND_COLUMNS:
        return out
    off = np.arange(-WOOD_PX, FAR_PX + 0.01, PROFILE_PX)  # + is outwards
    centres, widths = [], []
    for part in np.array_split(have, WOOD_WINDOWS):
        cols = part[:: max(1, len(part) // 50)]
        rows = row[cols][:, None] + outward * off[None] / strip.step
        v = np.median(sample(light, strip.px(cols[:, None].astype(float), rows)), axis=0)
        ratio = v / np.maximum(np.median(v[off > FAR_PX - GROUND_PX], axis=0), 1.0)
        level = ratio.mean(1)
        hue = (ratio - level[:, None]) / np.maximum(level, BLACK)[:, None]
        limb = np.median(hue[off < -CLEAR_PX], axis=0)
        wood = float(np.linalg.norm(limb))
        woody = (hue @ limb > 0.5 * wood**2) & (level < DARKER)  # a shadow's hue, if it has one, lies the other way
        beyond = np.nonzero((off > 1.0) & ~woody)[0]
        width = float(off[beyond[0]]) - 0.5 if len(beyond) else 0.0  # wood up to the far end: no edge
        centres.append(float(cols.mean()))
        widths.append(width if width > LEAST_WOOD_PX and wood > LEAST_HUE else 0.0)
    w = ndimage.median_filter(np.array(widths), 3, mode="nearest")
    out[:] = np.interp(np.arange(len(row)), centres, w)
    return out

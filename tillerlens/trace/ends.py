"""Where the limbs end: the tips along the straightened bow, chosen as a pair that fits the bow's known length.

What lies beyond a tip (a ruled line, a chip of the board, the string) may look like more limb; what lies before it may be
faint. The network's map gives candidates, the bow's length the pair, the brightness step the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.robust import mad_u
from tillerlens.core.shot import Shot
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.straighten import Band, Strip

Array = NDArray[np.float64]
# What a possible end is worth: how far the limb falls off there, and the step of colour at so much. A pair: how much limb lies
# between its ends, less half of the squared misfit to the bow's length, which counts for no more than so many tolerances.
STEP_WORTH, LIMB_WORTH, MOST_OFF = 0.8, 4, 6.0
SHORT, LONG, UNSQUARED = 0.005, 0.007, 0.06  # relative tolerance of the length: too short, too long, and where nothing squares
END_SHARES = (0.45, 0.55)  # of the strip: the upper limb ends before, the lower one after
PEAK_COLUMNS, LEAST_WORTH, LEAST_FALL = 13, 0.45, 0.1  # a possible end is worth most among so many columns, and at the least
CLEAREST = 1.8  # worth of an end that is seen to stop in shape and colour alike
USUAL_PERCENTILE, RULED_SHARE, LIMB_SHARE = 40, 0.4, 0.35  # of the limb's thickness: usual; no limb; from there on to all of it
ACROSS, GROUND_AT = np.linspace(-0.4, 0.4, 5), 2.5  # of half the limb's thickness: looked at for its colour, and the ground's
LEAST_CONTRAST = 0.02  # of colour, in square root of light
STEP_GAP, STEP_SPAN = 2, 14  # columns left out at a possible end, and looked at to either side
SPAN = 24  # columns compared at either side of a possible end
REACH = 16  # columns at either side in which the limb may end after all
# The middle of the step at an end: windows (columns) that seek it in steps, within how far of where it was expected; how far rows
# across the limb may scatter, and what its place is known to, columns.
NEAR, FINE, WINDOWS, FARTHEST, MOST_SPREAD, LEAST_U = 6.0, 0.25, (2.2, 1.6, 1.2, 1.0), 4.5, 1.5, 0.4
UNSETTLED_U = 2.0  # columns, of an end without one clear step
# Inward of an end, where the limb's own rows are read: columns from it, half of the stretch, and the share of the thickness left
# out at either edge; likewise where the end is sought further off.
BODY, BODY_HALF, INSET = 10, 6, 0.22
FAR_BODY, FAR_HALF, FAR_INSET, ROWS = 18, 9, 0.25, 9
MARGIN, EVEN = 30.0, 4  # columns beyond the reach; and at its ends, that are of one colour
ONE_COLUMN = 1.0  # standard uncertainty of an end before it is settled
STOPS = 0.8  # of the colour step from limb to ground: enough for an end, whatever the network sees beyond
RIVAL = 0.5  # of merit: a pair this close to the best may be the right one
ONE_STEP = 0.12  # of the squared step: what two even colours may leave


@dataclass(frozen=True, eq=False)
class Ends:
    """Columns (fractional) of the two tips, how clear each is (0 ... 1) and its standard uncertainty in columns."""

    column: tuple[float, float]
    clear: tuple[float, float]
    u_columns: tuple[float, float]


def limb_share(strip: Strip, band: Band) -> Array:
    """How much limb each column holds, 0 ... 1: the followed run's thickness by what is usual. A ruled line is too thin."""
    thick = np.nan_to_num(band.lower_row - band.upper_row)
    usual = float(np.nanpercentile(np.where(thick > 0, thick, np.nan), USUAL_PERCENTILE))
    return np.asarray(np.clip((thick / usual - RULED_SHARE) / LIMB_SHARE, 0, 1))


def colour_step(light: NDArray[np.uint16], strip: Strip, band: Band) -> Array:
    """How much the colour along the limb's middle changes across each column, 1 = as much as from limb to background."""
    n = len(strip.path)
    mid = (band.upper_row + band.lower_row) / 2
    seen = ~np.isnan(mid)
    cols = np.arange(n)
    centre = ndimage.gaussian_filter1d(np.interp(cols, cols[seen], mid[seen]), 4)
    half = float(np.nanmedian((band.lower_row - band.upper_row) / 2))
    rows = centre[None] + ACROSS[:, None] * half
    inner = np.sqrt(sample(light, strip.px(cols[None].astype(float), rows)).mean(0) / FULL)
    outer = []
    for away in (-GROUND_AT, GROUND_AT):
        outer.append(np.sqrt(sample(light, strip.px(cols.astype(float), centre + away * half)) / FULL))
    contrast = float(np.median(np.minimum(*(np.linalg.norm(inner - o, axis=1) for o in outer)))) + LEAST_CONTRAST
    cum = np.vstack([np.zeros(3), np.cumsum(inner, axis=0)])
    c = np.clip(cols, STEP_SPAN, n - STEP_SPAN - 1)
    before = (cum[c - STEP_GAP] - cum[c - STEP_SPAN]) / (STEP_SPAN - STEP_GAP)
    after = (cum[c + STEP_SPAN] - cum[c + STEP_GAP]) / (STEP_SPAN - STEP_GAP)
    return np.asarray(np.clip(np.linalg.norm(after - before, axis=1) / contrast, 0, 1))


def find_ends(light: NDArray[np.uint16], strip: Strip, band: Band, fit: CameraFit, shot: Shot) -> Ends:
    """The best pair of tips.

    The bow's length counts softly: it is known to a percent where the picture is squared, to six where it is not, and wood may
    stand past the nocks. Raises ``NeedsHelp`` where no pair is possible.
    """
    have, step = limb_share(strip, band), colour_step(light, strip, band)
    n = len(have)
    cum = np.r_[0, np.cumsum(have)]
    c = np.arange(SPAN, n - SPAN)
    before, after = (cum[c] - cum[c - SPAN]) / SPAN, (cum[c + SPAN] - cum[c]) / SPAN
    mm = fit.camera.to_plane(strip.path, shot.standoff_mm)
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(mm, axis=0), axis=1))]
    picks: list[list[tuple[int, float]]] = []
    for fall, half in ((after - before, c < END_SHARES[0] * n), (before - after, c > END_SHARES[1] * n)):
        worth = fall + STEP_WORTH * step[c]
        top = ndimage.maximum_filter1d(worth, PEAK_COLUMNS)
        # the network's limb may run on along the ground's grain where the colour shows the wood's end
        good = np.nonzero((worth >= top) & ((fall > LEAST_FALL) | (step[c] > STOPS)) & (worth > LEAST_WORTH) & half)[0]
        picks.append([(int(c[k]), float(worth[k])) for k in good])
    if not picks[0]:
        picks[0] = [(band.first, 0.0)]
    if not picks[1]:
        picks[1] = [(band.last + 1, 0.0)]
    short, long = (SHORT, LONG) if fit.squared else (UNSQUARED, UNSQUARED)
    merits = {}
    for a in picks[0]:
        for b in picks[1]:
            if b[0] <= a[0]:
                continue
            over = (s[b[0] - 1] - s[a[0]]) / shot.nock_to_nock_mm - 1
            off = over / long if over > 0 else -over / short
            merits[a, b] = a[1] + b[1] + LIMB_WORTH * float(np.mean(have[a[0] : b[0]])) - 0.5 * min(off, MOST_OFF) ** 2
    if not merits:
        clicks = ("nock_upper", "nock_lower")
        raise NeedsHelp("Can't see which end of the bow is which.", "Click the two nocks.", clicks=clicks, fault="lost")
    (first, sa), (last, sb) = best = max(merits, key=lambda pair: merits[pair])
    rivals = [pair for pair, merit in merits.items() if merit > merits[best] - RIVAL]
    # The bow's length couples its ends: if one lies elsewhere, so may the other. Not in an unsquared picture: there the length
    # hardly discriminates between pairs, and the clearer end counts.
    rivals = rivals if fit.squared else []
    u = max([ONE_COLUMN, *(0.5 * abs(pair[k][0] - best[k][0]) for pair in rivals for k in (0, 1))])
    return Ends((float(first) - 0.5, float(last) - 0.5), (sa / CLEAREST, sb / CLEAREST), (u, u))


def settle_ends(light: NDArray[np.uint16], strip: Strip, band: Band, ends: Ends) -> Ends:
    """Move each end to the middle of the brightness step where the limb stops."""
    settled = []
    for k, column in enumerate(ends.column):
        inward = 1 if k == 0 else -1
        place = _step_near(light, strip, band, column, inward)
        if place is None:  # a shadow past the tip may have been taken for limb
            other = _step_within_reach(light, strip, band, column, inward)
            place = None if other is None else _step_near(light, strip, band, other, inward)
        at, u = (column, UNSETTLED_U) if place is None else place
        settled.append((at, u if ends.u_columns[k] <= ONE_COLUMN else float(np.hypot(u, ends.u_columns[k]))))
    (first, u_first), (last, u_last) = settled
    return Ends((first, last), ends.clear, (u_first, u_last))


def _step_near(light: NDArray[np.uint16], strip: Strip, band: Band, column: float, inward: int) -> tuple[float, float] | None:
    """The step's middle and its standard uncertainty, columns; None where no one step lies within some columns."""
    rows = _rows_inside(strip, band, column + inward * BODY, BODY_HALF, INSET)
    if rows is None:
        return None
    off = np.arange(-NEAR, NEAR + 0.01, FINE)
    v = _across(light, strip, column + off, rows)
    grad = np.gradient(v, FINE, axis=1)
    direction = np.einsum("rok,o->k", grad, np.exp(-0.5 * (off / WINDOWS[1]) ** 2))
    norm = float(np.linalg.norm(direction))
    g = np.clip(np.einsum("rok,k->ro", grad, direction / max(norm, 1e-9)), 0, None)
    place = np.zeros(len(rows))
    for width in WINDOWS:
        w = g * np.exp(-0.5 * ((off[None] - place[:, None]) / width) ** 2)
        place = (w * off).sum(1) / np.maximum(w.sum(1), 1e-12)
    spread = mad_u(place)
    if spread >= MOST_SPREAD or abs(np.median(place)) >= FARTHEST:
        return None
    return column + float(np.median(place)), max(LEAST_U, spread)


def _step_within_reach(light: NDArray[np.uint16], strip: Strip, band: Band, column: float, inward: int) -> float | None:
    """Where the limb's colour gives way to that of the ground, further off than ``_step_near`` looks; None where two even
    colours with one step between them don't fit."""
    rows = _rows_inside(strip, band, column + inward * FAR_BODY, FAR_HALF, FAR_INSET)
    if rows is None:
        return None
    off = np.arange(-REACH - MARGIN, REACH + MARGIN + 1)  # inward positive
    v = np.sqrt(_across(light, strip, column + inward * off, rows)).mean(0)
    limb, ground = np.median(v[off >= REACH - EVEN], axis=0), np.median(v[off <= EVEN - REACH], axis=0)
    share = (v - ground) @ (limb - ground) / max(float((limb - ground) @ (limb - ground)), 1e-9)
    near = np.abs(off) <= REACH
    share, off = share[near], off[near]
    at = np.arange(EVEN, len(off) - EVEN)
    left_over = np.array([float(np.mean(np.r_[share[:i], share[i:] - 1] ** 2)) for i in at])
    best = int(left_over.argmin())
    return column + inward * (float(off[at[best]]) - 0.5) if left_over[best] < ONE_STEP else None


def _rows_inside(strip: Strip, band: Band, column: float, half: int, inset: float) -> Array | None:
    """Nine rows across the limb near a column, its edges left out by a share of its thickness; None where it was not seen."""
    body = int(np.clip(round(column), 0, len(strip.path) - 1))
    near = slice(max(0, body - half), body + half + 1)
    both = np.stack([band.upper_row[near], band.lower_row[near]])
    if not np.isfinite(both).any(1).all():
        return None
    top, low = np.nanmedian(both, axis=1)
    return np.linspace(top + inset * (low - top), low - inset * (low - top), ROWS)


def _across(light: NDArray[np.uint16], strip: Strip, columns: Array, rows: Array) -> Array:
    """Linear light (rows, columns, 3), 0 ... 1."""
    return np.asarray(sample(light, strip.px(columns[None], rows[:, None])) / FULL)

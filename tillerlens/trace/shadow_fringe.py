"""The fringe of shadow along a limb's edge, as a camera's own flash throws it: wood, then a dark band, then the ground.

The band's outer border is the stronger step and passes for the silhouette; the wood ends at its inner border, a pixel or
three nearer. Profiles across the edge, averaged over windows along the limb, are fitted by three blurred levels. The band is
shadow where it is the ground darkened alike in all colours, by the same share all along, and the network sees shadow there;
a dark belly has the wood's colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import erf

from tillerlens.core.robust import CAUCHY, MAD_TO_U
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.straighten import Strip

Array = NDArray[np.float64]

REACH = np.arange(-5.0, 8.01, 0.5)  # strip steps across the edge, + outwards
BLUR_PX = 0.9
WINDOW, LEAST_WINDOWS, LEAST_SHOWN = 60, 6, 4  # columns; windows that there must be, and that must show a band
SMOOTH = (9, 3.0)  # columns, of the median and the Gaussian over a proposed edge
BESIDE = np.arange(0.0, 3.1)  # strip steps beyond an edge, where the network's shadow is looked for
# Borders that are tried: the inner one so far about the proposed edge, the band so wide, the outer one no further; all in steps.
INNER, FINE, OUTERMOST = 3.5, 0.25, 5.0
GROUND_SAMPLES = 8  # at the outer end of a profile
DARK = 0.05  # of the ground's light: shares of it below that are all alike
WIDEST = 6.0
# Of the ground's light: what a flash leaves in its own shadow. Wood's own shading and soft shadows are fainter.
DARKEST, LIGHTEST = 0.1, 0.5
MOST_U = 0.5  # steps: a width less sure than this is no help
NEUTRAL = 0.2  # how far the three colours' shares may differ, relative
NETWORK = 0.25  # mean of the network's shadow in the band from which it is believed
SHOWN = 0.25  # share of the windows that must tell its width
AGREE = 0.5  # share of the windows that must show it
CLEARER = 0.85  # a third level must leave this share of what two levels leave
# The band's outer step against its inner one, at the least: beside wood far lighter than its ground the silhouette itself is
# the sharper step, and is measured as it is.
SHARPER = 0.5
FAR, UNEVEN = 4.0, 0.3  # from so many steps on the ground must show alone, and even to this share of its light
BOTH_SIDES = 0.5  # of what one side shows, that the other shows too: then neither is a shadow
# A smooth width along the limb: windows whose outer border is one, rounds of reweighting, steps that they scatter by at the
# least, percentiles of the width that are shown and how far beyond it may run, and what it is known to at the best.
WINDOWS_ALIKE, ROUNDS, LEAST_SPREAD, INNERMOST, BEYOND, LEAST_U = 5, 6, 0.05, (10, 90), 0.3, 0.1
LEAST = 0.35  # steps: a narrower band does not show


@dataclass(frozen=True, eq=False)
class ShadowFringe:
    """``outer`` (N,): how far (steps, + outwards) the band's outer border lies from the proposed edge, per column; ``width``
    (N,): of the band, steps; ``u``: standard uncertainty of the width, steps; ``shown`` (N,): where it was seen."""

    outer: Array
    width: Array
    u: float
    shown: NDArray[np.bool_]


@lru_cache(maxsize=32)  # half a megabyte each
def _pairs(blur: float) -> tuple[Array, Array]:
    """Every (inner, outer) pair tried (K, 2), and the levels' bases (K, O, 4): wood, its slope, band, ground. A pair of equal
    borders has no band: its column is zero."""
    inner = np.arange(-INNER, INNER + 0.01, FINE)
    width = np.arange(0.0, WIDEST + 0.01, FINE)
    pairs = np.array([(a, a + w) for a in inner for w in width if a + w <= OUTERMOST])
    past = lambda edge: 0.5 * (1 + erf((REACH[None] - edge[:, None]) / (np.sqrt(2) * blur)))  # noqa: E731
    p, q = past(pairs[:, 0]), past(pairs[:, 1])
    wood = 1 - p
    basis = np.stack([wood, wood * (REACH[None] - pairs[:, :1]) / 4, p - q, q], -1)
    pairs.flags.writeable = basis.flags.writeable = False  # shared by all threads
    return pairs, basis


def find_shadow_fringe(light: NDArray[np.uint16], strip: Strip, proposal: Array, outward: int) -> ShadowFringe | None:
    """The shadow fringe beside one proposed silhouette, as a flash throws it; None where there is none.

    Parameters
    ----------
    light, strip : linear light, and the picture along the limb.
    proposal : rows per column, NaN where unseen.
    outward : +1 where rows grow out of the limb, -1 where they shrink.
    """
    have = np.nonzero(~np.isnan(proposal))[0]
    if len(have) < LEAST_WINDOWS * WINDOW:
        return None
    row = ndimage.median_filter(proposal[have], SMOOTH[0], mode="nearest")
    row = ndimage.gaussian_filter1d(row, SMOOTH[1], mode="nearest")
    parts = np.array_split(np.arange(len(have)), len(have) // WINDOW)
    places = [row[:, None] + outward * BESIDE, np.repeat(have[:, None], len(BESIDE), 1)]
    beside = ndimage.map_coordinates(strip.maps.shadow, places, order=1)
    if np.mean([beside[p].mean(0).max() > NETWORK for p in parts]) < AGREE:
        return None
    profiles, shadows = [], []
    for part in parts:
        cols = have[part[::2]].astype(float)
        rows = row[part[::2]][:, None] + outward * REACH[None]
        across = np.broadcast_to(cols[:, None], rows.shape)
        profiles.append(np.median(sample(light, strip.px(cols[:, None], rows)), axis=0) / FULL)
        shadows.append(ndimage.map_coordinates(strip.maps.shadow, [rows, across], order=1, mode="nearest").mean(0))
    v, shadow = np.array(profiles), np.array(shadows)  # (W, O, 3), (W, O)
    far = v[:, REACH >= FAR].mean(2)
    plain = np.ptp(far, axis=1) < UNEVEN * far.mean(1)  # a ruled line beside the limb is not its ground
    free = _fit(v, BLUR_PX / strip.step, None)
    ok = plain & free.clear & (free.width >= LEAST) & (_between(shadow, free) > NETWORK)
    if ok.sum() < LEAST_SHOWN:
        return None
    share = float(np.median(free.share[ok]))
    held = _fit(v, BLUR_PX / strip.step, share)
    shown = plain & held.clear & (held.width >= LEAST)
    if float(np.median(_between(shadow, held))) < NETWORK or shown.mean() < SHOWN:
        return None
    at = np.array([have[p].mean() for p in parts])
    place = (at - at.mean()) / (at[-1] - at[0])
    width, u = _smooth(place, held.width, shown)
    outer = ndimage.median_filter(
        held.outer, WINDOWS_ALIKE, mode="nearest"
    )  # the strong step, whether or not the band shows within it
    if u > MOST_U:
        return None
    columns = np.arange(len(proposal))
    seen = np.interp(columns, at, shown.astype(float)) > 0.5
    return ShadowFringe(np.interp(columns, at, outer), np.clip(np.interp(columns, at, width), 0.0, WIDEST), u, seen)


def one_lamp(a: ShadowFringe | None, b: ShadowFringe | None) -> tuple[ShadowFringe | None, ShadowFringe | None]:
    """The fringes at a limb's two sides, or neither: one lamp casts its shadow to one side of any place."""
    if a is None or b is None:
        return a, b
    both = (a.shown & b.shown).sum() / max(min(a.shown.sum(), b.shown.sum()), 1)
    return (None, None) if both > BOTH_SIDES else (a, b)


def _between(shadow: Array, fit: _Fit) -> Array:
    """The network's mean shadow (W,) in each window's band, at least a step of it."""
    inside = (REACH[None] > fit.inner[:, None] - 0.01) & (REACH[None] < np.maximum(fit.outer, fit.inner + 1.0)[:, None])
    return np.asarray((shadow * inside).sum(1) / np.maximum(inside.sum(1), 1))


@dataclass(frozen=True, eq=False)
class _Fit:
    inner: Array
    outer: Array
    share: Array  # of the ground's light
    clear: NDArray[np.bool_]

    @property
    def width(self) -> Array:
        return self.outer - self.inner


def _fit(v: Array, blur: float, share: float | None) -> _Fit:
    """The best pair of borders for each window's profile (W, O, 3). ``share``: the band's light as a share of the ground's
    where it is known, else it is free."""
    pairs, basis = _pairs(round(blur, 2))
    if share is not None:
        basis = np.concatenate([basis[..., :2], basis[..., 3:] + share * basis[..., 2:3]], -1)
    scale = 1.0 / np.maximum(v[:, -GROUND_SAMPLES:].mean(1), 1e-4)  # every colour counts alike
    w = v * scale[:, None]
    levels = np.linalg.pinv(basis)[:, None] @ w  # (K, W, 4 or 3, 3)
    left = ((w - basis[:, None] @ levels) ** 2).sum((2, 3))  # (K, W)
    one = pairs[:, 0] == pairs[:, 1]
    single = left[one].min(0)
    ground = levels[:, :, -1]
    band = levels[:, :, 2] if share is None else share * ground
    part = band / np.maximum(ground, 1e-6)
    mean = part.mean(2)
    neutral = np.ptp(part, axis=2) < NEUTRAL * 2 * np.maximum(mean, DARK)
    left = np.where((mean > DARKEST) & (mean < LIGHTEST) & neutral & ~one[:, None], left, np.inf)
    pick, at = left.argmin(0), np.arange(len(v))
    best, levels, ground, band = left[pick, at], levels[pick, at], ground[pick, at], band[pick, at]
    sharper = (ground - band).mean(1) > SHARPER * np.abs(levels[:, 0] - band).mean(1)
    clear = (best < CLEARER * single) & sharper
    part = band / np.maximum(ground, 1e-6)
    return _Fit(pairs[pick, 0], pairs[pick, 1], part.mean(1), clear)


def _smooth(place: Array, value: Array, ok: NDArray[np.bool_]) -> tuple[Array, float]:
    """A robust parabola along the limb through the windows that show the band, and its standard uncertainty."""
    w = ok.astype(float)
    curve: Array = np.zeros(len(value))
    for _ in range(ROUNDS):
        c = np.polynomial.polynomial.polyfit(place, value, 2, w=np.sqrt(w))
        curve = np.asarray(np.polynomial.polynomial.polyval(place, c))
        away = np.abs(value - curve)
        spread = MAD_TO_U * float(np.median(away[ok])) + LEAST_SPREAD
        w = ok / (1 + (away / (CAUCHY * spread)) ** 2)
    least, most = np.percentile(value[ok], INNERMOST)
    curve = np.asarray(np.clip(curve, least - BEYOND, most + BEYOND))  # a parabola runs wild where no window shows the band
    u = spread / np.sqrt(max(float(w.sum()) / 4, 1.0)) + LEAST_U
    return curve, u

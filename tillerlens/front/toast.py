"""How dark a heat-treated belly is along each limb: CIELAB lightness against something of known lightness in the picture.

The colour of the light and the camera's white balance go out channel by channel against white paper (or uncooked wood). What
changes along the bow is the light's strength, carried over from the reference by paper at several places of the board, or by the
ground beside the limbs where that is of one paint. Colour is not hardness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import LIMBS, BellyColour, BellyLimb, Patch
from tillerlens.core.robust import MAD_TO_U
from tillerlens.core.shot import Shot
from tillerlens.front.shape import FrontShape
from tillerlens.photo.camera import Camera
from tillerlens.photo.light import FULL, sample

Array = NDArray[np.float64]

PAPER_L, PAPER_L_U = 95.0, 1.5  # of office paper (CIELAB; common practice, no source)
WOOD_L, WOOD_L_U = 72.0, 6.0  # of pale bow woods that were not cooked (common practice, no source)
EVERY_MM, WINDOW_MM = 10.0, 25.0  # along a limb from place to place, and looked at together
FACE = (0.2, 0.8)  # of the width: beyond it a belly is rounded
ACROSS = 15  # samples there
MIDDLE = (0.3, 0.65)  # of the samples by brightness: neither the string and the pores nor a glossy streak
NEAR_END_MM = 40.0  # of a nock or the fade: notches, horn, the grip's wrap
BURNT = 0.98  # of full light: paper burnt out says too little of the light
RING = (0.54, 0.60)  # of a tag's side from its centre: the paper just outside its black square
BESIDE = (0.9, 1.6)  # of the limb's width from its middle: the ground beside it
UNEVEN_GROUND = 0.06  # rms of ln light beside the limbs about its smooth run, up to which the ground is of one paint
PAPER_U, GROUND_U = 0.03, 0.04  # of ln light, that a board and a limb before it are lit unlike
CARRIED_U = 0.15  # of ln light along the bow, where nothing tells how it runs
# A belly that leans out of the board's plane meets the lamp at another angle. How far off the board's square light comes, as
# a tangent, is read off both limbs, which lean opposite ways and are cooked much alike.
LEAN_U, ALIKE_U, SEPARATE = 1.2, 0.08, 3.0  # before looking; of ln light that limbs differ by; places where they do so separately
AWRY = np.linspace(-3.0, 3.0, 241)  # tangents looked at
NEAREST, LEAST_LIT = 1 / 1000, 0.2  # 1/mm: no lamp stands nearer; and of the light that a place in its own shade still has
TILT_U = 0.3  # of ln light for a radian, what one direction of light doesn't explain
HUE_FREE = 0.05  # of its saturation, that wood of one bow differs by from place to place
SHEEN_U = 0.02  # of white paper's light, that a smooth face mirrors all over: a clear coat up to 0.04, dull wood next to none
SPECK_U = 0.8  # CIELAB units: grain and noise, of a window's mean
PLAIN, SURE = 4.0, 2.5  # CIELAB units that an eye sees at once; and standard uncertainties beyond which a place is unlike
LEAST_LONG_MM = 30.0  # of a patch
NEARBY = 0.1  # of the light's doubt, by which it may change within a patch's length
FEWEST = 5  # places of a limb that a usual shade is told of
LIKE_PLACES = 1.5  # medians of the distance from a limb's own shade, up to which a place counts for it
BLACK = 0.02  # of full light: paper darker than that says nothing of the light
AROUND_PX = np.arange(-4.0, 5.0)  # each way of a point at paper or wood
ON_A_SIDE = 15  # samples along each side of a tag's ring
WITHIN = 9  # samples over a window along the limb, and of the ground across
DARKEST, DARKEST_COLOUR = 1e-4, 1e-5  # of full light, before a logarithm or a lightness is taken
MOST_WHITE = 0.9  # of a place's light that a shine may be taken for
LEAST_HUE = 1e-3  # saturation of a limb that is grey all over
CIE_OFFSET, CIE_SCALE = 16, 116  # L* = 116 (Y / Yn)^(1/3) - 16 (CIE 15)
# Where the board shows round a tag's sheet, in sides from its middle; and what share of what it shows may be its own colour's (no
# source).
BOARD_ROUND, BOARD_SHARE_U = (1.15, 1.3), 0.25
# sRGB's coding of linear light (IEC 61966-2-1): the straight part's end and slope, the power law's numbers.
SRGB_LINEAR, SRGB_SLOPE, SRGB_SCALE, SRGB_OFFSET, SRGB_POWER = 0.0031308, 12.92, 1.055, 0.055, 1 / 2.4


@dataclass(frozen=True, eq=False)
class _Along:
    """One limb: places (n,) mm from the nock, mean light (n, 3), and pixels of its middle (n, 2); ``tilt`` (n,) rad, + where
    it faces the upper end; ``up_mm`` (n,) from the handle, + to the upper end."""

    from_nock_mm: Array
    light: Array
    px: Array
    tilt: Array
    up_mm: Array


def read_belly(
    light: NDArray[np.uint16], bow: FrontShape, camera: Camera, shot: Shot
) -> tuple[BellyColour | None, tuple[Reason, ...]]:
    """The belly's lightness along both limbs; None, with what to do, where nothing white or uncooked is in the picture."""
    found = _reference(light, camera, shot)
    if isinstance(found, Reason):
        return None, (found,)
    along = {limb: _along(light, bow, k, shot) for k, limb in enumerate(LIMBS)}
    every = np.vstack([along[limb].px for limb in LIMBS])
    level, u_level, u_aside, run_known = _light_along(light, bow, found, every)
    known = {"paper": (PAPER_L, PAPER_L_U), "uncooked wood": (WOOD_L, WOOD_L_U)}[found.kind]
    n = len(along["upper"].px)
    *gain, u_lean = _leaning(along["upper"], along["lower"], level[:n], level[n:])
    tilt = np.concatenate([along[limb].tilt for limb in LIMBS])
    level = level * np.exp(np.concatenate(gain))[:, None]
    u_level = np.hypot(u_level, np.hypot(u_lean, TILT_U) * np.abs(tilt))
    limbs, found_patches = [], []
    for limb, part in zip(LIMBS, (slice(0, n), slice(n, None)), strict=True):
        one, u_of_light = _lightness(limb, along[limb], level[part], u_level[part], known[0])
        limbs.append(one)
        found_patches += patches(one, (1 - NEARBY) * u_of_light if run_known else np.zeros(len(one.u)))
    per_light = float(np.median(np.concatenate([_per_light(one.lightness) for one in limbs])))
    dark = ((float(np.median(np.concatenate([one.lightness for one in limbs]))) + 16) / 116) ** 3
    common = float(np.linalg.norm([known[1], per_light * SHEEN_U / dark, per_light * u_aside]))
    return BellyColour(found.kind, common, tuple(limbs), tuple(found_patches)), ()


def patches(limb: BellyLimb, even_u: Array) -> list[Patch]:
    """Stretches of one limb that are paler or darker than its own usual shade, by more than light and grain explain.

    ``even_u`` (n,): what of its doubt is alike for all that lies within some inches; it makes no patch.
    """
    at, lightness, u = limb.from_nock_mm, limb.lightness, limb.u
    if len(at) < FEWEST:
        return []
    usual = _usual(at, lightness)
    off = lightness - usual
    u = np.sqrt(np.maximum(u**2 - even_u**2, 0.0))
    rough = MAD_TO_U * float(np.median(np.abs(off)))  # uneven light and grain make the whole limb so uneven
    out: list[Patch] = []
    for sign, kind in ((1.0, "pale"), (-1.0, "dark")):
        beyond = sign * off > np.maximum(PLAIN, SURE * np.hypot(u, rough))
        runs, count = ndimage.label(beyond)
        for k in range(1, count + 1):
            on = np.nonzero(runs == k)[0]
            most = on[np.argmax(sign * off[on])]
            half = sign * off > sign * off[most] / 2  # from half of its depth on it is the patch
            a = b = int(most)
            while a > 0 and half[a - 1]:
                a -= 1
            while b < len(at) - 1 and half[b + 1]:
                b += 1
            low, high = float(at[a]), float(at[b])
            if high - low < LEAST_LONG_MM or any(p.start_mm == low and p.end_mm == high for p in out):
                continue
            out.append(Patch(limb.limb, kind, low, high, float(np.mean(off[on])), float(np.mean(u[on]))))
    return sorted(out, key=lambda p: p.start_mm)


def _usual(at: Array, lightness: Array) -> Array:
    """A limb's own shade (n,): its median, with a slope where light or heat runs out evenly along it, robustly."""
    keep = np.ones(len(at), bool)
    for _ in range(4):
        slope, level = np.polyfit(at[keep] - at.mean(), lightness[keep], 1)
        off = lightness - (level + slope * (at - at.mean()))
        keep = np.abs(off - np.median(off)) < max(2.0, LIKE_PLACES * float(np.median(np.abs(off - np.median(off)))))
        if keep.sum() < len(at) / 3:
            return np.full(len(at), float(np.median(lightness)))
    return np.asarray(level + slope * (at - at.mean()))


class _Reference(NamedTuple):
    """Paper or uncooked wood (``kind``): places (k, 2) px, their light (k, 3), and ln light (k,) of the board round each, where
    they are tags on one."""

    px: Array
    white: Array
    kind: str
    board: Array | None


def _reference(light: NDArray[np.uint16], camera: Camera, shot: Shot) -> _Reference | Reason:
    """What is white or uncooked in the picture; else what to do."""
    board: Array | None = None
    clicked = next((name for name in ("white_paper", "raw_wood") if name in shot.clicks), None)
    if clicked is not None:
        kind = "paper" if clicked == "white_paper" else "uncooked wood"
        at = np.array([shot.clicks[clicked]], float)
        seen = np.array([_patch(light, at[0])])
    elif shot.scale.kind == "aruco" and shot.scale.tag_centres_mm and shot.scale.side_mm:
        kind = "paper"
        centres = np.array(list(shot.scale.tag_centres_mm.values()), float)
        at = camera.project(np.column_stack([centres, np.zeros(len(centres))]))
        seen = np.array([_ring(light, camera, c, shot.scale.side_mm) for c in centres])
        board = np.array([_board_round(light, camera, c, shot.scale.side_mm) for c in centres])
    else:
        text = "Nothing white is known in this picture, so how dark the belly is can't be told."
        return Reason(
            "no_white", text, "Put a sheet of white paper beside the bow and point at it, or at wood that was not cooked."
        )
    fit = (seen.max(1) < BURNT) & (seen.min(1) > BLACK)
    if not fit.any():
        text = "The white paper is burnt out or black in this picture, so how dark the belly is can't be told."
        return Reason("white_burnt", text, "Take it again a little darker: tap the paper on the phone's screen first.")
    return _Reference(at[fit], seen[fit], kind, None if board is None else board[fit])


def _patch(light: NDArray[np.uint16], at: Array) -> Array:
    off = np.stack(np.meshgrid(AROUND_PX, AROUND_PX), -1)
    return np.asarray(np.median((sample(light, at + off) / FULL).reshape(-1, 3), axis=0), float)


def _ring(light: NDArray[np.uint16], camera: Camera, centre: Array, side_mm: float) -> Array:
    """The paper round a tag: the brighter half of what lies just outside its black square, where it may be cut close."""
    t = np.linspace(-0.5, 0.5, ON_A_SIDE)
    rows = []
    for r in np.linspace(*RING, 3):
        for side in (np.full(ON_A_SIDE, r), np.full(ON_A_SIDE, -r)):
            rows += [np.column_stack([t, side]), np.column_stack([side, t])]
    mm = centre + side_mm * np.vstack(rows)
    seen = sample(light, camera.project(np.column_stack([mm, np.zeros(len(mm))]))) / FULL
    brighter = seen.mean(1) >= np.median(seen.mean(1))
    return np.asarray(np.median(seen[brighter], axis=0), float)


def _board_round(light: NDArray[np.uint16], camera: Camera, centre: Array, side_mm: float) -> float:
    """ln light of the board about a tag's sheet."""
    turn = np.linspace(0, 2 * np.pi, 4 * ON_A_SIDE, endpoint=False)
    ways = np.column_stack([np.cos(turn), np.sin(turn)])
    mm = np.vstack([centre + r * side_mm * ways for r in BOARD_ROUND])
    seen = sample(light, camera.project(np.column_stack([mm, np.zeros(len(mm))]))) / FULL
    return float(np.log(max(float(np.median(seen.mean(1))), DARKEST)))


def _along(light: NDArray[np.uint16], bow: FrontShape, k: int, shot: Shot) -> _Along:
    nock, way = bow.nocks[k], bow.way_mm
    reach = abs(bow.handle - nock) - shot.handle_mm / 2
    from_nock = np.arange(NEAR_END_MM, reach - NEAR_END_MM / 2, EVERY_MM)
    inward = 1.0 if k == 0 else -1.0
    fine = np.linspace(-0.5, 0.5, WITHIN) * WINDOW_MM
    s = nock + inward * (from_nock[:, None] + fine)  # (n, 9)
    share = np.linspace(*FACE, ACROSS)
    edge = [np.stack([np.interp(s, way, px[:, j]) for j in (0, 1)], -1) for px in (bow.left_px, bow.right_px)]
    px = edge[0][:, :, None] + share[None, None, :, None] * (edge[1] - edge[0])[:, :, None]  # (n, 9, A, 2)
    seen = (sample(light, px.reshape(len(s), -1, 2)) / FULL).astype(float)
    order = np.argsort(seen.mean(2), axis=1)
    a, b = (int(q * order.shape[1]) for q in MIDDLE)
    mean = np.take_along_axis(seen, order[:, a:b, None], axis=1).mean(1)
    middle = np.column_stack([np.interp(nock + inward * from_nock, way, bow.middle_px[:, j]) for j in (0, 1)])
    tilt = _slope(way, bow.depth_mm, nock + inward * from_nock)
    return _Along(from_nock, mean, middle, tilt, bow.handle - (nock + inward * from_nock))


def _slope(way: Array, depth: Array, at: Array) -> Array:
    """How steeply a depth (N,) changes along the bow at places on it. Two of ``way`` (N,) that fall together count as one."""
    apart = np.r_[True, np.diff(way) > 0]
    return np.interp(at, way[apart], np.gradient(depth[apart], way[apart]))


def _light_along(light: NDArray[np.uint16], bow: FrontShape, found: _Reference, px: Array) -> tuple[Array, Array, float, bool]:
    """What the reference's light (n, 3) would be at places (n, 2) px of the limbs; its doubt (n,), of ln light along the bow;
    that of all places alike, by how far the paper lies to one side in light that falls off to there; and whether the ground shows
    how the light runs, so that what is doubtful of it is so evenly from place to place."""
    at, white = found.px, found.white
    if len(at) >= 3:  # a plane of ln light through the papers
        scale = float(np.ptp(at, axis=0).max())
        basis = lambda q: np.column_stack([np.ones(len(q)), (q - at.mean(0)) / scale])  # noqa: E731
        coefficients, *_ = np.linalg.lstsq(basis(at), np.log(white), rcond=None)
        miss = float(np.sqrt(np.mean((np.log(white) - basis(at) @ coefficients) ** 2)))
        level, u = np.exp(basis(px) @ coefficients), np.full(len(px), float(np.hypot(PAPER_U, miss)))
        if found.board is None:
            return level, u, 0.0, False
        # a lamp's bright middle lies between the papers: the board beside the limbs shows it, if it is of one colour
        run, rough, _ = _ground(light, bow, px)
        more = run - basis(px) @ np.linalg.lstsq(basis(at), found.board, rcond=None)[0]
        if rough < UNEVEN_GROUND:
            return level * np.exp(more)[:, None], np.hypot(u, np.hypot(rough / 2, BOARD_SHARE_U * more)), 0.0, True
        return level, u, float(np.median(np.abs(more))), False
    run, rough, falls = _ground(light, bow, px)
    far = float(np.mean([np.min(np.linalg.norm(bow.middle_px - q, axis=1)) for q in at]))
    aside = float(np.hypot(PAPER_U, falls * far))
    even = rough < UNEVEN_GROUND
    if not even:
        return np.broadcast_to(white.mean(0), (len(px), 3)), np.full(len(px), CARRIED_U), max(aside, CARRIED_U), False
    near = [int(np.argmin(np.linalg.norm(px - q, axis=1))) for q in at]
    start = np.mean([np.log(w) - run[k] for w, k in zip(white, near, strict=True)], axis=0)
    return np.exp(start + run[:, None]), np.full(len(px), float(np.hypot(GROUND_U, rough / 2))), aside, True


def _ground(light: NDArray[np.uint16], bow: FrontShape, px: Array) -> tuple[Array, float, float]:
    """ln light (n,) of the ground beside the limbs at ``px``, smooth along the bow, how rough it is about that, and how much of
    it is lost for a pixel to one side."""
    k = np.array([int(np.argmin(np.linalg.norm(bow.middle_px - q, axis=1))) for q in px])
    across = bow.right_px[k] - bow.left_px[k]
    sides = []
    for way in (-1.0, 1.0):
        far = way * np.linspace(*BESIDE, WITHIN)
        seen = sample(light, bow.middle_px[k][:, None] + far[None, :, None] * across[:, None]) / FULL
        sides.append(np.log(np.maximum(np.median(seen, axis=1).mean(1), DARKEST)))
    level = np.maximum(*sides)  # the limb's shadow lies on one of them
    apart = 2 * float(np.mean(BESIDE)) * float(np.median(np.linalg.norm(across, axis=1)))
    falls = abs(float(np.median(sides[1] - sides[0]))) / apart
    s = (bow.way_mm[k] - bow.handle) / max(1.0, float(np.ptp(bow.way_mm)))
    fit = np.polynomial.Polynomial.fit(s, level, 3)
    keep = np.abs(level - fit(s)) < 3 * np.median(np.abs(level - fit(s))) + 0.02
    fit = np.polynomial.Polynomial.fit(s[keep], level[keep], 3)
    return np.asarray(fit(s)), float(np.sqrt(np.mean((level[keep] - fit(s[keep])) ** 2))) + 0.5 * float(1 - keep.mean()), falls


def _leaning(upper: _Along, lower: _Along, level_upper: Array, level_lower: Array) -> tuple[Array, Array, float]:
    """By how much of ln light each place of the upper and the lower limb is brighter for its lean, and how far the tangent of the
    light's way off the board's square is uncertain, by what both limbs show as far from their nocks."""
    limbs, levels = (upper, lower), (level_upper, level_lower)
    up, bright = (np.concatenate(x) for x in ([one.up_mm for one in limbs], [np.log(level.mean(1)) for level in levels]))
    growth = float(np.polyfit(up, bright, 1)[0])  # of ln light on the board, for a mm up
    n = min(len(upper.tilt), len(lower.tilt))
    seen = [np.log((one.light[:n] / level[:n]).mean(1)) for one, level in zip(limbs, levels, strict=True)]
    worth = np.empty(len(AWRY))
    for k, awry in enumerate(AWRY):
        gain = [_by_lean(one, awry, growth)[:n] for one in limbs]
        left = (seen[0] - gain[0]) - (seen[1] - gain[1])
        left = (left - np.median(left)) / ALIKE_U  # one limb may be cooked darker; so may a patch, which counts for little
        worth[k] = -SEPARATE * np.mean(np.log1p(left**2 / 2)) - 0.5 * (awry / LEAN_U) ** 2
    share = np.exp(worth - worth.max())
    awry = float(np.average(AWRY, weights=share))
    u = float(np.sqrt(np.average((AWRY - awry) ** 2, weights=share)))
    return _by_lean(upper, awry, growth), _by_lean(lower, awry, growth), u


def _by_lean(limb: _Along, awry: float, growth: float) -> Array:
    """ln light (n,) that a limb's lean adds, by a lamp whose way to the bow's middle lies ``awry`` (a tangent) off the board's
    square. From a lamp so near that light falls off along the board it comes more aslant to the far end: a small lamp's light on
    the board goes as the cube of the cosine over the square of the lamp's distance from it."""
    nearer = growth * (1 + awry**2) / (3 * awry) if growth * awry > 0 else 0.0  # one by that distance
    aslant = awry - min(nearer, NEAREST) * limb.up_mm
    return np.asarray(np.log(np.maximum(np.cos(limb.tilt) + aslant * np.sin(limb.tilt), LEAST_LIT)))


def _lightness(limb: str, seen: _Along, level: Array, u_level: Array, reference_l: float) -> tuple[BellyLimb, Array]:
    """One limb's lightness and its doubt along it, and what of that (n,) is the light's."""
    reference_y = ((reference_l + CIE_OFFSET) / CIE_SCALE) ** 3
    lab = _lab(np.clip(seen.light / level * reference_y, DARKEST_COLOUR, 1.0))
    lightness = lab[:, 0]
    per_light = _per_light(lightness)
    u = np.hypot(SPECK_U, per_light * u_level)
    # a shine adds white: where a place is paler and greyer at once than the limb, what white would explain is doubt
    v = seen.light / level
    saturation = 1 - v.min(1) / v.mean(1)
    white = np.clip(1 - saturation / max(float(np.median(saturation)), LEAST_HUE) - HUE_FREE, 0.0, MOST_WHITE)
    shine = np.where(lightness > np.median(lightness), -np.log(1 - white) * per_light, 0.0)
    u = np.hypot(u, shine)
    return BellyLimb(limb, seen.from_nock_mm, lightness, u), per_light * u_level  # type: ignore[arg-type]


def _per_light(lightness: Array) -> Array:
    """Units of lightness for one of ln light."""
    return (np.asarray(lightness) + CIE_OFFSET) / 3


def _lab(linear: Array) -> Array:
    from skimage.color import rgb2lab

    coded = np.where(linear <= SRGB_LINEAR, SRGB_SLOPE * linear, SRGB_SCALE * np.power(linear, SRGB_POWER) - SRGB_OFFSET)
    return np.asarray(rgb2lab(coded[None])[0], float)

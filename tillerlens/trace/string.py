"""The drawn string: two straight lines from the nocks that meet at the hook.

Its pixels may be few and faint, but it is straight, a thousand pixels long, and starts at known places: evidence is
summed along whole lines, which finds a string that no single pixel shows clearly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal
from scipy.sparse import csr_array

from tillerlens.core.robust import MAD_TO_U
from tillerlens.photo.light import FULL, sample
from tillerlens.trace.network import FinderMaps

Array = NDArray[np.float64]

CANDIDATES = 6
PEAK_PLACES = 9  # along each limb: the likeliest among so many
# Likely hooks on the finder's map: a grid of places (mm) before the handle's back and beside the line through it; the lines from
# there to the nocks, clear of nock and hook, at so many places; what the map is smoothed by (px), how much limb counts as string,
# and what a place may count for at the most; what of the weaker line and of both counts, and what being off the middle costs.
GRID_MM, ASIDE_MM = 8.0, 100
ON_LINE = np.linspace(0.06, 0.97, 120)
SMOOTH_PX, LIMB_AS_STRING, MOST_HINT, BOTH, ASIDE_COST, PEAK = 0.8, 0.25, 0.8, 0.1, 0.02, 5
LEAST_SHOWN = 0.12  # share of a line that must show at all
MEET_MM = 60  # from the hook that was supposed to where the two lines meet
# Of a hook: at the least; a line's scatter counts as over so many independent stretches; and where hardly anything shows.
LEAST_U_PX, STRETCHES, FAINT_U_MM = 0.6, 8, 20
FAINT = 0.6  # share of a line that must show before it is trusted
STEP_PX = 22.0
GRAIN_MM = 1.5  # so that the thickest string, of cord, is narrower than what it is held against lies apart
# No shadow is lighter than its ground: of a light and a dark line side by side the dark one is the shadow, unless the light
# one is so weak beside it that it may be the halo of a camera's sharpening.
LIGHTER, HALO = 0.4, 0.3
OTHER_COLOUR = 0.3  # merit lost where one half is lighter and the other darker than its background
RIVAL_STEPS = 9  # of a line's end: a rival is the best among so many
COARSER = 0.5  # of merit, that a straight line must gain by coarser grains
RIVAL_LINE, RIVAL_APART_PX = 0.1, 6.0  # a line from nock to nock this close in merit, this far away, may be the string instead
RIVAL, RIVAL_SHARE = 0.06, 0.5  # a solution this close in merit, elsewhere, adds so much of its distance to the uncertainty
PLAIN = 2.8
# Beside a line: how far off another is looked for that runs along it, how much plainer than the ground it must be (share of what
# a plain line reaches), how far apart two such are (half grains), and how far they may come together from end to end.
ALONGSIDE_MM, STANDS_OUT, LINES_APART, TOGETHER = 60.0, 0.25, 8, 0.35
# What of a string's look is compared with the ground beside it, (channels, 3) of red, green, blue. By its light; and, where that
# tells little, by its redness and its blueness, which ruled lines, joints and shadows lack.
LIGHT, HUE = np.eye(3), np.array([[1.0, -0.5, -0.5], [-0.5, -0.5, 1.0]])
HUE_CLEARER = 0.3  # of merit
PULLED_MM = 25.0  # a hook this far past the line between the nocks draws the bow
MOST_U_MM = 60.0  # a hook less sure than this is not found
LEAST_DRAW_MM, MOST_DRAW_MM = 80.0, 800.0  # from the back to the hook
DEEP_MM, PAST_MM = 230.0, 25.0  # nocks that stand so far from the back are drawn: their hook lies this far past the line between
HOOK_ASIDE_MM = 25.0  # how far beside the handle's middle a hook may well pull (common practice, no source)


@dataclass(frozen=True, eq=False)
class DrawnString:
    """``hook`` (2,) px; ``lines``: per limb (2, 2) px, a point near the nock and one near the hook; ``u_px`` of the
    hook along and across the draw; ``clear``: share of each line's length that shows the string."""

    hook: Array
    lines: tuple[Array, Array]
    u_px: float
    clear: tuple[float, float]
    offset_px: tuple[float, float]  # how far each line passes from its nock
    dark: bool  # darker than what is behind it, as its shadow would be
    merit: float  # how well both lines stand out together; a plain string reaches ``PLAIN``


@dataclass(frozen=True, eq=False)
class BowPose:
    """Where the traced bow stands in the picture: ``nocks`` (2, 2) and ``handle`` (2,) px, the handle's back; ``belly`` (2,)
    unit, towards the belly; ``px_per_mm``."""

    nocks: Array
    handle: Array
    belly: Array
    px_per_mm: float

    def toward_belly_mm(self, at: Array) -> float:
        """How far a place (2,) px stands toward the belly from the handle's back."""
        return float((at - self.handle) @ self.belly) / self.px_per_mm

    @property
    def chord_mm(self) -> float:
        """How far the nocks stand toward the belly, on the mean."""
        return float(np.mean([self.toward_belly_mm(nock) for nock in self.nocks]))

    def is_pulled(self, string: DrawnString | None) -> bool:
        """Whether a string's hook stands past the line between the nocks."""
        return string is not None and self.toward_belly_mm(string.hook) - self.chord_mm > PULLED_MM


def likely_hooks(maps: FinderMaps, pose: BowPose, least_mm: float = LEAST_DRAW_MM) -> list[Array]:
    """Where the hook may be: places (2,) px from which both lines to the nocks lie well on the string map, best first.

    It is sought within 100 mm of the line through the handle, at least ``least_mm`` from the handle's back.
    """
    handle, belly, px_per_mm = pose.handle, pose.belly, pose.px_per_mm
    side = np.array([-belly[1], belly[0]])
    evidence = cv2.GaussianBlur(np.maximum(maps.string, LIMB_AS_STRING * maps.limb), (0, 0), SMOOTH_PX)
    depth = np.arange(least_mm, MOST_DRAW_MM, GRID_MM) * px_per_mm
    across = np.arange(-ASIDE_MM, ASIDE_MM + 1, GRID_MM) * px_per_mm

    def score(d: Array, a: Array) -> Array:
        hooks = maps.to_map((handle + d[:, None, None] * belly + a[None, :, None] * side).reshape(-1, 2))
        total = []
        for nock in maps.to_map(pose.nocks):
            lines = np.empty((2, len(hooks), len(ON_LINE)), np.float32)  # as OpenCV takes them
            for axis in (0, 1):
                lines[axis] = nock[axis] + ON_LINE * (hooks[:, axis, None] - nock[axis])
            v = sample(evidence, lines.transpose(1, 2, 0))
            total.append(np.minimum(v, MOST_HINT).mean(1).reshape(len(d), len(a)))
        return np.asarray(np.sqrt(total[0] * total[1]) + BOTH * (total[0] + total[1]))

    centred = ASIDE_COST * (across / px_per_mm / HOOK_ASIDE_MM) ** 2
    s = score(depth, across) - centred
    top = ndimage.maximum_filter(s, PEAK, mode="nearest")  # 16 mm either way
    places = np.argwhere(s >= top)
    places = places[np.argsort(-s[places[:, 0], places[:, 1]])][:CANDIDATES]
    return [handle + depth[i] * belly + across[j] * side for i, j in places]


@dataclass(frozen=True, eq=False)
class _Ridges:
    """Thin-line evidence beside one guess of the string: ``shown`` (sign, blocks, offsets), ``table`` (sign, end offset):
    the best score of a line that starts at the nock and ends so far beside the guess."""

    start: Array
    along: Array
    normal: Array
    share: Array  # (blocks,) place along the guess
    offsets: Array
    shown: Array
    table: Array
    lighter: float  # how strongly the lighter lines stand out, the darker ones = 1
    best_start: Array
    grain: int  # px of a unit beside the guess; so many are averaged


_Supposed = tuple[Array, "_Beside", "_Beside"]  # a supposed hook, and the picture beside both lines to it
_Chosen = tuple[Array, _Ridges, _Ridges, tuple[int, int, int, int]]  # a supposed hook, both sides' evidence, the pair
# All beside the guess is in grains: of one px, and of as many as keep a thick string narrow in a sharp picture.
_START = np.arange(-12.0, 12.01, 1.0)  # the string starts at the nock, which may lie inside the limb's end
_START_FREE = 5.0  # px beside the supposed nock that a start may well be
_END = np.arange(-14.0, 14.01, 0.5)
_ARM = 8  # half px steps: 4 px at each side, clear of the string itself
_FINE = 0.5  # px
_OFF = 36  # half px steps beside the guess, that are looked at
_PLACES_APART = 5  # half grains beside the line, from one place along a limb to the next
_ON_STRING = (0.04, 0.96)  # of the way from nock to hook, where the string is looked for
_BLOCK_PX, _IN_BLOCK, _LEAST_BLOCKS = 14, 8, 12  # length of a stretch that is judged as one, places in it, and how few there are
_MOST_MAP = 0.7  # what the network's string may count for at the most
_CAP_PERCENTILE, _PLAIN_NOISES, _START_COST = 70, 6.0, 0.1  # a few bright crossings must not outvote the rest
_SHOWS = 1.6  # noises, from which a stretch shows a line
# The middle of the ridge: windows (px) that seek it, how much of it must show, how far from the guess, and in how many stretches.
_WINDOWS, _LEAST_RIDGE, _NEAR_GUESS, _LEAST_STRETCHES = (1.2, 0.9, 0.8), 2.0, 2.0, 6
_LEAST_SCATTER, _SLACK = 0.02, 0.1  # px
_OFF_COST = 0.08  # of merit, for a hook HOOK_ASIDE_MM beside the handle's middle


@lru_cache(maxsize=32)  # a megabyte each; one string's lines are of a dozen lengths
def _lines_through(blocks: int, offsets: int) -> csr_array:
    """Takes flat evidence of (blocks, offsets) to its mean along each line from a start to an end: (starts and ends, places)."""
    share = np.linspace(*_ON_STRING, blocks * _IN_BLOCK).reshape(blocks, _IN_BLOCK).mean(1)
    at = _START[:, None, None] * (1 - share) + _END[None, :, None] * share
    column = np.clip(np.round(at / _FINE).astype(np.intp) + offsets // 2, 0, offsets - 1)
    places = (np.arange(blocks, dtype=np.intp) * offsets + column).ravel()
    means = csr_array((np.full(len(places), 1 / blocks), places, np.arange(0, len(places) + 1, blocks)))
    means.resize(len(_START) * len(_END), blocks * offsets)
    means.data.flags.writeable = means.indices.flags.writeable = False  # shared by all threads
    return means


def grains_of(px_per_mm: float) -> tuple[int, ...]:
    """Px of the grains at which a string is looked for: a few millimetres wide, it stands out from what lies four beside it."""
    coarse = max(1, round(GRAIN_MM * px_per_mm))
    return (1,) if coarse == 1 else (1, coarse)


@dataclass(frozen=True, eq=False)
class _Beside:
    """The picture beside one guess of the string, whatever is looked for in it: where the guess runs, its blocks' places along
    it, ``tone`` (blocks, offsets, colours), and ``hint`` (blocks, offsets less the arms) of string from the network."""

    start: Array
    along: Array
    normal: Array
    share: Array
    tone: NDArray[np.float32]
    hint: NDArray[np.float32]
    grain: int

    @property
    def offsets(self) -> Array:
        """Grains beside the guess, of each column of the evidence."""
        columns = self.hint.shape[1]
        return np.asarray((np.arange(columns) - columns // 2) * _FINE)


def _beside(light: NDArray[np.uint16], maps: FinderMaps, start: Array, end: Array, grain: int = 1, off: int = _OFF) -> _Beside:
    """``off``: half grains to either side that are looked at."""
    d = end - start
    length = float(np.hypot(*d))
    u = d / length
    n = np.array([-u[1], u[0]])
    blocks = max(_LEAST_BLOCKS, int(length / (_BLOCK_PX * grain)))
    t = np.linspace(*_ON_STRING, blocks * _IN_BLOCK)
    # a turned rectangle of the picture: a row for each place along the line, columns of half a px for each beside it
    columns = (2 * off + 1) * grain
    corner = start + t[0] * d - (columns - 1) / 2 * _FINE * n
    to_picture = np.column_stack([_FINE * n, (t[1] - t[0]) * d, corner])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    v = cv2.warpAffine(light, to_picture, (columns, len(t)), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    v = np.sqrt(v.astype(np.float32) / FULL)  # near to equal steps of noise
    tone = v.reshape(blocks, _IN_BLOCK, 2 * off + 1, grain, -1).mean((1, 3))
    tb = t.reshape(blocks, _IN_BLOCK).mean(1)
    # a cast shadow is a line too, but the network does not take it for a string
    across = np.arange(_ARM - off, off - _ARM + 1) * _FINE * grain
    hint = np.minimum(sample(maps.string, maps.to_map(start + across[None, :, None] * n + tb[:, None, None] * d)), _MOST_MAP)
    return _Beside(start, d, n, tb, tone, hint, grain)


def _over_ground(q: _Beside, look: Array) -> Array:
    """By how many noises each place is lighter, and darker, than what is behind it: (2, blocks, offsets less the arms)."""
    v = q.tone @ look.T
    ridge = v[:, _ARM:-_ARM] - 0.5 * (v[:, : -2 * _ARM] + v[:, 2 * _ARM :])
    of_colour = np.ascontiguousarray(ridge.reshape(-1, len(look)).T)
    off_middle = np.abs(of_colour - np.median(of_colour, axis=1, keepdims=True))
    grey = v @ (1 / (MAD_TO_U * np.median(off_middle, axis=1) + 1e-4))
    inner, before, after = grey[:, _ARM:-_ARM], grey[:, : -2 * _ARM], grey[:, 2 * _ARM :]
    # against the nearer of the two sides: else the ground beside a dark shadow would pass for a light string
    return np.maximum([inner - np.maximum(before, after), np.minimum(before, after) - inner], 0.0)


def _ridges(q: _Beside, look: Array = LIGHT) -> _Ridges:
    up = _over_ground(q, look)
    caps = np.percentile(up.max(2), _CAP_PERCENTILE, axis=1) + 1e-9
    evidence = np.minimum(up, caps[:, None, None]) / caps[:, None, None] * np.minimum(1.0, caps / _PLAIN_NOISES)[:, None, None]
    lines = _lines_through(*q.hint.shape)
    total = np.array([lines @ one.ravel() for one in evidence + q.hint]).reshape(2, len(_START), len(_END))
    total -= _START_COST * (_START[:, None] / _START_FREE) ** 2
    lighter = float(caps[0] / caps[1]) if look is LIGHT else 0.0
    shown, first = np.where(up > _SHOWS, up, 0.0), _START[total.argmax(1)]
    return _Ridges(q.start, q.along, q.normal, q.share, q.offsets, shown, total.max(1), lighter, first, q.grain)


def _settle(r: _Ridges, sign: int, end: int) -> tuple[Array, float, float]:
    """Straight line through the ridges near the chosen pair: (2, 2) px, share of length seen, scatter px (NaN: unseen)."""
    guess = r.best_start[sign, end] * (1 - r.share) + _END[end] * r.share
    smooth = ndimage.gaussian_filter1d(r.shown[sign], 2.0, axis=1)  # about the string's own width
    place = guess.copy()
    w = smooth
    for width in _WINDOWS:
        w = smooth * np.exp(-0.5 * ((r.offsets[None] - place[:, None]) / width) ** 2)
        place = np.where(w.sum(1) > 0, (w * r.offsets).sum(1) / np.maximum(w.sum(1), 1e-9), guess)
    seen = (w.sum(1) > _LEAST_RIDGE) & (np.abs(place - guess) < _NEAR_GUESS)
    if seen.sum() < _LEAST_STRETCHES:
        return np.array([r.start, r.start + r.along]), float(seen.mean()), float("nan")
    keep, scatter, line = seen.copy(), 0.0, np.zeros(2)
    for _ in range(4):
        line = np.polyfit(r.share[keep], place[keep], 1)
        away = np.abs(place - np.polyval(line, r.share))
        scatter = MAD_TO_U * float(np.median(away[keep])) + _LEAST_SCATTER
        keep = seen & (away < 3 * scatter + _SLACK)
    ends = [r.start + k * r.along + r.grain * float(np.polyval(line, k)) * r.normal for k in (0.0, 1.0)]
    return np.array(ends), float(keep.mean()), r.grain * scatter


def _pair(
    a: _Ridges, b: _Ridges, aside: float, side: Array, past: float, belly: Array
) -> tuple[float, tuple[int, int, int, int]]:
    """The two lines chosen together: merit and (sign, sign, end offset, end offset) of each.

    ``aside``: mm of the guessed hook from the line through the handle; ``side``: (2,) mm per px that way. ``past``: mm of it
    past the nearest place where a hook may be; ``belly``: (2,) mm per px that way.
    """
    to_shift = np.linalg.inv(np.stack([a.normal, b.normal]))  # offsets of the two ends -> shift of the hook
    shift = np.stack(np.meshgrid(a.grain * _END, b.grain * _END, indexing="ij"), -1) @ to_shift.T
    off_middle = _OFF_COST * ((aside + shift @ side) / HOOK_ASIDE_MM) ** 2
    near = past + shift @ belly < 0
    shown = np.clip(a.table, 0, None), np.clip(b.table, 0, None)
    best, pick = -np.inf, (0, 0, 0, 0)
    for sa in (0, 1):
        for sb in (0, 1):
            both = shown[0][sa][:, None] * shown[1][sb][None]
            colour = LIGHTER * min(1.0, a.lighter / HALO, b.lighter / HALO) * (sa == sb == 0) - OTHER_COLOUR * (sa != sb)
            merit = 2 * np.sqrt(both) + colour - off_middle
            merit[near] = -np.inf
            i, j = np.unravel_index(int(np.argmax(merit)), merit.shape)
            if merit[i, j] > best:
                best, pick = float(merit[i, j]), (sa, sb, int(i), int(j))
    return best, pick


def find_string(
    light: NDArray[np.uint16],
    maps: FinderMaps,
    pose: BowPose,
    clicked: Array | None = None,
    least_mm: float | None = None,
    by_hue: bool = True,
) -> DrawnString | None:
    """Both string lines and the hook where they meet; None when either cannot be seen.

    The two lines are chosen together: one string has one colour, and its hook lies near the line through the handle.

    Parameters
    ----------
    light, maps : the picture's linear light, and what the finder sees in it.
    pose : where the bow stands.
    clicked : (2,) px, the hook as clicked.
    least_mm : how far from the handle's back the hook is, at the least; None: past the nocks where they stand deep.
    by_hue : look for the string's hue as well where its light tells little.
    """
    if least_mm is None:
        chord_mm = pose.chord_mm
        # else a ruled line from nock to nock would do for both halves
        least_mm = min(chord_mm + PAST_MM, MOST_DRAW_MM - PAST_MM) if chord_mm > DEEP_MM else LEAST_DRAW_MM
    sought = _Sought(light, maps, pose, clicked, least_mm)
    hooks = likely_hooks(maps, pose, least_mm) if clicked is None else [clicked]
    supposed: list[list[_Supposed]] = []
    found: list[DrawnString] = []
    for grain in grains_of(pose.px_per_mm):
        supposed.append([sought.beside(hook, grain) for hook in hooks])
        if (one := _best_of(sought, supposed[-1], LIGHT)) is not None:
            found.append(one)
            if one.merit > PLAIN and min(one.clear) > FAINT:
                break
    by_light = max(found, key=lambda s: s.merit, default=None)
    if not by_hue or (by_light is not None and min(by_light.clear) > FAINT):
        return by_light
    hues = [_best_of(sought, at_grain, hue[None]) for hue in HUE for at_grain in supposed]
    best = max((s for s in hues if s is not None), key=lambda s: s.merit, default=None)
    clearer = best is not None and (by_light is None or best.merit > by_light.merit + HUE_CLEARER)
    return best if clearer else by_light


@dataclass(frozen=True, eq=False)
class _Sought:
    """What ``find_string`` was asked, as it was named there."""

    light: NDArray[np.uint16]
    maps: FinderMaps
    pose: BowPose
    clicked: Array | None
    least_mm: float

    def beside(self, hook: Array, grain: int) -> _Supposed:
        """A supposed hook, and the picture beside both lines to it."""
        upper, lower = (_beside(self.light, self.maps, nock, hook, grain) for nock in self.pose.nocks)
        return hook, upper, lower


def _best_of(q: _Sought, supposed: Sequence[_Supposed], look: Array) -> DrawnString | None:
    """The best pair of lines from the nocks to a hook near one of those supposed, by one look of the string."""
    nocks, handle, belly, px_per_mm = q.pose.nocks, q.pose.handle, q.pose.belly, q.pose.px_per_mm
    side = np.array([-belly[1], belly[0]])

    def tried(one: _Supposed) -> tuple[float, _Chosen]:
        hook, a, b = one[0], _ridges(one[1], look), _ridges(one[2], look)
        past = np.inf if q.clicked is not None else float((hook - handle) @ belly) / px_per_mm - q.least_mm
        merit, pick = _pair(a, b, (hook - handle) @ side / px_per_mm, side / px_per_mm, past, belly / px_per_mm)
        return merit, (hook, a, b, pick)

    found = [tried(one) for one in supposed]
    if not found or max(merit for merit, _ in found) == -np.inf:
        return None
    if q.clicked is None:
        # the network's string may be too faint to lead to within the reach of a line's end: look around the best as well
        at = max(found, key=lambda f: f[0])[1][0]
        grain = supposed[0][1].grain
        around = [at + grain * STEP_PX * (i * belly + j * side) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
        found += [tried(q.beside(hook, grain)) for hook in around]
    found.sort(key=lambda f: -f[0])
    best = _lines(*found[0], nocks, px_per_mm)
    if best is None:
        return None
    others = [_lines(merit, chosen, nocks, px_per_mm) for merit, chosen in found[1:] if merit > found[0][0] - RIVAL]
    u_rival = RIVAL_SHARE * max((float(np.linalg.norm(o.hook - best.hook)) for o in others if o is not None), default=0.0)
    u = float(np.hypot(best.u_px, u_rival))
    return replace(best, u_px=u) if u < MOST_U_MM * px_per_mm else None


def _lines(merit: float, chosen: _Chosen, nocks: Array, px_per_mm: float) -> DrawnString | None:
    """The two straight lines of a chosen pair and the hook where they meet; None where either is not seen."""
    hook, a, b, pick = chosen
    (la, ca, scatter_a), (lb, cb, scatter_b) = _settle(a, pick[0], pick[2]), _settle(b, pick[1], pick[3])
    if min(ca, cb) < LEAST_SHOWN or not np.isfinite(scatter_a + scatter_b):
        return None
    da, db = la[1] - la[0], lb[1] - lb[0]
    m = np.column_stack([da, -db])
    if abs(np.linalg.det(m)) < 1e-6:
        return None
    meet = la[0] + np.linalg.solve(m, lb[0] - la[0])[0] * da
    if np.linalg.norm(meet - hook) > MEET_MM * px_per_mm:
        return None
    offset = []
    for line, nock in ((la, nocks[0]), (lb, nocks[1])):
        e = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
        offset.append(float((nock - line[0]) @ np.array([-e[1], e[0]])))
    # a line seen over a small part of its length fixes its end less well
    u = float(np.hypot(scatter_a / np.sqrt(STRETCHES * ca), scatter_b / np.sqrt(STRETCHES * cb)) + LEAST_U_PX)
    faint = max(0.0, FAINT - min(ca, cb)) / FAINT
    u += FAINT_U_MM * px_per_mm * faint  # a line followed over a small part of its length may be another line
    lines = (np.array([la[0], meet]), np.array([lb[0], meet]))
    return DrawnString(meet, lines, u, (ca, cb), (offset[0], offset[1]), 1 in pick[:2], merit)


def find_braced_string(light: NDArray[np.uint16], maps: FinderMaps, nocks: Array, px_per_mm: float) -> tuple[Array, float] | None:
    """The braced string's straight line, (2, 2) px from near the upper nock to near the lower, and the share of its length that
    shows; None when not seen, or when a plank's joint or a ruled line beside it may as well be the string."""
    fine, *coarse = _between(light, maps, nocks, px_per_mm)
    # the ground between two lines is a line as well to a coarser look, if hardly plainer than they are to the finer
    r = next((r for r in coarse if r.table.max() > fine.table.max() + COARSER), fine)
    line, seen, scatter = _straightest(r)
    return (line, seen) if np.isfinite(scatter) and seen > FAINT and not _has_rival(r) else None


def line_between(light: NDArray[np.uint16], maps: FinderMaps, nocks: Array, px_per_mm: float) -> tuple[Array, float, float]:
    """The straight line that runs nearest from nock to nock: (2, 2) px, the share of its length that shows, and how far what
    shows lies off it, px (NaN where too little does)."""
    return max((_straightest(r) for r in _between(light, maps, nocks, px_per_mm)), key=lambda found: found[1])


def _between(light: NDArray[np.uint16], maps: FinderMaps, nocks: Array, px_per_mm: float) -> list[_Ridges]:
    return [_ridges(_beside(light, maps, nocks[0], nocks[1], grain)) for grain in grains_of(px_per_mm)]


def likely_braced(light: NDArray[np.uint16], maps: FinderMaps, limbs: tuple[Array, Array], px_per_mm: float) -> list[Array]:
    """Where a braced string may run from one limb to the other: its two ends (2, 2) px, the likeliest first.

    Parameters
    ----------
    limbs : (N, 2), (M, 2) px, places along the upper and the lower limb and past their ends, where it may start.
    """
    grain = grains_of(px_per_mm)[-1]
    start, end = (limb[len(limb) // 2] for limb in limbs)
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    normal = np.array([-along[1], along[0]])
    # each place, in the frame of the line between the middle ones: along it from its start, as a share, and beside it in grains
    share, aside = zip(*(((limb - start) @ along / length, (limb - start) @ normal / grain) for limb in limbs), strict=True)
    q = _beside(light, maps, start, end, grain, int(max(np.abs(b).max() for b in aside) / _FINE) + 2 * _ARM)
    evidence = np.minimum(_over_ground(q, LIGHT), _PLAIN_NOISES) / _PLAIN_NOISES + q.hint
    evidence = ndimage.maximum_filter1d(evidence, _PLACES_APART, axis=2)
    blocks, columns = q.hint.shape
    part = (q.share - share[0][:, None, None]) / (share[1][None, :, None] - share[0][:, None, None])
    beside = aside[0][:, None, None] * (1 - part) + aside[1][None, :, None] * part
    column = np.clip(np.round(beside / _FINE).astype(np.intp) + columns // 2, 0, columns - 1)
    merit = np.max([e[np.arange(blocks), column].mean(2) for e in evidence], axis=0)
    peaks = np.argwhere(merit >= ndimage.maximum_filter(merit, PEAK_PLACES, mode="nearest"))
    peaks = peaks[np.argsort(-merit[peaks[:, 0], peaks[:, 1]])][:CANDIDATES]
    return [np.array([limbs[0][i], limbs[1][j]]) for i, j in peaks]


def normal_of(line: Array) -> Array:
    """Unit normal (2,) of a line (2, 2) px, to the right of the way from its start to its end."""
    x, y = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    return np.array([-y, x])


def alongside(light: NDArray[np.uint16], maps: FinderMaps, line: Array, px_per_mm: float) -> Array:
    """How far beside a line (2, 2) px others run along it: (K,) px, + to the right of the way from its start to its end."""
    grain = grains_of(px_per_mm)[-1]
    q = _beside(light, maps, line[0], line[1], grain, int(ALONGSIDE_MM * px_per_mm / grain / _FINE) + _ARM)
    evidence = np.minimum(_over_ground(q, LIGHT), _PLAIN_NOISES) / _PLAIN_NOISES
    shown = ndimage.maximum_filter1d(evidence, _PLACES_APART, axis=2).mean(1)
    peaks = [signal.find_peaks(v, height=float(np.median(v)) + STANDS_OUT, distance=LINES_APART)[0] for v in shown]
    off = grain * q.offsets[np.concatenate(peaks)]
    return np.asarray(off[np.abs(off) > grain * _ARM * _FINE])


def line_beside(
    light: NDArray[np.uint16], maps: FinderMaps, line: Array, off_px: float, px_per_mm: float
) -> tuple[Array, float] | None:
    """The straight line (2, 2) px that runs ``off_px`` beside another, and the share of it that shows; None where none does."""
    normal = normal_of(line)
    found = [_straightest(r, abs(off_px) / 2) for r in _between(light, maps, line + off_px * normal, px_per_mm)]
    shown = [(at, seen) for at, seen, scatter in found if np.isfinite(scatter)]
    apart = [np.abs((at - line) @ normal / off_px - 1).max() < TOGETHER for at, _ in shown]
    return max((one for one, parallel in zip(shown, apart, strict=True) if parallel), key=lambda one: one[1], default=None)


def _straightest(r: _Ridges, within_px: float = np.inf) -> tuple[Array, float, float]:
    """``within_px``: of the guess, that the line's end lies."""
    near = np.where(np.abs(r.grain * _END) < within_px, r.table, -np.inf)
    sign, end = np.unravel_index(int(np.argmax(near)), near.shape)
    return _settle(r, int(sign), int(end))


def _has_rival(r: _Ridges) -> bool:
    """Whether a line elsewhere shows as well as the best one, lighter or darker than what is behind it."""
    best = np.unravel_index(int(np.argmax(r.table)), r.table.shape)
    peak = r.table >= ndimage.maximum_filter1d(r.table, RIVAL_STEPS, axis=1)
    apart = np.maximum(np.abs(r.best_start - r.best_start[best]), np.abs(_END - _END[best[1]]))
    apart_at_least = max(RIVAL_APART_PX / r.grain, _ARM * _FINE)
    return bool((peak & (r.table > r.table[best] - RIVAL_LINE) & (apart > apart_at_least)).any())

"""The drawn outline held against the picture once more: is there an edge where the line says one is?

The edges were placed where the networks proposed them. Here the picture alone is asked: across every place of the outline, how
large is the step in colour, and does the steepest change lie at the line?
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.photo.light import FULL, sample

Array = NDArray[np.float64]

REACH_PX, REACH_SHARE = 5.0, 0.3  # looked at across the line, at either side; of the limb's thickness where that is more
ON_LINE_PX, ON_LINE_SHARE = 2.0, 0.08  # how far from the line its edge may lie
ALONG = 5  # places of the outline taken together: an edge runs along the limb, the ground's pattern does not
SLOPE_SIGMA = 1.5  # samples of half a pixel, of the derivative across the line
STEEP = 0.5  # of the steepest change across the line, that the one at the line must reach
LEAST_STEP, LEAST_SHARE = 0.025, 0.2  # of full brightness (square root of light), and of the outline's usual step
SIDES = ("back", "belly")


@dataclass(frozen=True, eq=False)
class Proof:
    """``step`` (2, N): how far the colour changes across the back's and the belly's line, place by place, 0 ... 1; ``seen``
    (2, N): whether an edge is there. NaN and False where there is no line."""

    step: Array
    seen: NDArray[np.bool_]

    def share(self, a: int, b: int) -> float:
        """Of the outline between two places, both sides together, that shows as an edge."""
        return float(self.seen[:, a:b].mean()) if b > a else 1.0

    @property
    def whole(self) -> float:
        """Of the whole outline, both sides together, the share that shows as an edge."""
        return self.share(0, self.seen.shape[1])

    def weaker_side(self, a: int, b: int) -> str:
        """The side, "back" or "belly", whose line shows less between two places."""
        seen, step = self.seen[:, a:b].mean(axis=1), np.nanmean(np.nan_to_num(self.step[:, a:b]), axis=1)
        return SIDES[int(np.lexsort((step, seen))[0])]


def prove(light: NDArray[np.uint16], back_px: Array, belly_px: Array) -> Proof:
    """Hold both silhouettes (N, 2) px against linear light (H, W, 3)."""
    across = belly_px - back_px
    thick = np.linalg.norm(across, axis=1)
    known = np.isfinite(thick) & (thick > 1.0)
    n = len(back_px)
    step, seen = np.full((2, n), np.nan), np.zeros((2, n), bool)
    if known.sum() < 2 * ALONG:
        return Proof(step, seen)
    usual = float(np.median(thick[known]))
    reach, on_line = max(REACH_PX, REACH_SHARE * usual), max(ON_LINE_PX, ON_LINE_SHARE * usual)
    off = np.arange(-reach, reach + 0.01, 0.5)  # inward positive
    inward = across[known] / thick[known, None]
    inward = ndimage.gaussian_filter1d(inward, 3.0, axis=0, mode="nearest")
    inward /= np.linalg.norm(inward, axis=1, keepdims=True)
    for k, (edge, way) in enumerate(((back_px[known], inward), (belly_px[known], -inward))):
        v = np.sqrt(sample(light, edge[:, None] + off[:, None] * way[:, None]) / FULL)
        v = ndimage.uniform_filter1d(v, ALONG, axis=0, mode="nearest")
        slope = np.linalg.norm(ndimage.gaussian_filter1d(v, SLOPE_SIGMA, axis=1, order=1, mode="nearest"), axis=2)
        here = slope[:, np.abs(off) <= on_line].max(axis=1)
        jump = np.linalg.norm(v[:, off >= reach / 2].mean(axis=1) - v[:, off <= -reach / 2].mean(axis=1), axis=1)
        step[k, known] = jump
        seen[k, known] = here >= STEEP * slope.max(axis=1)
    least = max(LEAST_STEP, LEAST_SHARE * float(np.nanmedian(step)))
    return Proof(step, seen & (np.nan_to_num(step) > least))


@dataclass(frozen=True)
class Doubtful:
    """A stretch of a limb along which the line may not lie on the wood.

    ``share``: from and to, of the limb's length from its nock; ``amount``: of the limb's length that is unseen, or of its
    thickness that the line jumps by; ``why`` which of the two it is.
    """

    limb: str
    side: str
    share: tuple[float, float]
    why: str
    amount: float


# Of a limb: beside its nock the string hides it, and at its root the belly turns into the fade.
NOCK_SHARE, ROOT_SHARE = 0.04, {"back": 0.02, "belly": 0.12}
UNSEEN_DOUBT, UNSEEN_ASK = 0.2, 0.5  # of a limb's length, on one side
JUMP_DOUBT = 0.25  # of its thickness: a limb's back has no steps
JUMP_PLACES, JUMP_GAP, JUMP_LEAST = 12, 2, 6  # from a step, to where and from where on its line is looked at; of those, how many


def doubtful_stretch(proof: Proof, back_px: Array, belly_px: Array, handle: tuple[int, int]) -> Doubtful | None:
    """The worst stretch of the two limbs: no edge at the line for long, or a step in the line of a back; None where all is well.

    ``handle``: its first and last place of the N.
    """
    n = len(back_px)
    steps = _steps(back_px, belly_px)
    worst: Doubtful | None = None
    for limb, nock, root in (("upper", 0, handle[0]), ("lower", n - 1, handle[1])):
        length = abs(root - nock)
        if length < 4 * JUMP_PLACES:
            continue
        for k, side in enumerate(SIDES):
            share = np.linspace(NOCK_SHARE, 1 - ROOT_SHARE[side], length)
            at = np.round(nock + share * (root - nock)).astype(int)
            around = np.r_[-1, np.nonzero(proof.seen[k, at])[0], length]
            longest = int(np.argmax(np.diff(around)))
            first, last = int(around[longest]) + 1, int(around[longest + 1]) - 1
            gap = float(share[last] - share[first]) if last > first else 0.0
            if gap > UNSEEN_DOUBT and (worst is None or gap / UNSEEN_DOUBT > _weight(worst)):
                worst = Doubtful(limb, side, (float(share[first]), float(share[last])), "unseen", gap)
        share = np.linspace(NOCK_SHARE, 1 - ROOT_SHARE["back"], length)
        step = np.asarray(steps[np.round(nock + share * (root - nock)).astype(int)])
        top = int(np.argmax(step))
        if step[top] > JUMP_DOUBT and (worst is None or step[top] / JUMP_DOUBT > _weight(worst)):
            reach = JUMP_PLACES / length
            span = (max(0.0, float(share[top]) - reach), min(1.0, float(share[top]) + reach))
            worst = Doubtful(limb, "back", span, "jump", float(step[top]))
    return worst


def _weight(d: Doubtful) -> float:
    return d.amount / (UNSEEN_DOUBT if d.why == "unseen" else JUMP_DOUBT)


def _steps(edge_px: Array, other_px: Array) -> Array:
    """By how much of the limb's thickness the line steps aside at each place."""
    thick = np.linalg.norm(edge_px - other_px, axis=1)
    if not np.isfinite(thick).any():
        return np.zeros(len(edge_px))
    return np.abs(steps_aside(edge_px)) / float(np.nanmedian(thick))


def steps_aside(line: Array) -> Array:
    """By how much a line (N, 2), NaN where it isn't known, steps to one side (+) or the other at each place, in its own unit:
    straight lines through the places before it and after it, carried on to it; 0 where too few are known."""
    out = np.zeros(len(line))
    known = np.asarray(np.isfinite(line).all(axis=1), bool)
    middles = np.arange(JUMP_PLACES, len(line) - JUMP_PLACES)[:, None]
    before, after = middles + np.arange(-JUMP_PLACES, -JUMP_GAP + 1), middles + np.arange(JUMP_GAP, JUMP_PLACES + 1)
    enough = np.minimum(known[before].sum(axis=1), known[after].sum(axis=1)) >= JUMP_LEAST
    places = [(line[some[enough]], known[some[enough]]) for some in (before, after)]
    p, q = (_mean(at, seen) for at, seen in places)
    along = q - p
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    ends = [_carried(at, seen, (p + q) / 2, along) for at, seen in places]
    out[middles[enough, 0]] = ends[1] - ends[0]
    return out


def _mean(values: Array, known: NDArray[np.bool_]) -> Array:
    """Of the known ones of each row, (M, places) or (M, places, 2)."""
    return np.asarray(np.mean(values, axis=1, where=known.reshape(known.shape + (1,) * (values.ndim - 2))))


def _carried(part: Array, known: NDArray[np.bool_], here: Array, along: Array) -> Array:
    """How far beside each place ``here`` (M, 2), across the unit ``along`` (M, 2), the straight line through the known ones of
    some places (M, places, 2) passes."""
    from_here = part - here[:, None]
    x = (from_here * along[:, None]).sum(axis=2)
    y = from_here[..., 1] * along[:, :1] - from_here[..., 0] * along[:, 1:]
    x0, y0 = _mean(x, known), _mean(y, known)
    x, y = np.where(known, x - x0[:, None], 0.0), np.where(known, y - y0[:, None], 0.0)
    return np.asarray(y0 - (x * y).sum(axis=1) / np.maximum((x**2).sum(axis=1), 1e-9) * x0)

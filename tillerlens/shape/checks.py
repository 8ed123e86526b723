"""Does the traced shape hang together as a bow? What does not is asked about, never printed as a number."""

from __future__ import annotations

import numpy as np

from tillerlens.core.errors import NeedsHelp, Reason
from tillerlens.shape.bow_shape import BowShape, LimbFit
from tillerlens.trace.path import CLICKS

THICKNESS_RATIO = 1.5  # one limb over the other, at like places (common practice: limbs are made alike; a broad face may show)
ROOT_SHARE = 0.25  # of the limb's thickness: how far a limb's root may stand off the handle's line
# Where a limb was traced well it leaves its handle within a few degrees; handles are carved, spliced and bent to more (common
# practice, no source).
ROOT_SLOPE = np.radians(8.0)
BACKWARD_PER_MM = 2.5e-3  # a strung limb may keep some reflex, never a bend of a foot's radius towards the back
LENGTH_OFF_U = 5.5  # so far off, what was followed is not the whole bow or what was typed is not its length
DIFFERS_U = 3.0  # so far off, the length and what was followed are said to differ
LEAST_ROOT = 0.9  # of the limb's greatest thickness, at its root
LIKE_ROOTS = 1.25  # one limb's thickness beside the handle over the other's, at the most, of what it is further out
OUTER = 0.6  # of a limb's length from its nock: as far as its root does not reach
SHARPEST_PER_MM = 1 / 150.0  # tighter bends than a six-inch radius are not a limb's
HALF_SHOWN = 0.12  # of a limb's length at either side of a doubtful place, that is marked

_HOW = "Click the two nocks and the middle of the handle, or retake with even light and the bow clear of other things."


def thinner_inward(s: BowShape) -> dict[str, tuple[float, float]]:
    """Limbs that look thinner at their root than further out, which no limb is (common practice: thickness falls steadily from
    the handle): limb -> (how much, mm; from what share of its length on, nock = 0). There wood was lost on the ground."""
    out = {}
    for name, m in (("upper", s.upper), ("lower", s.lower)):
        share = np.linspace(0.3, 0.97, 68)
        thick = np.interp(share * m.from_nock_mm[-1], m.from_nock_mm, m.thickness_mm)
        if thick[-1] < LEAST_ROOT * thick.max():
            out[name] = (float(thick.max() - thick[-1]), float(min(share[int(np.argmax(thick))], 0.9)))
    return out


def roots_unlike(s: BowShape) -> dict[str, tuple[float, float]]:
    """The limb that grows thicker toward the handle than the other does, by more than limbs made alike differ (``LIKE_ROOTS``).

    A line behind its root may have been taken for its edge, or wood of the other's lost. Where the two differ along all of their
    length one is the stouter, and no edge is in doubt. Returns limb -> (by how much, mm; from what share of its length on).
    """
    share = np.linspace(0.3, 0.97, 68)
    found: list[tuple[float, str, float]] = []
    for of in (lambda m: m.thickness_mm, lambda m: m.apparent_mm):
        up, low = (np.interp(share * m.from_nock_mm[-1], m.from_nock_mm, of(m)) for m in (s.upper, s.lower))
        ratio = up / low / np.median((up / low)[share < OUTER])
        name, ratio, thick = ("upper", ratio, up) if ratio[-1] > 1 else ("lower", 1 / ratio, low)
        if ratio[-1] <= LIKE_ROOTS:
            return {}
        like = np.nonzero(ratio < 1 + (LIKE_ROOTS - 1) / 2)[0]
        found.append((float(thick[-1] * (1 - 1 / ratio[-1])), name, float(share[like[-1]]) if len(like) else float(share[0])))
    mm, name, start = min(found)
    return {name: (mm, min(start, 0.9))}


def check_shape(s: BowShape, length_off_u: float) -> None:
    """Raise ``NeedsHelp`` when what was followed is not the whole bow, or its two edges cannot both be the bow's."""
    if abs(length_off_u) > LENGTH_OFF_U:
        raise NeedsHelp(
            "The traced bow is much {} than the length typed.".format("longer" if length_off_u < 0 else "shorter"),
            "Check the length nock to nock and the marks' distances, or click the two nocks.",
            clicks=CLICKS,
            off_u=length_off_u,
            fault="length",
            length_mm=s.length_mm,
        )
    share = np.array([0.25, 0.5, 0.75])
    # An edge taken wrongly shows in what was seen; what only the broad face taken off makes differ is in the interval.
    ways = [
        [np.interp(share * m.from_nock_mm[-1], m.from_nock_mm, thick) for m, thick in pair]
        for pair in (
            [(m, m.thickness_mm) for m in (s.upper, s.lower)],
            [(m, m.apparent_mm) for m in (s.upper, s.lower)],
        )
    ]
    apart = np.min([np.abs(np.log(a / b)) for a, b in ways], axis=0)
    up, low = ways[1]
    ratio = float(np.exp(np.max(apart)))
    if ratio > THICKNESS_RATIO:
        worst = float(share[int(np.argmax(apart))])
        thick = "upper" if up.mean() > low.mean() else "lower"
        raise NeedsHelp(
            f"The {thick} limb looks {ratio:.1f} times as thick as the other: a shadow or line may have been taken for its edge.",
            _HOW,
            clicks=CLICKS,
            fault="edge",
            limb=thick,
            share=(worst - HALF_SHOWN, worst + HALF_SHOWN),
        )
    for name, m in (("upper", s.upper), ("lower", s.lower)):
        step = abs(float(m.curve.xy[-1, 1]))
        if step > ROOT_SHARE * float(m.thickness_mm[-1]) + 1.0:
            raise NeedsHelp(
                f"The {name} limb does not meet the handle where it was traced ({step:.0f} mm apart).",
                _HOW,
                clicks=CLICKS,
                step_mm=step,
                fault="edge",
                limb=name,
                share=(1 - 2 * HALF_SHOWN, 1.0),
            )
        tangent = m.curve.tangent[-1]
        slope = float(np.arctan2(abs(tangent[1]), abs(tangent[0])))
        if slope > ROOT_SLOPE or float(m.curve.curvature[5:-3].min()) < -BACKWARD_PER_MM:
            root = slope > ROOT_SLOPE
            raise NeedsHelp(
                f"The {name} limb leaves the handle in a way no limb does where it was traced: something beside it was followed.",
                _HOW,
                clicks=CLICKS,
                slope_rad=slope,
                fault="edge",
                limb=name,
                share=(1 - 2 * HALF_SHOWN, 1.0) if root else _around(m, int(np.argmin(m.curve.curvature[5:-3])) + 5),
            )
        bends = np.abs(m.curve.curvature[3:-3])
        sharp = float(np.max(bends))
        if sharp > SHARPEST_PER_MM:
            raise NeedsHelp(
                f"The {name} limb was traced with a bend no limb has: something else was followed.",
                _HOW,
                clicks=CLICKS,
                per_mm=sharp,
                fault="edge",
                limb=name,
                share=_around(m, int(np.argmax(bends)) + 3),
            )


def _around(m: LimbFit, at: int) -> tuple[float, float]:
    """The stretch about one of a limb's samples, as shares of its length from the nock."""
    share = float(np.clip(m.from_nock_mm[at] / m.from_nock_mm[-1], 0.0, 1.0))
    return max(0.0, share - HALF_SHOWN), min(1.0, share + HALF_SHOWN)


def scale_doubts(squared: bool, length_off_u: float) -> list[Reason]:
    """Doubts of any view: marks that don't square the picture, and a length (``length_off_u`` standard uncertainties off, + where
    the bow looks too short) that contradicts them."""
    out = []
    if not squared:
        out.append(
            Reason(
                "not_squared",
                "These marks give the scale but cannot square the picture, so the intervals are wide.",
                "Put four marks or printed tags on the board for sharp numbers.",
            )
        )
    if abs(length_off_u) > DIFFERS_U:
        out.append(
            Reason(
                "length_differs",
                f"The traced bow is clearly {'shorter' if length_off_u > 0 else 'longer'} than the length typed.",
                "Check the bow's length nock to nock, the marks' distances and the stand-off.",
            )
        )
    return out

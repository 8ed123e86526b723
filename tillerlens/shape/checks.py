"""Is the computed shape a bow's? If not, ask for help; if doubtful, say so."""

from __future__ import annotations

import numpy as np

from tillerlens.core.errors import Ask, NeedsHelp, Reason
from tillerlens.core.measurement import LIMBS
from tillerlens.core.shot import Shot
from tillerlens.core.units import format_inches
from tillerlens.shape.bow_shape import BEYOND_MM, BowShape, LimbFit, ShapeLayout
from tillerlens.shape.evidence import grip_seen
from tillerlens.shape.nocks import to_px
from tillerlens.shape.placing import Placed
from tillerlens.shape.settle import LOST_MM, LOST_U_MM, Settled
from tillerlens.trace.outline import EVERY
from tillerlens.trace.path import CLICKS
from tillerlens.trace.reading import NOCKS
from tillerlens.trace.string import FAINT
from tillerlens.trace.trace import Trace
from tillerlens.trace.verify import Proof

THICKNESS_RATIO = 1.5  # one limb over the other, at like places (common practice: limbs are made alike; a broad face may show)
COMPARED_AT = np.array([0.25, 0.5, 0.75])  # of each limb's length from its nock, where their thickness is compared
# Beside its handle over its middle (on 139 rendered pictures with known outlines at most 1.7; common practice: a third more).
TAPERED, ROOT_AT, MIDDLE_AT = 1.9, np.array([0.88, 0.93, 0.98]), np.linspace(0.3, 0.6, 7)
ROOT_SHARE, ROOT_MM = 0.25, 1.0  # of the limb's thickness, and beside: how far a limb's root may stand off the handle's line
# Where a limb was traced well it leaves its handle within a few degrees; handles are carved, spliced and bent to more (common
# practice, no source).
ROOT_SLOPE = np.radians(8.0)
# A strung limb may keep some reflex, never a bend of this radius towards the back but in its outer part, where recurves are bent;
# an unstrung one may be as crooked as its stave (common practice, no source). There its edges must show, by so much.
BACKWARD_PER_MM, RECURVED, SHOWS = 2.5e-3, 0.4, 0.85
# Beyond the one the length and the trace are reported to differ; beyond the other either the trace is not the whole bow or what
# was typed is wrong. Where marks square the picture the first is a quarter of an inch. Else it is so much that the bow is asked
# for, unless both nocks are clicked: a shelf's edge was measured that lay between the two.
DIFFERS_U, LENGTH_OFF_U = 3.0, 5.5
# Of a side view: median thickness of a board at the least, and what share of it its outer eighths have (common practice).
BOARD_MM, END_SHARE, AS_THICK = 24.0, 8, 0.93
LEAST_ROOT = 0.9  # of the limb's greatest thickness, at its root
LIKE_ROOTS = 1.25  # one limb's thickness beside the handle over the other's, at the most, of what it is further out
OUTER = 0.6  # of a limb's length from its nock: as far as its root does not reach
THICKNESS_AT = np.linspace(0.3, 0.97, 68)  # of the limb's length from its nock: further out a knob or a tip may be thicker
MOST_INNER = 0.9  # of the limb's length: further in no loss of wood begins
SHARPEST_PER_MM = 1 / 150.0  # tighter bends than a six-inch radius are not a limb's
NOCK_SAMPLES, ROOT_SAMPLES = 3, 3  # at a limb's ends, where its spline's bend is worth little; backward ones
BACKWARD_NOCK_SAMPLES = 5  # a tip may be bent back
HALF_SHOWN = 0.12  # of a limb's length at either side of a doubtful place, that is marked
CROOKED_MM = 2.0  # rms of a handle's back about its straight line, beyond which it isn't straight
LEFT_OUT = "stretch_left_out"  # the code of that doubt
SURE = 0.9  # posterior probability from which a supposition is reported
HANDLE_KNOWN_MM = 4.0  # a standard uncertainty of the handle's place below which the limbs' difference is sharp
OBLIQUE_RAD = np.radians(25)
MOST_LOST_MM = 2 * LOST_U_MM - LOST_MM  # of its nock, that a tip lost on a ground of its own colour may end
MOST_SHORT_MM = 0.75 * BEYOND_MM  # the same where the length agrees; the rest is room for how unsure the nock is

_HOW = "Click the two nocks and the middle of the handle, or retake with even light and the bow clear of other things."


def check_shape(s: BowShape, settled: Settled, shot: Shot, proof: Proof, zones: dict[str, tuple[int, int]]) -> None:
    """Raise ``NeedsHelp`` when what was followed is not the whole bow, or its two edges cannot both be the bow's.

    Parameters
    ----------
    s, settled : the shape, and the estimate that it was computed from.
    shot : what was typed and clicked.
    proof, zones : where the outline shows as an edge, and the limbs' stations in it.
    """
    length_off_u = settled.length_off_u
    clicked = {"nock_upper", "nock_lower"} <= set(shot.clicks)
    if abs(length_off_u) > (LENGTH_OFF_U if clicked or settled.fit.squared else DIFFERS_U):
        raise NeedsHelp(
            "The traced bow is clearly {} than the length typed.".format("longer" if length_off_u < 0 else "shorter"),
            "Check the length nock to nock and the marks' distances, or click the two nocks.",
            clicks=CLICKS,
            off_u=length_off_u,
            fault="length",
            length_mm=s.length_mm,
        )
    _check_thickness(s)
    for name, limb in zip(LIMBS, (s.upper, s.lower), strict=True):
        _check_root(name, limb)
        _check_backward(name, limb, shot.state != "unstrung", proof, zones[name])
        first = max(NOCK_SAMPLES, _on_limb(limb))
        bends = np.abs(limb.curve.curvature[first:-ROOT_SAMPLES])
        if (sharp := float(np.max(bends))) > SHARPEST_PER_MM:
            raise NeedsHelp(
                f"The {name} limb was traced with a bend no limb has: something else was followed.",
                _HOW,
                clicks=CLICKS,
                per_mm=sharp,
                fault="edge",
                limb=name,
                share=_around(limb, int(np.argmax(bends)) + first),
            )


def check_tapers(trace: Trace, shot: Shot) -> None:
    """Raise ``NeedsHelp`` where a bow at rest, followed without clicks, is as thick as a board and as even: it may be one.

    A limb that shows its broad face is as thick, but tapers; a side that doesn't taper is thinner."""
    if shot.state != "unstrung" or set(NOCKS) & set(shot.clicks):
        return
    thick = np.linalg.norm(trace.back_px - trace.belly_px, axis=1) / trace.px_per_mm
    limbs = [thick[slice(*trace.zones[name])][::way] for name, way in zip(LIMBS, (1, -1), strict=True)]
    ends = [limb[: len(limb) // END_SHARE] for limb in limbs]
    ends, known = ([part[np.isfinite(part)] for part in parts] for parts in (ends, limbs))
    if not all(map(len, ends)):  # no end shows how thick it is
        return
    whole = float(np.median(np.concatenate(known)))
    if whole > BOARD_MM and min(float(np.median(end)) for end in ends) > AS_THICK * whole:
        raise NeedsHelp(
            f"What was followed is {format_inches(whole)} thick from end to end: most likely a board, not a limb.",
            "Click the two nocks on the bow.",
            clicks=CLICKS,
            fault="click",
            wants=NOCKS[0],
            place_px=(float(trace.tips_px[0][0]), float(trace.tips_px[0][1])),
        )


def check_reach(placed: Placed, s: BowShape) -> None:
    """Raise ``NeedsHelp`` where a limb was followed to so far short of its nock that the rest of it was never seen.

    The curve is not carried on so far, and the numbers would stand on a nock in the wrong place. Where the bow looks clearly too
    short as well, the end is more likely another thing's than a lost tip's."""
    most_mm = MOST_LOST_MM if placed.settled.length_off_u > DIFFERS_U else MOST_SHORT_MM
    for k, name in enumerate(LIMBS):
        short_mm = -placed.settled.overhang_mm[k]
        if short_mm > most_mm:
            (x, y) = to_px(placed.evidence, s, s.nocks_mm)[k]
            raise NeedsHelp(
                f"The {name} limb could only be followed to {format_inches(short_mm)} short of its nock.",
                f"Click the {name} nock, where the string sits, or retake with something plain of another colour behind the tip.",
                clicks=CLICKS,
                short_mm=short_mm,
                fault="click",
                wants=f"nock_{name}",
                place_px=(float(x), float(y)),
            )


def _check_thickness(s: BowShape) -> None:
    """A wrong edge shows in the apparent thickness too; a difference by the broad face's correction alone is in the interval."""

    def at(limb: LimbFit, thick: np.ndarray) -> np.ndarray:
        return np.interp(COMPARED_AT * limb.from_nock_mm[-1], limb.from_nock_mm, thick)

    limbs = (s.upper, s.lower)
    up, low = (at(m, m.apparent_mm) for m in limbs)
    own_up, own_low = (at(m, m.thickness_mm) for m in limbs)
    apart = np.minimum(np.abs(np.log(own_up / own_low)), np.abs(np.log(up / low)))
    ratio = float(np.exp(np.max(apart)))
    if ratio > THICKNESS_RATIO:
        worst = float(COMPARED_AT[int(np.argmax(apart))])
        thick = "upper" if up.mean() > low.mean() else "lower"
        raise NeedsHelp(
            f"The {thick} limb looks {ratio:.1f} times as thick as the other: a shadow or line may have been taken for its edge.",
            _HOW,
            clicks=CLICKS,
            fault="edge",
            limb=thick,
            share=(worst - HALF_SHOWN, worst + HALF_SHOWN),
        )
    for name, m in zip(LIMBS, limbs, strict=True):
        root, middle = (
            np.array(
                [np.median(np.interp(at * m.from_nock_mm[-1], m.from_nock_mm, of)) for of in (m.apparent_mm, m.thickness_mm)]
            )
            for at in (ROOT_AT, MIDDLE_AT)
        )
        if (ratio := float(np.min(root / middle))) > TAPERED:
            raise NeedsHelp(
                f"The {name} limb looks {ratio:.1f} times as thick beside the handle as in its middle: "
                "a shadow may pass for its edge.",
                _HOW,
                clicks=CLICKS,
                fault="edge",
                limb=name,
                share=(1 - 2 * HALF_SHOWN, 1.0),
            )


def _check_root(name: str, limb: LimbFit) -> None:
    at_root = (1 - 2 * HALF_SHOWN, 1.0)
    step = abs(float(limb.curve.xy[-1, 1]))
    if step > ROOT_SHARE * float(limb.thickness_mm[-1]) + ROOT_MM:
        raise NeedsHelp(
            f"The {name} limb does not meet the handle where it was traced ({step:.0f} mm apart).",
            _HOW,
            clicks=CLICKS,
            step_mm=step,
            fault="edge",
            limb=name,
            share=at_root,
        )
    tangent = limb.curve.tangent[-1]
    slope = float(np.arctan2(abs(tangent[1]), abs(tangent[0])))
    if slope > ROOT_SLOPE:
        raise NeedsHelp(
            f"The {name} limb leaves the handle in a way no limb does where it was traced: something beside it was followed.",
            _HOW,
            clicks=CLICKS,
            slope_rad=slope,
            fault="edge",
            limb=name,
            share=at_root,
        )


def _check_backward(name: str, limb: LimbFit, strung: bool, proof: Proof, zone: tuple[int, int]) -> None:
    first = max(BACKWARD_NOCK_SAMPLES, _on_limb(limb))
    at = int(np.argmin(limb.curve.curvature[first:-ROOT_SAMPLES])) + first
    if limb.curve.curvature[at] >= -BACKWARD_PER_MM:
        return
    stretch = _around(limb, at)
    a, b = zone
    shares = stretch if name == "upper" else (1 - stretch[1], 1 - stretch[0])
    shown = proof.share(*(round(a + share * (b - a)) for share in shares))
    if shown < SHOWS or (strung and limb.from_nock_mm[at] > RECURVED * limb.from_nock_mm[-1]):
        raise NeedsHelp(
            f"The {name} limb was traced with a bend toward its back that no limb has: something beside it was followed.",
            _HOW,
            clicks=CLICKS,
            per_mm=float(limb.curve.curvature[at]),
            shown=shown,
            fault="edge",
            limb=name,
            share=stretch,
        )


def _on_limb(limb: LimbFit) -> int:
    """The first of a limb's samples that lies between its nock and the handle: those before carry the curve on unseen."""
    return int(np.searchsorted(limb.from_nock_mm, 0.0))


def _around(m: LimbFit, at: int) -> tuple[float, float]:
    """The stretch about one of a limb's samples, as shares of its length from the nock."""
    share = float(np.clip(m.from_nock_mm[at] / m.from_nock_mm[-1], 0.0, 1.0))
    return max(0.0, share - HALF_SHOWN), min(1.0, share + HALF_SHOWN)


def thinner_inward(s: BowShape) -> dict[str, tuple[float, float]]:
    """Limbs that look thinner at their root than further out: limb -> (by how much, mm; from what share of its length, nock = 0).

    No limb is made so (common practice: thickness falls steadily from the handle): there the edge was lost on the ground.
    """
    out = {}
    for name, m in zip(LIMBS, (s.upper, s.lower), strict=True):
        thick = np.interp(THICKNESS_AT * m.from_nock_mm[-1], m.from_nock_mm, m.thickness_mm)
        if thick[-1] < LEAST_ROOT * thick.max():
            out[str(name)] = (float(thick.max() - thick[-1]), float(min(THICKNESS_AT[int(np.argmax(thick))], MOST_INNER)))
    return out


def roots_unlike(s: BowShape) -> dict[str, tuple[float, float]]:
    """The limb that grows thicker toward the handle than the other does, by more than limbs made alike differ (``LIKE_ROOTS``).

    A line behind its root may have been taken for its edge, or wood of the other's lost. Where the two differ along all of their
    length one is the stouter, and no edge is in doubt. Returns limb -> (by how much, mm; from what share of its length on).
    """
    found: list[tuple[float, str, float]] = []
    for of in (lambda m: m.thickness_mm, lambda m: m.apparent_mm):
        up, low = (np.interp(THICKNESS_AT * m.from_nock_mm[-1], m.from_nock_mm, of(m)) for m in (s.upper, s.lower))
        ratio = up / low / np.median((up / low)[THICKNESS_AT < OUTER])
        name, ratio, thick = ("upper", ratio, up) if ratio[-1] > 1 else ("lower", 1 / ratio, low)
        if ratio[-1] <= LIKE_ROOTS:
            return {}
        like = np.nonzero(ratio < 1 + (LIKE_ROOTS - 1) / 2)[0]
        start = float(THICKNESS_AT[like[-1]]) if len(like) else float(THICKNESS_AT[0])
        found.append((float(thick[-1] * (1 - 1 / ratio[-1])), name, start))
    mm, name, start = min(found)
    return {name: (mm, min(start, MOST_INNER))}


def doubtful_roots(s: BowShape) -> dict[str, tuple[float, float]]:
    """The limbs whose root has an edge in doubt, as ``thinner_inward`` tells them, else as ``roots_unlike``: one finding."""
    return thinner_inward(s) or roots_unlike(s)


def placing_doubts(placed: Placed) -> tuple[Reason, ...]:
    """Doubts of where the nocks and the handle's centre lie."""
    return _nock_doubts(placed.settled) + _limb_doubts(placed)


def _nock_doubts(settled: Settled) -> tuple[Reason, ...]:
    past, lost = settled.shares.get("past", 0.0), settled.shares.get("lost", 0.0)
    if max(past, lost) > SURE:
        end = "The limbs seem to end past" if past > lost else "A limb seems to end short of"
        text = f"{end} the {'nocks' if past > lost else 'nock'} that the bow's length gives. The nocks were placed by the length."
        remedy = "Check the length nock to nock; tape of a light colour at the nocks makes them show."
        return (Reason("nocks_by_length", text, remedy),)
    if max(past, lost) > 1 - SURE:
        text = "The picture doesn't show whether the limbs end at their nocks or run past them, so the intervals are wider."
        return (Reason("nock_or_tip", text, "Click both nocks: where the string sits, not where the wood ends."),)
    return ()


def _limb_doubts(placed: Placed) -> tuple[Reason, ...]:
    """What would distinguish unequal limbs from a turned camera, or give the handle's centre; typed once a bow."""
    shot, settled = placed.shot, placed.settled
    if shot.state == "unstrung" or shot.upper_limb_length_mm is not None or settled.shift_u_mm < HANDLE_KNOWN_MM:
        return ()
    if not settled.fit.squared:
        text = "Nothing squares this picture: a longer limb and a tilted camera look alike. The limbs' difference isn't sharp."
    else:
        text = "The handle's centre doesn't show, so the limbs' difference isn't sharp."
    return (Reason("limbs_not_known", text, "Measure the upper limb from its nock to the handle's centre and type it in."),)


def root_doubts(s: BowShape) -> tuple[Reason, ...]:
    """Limbs of which some may have been lost on the ground beside their root, or some of the ground taken for the limb."""
    remedy = "Fix its edge by hand, or take it again against a background that differs from the wood."
    lost = tuple(
        Reason(
            "thinner_inward",
            f"The {limb} limb looks thinner toward the handle than further out: some of it may be lost against the background.",
            remedy,
        )
        for limb in thinner_inward(s)
    )
    return lost or tuple(
        Reason(
            "thicker_inward",
            f"The {limb} limb looks thicker toward the handle than the other: a line behind it may have been taken for its edge.",
            "Fix its edge by hand, or take it again with nothing behind the limb.",
        )
        for limb in roots_unlike(s)
    )


def shape_doubts(trace: Trace, placed: Placed, s: BowShape) -> tuple[Reason, ...]:
    """Doubts of a shape that passed ``check_shape``: the trace's own, the view, the scale, the string, the grip."""
    shot, string, settled = placed.shot, placed.string, placed.settled
    out = [*trace.doubts, *_stray_doubts(trace, placed.model.layout)]
    if settled.fit.camera.obliqueness() > OBLIQUE_RAD:
        text = "The picture was taken far from square to the board."
        out.append(Reason("oblique", text, "Stand so that the board looks like a rectangle."))
    out += scale_doubts(settled.fit.squared, settled.length_off_u)
    if shot.state == "drawn" and string is None:
        text = "The string could not be seen, so draw length and string angles are missing."
        out.append(Reason("no_string", text, "Click the hook, or use a string that stands out from the board."))
    if shot.state != "unstrung" and not grip_seen(shot, trace):
        text = "Too little of the grip's belly stands out from what holds it, so lengths to it have wide intervals."
        out.append(Reason("grip_not_seen", text, "Measure the handle's thickness, back to belly, and type it in."))
    if string is not None and min(string.clear) < FAINT and "hook" not in shot.clicks:
        text = f"Only {100 * min(string.clear):.0f} % of the string shows, so draw length and string angles are left out."
        out.append(Reason("string_faint", text, "Click the hook, or use a string that stands out from what is behind it."))
    if s.handle_scatter_mm > CROOKED_MM:
        text = "The back of the handle isn't straight, so heights measured from it are less sure."
        out.append(Reason("handle_not_straight", text))
    return tuple(out)


def _stray_doubts(trace: Trace, layout: ShapeLayout) -> list[Reason]:
    """A doubt for each limb beside which something else was followed for a stretch."""
    out = []
    for name, lay in zip(LIMBS, (layout.upper, layout.lower), strict=True):
        if len(lay.strays):
            long = format_inches((np.ptp(lay.strays) + 1) * EVERY * trace.step_px / trace.px_per_mm)
            text = f"Along {long} of the {name} limb the line runs beside the wood; that stretch is left out."
            places = trace.path_px[np.sort(lay.strays)]
            line = tuple((float(x), float(y)) for x, y in places)
            remedy = "Set a place on each edge of the limb there, where the line is marked."
            out.append(Reason(LEFT_OUT, text, remedy, Ask("edge_back", line[len(line) // 2], line)))
    return out


def scale_doubts(squared: bool, length_off_u: float) -> list[Reason]:
    """Doubts of the scale, in any view.

    Parameters
    ----------
    squared : whether the marks square the picture.
    length_off_u : how far the typed length is off, in standard uncertainties, + where the bow looks too short.
    """
    out = []
    if not squared:
        text = "What gives the scale here doesn't square the picture, so the intervals are wide."
        out.append(Reason("not_squared", text, "Put four marks or printed tags on the board for sharp numbers."))
    if abs(length_off_u) > DIFFERS_U:
        text = f"The traced bow is clearly {'shorter' if length_off_u > 0 else 'longer'} than the length typed."
        out.append(Reason("length_differs", text, "Check the bow's length nock to nock, the marks' distances and the stand-off."))
    return out

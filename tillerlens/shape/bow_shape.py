"""From pixels to the bow's shape: one function of the picture's evidence, cheap enough to compute fifty times.

``BowShape`` holds what a bowyer measures (gaps, reflex, angles, lengths), computed in the bow's own frame: x along the
handle's tangent towards the upper limb, y towards the back, origin on the handle's centreline. ``ShapeLayout`` fixes what does
not move when the evidence is perturbed (which columns belong to which limb, the spline matrices), so that the uncertainty
budget can differentiate the whole computation by finite differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.robust import CAUCHY, MAD_TO_U
from tillerlens.core.units import MM_PER_INCH
from tillerlens.photo.camera import Camera
from tillerlens.shape.spline import Curve, SplineLayout, lay_out, read_curve
from tillerlens.trace.path import CLICKS
from tillerlens.trace.verify import JUMP_GAP, JUMP_PLACES, steps_aside

Array = NDArray[np.float64]

STATIONS_IN = (6, 10, 14, 18, 22, 26)  # where gaps are reported, along the limb from the handle's centre
STATION_FROM_NOCK_MM = 20  # nearer to the nock no gap is reported
HANDLE_TRIM = 0.85  # share of the rigid part that is used: its ends may already bend
FADE_REACH_MM = 60.0  # of a limb beside the fade, which gives the fade's place
BACK_U_MM, FADE_U_MM = 0.05, 0.15  # how straight the handle's back is, and how well the limbs' middles are known at the fades
MOST_ALIKE = 0.99  # correlation of neighbouring columns
HELD_U_MM = 0.6  # of the back at a fade, where the handle's own was not seen and the few columns beside it stand for it
ROOT_COLUMNS = 12  # of a limb beside the fade, that tell which way its belly is
ROOT_MM, ROOT_WEIGHT = 20.0, 0.3  # length and weight of the handle's stretch that anchors the limb's root
TIP_WEIGHT = 0.5  # of the limb's end, by its place across the limb, against a column's middle
NOCK_BEND_U_PER_MM = 2.5e-4  # a strung limb's bend at its nock is its natural one (common practice: tips are left near straight)
LEAST_HALF_MM = 0.1  # of a limb's thickness
END_SAMPLES = 6  # of the curve, that tell which way it ends
BEYOND_MM = 45.0  # the curve is carried on past the visible end: a dark tip may be lost on a dark ground
LEAST_APART_MM = 0.05  # of two columns along the limb: nearer they are one datum
# A stretch where the middles step aside by so much and back again follows something beside the limb: wood bends, however sharply,
# and never steps. Of the largest step near by, what a step of its own has at the least; and how much of the limb such a stretch
# may be: beyond it nothing tells which of the two is the limb.
STEP_MM, STEP_OF_MOST, MOST_STRAY = 3.0, 0.65, 0.3
# Of the limb, from its nock: further in, a step that is not taken back before the handle leaves the root in doubt. Of 49 rendered
# pictures that were measured seven stepped there by more, one of them with its handle turned by a degree.
ROOT_PART, ROOT_STEP_MM = 0.7, 1.5
LEAST_COLUMNS = 6  # of the handle or a limb: through fewer no line can be fitted, nor its scatter estimated
SAMPLES = 161  # places along each limb where the curve is read
STRAIGHT_ROUNDS, STRAIGHT_MM = 12, 0.15  # of reweighting the handle's back; the least scatter assumed
# Width seen end-on (common practice: limbs 1 to 2 in wide, tips 3/8 to 3/4 in), used where the bowyer gave none.
LIMB_WIDTH_MM, LIMB_WIDTH_U_MM = 38.0, 8.0
TIP_WIDTH_MM, TIP_WIDTH_U_MM = 13.5, 2.0
EVEN_FROM = 0.55  # share of the limb, from the nock, from which on its width is even
# Sections lie between a sharp rectangle and an oval. As a superellipse |x/a|^p + |y/b|^p = 1 its outline seen along a
# direction stands out by ((a u)^q + (b v)^q)^(1/q), q = p / (p - 1): q = 1 is the rectangle, 2 the ellipse.
SECTION_Q, SECTION_Q_U = 1.5, 0.2
END_SHARE = 0.9  # a tip's end shows a little less than its full width
# The reported thickness needs the section closer than heights do: all of what shows of the broad face is taken off it.
# Flat limbs with corners eased by 1/16 to 1/4 in, crowned by up to 1/8 in, show half to nine tenths of width x lean at the
# leans of a picture (common practice, no source): as a superellipse q = 1.25 within 0.15. They begin to taper between a
# pyramid's fade and a third from the nock.
EASED_Q, EASED_Q_U = 1.25, 0.15
TAPER_FROM, TAPER_FROM_U = 0.65, 0.17  # share of the limb, from the nock, from which on its width is full
NARROW_TIP_MM, NARROW_TIP_U_MM = 14.0, 2.0
LEAST_SHARE = 0.3  # of the apparent thickness: less is never the wood's own


@dataclass(frozen=True)
class AssumedSection:
    """What the side view does not show of the limbs' sections, as their thickness takes it.

    ``width_mm`` greatest, near the fade; ``taper_from`` share of the limb from the nock from which on it is; ``q`` how round
    the section is (``EASED_Q``); ``tilt`` added to the direction the limbs are seen from, mm per mm; ``shadow_mm`` of the
    apparent thickness that is the shadow of the camera's own flash.
    """

    width_mm: float = LIMB_WIDTH_MM
    tip_mm: float = NARROW_TIP_MM
    taper_from: float = TAPER_FROM
    q: float = EASED_Q
    tilt: tuple[float, float] = (0.0, 0.0)
    shadow_mm: float = 0.0

    @property
    def mean_width_mm(self) -> float:
        """Along the limb."""
        return self.width_mm - self.taper_from / 2 * (self.width_mm - self.tip_mm)


@dataclass(frozen=True, eq=False)
class Evidence:
    """Everything the shape is computed from. ``back_px`` and ``belly_px`` (N, 2) run from the upper tip to the lower, NaN
    where unseen; ``tips_px`` (2, 2) the middles of the limbs' ends; ``hook_px`` (2,) or None."""

    camera: Camera
    standoff_mm: float
    back_px: Array
    belly_px: Array
    tips_px: Array
    hook_px: Array | None
    limb_width_mm: float = LIMB_WIDTH_MM
    tip_width_mm: float = TIP_WIDTH_MM
    section_q: float = SECTION_Q
    overhang_mm: tuple[float, float] = (0.0, 0.0)
    grip_thickness_mm: float = float("nan")  # back to belly at the handle, as seen from the side
    handle_turn_rad: float = 0.0  # perturbs the handle's direction
    middle_shift_mm: float = 0.0  # the handle's centre from the middle of the bow, + towards the upper nock
    section: AssumedSection = AssumedSection()
    is_end: tuple[bool, bool] = (True, True)  # whether each tip is a limb's end, seen obliquely, or a nock set on it


@dataclass(frozen=True, eq=False)
class LimbLayout:
    """Which columns serve one limb, and its spline.

    Attributes
    ----------
    columns : whose middles the spline follows, nock first.
    root : a few of the handle beside the fade, of which only the back counts.
    spline : the fit.
    thick_fit : (4, n) silhouettes' half distances to a cubic along the limb.
    share : (M,) of the curve's samples along the limb, 0 at its end ... 1 at the fade.
    strays : columns left out, since their middles run beside the limb.
    root_step_mm : by how much the middles step aside near the limb's root, with no step back; 0 where they don't.
    from_step : columns from that step to the root.
    """

    columns: NDArray[np.intp]
    root: NDArray[np.intp]
    spline: SplineLayout
    thick_fit: Array
    share: Array
    strays: NDArray[np.intp]
    root_step_mm: float
    from_step: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class ShapeLayout:
    """Which columns serve what; made once for a picture."""

    upper: LimbLayout
    lower: LimbLayout
    handle_columns: NDArray[np.intp]
    handle_weight: Array  # fixed, so that the fit stays linear in the evidence
    direction_u_rad: float  # standard uncertainty of the handle's direction
    apart_u_rad: float  # standard uncertainty of the angle between the handle's back and the line from fade to fade
    back_share: float  # of the handle's direction that its back decides; the fades' middles decide the rest
    handle_mm: float


@dataclass(frozen=True, eq=False)
class LimbFit:
    """One limb in the bow's frame, nock first: curve, distance from the nock, thickness (mm).

    ``thickness_mm`` enters heights and gaps; ``wood_mm`` the wood's own, which is reported; ``apparent_mm``
    from silhouette to silhouette.
    """

    curve: Curve
    from_nock_mm: Array
    from_centre_mm: Array
    thickness_mm: Array
    wood_mm: Array
    apparent_mm: Array


@dataclass(frozen=True, eq=False)
class BowShape:
    """The shape and every number read from it (mm, radians)."""

    upper: LimbFit
    lower: LimbFit
    nocks_mm: Array  # (2, 2) upper, lower
    hook_mm: Array | None
    back_at_handle_mm: float  # y of the handle's back
    handle_scatter_mm: float
    handle_apart_rad: float  # between the line of its back and the line from fade to fade
    length_mm: float
    numbers: dict[str, float]
    origin_mm: Array  # the frame's place and direction on the board, to project it back into the picture
    x_axis: Array
    y_axis: Array


def _obliquity(camera: Camera, standoff_mm: float, xy: Array) -> Array:
    """How far, per mm towards the camera, a point over board place ``xy`` seems to move in the plane: (N, 2)."""
    c = camera.centre_mm
    return np.asarray((xy - c[:2]) / (-c[2] - standoff_mm))


def width_profile(share: Array, root: float, tip: float) -> Array:
    """Width along a limb, from ``root`` to ``tip``, at ``share`` 0 at the nock ... 1 at the fade: even in the inner half."""
    return np.asarray(np.interp(share, [0.0, EVEN_FROM, 1.0], [tip, root, root]))


def wood_thickness(apparent: Array, share: Array, lean: Array, section: AssumedSection) -> Array:
    """Back to belly of the wood itself, where ``apparent`` lies between the silhouettes.

    Parameters
    ----------
    apparent : (N,) mm.
    share : (N,) place along the limb, 0 at the nock ... 1 at the fade.
    lean : (N,) how far a point seems to move across the limb per mm toward the camera: what shows of a broad face, per mm of it.
    section : widths and roundness.
    """
    apparent = apparent - np.minimum(section.shadow_mm, 0.5 * apparent)
    width = np.interp(share, [0.0, section.taper_from, 1.0], [section.tip_mm, section.width_mm, section.width_mm])
    wood = apparent**section.q - (width * lean) ** section.q
    return np.asarray(np.maximum(wood, (LEAST_SHARE * apparent) ** section.q) ** (1 / section.q))


def mapped(e: Evidence) -> tuple[Array, Array, Array]:
    """Silhouettes and tips in the bow's plane, board mm."""
    n = len(e.back_px)
    together = e.camera.to_plane(np.concatenate([e.back_px, e.belly_px, e.tips_px]), e.standoff_mm)
    return together[:n], together[n : 2 * n], together[2 * n :]


class Held(NamedTuple):
    """What is not left to the picture: ``handle``, whose back then is the line between the limbs' roots and no evidence of its
    own; ``edges``, set by a person, so that no stretch of them is left out."""

    handle: bool = False
    edges: bool = False


NOTHING_HELD = Held()


def make_layout(
    e: Evidence,
    handle_mm: float,
    cutoff_mm: float,
    weight: Array,
    path_px: Array,
    state: str,
    held: Held = NOTHING_HELD,
) -> ShapeLayout:
    """Split the columns into limbs and handle by arc length along the path, and prepare the splines.

    Parameters
    ----------
    e : the evidence.
    handle_mm : length of the rigid part.
    cutoff_mm : shortest wave of bend to resolve.
    weight : (N,) how far each column's middle is trusted.
    path_px : (N, 2) the smooth path beside the silhouettes.
    state : "unstrung", "braced" or "drawn".
    held : what is not left to the picture.

    Raises
    ------
    NeedsHelp
        Where too few columns are left of a limb or the handle.
    """
    back, belly, tips = mapped(e)
    have = ~np.isnan(back[:, 0])
    path = e.camera.to_plane(path_px, e.standoff_mm)
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))]
    centre = (s[0] + s[-1]) / 2 - e.middle_shift_mm
    half = handle_mm / 2
    nock_u = None if state == "unstrung" else NOCK_BEND_U_PER_MM
    columns = _Columns(s, (back + belly) / 2, weight, have)
    limbs = [
        _limb_layout(columns, sign, centre + sign * half, tip, cutoff_mm, nock_u, not held.edges)
        for sign, tip in zip((-1, 1), tips, strict=True)
    ]
    handle = np.nonzero(have & (np.abs(s - centre) < HANDLE_TRIM * half))[0]
    if len(handle) < LEAST_COLUMNS:
        raise _lost("handle", len(handle))
    hw = _straight_weights(back[handle])
    strays = [_fade_strays(e, lay, back, belly, tip) for lay, tip in zip(limbs, tips, strict=True)]
    u_back, u_fades = _back_u(back[handle], hw), float(np.sqrt(sum(FADE_U_MM**2 + r**2 for r in strays))) / handle_mm
    apart = float(np.hypot(u_back, u_fades))
    u_direction, back_share = u_back * u_fades / apart, float(u_fades**2 / apart**2)
    if held.handle:
        u_direction, back_share = HELD_U_MM * np.sqrt(2) / handle_mm, 0.0
    return ShapeLayout(limbs[0], limbs[1], handle, hw, u_direction, apart, back_share, handle_mm)


class _Columns(NamedTuple):
    """All N columns: way along the path (mm), middles (N, 2), their weights, and whether the back is seen."""

    s: Array
    middle: Array
    weight: Array
    have_back: NDArray[np.bool_]


def _limb_layout(
    columns: _Columns,
    sign: int,
    fade: float,
    tip: Array,
    cutoff_mm: float,
    nock_u_per_mm: float | None,
    leave_out: bool,
) -> LimbLayout:
    """One limb, on the ``sign`` side of its fade (mm along the path)."""
    s, past_fade = columns.s, sign * (columns.s - fade)
    cols = np.nonzero(~np.isnan(columns.middle[:, 0]) & (past_fade > 0))[0]
    cols = cols[np.argsort(-sign * s[cols])]  # nock first
    cols = cols[columns.weight[cols] > 0]
    if len(cols) < LEAST_COLUMNS:
        raise _lost("limbs", len(cols))
    u = np.abs(s[cols] - s[cols[0]])
    keep = np.r_[True, np.diff(np.maximum.accumulate(u)) > LEAST_APART_MM]
    cols, u = cols[keep], u[keep]
    step = steps_aside(columns.middle[cols])
    stray = _strays(step) if leave_out else np.zeros(len(cols), bool)
    near_root = np.where(np.arange(len(cols)) > ROOT_PART * len(cols), np.abs(step), 0.0)
    at = int(np.argmax(near_root))
    root_steps = near_root[at] > ROOT_STEP_MM and not stray[at]
    root_step, from_step = (float(near_root[at]), cols[at:]) if root_steps else (0.0, cols[:0])
    strays, cols, u = cols[stray], cols[~stray], u[~stray]
    # the tip is a datum too: near it the silhouettes are often hidden by the nock and its string
    tip_u = -float(np.linalg.norm(tip - columns.middle[cols[0]]))
    fade_u = abs(s[cols[0]] - fade)
    root = np.nonzero(columns.have_back & (past_fade < 0) & (past_fade > -ROOT_MM))[0]
    root = root[np.argsort(-past_fade[root])]
    spline = lay_out(
        np.r_[tip_u, u, np.abs(s[root] - s[cols[0]])],
        np.r_[TIP_WEIGHT, columns.weight[cols], np.full(len(root), ROOT_WEIGHT)],
        np.linspace(tip_u - BEYOND_MM, fade_u, SAMPLES),
        cutoff_mm,
        nock_u_per_mm,
    )
    columns_share, share = (np.clip((at - tip_u) / (fade_u - tip_u), 0, 1) for at in (u, spline.at))
    return LimbLayout(cols, root, spline, np.linalg.pinv(np.vander(columns_share, 4)), share, strays, root_step, from_step)


def _strays(step: Array) -> NDArray[np.bool_]:
    """Which of a limb's middles, that step aside by ``step`` (N,), mm, lie in a stretch beside the limb."""
    around, stray = 2 * JUMP_PLACES + 1, np.zeros(len(step), bool)
    most = ndimage.maximum_filter1d(np.abs(step), around)
    # beside a step the lines that tell it straddle it, and step to the other side by about half as much
    own = np.array([(way > STEP_MM) & (way >= ndimage.maximum_filter1d(way, around)) for way in (step, -step)]).any(0)
    peaks = np.nonzero(own & (np.abs(step) > STEP_OF_MOST * most))[0]
    for out, back in zip(peaks, peaks[1:], strict=False):
        if step[out] * step[back] < 0 and back - out <= MOST_STRAY * len(step):
            stray[out - JUMP_GAP : back + JUMP_GAP + 1] = True
    return stray


def _fade_strays(e: Evidence, lay: LimbLayout, back: Array, belly: Array, tip: Array) -> float:
    """How far (rms, mm) the limb's middles beside the fade lie off its own smooth line: outlines (N, 2) mm that wander there
    turn the line from fade to fade."""
    curve = _limb(e, lay, back, belly, tip).curve
    near = lay.spline.at[-1] - FADE_REACH_MM
    u = lay.spline.u[1 : len(lay.columns) + 1]
    cols, u = lay.columns[u > near], u[u > near]
    if not len(cols):
        return 0.0
    at, tangent = (np.column_stack([np.interp(u, lay.spline.at, of[:, k]) for k in (0, 1)]) for of in (curve.xy, curve.tangent))
    off = (back[cols] + belly[cols]) / 2 - at
    return float(np.sqrt(np.mean(_across(off, tangent) ** 2)))


def _lost(part: str, columns: int) -> NeedsHelp:
    return NeedsHelp(
        f"Too little of the {part} could be followed along the back to show how the bow lies.",
        "Click the two nocks and the middle of the handle, or retake with the handle clear of things of its own colour.",
        clicks=CLICKS,
        columns=columns,
        fault="edge" if part == "handle" else "lost",
        limb="handle",
        share=(0.0, 1.0),
        side="back",
    )


def _back_u(p: Array, w: Array) -> float:
    """Standard uncertainty (rad) of the direction of the handle's back, (N, 2) mm with weights (N,)."""
    mid = (w[:, None] * p).sum(0) / w.sum()
    _, sizes, axes = np.linalg.svd((p - mid) * np.sqrt(w / w.mean())[:, None], full_matrices=False)
    long, short = sizes / np.sqrt(len(p))
    # where a wrap ends within the handle neighbours stray together: they count as fewer independent ones
    off = (p - mid) @ axes[1] * w
    alike = float(np.clip((off[1:] @ off[:-1]) / max(float(off @ off), 1e-12), 0.0, MOST_ALIKE))
    worth = float(w.sum()) / 4 * (1 - alike) / (1 + alike)
    return float(np.hypot(short / np.sqrt(max(worth, 1.0)), BACK_U_MM) / max(float(long), 1.0))


def _straight_weights(p: Array) -> Array:
    """Weights (N,) of points (N, 2) that exclude those off the straight line through most of them."""
    w = np.ones(len(p))
    for _ in range(STRAIGHT_ROUNDS):
        mid = (w[:, None] * p).sum(0) / w.sum()
        direction = np.linalg.svd((p - mid) * np.sqrt(w)[:, None], full_matrices=False)[2][0]
        r = (p - mid) @ np.array([-direction[1], direction[0]])
        w = 1 / (1 + (r / max(CAUCHY * MAD_TO_U * float(np.median(np.abs(r))), STRAIGHT_MM)) ** 2)
    return np.asarray(w)


class _BoardLimb(NamedTuple):
    """One limb in the board's frame: its curve, and half thicknesses (mm) at the samples: from silhouette to silhouette, as
    heights stand on it, and the wood's own."""

    curve: Curve
    apparent: Array
    thick: Array
    wood: Array


def _limb(e: Evidence, lay: LimbLayout, back: Array, belly: Array, tip: Array) -> _BoardLimb:
    b, c = back[lay.columns], belly[lay.columns]
    across = b - c
    half = np.hypot(across[:, 0], across[:, 1]) / 2
    cubic = lay.thick_fit @ half
    # at the root the limb's middle lies half a thickness below the handle's back
    below = (c[-ROOT_COLUMNS:] - b[-ROOT_COLUMNS:]).mean(0)
    below = below / np.linalg.norm(below)
    root = back[lay.root] + below * np.polyval(cubic, 1.0)
    curve = read_curve(lay.spline, lay.spline.coefficients(np.vstack([tip, (b + c) / 2, root])))
    apparent = np.maximum(np.polyval(cubic, lay.share), LEAST_HALF_MM)
    oblique = _obliquity(e.camera, e.standoff_mm, curve.xy)
    lean = np.abs(_across(oblique, curve.tangent))
    broad = width_profile(lay.share, e.limb_width_mm, e.tip_width_mm) / 2 * lean
    q = e.section_q
    true = (np.maximum(apparent**q - broad**q, (LEAST_SHARE * apparent) ** q)) ** (1 / q)
    seen = np.abs(_across(oblique + e.section.tilt, curve.tangent))
    return _BoardLimb(curve, apparent, true, wood_thickness(2 * apparent, lay.share, seen, e.section) / 2)


def _across(v: Array, tangent: Array) -> Array:
    """How far vectors (N, 2) reach to the left of unit tangents (N, 2)."""
    return np.asarray(v[:, 1] * tangent[:, 0] - v[:, 0] * tangent[:, 1])


class _HandleLine(NamedTuple):
    """The handle in the board's frame: a place on its centreline, the bow's axes, how far its back scatters about its straight
    line (mm), the angle between that line and the one from fade to fade (rad), half of a limb's thickness at the root (mm)."""

    place: Array
    x_axis: Array
    y_axis: Array
    scatter_mm: float
    apart_rad: float
    half_root_mm: float


def _handle_line(
    e: Evidence, layout: ShapeLayout, back: Array, belly: Array, limbs: tuple[_BoardLimb, _BoardLimb]
) -> _HandleLine:
    """A straight line through the handle's back, half a limb's thickness below it."""
    half_root = float(np.mean([m.thick[-1] for m in limbs]))
    hb, hw = back[layout.handle_columns], layout.handle_weight
    mid = (hw[:, None] * hb).sum(0) / hw.sum()
    direction = np.linalg.svd((hb - mid) * np.sqrt(hw)[:, None], full_matrices=False)[2][0]
    toward_upper = limbs[0].curve.xy[-1] - limbs[1].curve.xy[-1]
    if direction @ toward_upper < 0:
        direction = -direction
    fades = toward_upper / np.linalg.norm(toward_upper)
    apart = abs(float(direction[0] * fades[1] - direction[1] * fades[0]))
    direction = layout.back_share * direction + (1 - layout.back_share) * fades
    direction = direction / np.linalg.norm(direction)
    direction = direction + e.handle_turn_rad * np.array([-direction[1], direction[0]])
    direction = direction / np.linalg.norm(direction)
    y_axis = np.array([-direction[1], direction[0]])
    # which way the back is: from the belly's silhouette to the back's, by the limbs' majority
    if np.nansum(np.sign((back - belly) @ y_axis)) < 0:
        y_axis = -y_axis
    lean = abs(float(_obliquity(e.camera, e.standoff_mm, mid[None])[0] @ y_axis))
    # the back's silhouette stands out by half the width seen obliquely
    deep = half_root if not np.isfinite(e.grip_thickness_mm) else max(half_root, e.grip_thickness_mm / 2)
    stands_out = (deep**e.section_q + (e.limb_width_mm / 2 * lean) ** e.section_q) ** (1 / e.section_q) - deep
    scatter = float(np.sqrt((hw * ((hb - mid) @ y_axis) ** 2).sum() / hw.sum()))
    return _HandleLine(mid - y_axis * (half_root + stands_out), direction, y_axis, scatter, apart, half_root)


def _nock_at(e: Evidence, tip: Array, curve: Curve, is_end: bool, overhang_mm: float) -> float:
    """Way (mm) along a limb's curve from its first sample to the nock: the limb's end, less what its
    width shows obliquely and the wood beyond the nock."""
    outward = curve.xy[0] - curve.xy[END_SAMPLES]
    outward = outward / np.linalg.norm(outward)
    lean = abs(float(_obliquity(e.camera, e.standoff_mm, tip[None])[0] @ outward))
    shows = END_SHARE * e.tip_width_mm / 2 * lean if is_end else 0.0
    return float((tip - curve.xy[0]) @ -outward) + shows + overhang_mm


def _arc(curve: Curve) -> Array:
    step = np.diff(curve.xy, axis=0)
    return np.append(0.0, np.cumsum(np.hypot(step[:, 0], step[:, 1])))


def bow_shape(e: Evidence, layout: ShapeLayout, state: str, numbers: bool = True) -> BowShape:
    """Compute the shape and, if wanted, its numbers. Everything here is smooth in the evidence.

    Parameters
    ----------
    e, layout : what was seen, and which of it serves what.
    state : "unstrung", "braced" or "drawn": which numbers there are.
    numbers : whether to compute them.
    """
    back, belly, tips = mapped(e)
    raw = (_limb(e, layout.upper, back, belly, tips[0]), _limb(e, layout.lower, back, belly, tips[1]))
    nock_at = [_nock_at(e, tips[k], raw[k].curve, e.is_end[k], e.overhang_mm[k]) for k in (0, 1)]
    line = _handle_line(e, layout, back, belly, raw)
    x_axis, y_axis = line.x_axis, line.y_axis

    # arc lengths: each limb from its nock to its fade, the handle between the two fades
    arcs = [_arc(m.curve) for m in raw]
    fade_x = [float((m.curve.xy[-1] - line.place) @ x_axis) for m in raw]
    lengths = [float(arc[-1] - at) for arc, at in zip(arcs, nock_at, strict=True)]
    total = lengths[0] + (fade_x[0] - fade_x[1]) + lengths[1]
    # the handle's centre: the middle of the bow, along the handle's line, and what it is known to stand off that
    centre_x = fade_x[0] - (total / 2 - lengths[0]) + e.middle_shift_mm
    origin = line.place + x_axis * centre_x

    def to_bow(p: Array) -> Array:
        return np.asarray(np.column_stack([(p - origin) @ x_axis, (p - origin) @ y_axis]))

    limbs = []
    for k, m in enumerate(raw):
        from_centre = abs(fade_x[k] - centre_x) + arcs[k][-1] - arcs[k]
        tangent = np.column_stack([m.curve.tangent @ x_axis, m.curve.tangent @ y_axis])
        # + is toward the belly: from nock to handle the two limbs turn in opposite senses
        turn = float(x_axis[0] * y_axis[1] - x_axis[1] * y_axis[0]) * (1.0 if k == 0 else -1.0)
        curve = Curve(to_bow(m.curve.xy), tangent, m.curve.curvature * turn)
        limbs.append(LimbFit(curve, arcs[k] - nock_at[k], from_centre, 2 * m.thick, 2 * m.wood, 2 * m.apparent))
    shape = BowShape(
        limbs[0],
        limbs[1],
        np.array([[np.interp(0.0, m.from_nock_mm, m.curve.xy[:, j]) for j in (0, 1)] for m in limbs]),
        None if e.hook_px is None else to_bow(e.camera.to_plane(e.hook_px[None], e.standoff_mm))[0],
        line.half_root_mm,
        line.scatter_mm,
        line.apart_rad,
        total,
        {},
        origin,
        x_axis,
        y_axis,
    )
    return replace(shape, numbers=_numbers(e, shape, state)) if numbers else shape


def _at(limb: LimbFit, from_nock_mm: Array) -> tuple[Array, Array, Array]:
    """Centres (K, 2), unit tangents (K, 2, towards the handle) and thickness (K,) at distances (K,) from the nock."""
    x, curve = limb.from_nock_mm, limb.curve
    p, t = (np.column_stack([np.interp(from_nock_mm, x, of[:, j]) for j in (0, 1)]) for of in (curve.xy, curve.tangent))
    return p, t / np.hypot(t[:, :1], t[:, 1:]), np.interp(from_nock_mm, x, limb.thickness_mm)


def _face(limb: LimbFit, from_nock_mm: Array, toward_back: bool) -> Array:
    """Places (K, 2) mm on the limb's back or belly at distances (K,) from the nock."""
    p, t, thick = _at(limb, from_nock_mm)
    n = np.column_stack([-t[:, 1], t[:, 0]])
    outward = np.where((n[:, 1] > 0) == toward_back, 1.0, -1.0)
    return np.asarray(p + n * (outward * thick / 2)[:, None])


def belly_at(limb: LimbFit, from_centre_mm: Array) -> Array:
    """The belly's places (K, 2) mm at distances (K,) from the handle's centre along the limb."""
    return _face(limb, limb.from_centre_mm[0] + limb.from_nock_mm[0] - from_centre_mm, toward_back=False)


def _turns(limb: LimbFit) -> Array:
    """How far (rad, + toward the belly) each third of the working limb turns, outer, mid, inner."""
    x = limb.from_nock_mm
    turned = np.r_[0.0, np.cumsum((limb.curve.curvature[1:] + limb.curve.curvature[:-1]) / 2 * np.diff(x))]
    return np.diff(np.interp(np.linspace(0.0, x[-1], 4), x, turned))


def _numbers(e: Evidence, s: BowShape, state: str) -> dict[str, float]:
    out: dict[str, float] = {}
    (ux, uy), (lx, ly) = s.nocks_mm
    limbs = {"upper": s.upper, "lower": s.lower}
    at_nock = {name: _at(limb, np.zeros(1)) for name, limb in limbs.items()}
    for name, limb in limbs.items():
        out[f"tip_height_{name}"] = float(at_nock[name][0][0, 1])
        out[f"limb_length_{name}"] = float(limb.from_centre_mm[0] + limb.from_nock_mm[0])
        out |= {f"turn_{name}_{third}": v for third, v in zip(("outer", "mid", "inner"), _turns(limb), strict=True)}
    out["tip_height_difference"] = uy - ly
    out["length_nock_to_nock"] = s.length_mm
    if state == "unstrung":
        (ax, ay), (bx, by) = (_face(limb, np.zeros(1), toward_back=True)[0] for limb in limbs.values())
        line_at_0 = ay + (by - ay) * (0 - ax) / (bx - ax)
        tilt = np.hypot(bx - ax, by - ay) / abs(bx - ax)
        out["reflex"] = float((line_at_0 - s.back_at_handle_mm) / tilt)
        out["reflex_upper"] = float(ay - s.back_at_handle_mm)
        out["reflex_lower"] = float(by - s.back_at_handle_mm)
        out["reflex_difference"] = float(ay - by)
        return out
    line = lambda x: uy + (ly - uy) * (x - ux) / (lx - ux)  # noqa: E731
    outermost = min(out["limb_length_upper"], out["limb_length_lower"]) - STATION_FROM_NOCK_MM
    stations = [d_in for d_in in STATIONS_IN if d_in * MM_PER_INCH <= outermost]
    fade = max(limbs["upper"].from_centre_mm[-1], limbs["lower"].from_centre_mm[-1]) + 1.0
    belly = {name: belly_at(limb, np.r_[np.array(stations) * MM_PER_INCH, fade]) for name, limb in limbs.items()}
    gap = {name: b[:, 1] - line(b[:, 0]) for name, b in belly.items()}
    for k, d_in in enumerate(stations):
        out |= {f"gap_{name}_{d_in}": float(gap[name][k]) for name in limbs}
        out[f"gap_difference_{d_in}"] = out[f"gap_upper_{d_in}"] - out[f"gap_lower_{d_in}"]
    out["tiller_at_fades"] = float(gap["upper"][-1] - gap["lower"][-1])
    grip = e.grip_thickness_mm
    for name, nock, other in (("upper", *s.nocks_mm), ("lower", *s.nocks_mm[::-1])):
        t = at_nock[name][1][0]
        to = s.hook_mm if state == "drawn" else other
        if to is None:
            continue
        v = to - nock
        out[f"string_angle_{name}"] = float(np.arccos(np.clip(v @ t / np.hypot(*v), -1, 1)))
    if state == "braced":
        # common practice: square to the string, from the grip's belly
        dx, dy = lx - ux, ly - uy
        across = abs(dx) / np.hypot(dx, dy)
        out["brace_height_back"] = float((s.back_at_handle_mm - line(0.0)) * across)
        out["brace_height_belly"] = out["brace_height_back"] - grip
    elif s.hook_mm is not None:
        out["draw_length_back"] = float(s.back_at_handle_mm - s.hook_mm[1])
        out["draw_length_belly"] = out["draw_length_back"] - grip
        out["hook_offset"] = float(s.hook_mm[0])
    out["handle_tilt"] = float(np.arctan2(uy - ly, ux - lx)) * -1.0
    return out

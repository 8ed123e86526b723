"""What may be off in one traced picture, as independent perturbations of the evidence that its shape is computed from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import LIMBS
from tillerlens.core.units import MM_PER_INCH
from tillerlens.shape.bow_shape import (
    EASED_Q_U,
    LIMB_WIDTH_U_MM,
    NARROW_TIP_U_MM,
    SECTION_Q_U,
    STATIONS_IN,
    TAPER_FROM_U,
    TIP_WIDTH_U_MM,
    BowShape,
    Evidence,
    LimbFit,
    LimbLayout,
    ShapeLayout,
)
from tillerlens.shape.checks import doubtful_roots
from tillerlens.shape.evidence import grip_depth, limb_width_u
from tillerlens.shape.placing import Placed
from tillerlens.shape.uncertainty import Perturbation
from tillerlens.trace.outline import EVERY
from tillerlens.trace.trace import CORRELATED, Trace

Array = NDArray[np.float64]

TIP_EDGE_PX, TIP_NOISES, TIP_STRETCH = 0.5, 2, 0.08  # of an edge beside the nock: at the least, of its noise, share of the limb
SYSTEMATIC_PX = 0.17  # how far an edge may be off for long stretches, at the least
# Its parts by cosine mode along a limb, from the mean on. The width of a shadow fringe keeps better than an edge its place.
WANDERS = (1.0, 0.5, 0.35, 0.2, 0.15, 0.1)
SHADOW_WANDERS = (1.0, 0.5, 0.25, 0.1, 0.05, 0.03)
HANDLE_MODES, HANDLE_TURNS = 2, 0.4  # of the handle's back: mean and turn, and of the turn so much
# Step between the handle's line and the limbs' at the fades: usual, by edge noise and a little crook; the share of any more that
# counts as a wrong edge, in standard uncertainties.
STEP_USUAL_MM, STEP_U = 0.4, 0.8
# How far a handle's back may leave the straight line between its ends by crook and carving (common practice, no source).
HANDLE_UNSEEN_U_MM = 1.0
UNSEEN_HALF_MM = 20.0  # of a stretch: over less a limb's curve can't stray
LEAST_BEND_PER_MM = 3e-4  # of a limb, as its natural crook alone may bend it where it is not seen
TIP_TURN_U_RAD = np.radians(0.2)
# The uncertainty of the limb's direction at its nock doubles with each such stretch that is unseen, or traced past the nock, and
# grows with edge noise beyond the usual.
TIP_UNSEEN_MM, USUAL_NOISE_PX, FIRST_WEIGHT = 15, 0.06, 5


def perturbations_of(trace: Trace, placed: Placed, shape: BowShape) -> list[Perturbation]:
    """Every cause of doubt in one picture.

    Parameters
    ----------
    trace : the silhouettes, and what is known of how far each may be off.
    placed : the bow placed in the picture.
    shape : computed from it; where it hangs together badly some causes count for more.
    """
    shot, n, handle = placed.shot, len(trace.back_px), trace.zones["handle"]
    out = placed.settled.perturbations(trace.tip_cause)
    out.append(Perturbation("standoff", lambda e: replace(e, standoff_mm=e.standoff_mm + shot.standoff_u_mm)))
    out += section_perturbations(limb_width_u(shot))
    out += edge_perturbations(trace)
    grip_u = grip_depth(shot, trace)[1]
    out.append(Perturbation("grip", lambda e: replace(e, grip_thickness_mm=e.grip_thickness_mm + grip_u)))
    if placed.string is not None:
        out += _string_perturbations(placed.string.u_px)
    out += thickness_perturbations(limb_width_u(shot), placed.tilt_u, placed.shadow_u_mm)
    out += _lost_wood(trace, shape)
    out += [_moved_root(trace, lay) for lay in (placed.model.layout.upper, placed.model.layout.lower) if lay.root_step_mm]
    # where both limbs step off the handle's line alike, its back or theirs may be another line
    step = abs(float(shape.upper.curve.xy[-1, 1] + shape.lower.curve.xy[-1, 1])) / 2 - STEP_USUAL_MM
    for mm in (STEP_U * step, _handle_level_u(trace, shape)):
        if mm > 0:
            out.append(_handle_perturbation(n, handle, mm * trace.px_per_mm))
    # where the two directions of the handle disagree beyond their uncertainties, both are expanded (Birge's ratio)
    layout = placed.model.layout
    turn = layout.direction_u_rad * max(1.0, shape.handle_apart_rad / layout.apart_u_rad)
    out.append(Perturbation("handle", lambda e: replace(e, handle_turn_rad=e.handle_turn_rad + turn)))
    return out


def tip_turn_u(trace: Trace, overhang_mm: tuple[float, float], shape: BowShape) -> dict[str, float]:
    """Standard uncertainty (rad) of the limb's direction at each nock, by the names of the numbers that depend on it.

    Nocks, wraps and rounding disturb the last inches, the more so where no edge was seen near the tip, or where something past
    the nock was followed.
    """
    out: dict[str, float] = {}
    for k, name in enumerate(LIMBS):
        a, b = trace.zones[name]
        w = trace.weight[a:b] if name == "upper" else trace.weight[a:b][::-1]
        first = int(np.nonzero(np.cumsum(w) > FIRST_WEIGHT)[0][0]) - FIRST_WEIGHT
        unseen_mm = max(0, first) * EVERY * trace.step_px / trace.px_per_mm
        u = TIP_TURN_U_RAD * (1 + (unseen_mm + abs(overhang_mm[k])) / TIP_UNSEEN_MM) * max(1.0, trace.noise_px / USUAL_NOISE_PX)
        out |= {n: u for n in (f"string_angle_{name}", f"turn_{name}_outer") if n in shape.numbers}
    return out


def tip_unseen_u(overhang_mm: tuple[float, float], shape: BowShape) -> dict[str, float]:
    """Standard uncertainty (mm) of what stands on a nock that lies beyond where its limb was seen to end: the curve is carried on
    there, and the limb may bend twice as much as it does elsewhere or not at all, which moves the nock across it."""
    out: dict[str, float] = {}
    for name, limb, past_mm in zip(LIMBS, (shape.upper, shape.lower), overhang_mm, strict=True):
        if past_mm >= 0:
            continue
        u = _carried_on_u(limb, past_mm)
        length_mm = float(limb.from_centre_mm[0] + limb.from_nock_mm[0])
        parts = {f"tip_height_{name}": 1.0, "tip_height_difference": 1.0}
        parts |= {f"reflex_{name}": 1.0, "reflex_difference": 1.0, "reflex": 0.5}
        for d in STATIONS_IN:
            share = min(1.0, d * MM_PER_INCH / length_mm)  # of the nock's step, that the line between the nocks takes there
            parts |= {f"gap_{name}_{d}": share, f"gap_difference_{d}": share}
        for number in parts.keys() & shape.numbers.keys():
            out[number] = float(np.hypot(out.get(number, 0.0), parts[number] * u))
    return out


def root_unseen_u(trace: Trace, shape: BowShape, handle_mm: float) -> dict[str, float]:
    """Standard uncertainty (mm) of the gaps beside a handle where a limb's two edges were not both seen from its root on: the
    curve is carried on there, and the limb may bend twice as much as it does elsewhere or not at all."""
    seen = np.isfinite(trace.back_px[:, 0]) & np.isfinite(trace.belly_px[:, 0])
    station_mm = EVERY * trace.step_px / trace.px_per_mm
    out: dict[str, float] = {}
    for name, limb in zip(LIMBS, (shape.upper, shape.lower), strict=True):
        a, b = trace.zones[name]
        from_root = seen[a:b][::-1] if name == "upper" else seen[a:b]
        unseen_mm = station_mm * (int(np.argmax(from_root)) if from_root.any() else b - a)
        for d in STATIONS_IN:
            beyond = unseen_mm - max(d * MM_PER_INCH - handle_mm / 2, 0.0)
            if beyond > 0 and f"gap_difference_{d}" in shape.numbers:
                u = _carried_on_u(limb, beyond)
                out[f"gap_{name}_{d}"] = u
                out[f"gap_difference_{d}"] = float(np.hypot(out.get(f"gap_difference_{d}", 0.0), u))
    return out


def stretch_unseen_u(layout: ShapeLayout, shape: BowShape) -> dict[str, float]:
    """Standard uncertainty (mm) of the gaps along a stretch of a limb that was not seen, or was left out since something beside
    it was followed there: the curve bridges it, and the limb may bend twice as much there as it does elsewhere or not at all."""
    out: dict[str, float] = {}
    for name, lay, limb in zip(LIMBS, (layout.upper, layout.lower), (shape.upper, shape.lower), strict=True):
        seen = lay.spline.u[1 : len(lay.columns) + 1] - lay.spline.u[0]  # from the tip
        length_mm = float(limb.from_centre_mm[0] + limb.from_nock_mm[0])
        k = int(np.argmax(np.diff(seen)))
        half = (seen[k + 1] - seen[k]) / 2
        for d in STATIONS_IN:
            from_middle = abs(length_mm - d * MM_PER_INCH - (seen[k] + half))
            if half > UNSEEN_HALF_MM and from_middle < half and f"gap_difference_{d}" in shape.numbers:
                u = _carried_on_u(limb, half) * (1 - (from_middle / half) ** 2)
                out[f"gap_{name}_{d}"] = u
                out[f"gap_difference_{d}"] = float(np.hypot(out.get(f"gap_difference_{d}", 0.0), u))
    return out


def _carried_on_u(limb: LimbFit, unseen_mm: float) -> float:
    """How far (mm, as a standard uncertainty) a limb's curve may be off across it, so far beyond what was seen of it."""
    return max(float(np.abs(np.mean(limb.curve.curvature))), LEAST_BEND_PER_MM) * unseen_mm**2 / 2


def edge_perturbations(trace: Trace) -> list[Perturbation]:
    """How the silhouettes may be off: a slow part (the wrong edge, a soft shadow) and the edge noise's slow modes.

    Each limb and the handle, and each side, has cosine modes of its own; the handle only on its back.
    """
    out: list[Perturbation] = []
    for side in ("back", "belly"):
        for name, zone in trace.zones.items():
            if not (name == "handle" and side == "belly"):
                out += [_moved_edge(side, field) for field in _modes(trace, side, name, zone)]
        for name in LIMBS:  # the last stretch before the nock, which alone fixes the string angle
            a, b = trace.zones[name]
            away = np.arange(b - a) if name == "upper" else np.arange(b - a)[::-1]
            field = np.zeros(len(trace.back_px))
            own = max(TIP_EDGE_PX, TIP_NOISES * trace.noise_px) * np.exp(-((away / (TIP_STRETCH * (b - a))) ** 2))
            field[a:b] = own * (1 if side == "back" else -1)
            out.append(_moved_edge(side, field))
    return out


def _modes(trace: Trace, side: str, name: str, zone: tuple[int, int]) -> Iterator[Array]:
    """Cosine modes (N,) px of one edge along one zone."""
    a, b = zone
    length = max(b - a, 2)
    x = (np.arange(length) + 0.5) / length
    random = trace.noise_px * np.sqrt(min(1.0, CORRELATED / EVERY / length))  # of noise with this correlation length
    for k in range(HANDLE_MODES if name == "handle" else len(WANDERS)):
        shape = np.cos(np.pi * k * x) * (1.0 if k == 0 else np.sqrt(2))
        slow = np.hypot(max(SYSTEMATIC_PX, trace.wander_px) * WANDERS[k], trace.shadow_px[side] * SHADOW_WANDERS[k])
        slow *= HANDLE_TURNS if name == "handle" and k else 1.0
        field = np.zeros(len(trace.back_px))
        field[a:b] = shape * np.hypot(random, slow)
        yield field


def _moved_edge(side: str, px: Array) -> Perturbation:
    """One silhouette moved across the limb by ``px`` (N,), + away from the other silhouette."""

    def moved(e: Evidence) -> Evidence:
        own, other = (e.back_px, e.belly_px) if side == "back" else (e.belly_px, e.back_px)
        d = own - other
        seen = np.nonzero(~np.isnan(d[:, 0]))[0]
        d = np.column_stack([np.interp(np.arange(len(d)), seen, d[seen, k]) for k in (0, 1)])
        d = d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-9)
        there = own + px[:, None] * d
        return replace(e, back_px=there) if side == "back" else replace(e, belly_px=there)

    return Perturbation("edge", moved)


def _moved_root(trace: Trace, lay: LimbLayout) -> Perturbation:
    """Both silhouettes moved aside together, from where a limb's middles step aside near its root up to the handle: from there on
    they may follow something beside it."""
    px = np.zeros(len(trace.back_px))
    px[lay.from_step] = lay.root_step_mm * trace.px_per_mm
    back, belly = _moved_edge("back", px).moved, _moved_edge("belly", -px).moved
    return Perturbation("edge", lambda e: belly(back(e)))


def _lost_wood(trace: Trace, shape: BowShape) -> list[Perturbation]:
    """Wood that may have been lost on the ground beside either edge of a limb's inner part, or ground taken for wood; from the
    place where it begins the loss grows evenly."""
    out: list[Perturbation] = []
    for name, (lost_mm, start) in doubtful_roots(shape).items():
        a, b = trace.zones[name]
        share = (np.arange(b - a) + 0.5) / max(b - a, 1)
        share = share if name == "upper" else 1 - share
        for side in ("back", "belly"):
            field = np.zeros(len(trace.back_px))
            field[a:b] = lost_mm * trace.px_per_mm * np.clip((share - start) / (1 - start), 0, 1)
            out.append(_moved_edge(side, field))
    return out


def _handle_perturbation(n: int, handle: tuple[int, int], px: float) -> Perturbation:
    """The handle's back as a whole, on stations ``handle`` of ``n``: it may be another line than the limbs' back runs on."""
    field = np.zeros(n)
    field[slice(*handle)] = px
    return _moved_edge("back", field)


def _handle_level_u(trace: Trace, shape: BowShape) -> float:
    """Standard uncertainty (mm) of where the back runs at the handle's middle: it is read off a straight line along the handle's
    back, which may bend or be carved, and may not be seen where it counts."""
    a, b = trace.zones["handle"]
    inner = trace.back_px[a + (b - a) // 4 : b - (b - a) // 4, 0]
    unseen = 1.0 if trace.handle_held else float(np.isnan(inner).mean()) if len(inner) else 0.0
    return float(np.hypot(shape.handle_scatter_mm, HANDLE_UNSEEN_U_MM * unseen))


def _string_perturbations(u_px: float) -> list[Perturbation]:
    """The hook, along and across the draw."""

    def mover(step: Array) -> Callable[[Evidence], Evidence]:
        return lambda e: replace(e, hook_px=None if e.hook_px is None else e.hook_px + step)

    return [Perturbation("string", mover(step)) for step in np.eye(2) * u_px]


def section_perturbations(width_u_mm: float = LIMB_WIDTH_U_MM, tip_u_mm: float = TIP_WIDTH_U_MM) -> list[Perturbation]:
    """What the side view does not show of the limb's section, as heights take it."""
    return [
        Perturbation("width", lambda e: replace(e, limb_width_mm=e.limb_width_mm + width_u_mm)),
        Perturbation("width", lambda e: replace(e, tip_width_mm=e.tip_width_mm + tip_u_mm)),
        Perturbation("width", lambda e: replace(e, section_q=e.section_q + SECTION_Q_U)),
    ]


def thickness_perturbations(
    width_u_mm: float = LIMB_WIDTH_U_MM, tilt_u: tuple[float, float] = (0.0, 0.0), shadow_u_mm: float = 0.0
) -> list[Perturbation]:
    """What the wood's thickness depends on beside its silhouettes: one cause, but widths, taper and corners err independently.

    Each is moved to where less of the broad face shows, since the other way the wood may run out.

    Parameters
    ----------
    width_u_mm : standard uncertainty of the limbs' greatest width.
    tilt_u : of the direction the limbs are seen from, as one vector, mm per mm.
    shadow_u_mm : of the flash's own shadow.
    """
    moves = [{"width_mm": -width_u_mm}, {"tip_mm": -NARROW_TIP_U_MM}, {"taper_from": TAPER_FROM_U}, {"q": EASED_Q_U}]

    def mover(step: dict[str, float]) -> Callable[[Evidence], Evidence]:
        return lambda e: replace(e, section=replace(e.section, **{k: getattr(e.section, k) + v for k, v in step.items()}))

    def tilted(e: Evidence) -> Evidence:
        (x, y), (du, dv) = e.section.tilt, tilt_u
        return replace(e, section=replace(e.section, tilt=(x + du, y + dv)))

    out = [Perturbation("width", mover(step)) for step in moves]
    if shadow_u_mm:
        out.append(Perturbation("edge", mover({"shadow_mm": -shadow_u_mm})))
    if any(tilt_u):
        out.append(Perturbation("marks", tilted))
    return out

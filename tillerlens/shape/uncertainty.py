"""The uncertainty budget: every elementary doubt nudges the whole chain once, and the nudges are kept apart by cause.

First order (GUM, JCGM 100:2008, eq. 10 and 13): each ``Perturbation`` is one independent standard uncertainty; the change it
makes in a number is that number's sensitivity times the uncertainty. Two numbers of one picture share their nudges, so
their correlation (a common scale, a common lens) is kept by construction and a difference of limbs stays sharp.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.shape.bow_shape import (
    EASED_Q_U,
    LIMB_WIDTH_U_MM,
    NARROW_TIP_U_MM,
    SECTION_Q_U,
    TAPER_FROM_U,
    TIP_WIDTH_U_MM,
    BowShape,
    Evidence,
)

Array = NDArray[np.float64]

# Order in which a camera fit's covariance is taken apart: what is unknown about the focal length first, then the lens,
# then what the marks leave open of the pose given those.
_ORDER = [6, 7, 8, 9, 0, 1, 2, 3, 4, 5]
_CAUSES = ["focal", "lens", "lens", "lens"] + ["marks"] * 6


TIP_EDGE_PX = 0.5
SYSTEMATIC_PX = 0.17  # how far an edge may be off for long stretches, at the least
# Its parts by cosine mode along a limb, from the mean on. A sliver of shadow keeps its width better than an edge its place.
WANDERS = (1.0, 0.5, 0.35, 0.2, 0.15, 0.1)
SHADOW_WANDERS = (1.0, 0.5, 0.25, 0.1, 0.05, 0.03)


@dataclass(frozen=True)
class Perturbation:
    """One independent standard uncertainty: its cause and the evidence moved by it."""

    cause: str
    moved: Callable[[Evidence], Evidence]


def camera_factor(covariance: Array) -> tuple[Array, list[str]]:
    """(10, 10) factor F with F F^T = covariance, one column a cause in the order above, and the causes."""
    p = covariance[np.ix_(_ORDER, _ORDER)]
    d = np.sqrt(np.maximum(np.diag(p), 1e-30))
    corr = p / np.outer(d, d)
    w, v = np.linalg.eigh((corr + corr.T) / 2)  # a hair of rounding must not stop the factorisation
    corr = (v * np.clip(w, 1e-12, None)) @ v.T
    factor: Array = np.asarray(np.linalg.cholesky(corr) * d[:, None])
    out = np.empty_like(factor)
    out[_ORDER] = factor
    return out, _CAUSES


def as_seen(theta: Array) -> Array:
    """The camera (10,) by what its picture fixes: in the place of the translation the board's origin (px) and the logarithm of
    its scale (px a mm).

    Marks seen squarely tell both well and the focal length hardly, which then moves together with the distance: far along a
    curve in theta, but along a line here. A step in theta that goes a fifth of the focal length would leave the board three
    per cent too small.
    """
    t, focal = theta[3:6], np.exp(theta[6])
    out = theta.copy()
    out[3:6] = theta[8] + focal * t[0] / t[2], theta[9] + focal * t[1] / t[2], theta[6] - np.log(t[2])
    return out


def from_seen(seen: Array) -> Array:
    """The inverse of ``as_seen``."""
    focal, z = np.exp(seen[6]), np.exp(seen[6] - seen[5])
    out = seen.copy()
    out[3:6] = (seen[3] - seen[8]) * z / focal, (seen[4] - seen[9]) * z / focal, z
    return out


def seen_by_theta(theta: Array) -> Array:
    """(10, 10): how ``as_seen`` changes with theta."""
    t, focal = theta[3:6], np.exp(theta[6])
    out = np.eye(10)
    for k in (0, 1):
        out[3 + k, 3 + k] = focal / t[2]
        out[3 + k, 5] = -focal * t[k] / t[2] ** 2
        out[3 + k, 6] = focal * t[k] / t[2]
        out[3 + k, 8 + k] = 1.0
    out[5, 5], out[5, 6] = -1 / t[2], 1.0
    return out


def _shift(e: Evidence, side: str, px: Array) -> Evidence:
    """Move one silhouette across the limb by ``px`` (N,), + away from the other silhouette."""
    other = e.belly_px if side == "back" else e.back_px
    own = e.back_px if side == "back" else e.belly_px
    d = own - other
    seen = np.nonzero(~np.isnan(d[:, 0]))[0]
    d = np.column_stack([np.interp(np.arange(len(d)), seen, d[seen, k]) for k in (0, 1)])
    d = d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-9)
    moved = own + px[:, None] * d
    return replace(e, back_px=moved) if side == "back" else replace(e, belly_px=moved)


def edge_perturbations(
    n: int, zones: dict[str, tuple[int, int]], noise_px: float, correlated: float, wander_px: float, shadow_px: dict[str, float]
) -> list[Perturbation]:
    """How the silhouettes may be off: a slow part (the wrong edge, a soft shadow) and the edge noise's slow modes.

    ``zones`` name -> stations of the limbs and the handle; ``correlated``: stations over which edge noise moves together;
    ``wander_px``: how far an edge strays for stretches; ``shadow_px``: by side, the doubt of a shadow beside it. Each zone and
    side has its own cosine modes.
    """
    out: list[Perturbation] = []
    for side in ("back", "belly"):
        for name, (a, b) in zones.items():
            length = max(b - a, 2)
            x = (np.arange(length) + 0.5) / length
            for k in range(2 if name == "handle" else 6):
                if name == "handle" and side == "belly":
                    continue
                shape = np.cos(np.pi * k * x) * (1.0 if k == 0 else np.sqrt(2))
                # discrete cosine mode of noise with this correlation length
                random = noise_px * np.sqrt(min(1.0, correlated / length))
                slow = np.hypot(max(SYSTEMATIC_PX, wander_px) * WANDERS[k], shadow_px[side] * SHADOW_WANDERS[k])
                slow *= 0.4 if name == "handle" and k else 1.0
                field = np.zeros(n)
                field[a:b] = shape * np.hypot(random, slow)
                out.append(Perturbation("edge", lambda e, s=side, f=field: _shift(e, s, f)))  # type: ignore[misc]
        for name, (a, b) in zones.items():
            if name != "handle":  # the last stretch before the nock, which alone fixes the string angle
                away = np.arange(b - a) if name == "upper" else np.arange(b - a)[::-1]
                field = np.zeros(n)
                field[a:b] = (
                    max(TIP_EDGE_PX, 2 * noise_px) * np.exp(-((away / (0.08 * (b - a))) ** 2)) * (1 if side == "back" else -1)
                )
                out.append(Perturbation("edge", lambda e, s=side, f=field: _shift(e, s, f)))  # type: ignore[misc]
    return out


def thinner_perturbations(
    n: int, zones: dict[str, tuple[int, int]], lost_px: dict[str, tuple[float, float]]
) -> list[Perturbation]:
    """Wood that may have been lost on the ground beside either edge of a limb's inner part.

    ``lost_px`` limb -> how much (px) at the root, and from what share of its length on, nock = 0; from there it grows evenly.
    """
    out: list[Perturbation] = []
    for name, (px, start) in lost_px.items():
        a, b = zones[name]
        share = (np.arange(b - a) + 0.5) / max(b - a, 1)
        share = share if name == "upper" else 1 - share
        for side in ("back", "belly"):
            field = np.zeros(n)
            field[a:b] = px * np.clip((share - start) / (1 - start), 0, 1)
            out.append(Perturbation("edge", lambda e, s=side, f=field: _shift(e, s, f)))  # type: ignore[misc]
    return out


def step_perturbation(n: int, handle: tuple[int, int], px: float) -> Perturbation:
    """The handle's back as a whole, on stations ``handle`` of ``n``: it may be another line than the limbs' back runs on."""
    field = np.zeros(n)
    field[slice(*handle)] = px
    return Perturbation("edge", lambda e: _shift(e, "back", field))


def section_perturbations(width_u_mm: float = LIMB_WIDTH_U_MM, tip_u_mm: float = TIP_WIDTH_U_MM) -> list[Perturbation]:
    """What the side view does not show of the limb's section."""
    return [
        Perturbation("width", lambda e: replace(e, limb_width_mm=e.limb_width_mm + width_u_mm)),
        Perturbation("width", lambda e: replace(e, tip_width_mm=e.tip_width_mm + tip_u_mm)),
        Perturbation("width", lambda e: replace(e, section_q=e.section_q + SECTION_Q_U)),
    ]


def thickness_perturbations(
    width_u_mm: float = LIMB_WIDTH_U_MM, tilt_u: tuple[float, float] = (0.0, 0.0), shadow_u_mm: float = 0.0
) -> list[Perturbation]:
    """What the wood's thickness hangs on beside its silhouettes: one cause, but widths, taper and corners err independently.

    Each is moved to where less of the broad face shows, since the other way the wood may run out. ``tilt_u``: standard
    uncertainty of the direction the limbs are seen from, as one vector; ``shadow_u_mm`` of the flash's own shadow.
    """
    moves = [{"width_mm": -width_u_mm}, {"tip_mm": -NARROW_TIP_U_MM}, {"taper_from": TAPER_FROM_U}, {"q": EASED_Q_U}]

    def mover(step: dict[str, float]) -> Callable[[Evidence], Evidence]:
        return lambda e: replace(e, section=replace(e.section, **{k: getattr(e.section, k) + v for k, v in step.items()}))

    out = [Perturbation("width", mover(step)) for step in moves]
    if shadow_u_mm:
        out.append(Perturbation("edge", mover({"shadow_mm": -shadow_u_mm})))
    if any(tilt_u):
        du, dv = tilt_u
        tilted = lambda e: replace(e, section=replace(e.section, tilt=(e.section.tilt[0] + du, e.section.tilt[1] + dv)))  # noqa: E731
        out.append(Perturbation("marks", tilted))
    return out


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """The change each nudge makes: numbers (K,) per name, curvature (K, samples) per limb; causes (K,)."""

    causes: tuple[str, ...]
    numbers: dict[str, Array]
    curvature: tuple[Array, Array]
    thickness: tuple[Array, Array]

    def with_own(self, cause: str, own: dict[str, float]) -> Sensitivity:
        """Also count a doubt that belongs to single numbers alone: name -> its standard uncertainty."""
        numbers = dict(self.numbers)
        causes, k = self.causes, len(self.causes)
        for j, (name, u) in enumerate(own.items()):
            for n in numbers:
                extra = np.zeros(len(own))
                extra[j] = u if n == name else 0.0
                numbers[n] = np.r_[numbers[n], extra[j]]
            causes = (*causes, cause)
        pad = [np.zeros((len(own), v.shape[1])) for v in (*self.curvature, *self.thickness)]
        grown = [np.vstack([v, p]) for v, p in zip((*self.curvature, *self.thickness), pad, strict=True)]
        assert len(causes) == k + len(own)
        return Sensitivity(causes, numbers, (grown[0], grown[1]), (grown[2], grown[3]))

    def u(self, name: str) -> float:
        return float(np.sqrt(np.sum(self.numbers[name] ** 2)))

    def budget(self, name: str) -> dict[str, float]:
        return by_cause(self.causes, self.numbers[name])


def by_cause(causes: Sequence[str], changes: Array) -> dict[str, float]:
    """Independent changes (K,) gathered into one standard uncertainty a cause, the largest first."""
    parts: dict[str, float] = {}
    for cause, d in zip(causes, changes, strict=True):
        parts[cause] = parts.get(cause, 0.0) + float(d) ** 2
    return {c: float(np.sqrt(v)) for c, v in sorted(parts.items(), key=lambda q: -q[1])}


def sensitivities(
    nudges: Sequence[Perturbation], evidence: Evidence, nominal: BowShape, shape: Callable[[Evidence], BowShape]
) -> Sensitivity:
    """Run every nudge through the chain once."""
    numbers: dict[str, list[float]] = {k: [] for k in nominal.numbers}
    bends: tuple[list[Array], list[Array]] = ([], [])
    thick: tuple[list[Array], list[Array]] = ([], [])
    for nudge in nudges:
        s = shape(nudge.moved(evidence))
        for name, value in nominal.numbers.items():
            numbers[name].append(s.numbers.get(name, np.nan) - value)
        for k, (a, b) in enumerate(((s.upper, nominal.upper), (s.lower, nominal.lower))):
            bends[k].append(a.curve.curvature - b.curve.curvature)
            thick[k].append(a.wood_mm - b.wood_mm)
    return Sensitivity(
        tuple(n.cause for n in nudges),
        {k: np.array(v) for k, v in numbers.items()},
        (np.array(bends[0]), np.array(bends[1])),
        (np.array(thick[0]), np.array(thick[1])),
    )

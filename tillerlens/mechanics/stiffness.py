"""A limb's stiffness from pictures: at every place the string's pull has a moment T a, and the limb has moved from its rest
by M / EI (Euler-Bernoulli). So over the pictures of one bow, at one place,

    curvature_i = rest curvature + compliance * T_i a_i,

a straight line whose slope is 1 / EI. The shape at rest is one more point of it, with no moment. It is fitted by generalised
least squares, so that several draws sharpen the answer while what they share (the smoothing, the same edges in the same
light) is not averaged away. T comes from a weighing and the string's angles at the hook; pictures without one fit their T
to the others. Without any weighing the stiffness is relative: 1 on average.

Near the nock the lever vanishes and near the fade the smoothing meets the handle: there nothing is told (NaN).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import LIMBS, LimbName, Value
from tillerlens.mechanics.observed import SCALE_GAIN_U, MechanicsError, ObservedBow, ObservedLimb
from tillerlens.mechanics.section import LimbSections
from tillerlens.mechanics.statics import Bow, ElasticLimb, Handle
from tillerlens.mechanics.unknown_rest import Solve, likely_tensions

Array = NDArray[np.float64]

STEP_MM = 8.0
FIRST, LAST = 0.07, 0.97  # of the limb from the nock, as for spots
ROOT_MM, ROOT_SHARE = 35.0, 0.05  # within the smoothing's reach of the fade its bend may be off by this share
SHARED = 0.5
"""Of a curvature's variance, common to pictures taken alike: edges in the same light, the same smoothing. Errors of four rendered
pictures of one bow, braced to full draw, correlate by 0.7 to 0.9; were they independent, 92 in 100 places would still lie within
2u by two draws without the shape at rest."""
OWN_PARTS = (0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0)  # what each picture may have to itself of it, where several tell
MODEL_U = 0.01  # shear, string's give, wood that is not quite elastic (common practice, no source)
MOST_U = 0.35  # a stiffness less sure than this is not told
SPREAD = (0.7, 4.0)  # how far the pictures' own scatter may narrow or widen the band; what they share does not scatter
NO_REST_U = 1e-3  # 1/mm: natural bends are no tighter than a metre (common practice, no source)
FIXED_U = 1e-4  # of ln tension of the picture that relative stiffness is fixed by
UNTOLD = 9.0  # of ln stiffness: nothing is known
CORRELATED_MM = 45.0  # the smoothing spline's own length


@dataclass(frozen=True, eq=False)
class LimbStiffness:
    """One limb, nock first; arrays (n,). ``ei`` in N mm2 (or relative), NaN where it is not told; ``u_relative`` its own
    standard uncertainty without the level's, correlated over about 45 mm. ``compliance`` and ``u_compliance``: 1 / EI as it was
    fitted, everywhere, which noise may make negative. ``rest`` and ``u_rest``: curvature with no load, 1/mm. ``length_mm``:
    fade to nock. ``left`` (k, places between ``FIRST`` and ``LAST``): what the fit leaves over, in independent parts of
    standard deviation 1; none where there are no more pictures than it needs, or none at rest."""

    from_nock_mm: Array
    ei: Array
    u_relative: Array
    rest: Array
    u_rest: Array
    length_mm: float
    compliance: Array
    u_compliance: Array
    left: Array

    @property
    def told(self) -> NDArray[np.bool_]:
        return np.isfinite(self.ei)

    @property
    def inside(self) -> NDArray[np.bool_]:
        """(n,) where there is a lever and a limb."""
        return _inside(self.from_nock_mm, self.length_mm)


@dataclass(frozen=True, eq=False)
class Stiffness:
    """Both limbs. ``absolute``: in N mm2, else relative to 1 on average. ``u_level``: relative standard uncertainty common
    to all places (scale, string angles); NaN for relative stiffness. ``tensions_n``: of each picture, or relative.

    Where no picture shows the bow at rest, ``moved`` holds the same bow moved by each independent doubt that follows, by one
    standard uncertainty, in stiffness and natural bend together; ``u_unrested``: what it does to the level, relative. The limbs'
    own ``u_relative`` holds it too."""

    upper: LimbStiffness
    lower: LimbStiffness
    absolute: bool
    u_level: float
    tensions_n: tuple[float, ...]
    pictures: tuple[str, ...]
    rest_known: bool
    u_unrested: float = 0.0
    moved: tuple[Stiffness, ...] = ()

    @property
    def limbs(self) -> dict[LimbName, LimbStiffness]:
        return {"upper": self.upper, "lower": self.lower}


@dataclass(frozen=True, eq=False)
class _Data:
    """One limb over the pictures at common places: curvature, its u, arm, its u (pictures, n); at rest (n,)."""

    s: Array
    length: float
    kappa: Array
    u: Array
    arm: Array
    u_arm: Array
    rest: Array
    u_rest: Array

    @property
    def inside(self) -> NDArray[np.bool_]:
        return _inside(self.s, self.length)


def _inside(s: Array, length: float) -> NDArray[np.bool_]:
    return (s / length > FIRST) & (s / length < LAST)


def estimate_stiffness(strung: Sequence[ObservedBow], rest: ObservedBow | None = None) -> Stiffness:
    """Stiffness along both limbs from pictures of one strung bow (braced or drawn), and best with its shape at rest.

    Raises MechanicsError where the pictures cannot tell it: no string seen, or a single picture without the shape at rest.
    """
    seen = [b for b in strung if all(np.isfinite(b.limbs[k].arm_mm).any() for k in LIMBS)]
    if not seen:
        raise MechanicsError("The string was not seen in any picture, so the load on the limbs is not known.", "Click the hook.")
    if rest is None and len(seen) < 2:
        raise MechanicsError(
            "One picture of the strung bow cannot tell stiffness from a natural bend.",
            "Add a picture of the bow unstrung, or of another draw.",
        )
    data = tuple(_gather(seen, rest, k) for k in LIMBS)
    tensions = np.array([b.weighing.weight_n * b.tension_per_weight() if b.weighing else np.nan for b in seen])
    absolute = bool(np.isfinite(tensions).any())
    first = _all_tensions(data, tensions)
    if rest is not None:
        u_level = _level_u(seen, data, first) if absolute else float("nan")
        return _stiffness(seen, data, first, u_level, True)
    if not absolute:
        tensions = np.where(np.arange(len(seen)) == np.argmax(first), first, np.nan)
    given = _weighing_u if absolute else lambda _: FIXED_U
    u_log = np.array([given(b) if np.isfinite(t) else np.inf for b, t in zip(seen, tensions, strict=True)])
    thin = [_thinned(d) for d in data]
    likely, cov = likely_tensions([d.s for d in thin], [_resting(d) for d in thin], first, u_log)
    here = _stiffness(seen, data, likely, SCALE_GAIN_U if absolute else float("nan"), False)
    value, vector = np.linalg.eigh(cov)
    steps = [np.sqrt(max(v, 0.0)) * e for v, e in zip(value, vector.T, strict=True)]
    return _with_doubt(here, [_stiffness(seen, data, likely * np.exp(step), here.u_level, False) for step in steps])


def _stiffness(
    seen: Sequence[ObservedBow], data: Sequence[_Data], tensions: Array, u_level: float, rest_known: bool
) -> Stiffness:
    absolute = bool(np.isfinite(u_level))
    own, size = _agreement(data, tensions)
    fits = [_fit(d, tensions, own, size) for d in data]
    if any(f.told.sum() < 10 for f in fits) and size > DISAGREE:
        raise MechanicsError(
            "The traced limbs differ too much from picture to picture to show their stiffness.",
            "Look at the traced lines and fix their edges, or take sharper pictures nearer to the bow.",
        )
    if any(f.told.sum() < 10 for f in fits):
        raise MechanicsError(
            "The limbs moved too little in these pictures to show their stiffness.",
            "Add the shape at rest and a further draw, once the shape so far is right.",
        )
    level = 1.0 if absolute else float(np.exp(np.nanmean(np.log(np.concatenate([f.ei for f in fits])))))
    limbs = [replace(f, ei=f.ei / level, compliance=f.compliance * level, u_compliance=f.u_compliance * level) for f in fits]
    told = tuple(float(t) / level for t in tensions)
    return Stiffness(limbs[0], limbs[1], absolute, u_level, told, tuple(b.name for b in seen), rest_known)


def _weighing_u(b: ObservedBow) -> float:
    """Relative uncertainty of a weighed picture's tension, the scale's common error left out."""
    assert b.weighing is not None
    return float(np.hypot(b.weighing.u_n / b.weighing.weight_n, b.u_tension_relative()))


def _thinned(d: _Data) -> _Data:
    """Every third place."""
    along = {f.name: getattr(d, f.name)[..., ::-3][..., ::-1] for f in fields(d) if f.name != "length"}
    return replace(d, **along)


def _resting(d: _Data) -> Solve:
    """What one limb's bend says of its shape at rest, for tensions."""
    use = np.ones(len(d.kappa), bool)

    def solve(tensions: Array) -> tuple[Array, Array, Array, Array]:
        line = _solve(d, tensions, use)
        on = np.where(d.inside, 1.0, 0.0)  # at nock and fade the pictures say nothing of it
        return line.rest * on, np.where(d.inside, line.u_rest, d.u_rest), line.compliance[d.inside], line.misfit[d.inside]

    return solve


MOVES = 1e-3  # of the compliance: what moves it by less is left out
LEAST_PLACES = 12  # along a limb, however short
LEAST_ARM_MM = 0.1
NEAR_FADE_MM = 80.0  # stretch beside the last told place whose mean goes on toward the fade
FEWEST = 5  # values that a spread is told of


def _with_doubt(here: Stiffness, moved: list[Stiffness]) -> Stiffness:
    """The stiffness with what moves it as a whole in its uncertainty; what moves it by less than a thousandth is left out."""

    def off(a: LimbStiffness, b: LimbStiffness) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            found = np.abs(np.log(b.compliance / a.compliance))
        return np.where(a.told, np.nan_to_num(found, nan=UNTOLD, posinf=UNTOLD), 0.0)

    size = [[off(a, b) for a, b in zip(here.limbs.values(), m.limbs.values(), strict=True)] for m in moved]
    kept = [k for k, x in enumerate(size) if max(float(np.median(v)) for v in x) > MOVES]
    limbs = []
    for i, a in enumerate(here.limbs.values()):
        u = np.sqrt(a.u_relative**2 + sum((size[k][i] ** 2 for k in kept), np.zeros(len(a.ei))))
        told = a.told & (u < MOST_U)
        limbs.append(replace(a, ei=np.where(told, a.ei, np.nan), u_relative=np.where(told, u, np.nan)))
    if any(m.told.sum() < 10 for m in limbs):
        raise MechanicsError(
            "Without the shape at rest these pictures don't show the limbs' stiffness.", "Add a picture of the bow unstrung."
        )
    level = float(np.sqrt(sum(np.mean([np.median(v[v > 0]) for v in size[k]]) ** 2 for k in kept)))
    return replace(here, upper=limbs[0], lower=limbs[1], u_unrested=level, moved=tuple(moved[k] for k in kept))


def _gather(seen: Sequence[ObservedBow], rest: ObservedBow | None, name: LimbName) -> _Data:
    length = float(np.mean([b.limbs[name].from_nock_mm[-1] for b in seen]))
    s = np.linspace(0, length, max(LEAST_PLACES, int(length / STEP_MM)))
    at_fade = ROOT_SHARE * np.exp(-(length - s) / ROOT_MM)

    def read(limb: ObservedLimb, values: Array) -> Array:
        return np.interp(s, limb.from_nock_mm, values)

    limbs = [b.limbs[name] for b in seen]
    kappa = np.array([read(m, m.curvature) for m in limbs])
    u = np.hypot(np.array([read(m, m.u_curvature) for m in limbs]), at_fade * np.abs(kappa))
    arm, u_arm = (np.array([read(m, getattr(m, n)) for m in limbs]) for n in ("arm_mm", "u_arm_mm"))
    arm = np.maximum(arm, LEAST_ARM_MM)  # at the nock itself there is none
    if rest is None:
        return _Data(s, length, kappa, u, arm, u_arm, np.zeros(len(s)), np.full(len(s), NO_REST_U))
    still = rest.limbs[name]
    r, u_r = read(still, still.curvature), read(still, still.u_curvature)
    return _Data(s, length, kappa, u, arm, u_arm, r, np.hypot(u_r, at_fade * np.abs(r)))


def _all_tensions(data: Sequence[_Data], tensions: Array) -> Array:
    """Tensions with those of unweighed pictures fitted to the others; where none was weighed, the most bent one's is 1."""
    known = np.isfinite(tensions)
    if not known.any():
        moved = [sum(float(np.sum((d.kappa[i] - d.rest)[d.inside])) for d in data) for i in range(len(tensions))]
        known = np.arange(len(tensions)) == int(np.argmax(moved))
    out = np.where(known, np.nan_to_num(tensions, nan=1.0), 0.0)
    if known.all():
        return out
    use = known.copy()
    for _ in range(4):  # the first pass sees only what is known, the others all
        fits = [_solve(d, out, use) for d in data]
        for i in np.nonzero(~known)[0]:
            up = down = 0.0
            for d, line in zip(data, fits, strict=True):
                lever, w = (line.compliance * d.arm[i])[d.inside], (1 / d.u[i] ** 2)[d.inside]
                up += float(np.sum(w * lever * (d.kappa[i] - line.rest)[d.inside]))
                down += float(np.sum(w * lever**2))
            out[i] = max(up / down, 1e-9)
        use = np.ones_like(known)
    return out


@dataclass(frozen=True, eq=False)
class _MomentLine:
    """The straight line at each place of one limb: compliance, rest curvature, their standard uncertainties; all (n,).

    misfit: squares of what is left over by what was promised, per degree of freedom; NaN where there is none. likely (n,): ln of
    the restricted likelihood, but for a constant. cov (n, k, k), design (n, k, 2), off (n, k): of the k readings at each place,
    their errors, their line and what they stray from it."""

    compliance: Array
    rest: Array
    u_compliance: Array
    u_rest: Array
    misfit: Array
    likely: Array
    cov: Array
    design: Array
    off: Array


def _solve(
    d: _Data, tensions: Array, use: NDArray[np.bool_], shared: float = SHARED, own_part: float = 1 - SHARED, size: float = 1.0
) -> _MomentLine:
    """Curvature over load by generalised least squares at each place.

    ``shared`` and ``own_part``: of a curvature's variance, what all strung pictures have in common and what each has to itself.
    ``size``: of the strung pictures' errors over what was promised.
    """
    kappa, arm, t = d.kappa[use], d.arm[use], tensions[use]
    load = t[:, None] * arm
    scale = float(np.median(load[:, d.inside]))
    m, n = kappa.shape
    design = np.zeros((n, m + 1, 2))  # the last row is the shape at rest
    design[..., 0] = 1.0
    design[:, :m, 1] = (load / scale).T
    y = np.vstack([kappa, d.rest]).T
    slope = np.maximum(np.mean(kappa - d.rest, 0) / np.maximum(np.mean(load / scale, 0), 1e-9), 0.0)
    for _ in range(2):
        # an arm's error and the model's own act on the movement
        u2 = (d.u[use] ** 2).T + (slope[:, None] * (t[:, None] * d.u_arm[use] / scale).T) ** 2
        own = np.sqrt(u2)
        cov = np.zeros((n, m + 1, m + 1))
        cov[:, :m, :m] = shared * own[:, :, None] * own[:, None, :]
        i = np.arange(m)
        cov[:, i, i] += own_part * u2
        moved = (slope[:, None] * (load / scale).T) * MODEL_U
        cov[:, :m, :m] = size**2 * (cov[:, :m, :m] + moved[:, :, None] * moved[:, None, :])
        cov[:, m, m] = d.u_rest**2
        inverse = np.linalg.inv(cov)
        normal = np.linalg.inv(design.transpose(0, 2, 1) @ inverse @ design)
        best = (normal @ design.transpose(0, 2, 1) @ inverse @ y[..., None])[..., 0]
        slope = np.maximum(best[:, 1], 0.0)
    off = y - (design @ best[..., None])[..., 0]
    chi2 = (off[:, None, :] @ inverse @ off[..., None])[:, 0, 0]
    free = m - 1 - int(d.u_rest[0] >= NO_REST_U)  # without a shape at rest its row is only a wide guess
    misfit = chi2 / free if free > 0 else np.full(n, np.nan)
    likely = 0.5 * (np.linalg.slogdet(normal)[1] - np.linalg.slogdet(cov)[1] - chi2)
    u = np.sqrt(np.diagonal(normal, 0, 1, 2))
    return _MomentLine(best[:, 1] / scale, best[:, 0], u[:, 1] / scale, u[:, 0], misfit, likely, cov, design, off)


def _left_over(line: _MomentLine, inside: NDArray[np.bool_]) -> Array:
    """(k, m): what the line leaves over where it is ``inside``, in k independent parts of standard deviation 1.

    Which directions span what a line cannot follow is free at each place. Here they run on along the limb, whatever the order
    of the pictures: where they turn from place to place, long waves in the errors look like short ones.
    """
    variances, axes = np.linalg.eigh(line.cov[inside])
    root = (axes / np.sqrt(variances)[:, None, :]) @ axes.transpose(0, 2, 1)
    beyond = np.linalg.qr(root @ line.design[inside], "complete")[0][..., 2:]
    left = (beyond.transpose(0, 2, 1) @ root @ line.off[inside][..., None])[..., 0].T
    basis = beyond[0]
    for i in range(1, left.shape[1]):
        u, _, v = np.linalg.svd(beyond[i].T @ basis)
        left[:, i] = (u @ v).T @ left[:, i]
        basis = beyond[i] @ u @ v
    return np.asarray(left)


DISAGREE = 1.5
"""Errors so much larger than promised are no chance: of some twenty independent places, less than one in a thousand."""


def _agreement(data: Sequence[_Data], tensions: Array) -> tuple[float, float]:
    """How well several pictures agree, on both limbs together: what part of a curvature's variance each has to itself, and how
    much larger their errors are than was promised. Where there are too few to tell, what is taken for granted."""
    use = np.ones(len(tensions), bool)
    tried = [[_solve(d, tensions, use, 1 - own, own) for d in data] for own in OWN_PARTS]
    if not np.isfinite(tried[0][0].misfit).all():
        return 1 - SHARED, 1.0
    # places nearer than the errors' own length tell the same
    likely = np.array([sum(float(np.sum(x.likely[d.inside])) for x, d in zip(both, data, strict=True)) for both in tried])
    weight = np.exp((likely - likely.max()) * STEP_MM / CORRELATED_MM)
    own = float(weight @ np.array(OWN_PARTS) / weight.sum())
    misfit = np.concatenate([_solve(d, tensions, use, 1 - own, own).misfit[d.inside] for d in data])
    return own, float(np.clip(np.sqrt(np.mean(misfit)), *SPREAD))


def _fit(d: _Data, tensions: Array, own: float, size: float) -> LimbStiffness:
    # Scatter beyond all that the pictures have to themselves, as a set taken between them, widens the band. Errors promised too
    # large narrow it, but for the picture at rest: how well the others agree says nothing of that one.
    line = _solve(d, tensions, np.ones(len(tensions), bool), 1 - own, own, min(size, 1.0))
    spread = max(size, 1.0)
    c, u_c = line.compliance, spread * line.u_compliance
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = u_c / c
        ei = 1 / c
    told = d.inside & (c > 0) & (relative < MOST_U)
    # beyond the reach of the lever the strung pictures are led by what is taken for granted at the nock
    rest = np.where(d.inside | (d.u_rest >= NO_REST_U), line.rest, d.rest)
    u_rest = np.where(d.inside, spread * line.u_rest, d.u_rest)
    left = _left_over(line, d.inside) if d.u_rest[0] < NO_REST_U else np.zeros((0, int(d.inside.sum())))
    return LimbStiffness(d.s, np.where(told, ei, np.nan), np.where(told, relative, np.nan), rest, u_rest, d.length, c, u_c, left)


def _level_u(seen: Sequence[ObservedBow], data: Sequence[_Data], tensions: Array) -> float:
    """Relative u of the level: each weighing's own part averages, the scale's common error does not."""
    weighed = [i for i, b in enumerate(seen) if b.weighing]
    info = np.array([sum(float(np.sum(((tensions[i] * d.arm[i]) / d.u[i])[d.inside] ** 2)) for d in data) for i in weighed])
    own = []
    for i in weighed:
        w = seen[i].weighing
        assert w is not None
        own.append(np.hypot(w.u_n / w.weight_n, seen[i].u_tension_relative()))
    share = info / info.sum()
    gain = SCALE_GAIN_U if any(w.by_scale for b in seen if (w := b.weighing)) else 0.0
    return float(np.hypot(gain, np.sqrt(np.sum((share * np.array(own)) ** 2))))


def limbs_apart(stiffness: Stiffness) -> Value:
    """How much stiffer the upper limb is than the lower, percent, over the places where both are told, by share of the limb.
    Errors that run along a whole limb are counted at half of its band."""
    share = np.linspace(FIRST, LAST, 60)
    log: list[Array] = []
    u: list[float] = []
    for limb in (stiffness.upper, stiffness.lower):
        at = limb.from_nock_mm[limb.told] / limb.length_mm
        log.append(np.interp(share, at, np.log(limb.ei[limb.told]), left=np.nan, right=np.nan))
        u.append(0.5 * float(np.nanmedian(limb.u_relative)))
    return Value(100 * float(np.expm1(np.nanmean(log[0] - log[1]))), 100 * float(np.hypot(u[0], u[1])), "%")


def filled(limb: LimbStiffness) -> Array:
    """``ei`` (n,) with the untold places filled for the statics: the end's own taper carried on, half as steeply at the
    fade, never rising toward the nock. Toward the nock it matters little, since no moment is left there."""
    log = np.log(limb.ei[limb.told])
    s = limb.from_nock_mm
    at = s[limb.told]
    out = np.interp(s, at, log)
    for end, near, damp in ((s < at[0], at < at[0] + 100, 1.0), (s > at[-1], at > at[-1] - NEAR_FADE_MM, 0.5)):
        slope, level = np.polyfit(at[near] - (at[0] if damp == 1.0 else at[-1]), log[near], 1)
        edge = at[0] if damp == 1.0 else at[-1]
        out[end] = out[np.argmin(np.abs(s - edge))] + max(float(slope), 0.0) * damp * (s[end] - edge)
    return np.asarray(np.exp(out))


def statics_bow(stiffness: Stiffness, seen: ObservedBow, scale: float = 1.0) -> Bow:
    """The bow as the statics take it. ``seen`` gives the handle; its depth is a limb's thickness, so that draws to the back
    agree with those measured. ``scale``: on the stiffness."""
    limbs = []
    for limb in (stiffness.upper, stiffness.lower):
        s = limb.length_mm - limb.from_nock_mm[::-1]
        s[0] = 0.0
        limbs.append(ElasticLimb(s, scale * filled(limb)[::-1], limb.rest[::-1]))
    upper, lower = (seen.limbs[k].length_mm - m.length for k, m in zip(LIMBS, limbs, strict=True))
    return Bow(limbs[0], limbs[1], Handle(max(upper, 0.0), max(lower, 0.0), 2 * seen.root_half_mm))


@dataclass(frozen=True)
class Modulus:
    """Bending modulus (N/mm2) of the wood as the limbs show it, with its standard uncertainty, and the handbook's
    ``expected`` with its ``spread`` where known. ``verdict``: 'higher', 'lower' or 'as expected' ('' where unknown): told
    only where the difference exceeds twice its own uncertainty."""

    value: float
    u: float
    expected: float
    spread: float
    verdict: str


def bending_modulus(
    stiffness: Stiffness, sections: dict[LimbName, LimbSections], expected: tuple[float, float] | None = None
) -> Modulus:
    """Effective modulus E = EI / I over both limbs, weighted; ``expected``: handbook's modulus and its relative spread."""
    if not stiffness.absolute:
        raise MechanicsError("Without a weighing the wood's modulus stays unknown.", "Weigh the bow at one draw and note it.")
    value, weight, places = [], [], 0.0
    for name, limb in stiffness.limbs.items():
        at = sections[name].at(limb.from_nock_mm)
        e, rel = limb.ei / at.second_moment, np.hypot(limb.u_relative, at.u_second_moment / at.second_moment)
        ok = np.isfinite(e) & np.isfinite(rel)
        value += list(np.log(e[ok]))
        weight += list(1 / rel[ok] ** 2)
        places += float(ok.sum()) * STEP_MM / CORRELATED_MM
    if len(value) < FEWEST:
        raise MechanicsError(
            "The sections and the stiffness have too few places in common.", "Measure width and thickness at more places."
        )
    w = np.array(weight) / np.sum(weight)
    mean = float(np.exp(w @ np.array(value)))
    own = float(1 / np.sqrt(np.sum(weight) * places / len(value)))
    scatter = float(np.sqrt(w @ (np.array(value) - np.log(mean)) ** 2 / max(places - 1, 1)))
    u = mean * float(np.sqrt(stiffness.u_level**2 + stiffness.u_unrested**2 + max(own, scatter) ** 2))
    if expected is None:
        return Modulus(mean, u, float("nan"), float("nan"), "")
    off, band = mean - expected[0], 2 * float(np.hypot(u, expected[0] * expected[1]))
    return Modulus(mean, u, *expected, "higher" if off > band else "lower" if off < -band else "as expected")

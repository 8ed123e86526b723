"""The bow as it stands: stiffness and natural curvature by place with their doubt, sharpened by the gaps and the weight seen.

Stiffness read from curvature is noisy place by place, while gaps and weight are its sums along the limb and are measured well.
``sharpen`` lets the statics hold the one against the other (linear Gaussian update, e.g. Tarantola, *Inverse Problem Theory*,
2005, 3.2): the most likely bow that explains both, with what doubt is left. The limb is cut into patches no shorter than what
a bowyer can scrape on purpose.

Places ``s`` run from the fade (0) to the nock, mm; stiffness errors are logarithms, so 0.05 means 5 %.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.linalg import block_diag

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import Value
from tillerlens.mechanics.elastica import Floats
from tillerlens.mechanics.finding import Finding
from tillerlens.mechanics.observed import SCALE_GAIN_U, own_u
from tillerlens.mechanics.statics import Bow, ElasticLimb, Equilibrium, Handle, Pull, drawn

UNKNOWN_U = 9.0  # of ln EI where nothing is known of it
EI_STEP, KAPPA_STEP = 0.02, 1e-5  # steps of the Jacobian: in ln EI, and in natural curvature, 1/mm
SEGMENTS = 60  # weight to 0.02 %, gaps to 0.01 mm of the converged answer: far below what is measured
PATCH_MM = 76.2  # 3 in: no shorter stretch is scraped on purpose (common practice, no source)
TIP_MM = 50.0  # next to the nock the string has no lever: stiffness there is not seen
BLIND_U = 0.35  # a patch whose stiffness is doubtful by more than this is not judged
KAPPA_PARTS = 3
GAP_OWN, GAP_TOGETHER_MM = 0.1, 200.0
"""Share of a gap's variance that is its station's own, and how far along a limb the rest moves together: errors of a centreline
are long. On 26 rendered pictures gaps 4 in apart erred alike with a correlation of 0.7 to 0.98, 8 in apart with 0.65 to 0.96.
Taken for independent, they would average away what they share, and the statics would be believed too closely."""


@dataclass(frozen=True, eq=False)
class CurrentLimb:
    """One limb as measured; arrays (n,) over ``limb.s``.

    ``u_log_ei``: standard uncertainty of ln EI by place; ``u_kappa0``: of the natural curvature, 1/mm. ``thickness``, mm, by
    calipers or seen from the side, and its doubt; ``to_belly`` (centroid to belly), mm, where a section is known. ``power``:
    d ln EI / d ln thickness when the belly is scraped; 3 for a rectangle.
    """

    limb: ElasticLimb
    u_log_ei: Floats
    u_kappa0: Floats
    thickness: Floats | None = None
    to_belly: Floats | None = None
    power: float = 3.0
    u_thickness: Floats | None = None
    thickness_from: Literal["calipers", "side"] = "calipers"


@dataclass(frozen=True, eq=False)
class DrawReading:
    """What one drawn picture and the scale showed: draw (mm to the back), weight (N; its doubt without the scale's own error),
    gaps (k,) mm from the limb's *centreline* to the line through the nocks at ``stations`` (mm along the limb from the handle's
    centre).

    ``u_gap``: doubt of each gap, shared with its neighbours' (``GAP_TOGETHER_MM``); ``u_scale``: relative doubt common to all.
    ``half_*``: centreline to belly there, for
    saying gaps to the belly.
    """

    draw_back: float
    weight: float
    u_weight: float
    stations: Floats
    upper: Floats
    lower: Floats
    u_gap: float
    u_scale: float = 0.002
    half_upper: Floats | float = 0.0
    half_lower: Floats | float = 0.0

    @property
    def weighed(self) -> Weighed:
        return Weighed(self.draw_back, Value(self.weight, float(np.hypot(self.u_weight, SCALE_GAIN_U * self.weight)), "N"))


@dataclass(frozen=True)
class Weighed:
    """What the bow draws at ``draw_back`` (mm) by all of its weighings, N, and the energy stored there, J, where the weighings
    tell it; the scale's own error in their doubts."""

    draw_back: float
    weight: Value
    energy: Value | None = None


@dataclass(frozen=True, eq=False)
class CurrentBow:
    upper: CurrentLimb
    lower: CurrentLimb
    handle: Handle
    string_length: float
    seen: DrawReading
    u_level: float = 0.1  # of ln EI, common to both limbs
    correlated_mm: float = 45.0  # length over which the errors of the stiffness move together
    how: Pull = field(default_factory=Pull)
    finding: Finding | None = None  # hinges and stiff places of the bow as it is now; None where nobody has looked
    brace: Value | None = None  # back of the handle to the string as it hangs now, mm, as typed or as a picture shows it
    weighed: Weighed | None = None  # at the draw that is asked for; None where the reading of ``seen`` is all there is

    @property
    def limbs(self) -> tuple[CurrentLimb, CurrentLimb]:
        return self.upper, self.lower

    @cached_property
    def patches(self) -> tuple[Patches, Patches]:
        return cut(self.upper), cut(self.lower)


@dataclass(frozen=True, eq=False)
class Patches:
    """A limb cut into stretches: ``edges`` (J + 1,) mm from the fade; ``of`` (n,) the patch of every place, the tip with the
    last; ``mean`` (J, n) takes the average over each; ``judged`` (J,) where the stiffness is known well enough.
    """

    edges: Floats
    of: np.ndarray
    mean: Floats
    judged: np.ndarray

    @property
    def count(self) -> int:
        return self.edges.size - 1


def cut(p: CurrentLimb) -> Patches:
    s = p.limb.s
    end = s[-1] - TIP_MM
    count = max(1, int(end / PATCH_MM))
    edges = np.linspace(0.0, end, count + 1)
    of = np.clip(np.searchsorted(edges, s, side="right") - 1, 0, count - 1)
    step = np.gradient(s)
    mean = np.array([np.where((of == j) & (s <= end), step, 0.0) for j in range(count)])
    mean /= mean.sum(1, keepdims=True)
    u = np.where(np.isfinite(p.u_log_ei), p.u_log_ei, UNKNOWN_U)
    return Patches(edges, of, mean, (mean @ u) < BLIND_U)


@dataclass(frozen=True, eq=False)
class Sharpened:
    """The bow that explains picture and scale best, and the doubt left: ``cov`` of ln EI by patch (upper then lower) followed
    by the natural curvature in parts (1/mm). ``misfit``: square of what gaps and weight stray from the stiffness read, over
    what was promised, per reading; about 1.
    """

    bow: Bow
    cov: Floats
    misfit: float
    doubts: tuple[Reason, ...]


def gaps_of(state: Equilibrium, stations: Floats) -> tuple[Floats, Floats]:
    """Centreline to the line through both nocks, along y, at stations from the handle's centre; upper and lower (k,) mm."""
    (xu, yu), (xl, yl) = state.upper.nock, state.lower.nock
    slope = (yu - yl) / (xu - xl)
    out = []
    for shape in (state.upper, state.lower):
        x, y = (np.interp(stations, shape.s, v) for v in (shape.x, shape.y))
        out.append(y - (yl + slope * (x - xl)))
    return out[0], out[1]


def readings(state: Equilibrium, stations: Floats) -> Floats:
    """(2 k + 1,): gaps of the upper limb, of the lower, and the logarithm of the weight."""
    return np.concatenate([*gaps_of(state, stations), [np.log(max(state.weight, 1e-9))]])


def thinned(
    bow: Bow,
    patches: tuple[Patches, Patches],
    log_ei: Floats,
    kappa: Floats | None = None,
    where: tuple[Floats, Floats] | None = None,
) -> Bow:
    """The bow with ln EI changed by patch (upper then lower), only ``where`` that is 1, and natural curvature shifted in parts
    (1/mm).
    """
    limbs, at = [], 0
    for k, (limb, cuts) in enumerate(zip((bow.upper, bow.lower), patches, strict=True)):
        by_place = log_ei[at : at + cuts.count][cuts.of]
        ei = limb.ei * np.exp(by_place if where is None else by_place * where[k])
        at += cuts.count
        k0 = limb.kappa0 if kappa is None else limb.kappa0 + kappa[KAPPA_PARTS * k + _part(limb.s)]
        limbs.append(ElasticLimb(limb.s, ei, k0))
    return Bow(limbs[0], limbs[1], bow.handle)


def _part(s: Floats) -> np.ndarray:
    return np.minimum((s / s[-1] * KAPPA_PARTS).astype(int), KAPPA_PARTS - 1)


def responses(bow: Bow, present: CurrentBow, draw_back: float, start: Equilibrium | None = None) -> tuple[Equilibrium, Floats]:
    """The drawn state and the Jacobian (2 k + 1, P) of ``readings`` by every patch's ln EI and part's natural curvature."""
    cuts, n = present.patches, sum(c.count for c in present.patches)
    state = drawn(bow, present.string_length, draw_back, present.how, segments=SEGMENTS, start=start)
    here = readings(state, present.seen.stations)
    columns = []
    for j in range(n + 2 * KAPPA_PARTS):
        step = EI_STEP if j < n else KAPPA_STEP
        e, k = np.zeros(n), np.zeros(2 * KAPPA_PARTS)
        (e if j < n else k)[j if j < n else j - n] = step
        moved = drawn(thinned(bow, cuts, e, k), present.string_length, draw_back, present.how, segments=SEGMENTS, start=state)
        columns.append((readings(moved, present.seen.stations) - here) / step)
    return state, np.column_stack(columns)


def prior(present: CurrentBow) -> Floats:
    """Covariance (P, P) of what is not known of stiffness by patch and natural curvature by part."""
    blocks = [_averaged(p, c.mean, p.u_log_ei, present) for p, c in zip(present.limbs, present.patches, strict=True)]
    n = sum(len(b) for b in blocks)
    out = np.zeros((n + 2 * KAPPA_PARTS, n + 2 * KAPPA_PARTS))
    at = 0
    for b in blocks:
        out[at : at + len(b), at : at + len(b)] = b
        at += len(b)
    out[:n, :n] += present.u_level**2
    for p in present.limbs:
        part = _part(p.limb.s)
        mean = np.array([(part == j) / np.sum(part == j) for j in range(KAPPA_PARTS)])
        out[at : at + KAPPA_PARTS, at : at + KAPPA_PARTS] = _averaged(p, mean, p.u_kappa0, present)
        at += KAPPA_PARTS
    return out


def _averaged(p: CurrentLimb, mean: Floats, u: Floats, present: CurrentBow) -> Floats:
    s = p.limb.s
    near = np.exp(-0.5 * ((s[:, None] - s[None, :]) / present.correlated_mm) ** 2)
    known = np.where(np.isfinite(u), u, 1.0)
    return np.asarray(mean @ (near * known[:, None] * known[None, :]) @ mean.T)


def _noise(seen: DrawReading) -> Floats:
    """Covariance (2 k + 1, 2 k + 1) of what was read, the weight's left out."""
    gaps = np.concatenate([seen.upper, seen.lower])
    out = np.zeros((gaps.size + 1, gaps.size + 1))
    lag = seen.stations[:, None] - seen.stations[None, :]
    one = (1 - GAP_OWN) * np.exp(-0.5 * (lag / GAP_TOGETHER_MM) ** 2) + GAP_OWN * np.eye(seen.stations.size)
    out[:-1, :-1] = seen.u_gap**2 * block_diag(one, one) + seen.u_scale**2 * np.outer(gaps, gaps)
    return out


def sharpen(present: CurrentBow) -> Sharpened:
    """Raises NoEquilibrium where the statics find no such bow drawn so far."""
    seen, cuts = present.seen, present.patches
    weighed = present.weighed or seen.weighed
    bow = Bow(present.upper.limb, present.lower.limb, present.handle)
    n = sum(c.count for c in cuts)
    told = np.concatenate([seen.upper, seen.lower, [np.log(weighed.weight.value)]])
    k, noise = prior(present), _noise(seen)
    state, jac = responses(bow, present, seen.draw_back)
    there = state
    if weighed.draw_back != seen.draw_back:
        there, jac_there = responses(bow, present, weighed.draw_back, state)
        jac = np.vstack([jac[:-1], jac_there[-1:]])

    def read(bow: Bow) -> Floats:
        here, further = (
            drawn(bow, present.string_length, draw, present.how, segments=SEGMENTS, start=start)
            for draw, start in ((seen.draw_back, state), (weighed.draw_back, there))
        )
        return np.append(readings(here, seen.stations)[:-1], readings(further, seen.stations)[-1])

    first = told - np.append(readings(state, seen.stations)[:-1], readings(there, seen.stations)[-1])
    of_weight = np.zeros_like(noise)
    of_weight[-1, -1] = own_u(weighed.weight) ** 2
    spread = jac @ k @ jac.T + noise + of_weight
    misfit = float(first @ np.linalg.solve(spread, first)) / first.size
    # What strays further than was promised is doubted the more; how surely the weight is known, the weighings tell themselves.
    k, noise = (max(1.0, misfit) * v for v in (k, noise))
    gain = np.linalg.solve(jac @ k @ jac.T + noise + of_weight, jac @ k).T
    theta = gain @ first
    for _ in range(2):  # the statics are not quite linear
        theta = gain @ (told - read(thinned(bow, cuts, theta[:n], theta[n:])) + jac @ theta)
    cov = k - gain @ jac @ k
    doubts = () if misfit < 4 else (
        Reason(
            "picture_and_scale_disagree",
            "Gaps, weight and measured bend do not fit together as well as their doubts promise.",
            "Check the scale reading, the draw and that both pictures show this bow as it is now.",
        ),
    )  # fmt: skip
    return Sharpened(thinned(bow, cuts, theta[:n], theta[n:]), 0.5 * (cov + cov.T), misfit, doubts)

"""Hinges and stiff places of a bow as it is now, found once, on everything that is known of it.

What is searched is the logarithm of the limbs' compliance along both limbs, with its band. A well-made limb's runs smoothly
with its taper; a hinge stands above that line over an inch or two, a stiff place below it. Both limbs of a bow are made alike,
so they share the shape of the smooth line, each with its own level and slope.

A bump is believed only where it exceeds what the measuring and the wood's own unevenness can do by chance anywhere along the
limbs. Both have a known look:

- Curvature read from a smoothed edge errs in waves. White and slowly wandering errors of the edge have a spectrum between 1 and
  w^-2; differentiated twice and smoothed with the gain G = 1 / (1 + (w/wc)^8) of a spline whose fourth derivative is held
  back, they leave w^4 G^2 / (w^2 + w0^2): a band around the cutoff wavelength. On 120 limbs of rendered pictures the
  autocorrelation of curvature errors follows this to 0.08 at every lag up to 160 mm.
- Errors that the smoothing has no hand in, as those of clicked edges or of a camera that another program has straightened, have
  long waves. How much of them there is, the pictures tell themselves: where there are more of them than a line of curvature over
  load needs, what they leave over has the look of their errors (``slow_share``).
- The smoothing lowers and widens a true bump by the same gain, so a bump is looked for as it would be seen.

The likelihood-ratio scan over place, width and limb is the generalised least-squares one (e.g. Kay, *Fundamentals of
Statistical Signal Processing: Detection Theory*, 1998, 4.4 and 5.5).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.measurement import COVER, LIMBS, LimbName, Value

Array = NDArray[np.float64]
AnomalyKind = Literal["hinge", "stiff"]

FIRST, LAST = 0.07, 0.97
"""Shares of the limb from the nock between which a curve is searched: nearer the nock there is no lever, at the fade no limb."""

SEARCHED = (0.13, 0.88)
"""Shares of the limb between which a place's middle may lie: it needs a flank on either side."""

STEP_MM = 24.0
"""Between places read: what the smoothing lets through has no waves shorter than twice this, so closer places tell nothing new
and would only pretend to."""

TRIED_MM = 8.0
"""Between the middles tried."""

HALF_LENGTHS_MM = (24.0, 36.0, 50.0)
"""Half lengths searched: places of two to four inches (common practice, no source)."""
LONGER_MM = 68.0
"""One more that a place may have once it is found. Without it a long place would be taken for a short, sharper one; searched for,
it would follow every taper that is not quite smooth."""

CUTOFF_MM = 130.0
"""Wavelength that the smoothing halves, where a document does not say otherwise."""

WANDER_MM = 2000.0
"""Wavelength beyond which errors of an edge no longer grow."""

BROAD_SHARE = 0.1
"""Share of the measuring's variance that moves together over several inches: shadows, the lens, the camera's place. On 60 limbs
of rendered pictures the errors of neighbouring waves cancel as this leaves them: a correlation of -0.48 at 80 mm, 0.0 at 150."""
BROAD_MM = 150.0
SLOW_MM = 45.0
"""Over what length errors with long waves move together."""
SLOW_SHARES = np.linspace(0.0, 1.0, 11)

UNEVEN_U, UNEVEN_MM = 0.02, 60.0
"""How far a well-made limb strays from a smooth taper, relative, and over what length (common practice, no source)."""
TAPER_U, TAPER_MM = 0.02, 150.0
"""How far its taper strays from the smooth line fitted here: a width that turns from parallel to tapering, say."""
FINE_U = 0.01

ENDS_U = 0.1
"""Curvature, 1/m, by which nock wraps, rounding and the handle's swell disturb the smoothing at either end; it rings inward."""

LEAST_Z, BLIND_Z = 3.4, 4.1
"""How far beyond chance a place must stand: about 150 places and widths on two limbs. In simulation the clearest chance bump of
98 in 100 sound bows stays below the first, with one draw or several and whatever the look of the errors, where the picture at
rest is about as good as the others; below the second where it is three and five times noisier: all depends on how the others
agree, which a few pictures show only roughly."""
REST_NOISIER = 1.5
LEAST_BEND = 0.08
"""Places that bend differently by less are no concern (common practice, no source)."""
USUAL_BEND = 0.25
"""How much places usually bend more or less than the wood beside them, as a standard deviation (common practice, no source)."""

MOST_BEND = {"hinge": 1.0, "stiff": 0.5}
"""Wood that bends twice as much as its neighbours has broken or soon will, and a knot left proud takes less than half of the
bend away (common practice, no source): what seems to exceed this by more than its doubt is more likely a fault of the tracing.
The smoothing rings about such a fault, so nothing is told within one cutoff wavelength of it."""

FADE_MM = 120.0
"""Limbs thicken into their fades on purpose (common practice, no source): wood that bends less within so much of one is no fault,
and its edge is the hardest to see."""

BUMP_MEAN = 0.64
"""Over its length a place bends on the average by this share of what it does in its middle."""
SHAPE_U = 0.2
"""Of a place's bend, relative: real ones are not shaped like the bumps tried here."""
MOST_PLACES = 4
MOST_TRIED = 8
"""Told at most, and fitted side by side to find them."""
MOVED_MM = 40.0
"""How far a place is moved at a time beside others, mm: at least so much, that a short one may find its way out of another's."""
FEWEST = 10
SPREAD_FLOOR = 0.9
"""How far the curves' own scatter may narrow what the documents promised."""

MAY_BE_Z, LEFT_Z, MAY_BE_BEND, MAY_BE_MOST = 2.5, 1.5, 0.06, 3
"""A place that stands out too little to be believed may still be a hinge. Of 107 simulated bows without one, one in seven showed
one beyond ``MAY_BE_Z`` and two in three one beyond ``LEFT_Z``; of 195 hinges of 12 % and more, 3 lay below the first and 1 below
the second."""
SOFTER_Z = 1.0
"""What stands out by less than its own uncertainty is no softer than the rest."""
HINGE_BEND = 0.12
"""A hinge bends by so much more than the wood beside it, or it is none (common practice, no source)."""


RIVAL_LN, HINGE_RIVAL_LN = 2.0, 4.5
"""Of two explanations whose likelihoods differ by less than the first, ln, neither excludes the other: two standard
uncertainties. Wood off a hinge does not grow back, so a hinge that explains as well but for the second, three of them, is one to
keep off."""


@dataclass(frozen=True, eq=False)
class LimbCurve:
    """One limb's evidence, nock first; arrays (n,).

    from_nock_mm; compliance: curvature moved per moment, in any unit, which noise may make negative; u: its standard
    uncertainty from measuring; moment: in the furthest picture, in the unit whose product with the compliance is 1/m.
    length_mm: fade to nock. cutoff_mm: wavelength that the smoothing of the pictures halves. slow: share of the errors' variance
    that has long waves (``slow_share``); None where that is not known.
    """

    from_nock_mm: Array
    compliance: Array
    u: Array
    moment: Array
    length_mm: float
    cutoff_mm: float = CUTOFF_MM
    slow: float | None = None


@dataclass(frozen=True)
class AnomaliesFound:
    """told: places that stand out beyond chance, the clearest first. odd: those that stand out more than wood does. perhaps:
    hinges that cannot be told: they stand out too little, ``significance`` from ``LEFT_Z`` on, or more than wood does, or lie
    where the smoothing rings; or nothing on their limb is softer."""

    told: tuple[BendAnomaly, ...] = ()
    odd: tuple[BendAnomaly, ...] = ()
    perhaps: tuple[BendAnomaly, ...] = ()


@dataclass(frozen=True)
class BendAnomaly:
    """A stretch of a limb that bends more (hinge) or less (stiff) than the wood around it.

    from_nock_mm: its middle and that middle's standard uncertainty. length_mm: how long it is. bend: how much more the wood
    bends in its middle than its smooth taper would, a share (+ hinge, - stiff place); ``BUMP_MEAN`` of it on the average of its
    length. significance: in standard uncertainties. sure: nothing but chance speaks against it.
    """

    limb: LimbName
    kind: AnomalyKind
    from_nock_mm: Value
    length_mm: float
    bend: Value
    significance: float
    sure: bool = True

    @property
    def ends_mm(self) -> tuple[float, float]:
        """Nearer and farther end from the nock."""
        return self.from_nock_mm.value - self.length_mm / 2, self.from_nock_mm.value + self.length_mm / 2


def find_places(upper: LimbCurve, lower: LimbCurve, least_z: float = BLIND_Z) -> AnomaliesFound:
    """Hinges and stiff places of both limbs. ``least_z``: how far beyond chance a place must stand, in standard uncertainties."""
    curves = [_inside(c) for c in (upper, lower)]
    if min(len(c.from_nock_mm) for c in curves) < FEWEST:
        return AnomaliesFound()
    field = _Field.of(curves)
    believed = field.believed(least_z)
    found = sorted(field.places(believed), key=lambda p: -p.significance)
    odd = [p for p in found if abs(p.bend.value) - p.bend.u > MOST_BEND[p.kind]]
    limb = dict(zip(LIMBS, curves, strict=True))
    of_fades = [p for p in found if p.kind == "stiff" and limb[p.limb].length_mm - p.from_nock_mm.value < FADE_MM]
    beside = [*odd, *of_fades]  # the smoothing rings about either

    def rung(p: BendAnomaly) -> bool:
        reach = limb[p.limb].cutoff_mm
        return any(q.limb == p.limb and _apart(p, q) < reach for q in beside)

    rivals = field.rivals(believed)
    perhaps = [p for p in field.rivals(believed, HINGE_RIVAL_LN) if p.kind == "hinge"] + field.places(
        field.perhaps(believed), believed
    )
    perhaps = [p for p in perhaps if p.bend.value > MAY_BE_BEND]
    # too near to a fault or a thick fade to be told, or more than wood does: no wood comes off there either
    perhaps = [p for p in found if p.kind == "hinge" and (p in odd or rung(p))] + perhaps
    softest = field.softest(believed, {p.limb for p in (*found, *perhaps) if p.kind == "hinge"})
    perhaps += [p for p in softest if not any(q.limb == p.limb and _apart(p, q) < limb[p.limb].cutoff_mm for q in found)]

    def rivalled(p: BendAnomaly) -> bool:
        reach = limb[p.limb].cutoff_mm
        return any(q.limb == p.limb and q.kind != p.kind and _apart(p, q) < reach for q in rivals)

    told = tuple(replace(p, sure=not rivalled(p)) for p in found if not rung(p))
    return AnomaliesFound(told, tuple(odd), tuple(perhaps))


def _apart(one: BendAnomaly, other: BendAnomaly) -> float:
    return abs(one.from_nock_mm.value - other.from_nock_mm.value)


def _inside(c: LimbCurve) -> LimbCurve:
    at = np.arange(FIRST * c.length_mm, LAST * c.length_mm, STEP_MM)
    compliance, u, moment = (np.interp(at, c.from_nock_mm, getattr(c, n)) for n in ("compliance", "u", "moment"))
    ok = np.isfinite(compliance) & np.isfinite(u) & np.isfinite(moment)
    return replace(c, from_nock_mm=at[ok], compliance=compliance[ok], u=u[ok], moment=moment[ok])


@dataclass(frozen=True)
class _Bump:
    limb: int
    middle: float
    half: float
    amount: float
    u: float
    z: float


ORDER = 8  # of the smoothing spline's fall: its penalty is on the fourth derivative's square
SLOWEST = 1e-4  # 1/mm: waves of 60 m, where an integral over all of them begins
BUMP_SIGMA, FAR_SIGMA = 0.55, 5.0  # a bump's standard deviation over its half length; where its spectrum has ended
LINE_ROUNDS, MOST_LEFT, STANDS_OUT = 6, 1.5, 0.15  # of the smooth line's robust fit; the two are parts of the compliance
LEAST_MOMENT = 0.02  # 1/m: nearer the nock a limb hardly bends
LEAST_POWER = 0.05  # of the best told bump: less is told by noise alone


def gain(wave: Array, cutoff_mm: float) -> Array:
    """Gain of the smoothing spline at angular wavenumbers (n,), 1/mm."""
    return np.asarray(1 / (1 + (wave * cutoff_mm / (2 * np.pi)) ** ORDER))


def correlation(lag_mm: Array, cutoff_mm: float) -> Array:
    """Autocorrelation of errors of a smoothed curvature at lags (any shape), mm."""
    wave = np.linspace(SLOWEST, 4 * 2 * np.pi / cutoff_mm, 400)
    spectrum = wave**4 * gain(wave, cutoff_mm) ** 2 / (wave**2 + (2 * np.pi / WANDER_MM) ** 2)
    lags = np.linspace(0, float(lag_mm.max()) + 1, 300)
    table = np.cos(lags[:, None] * wave) @ spectrum / spectrum.sum()
    return np.asarray(np.interp(lag_mm, lags, table))


def error_correlation(lag_mm: Array, cutoff_mm: float, slow: float | None = None) -> Array:
    """Correlation of a measured curvature's errors at lags (any shape), mm, by their share of long waves."""
    broad = BROAD_SHARE * np.exp(-0.5 * (lag_mm / BROAD_MM) ** 2)
    shape = (1 - BROAD_SHARE) * correlation(lag_mm, cutoff_mm) + broad
    return shape if slow is None else np.asarray((1 - slow) * shape + slow * np.exp(-0.5 * (lag_mm / SLOW_MM) ** 2))


def slow_share(left: Sequence[tuple[Array, Array]], cutoff_mm: float) -> float | None:
    """Share of the errors' variance that has long waves: its mean by the likelihood of what fits leave over, all alike before.

    ``left``: of each limb, places (n,) mm and what is left over there (k, n), of one standard deviation along it. None where k
    is 0.
    """
    if sum(y.size for _, y in left) == 0:
        return None
    cost = np.zeros(SLOW_SHARES.size)
    for at, y in left:
        grid = np.arange(at[0], at[-1], STEP_MM)
        thin = np.array([np.interp(grid, at, row) for row in y])
        lag = np.abs(grid[:, None] - grid)
        quick, slow = (error_correlation(lag, cutoff_mm, share) for share in (0.0, 1.0))
        for i, share in enumerate(SLOW_SHARES):
            cov = (1 - share) * quick + share * slow + FINE_U * np.eye(grid.size)
            root = np.linalg.cholesky(cov)
            white = np.linalg.solve(root, thin.T)
            # the size of the errors is known from how they scatter, so only their look counts
            cost[i] += 0.5 * thin.size * np.log(np.sum(white**2)) + len(thin) * float(np.sum(np.log(np.diag(root))))
    weight = np.exp(cost.min() - cost)
    return float(weight @ SLOW_SHARES / weight.sum())


def ringing(inward_mm: Array, cutoff_mm: float) -> tuple[Array, Array]:
    """How a disturbance at a limb's end runs inward through the smoothing (n,): cosine and sine part, 1 at the end.

    Green's function of u + (d/dx)^8 u / wc^8: of its four modes that die out inward, the slowest.
    """
    wave = 2 * np.pi / cutoff_mm
    decay, turn = wave * np.sin(np.pi / ORDER), wave * np.cos(np.pi / ORDER)
    fade = np.exp(-decay * inward_mm)
    return fade * np.cos(turn * inward_mm), fade * np.sin(turn * inward_mm)


def seen_bump(away_mm: Array, half: float, cutoff_mm: float) -> Array:
    """A bump of height 1, about 2 ``half`` long, as smoothed curvature shows it at distances (any shape) from its middle."""
    sigma = BUMP_SIGMA * half
    wave = np.linspace(0, FAR_SIGMA / sigma, 200)
    shape = np.exp(-0.5 * (wave * sigma) ** 2) * gain(wave, cutoff_mm)
    far = np.linspace(0, float(np.abs(away_mm).max()) + 1, 400)
    table = np.cos(far[:, None] * wave) @ shape * (wave[1] - wave[0]) * sigma * np.sqrt(2 / np.pi)
    return np.asarray(np.interp(np.abs(away_mm), far, table))


def _smooth(curves: list[LimbCurve]) -> tuple[Array, Array]:
    """Columns (N, B) of the smooth lines of ln compliance, and which limb each of the N places is on."""
    z = [2 * c.from_nock_mm / c.length_mm - 1 for c in curves]
    both, limb = np.concatenate(z), np.repeat([0, 1], [len(v) for v in z])
    own = [(limb == k) * both**power for k in (0, 1) for power in (0, 1)]
    return np.column_stack([both**2, both**3, both**4, *own]), limb


def _columns_at(curves: list[LimbCurve], limb: int, mm: float) -> Array:
    """(B,) the smooth lines' columns at one place of a limb."""
    z = 2 * mm / curves[limb].length_mm - 1
    own = [float(limb == k) * z**power for k in (0, 1) for power in (0, 1)]
    return np.array([z**2, z**3, z**4, *own])


@dataclass(frozen=True, eq=False)
class _Beyond:
    """What bumps explain beyond the smooth lines and ``used`` columns in all: their ``columns`` (N, T) without those, the squares
    of these ``power`` (T,), what is ``left`` over (N,), and each bump's ``amount`` (T,) in it."""

    columns: Array
    power: Array
    left: Array
    amount: Array
    used: int


@dataclass(frozen=True, eq=False)
class _Field:
    """Both limbs whitened: ``y`` (N,) what is left of ln compliance beyond a smooth line, ``basis`` (N, B) orthonormal, the
    smooth lines' own columns; ``tried`` (N, T) the columns of all bumps, ``where`` their limb, middle and half length. ``line``
    (T, N) @ any y is what that y's own smooth line is at the bumps' middles."""

    y: Array
    basis: Array
    tried: Array
    where: list[tuple[int, float, float]]
    line: Array

    @classmethod
    def of(cls, curves: list[LimbCurve]) -> _Field:
        columns, limb = _smooth(curves)
        c, u = (np.concatenate([getattr(x, n) for x in curves]) for n in ("compliance", "u"))
        level = float(np.median(c[c > 0])) if np.any(c > 0) else 1.0
        line = np.full(len(c), np.log(level))
        # ln c about the smooth line, linear in the noise: its logarithm itself would be biased by it
        for _ in range(LINE_ROUNDS):
            smooth = np.exp(line)
            left = np.clip(c / smooth - 1, -MOST_LEFT, MOST_LEFT)
            weight = 1 / np.hypot(u / smooth, UNEVEN_U)
            weight /= np.maximum(1.0, np.abs(left) / STANDS_OUT) ** 0.5  # what stands out bends the first lines less
            line = line + columns @ np.linalg.lstsq(columns * weight[:, None], left * weight, rcond=None)[0]
        smooth = np.exp(line)
        white = [
            _whitener(x, x.u / smooth[limb == k], np.maximum(x.moment * smooth[limb == k], LEAST_MOMENT))
            for k, x in enumerate(curves)
        ]
        left = c / smooth - 1
        y = np.concatenate([w @ left[limb == k] for k, w in enumerate(white)])
        base = np.vstack([w @ columns[limb == k] for k, w in enumerate(white)])
        tried, where = [], []
        for k, x in enumerate(curves):
            for half in (*HALF_LENGTHS_MM, LONGER_MM):
                middles = np.arange(SEARCHED[0] * x.length_mm, SEARCHED[1] * x.length_mm, TRIED_MM)
                columns = np.zeros((len(y), len(middles)))
                columns[limb == k] = white[k] @ seen_bump(x.from_nock_mm[:, None] - middles, half, x.cutoff_mm)
                tried.append(columns)
                where += [(k, float(m), half) for m in middles]
        q, r = np.linalg.qr(base)
        at = np.array([_columns_at(curves, k, m) for k, m, _ in where])
        return cls(y, q, np.hstack(tried), where, at @ np.linalg.solve(r, q.T))

    @cached_property
    def limb(self) -> NDArray[np.int_]:
        return np.array([k for k, _, _ in self.where])

    @cached_property
    def middle(self) -> Array:
        return np.array([m for _, m, _ in self.where])

    @cached_property
    def half(self) -> Array:
        return np.array([h for _, _, h in self.where])

    def _basis(self, chosen: list[_Bump]) -> Array:
        extra = [self._column(b) for b in chosen]
        return np.linalg.qr(np.column_stack([self.basis, *extra]))[0] if extra else self.basis

    def _column(self, b: _Bump) -> Array:
        return self.tried[:, self.where.index((b.limb, b.middle, b.half))]

    def believed(self, least_z: float) -> list[_Bump]:
        """Bumps that stand out beyond the smooth lines and one another, the clearest first.

        They are sought together: beside a hinge the smoothing rings as a stiff place does, and what is found first takes some of
        what lies beside it. So all that may be a place are fitted side by side, and then the faintest dropped until all that is
        left stands out.
        """
        chosen: list[_Bump] = []
        while len(chosen) < MOST_TRIED:
            best = self._best(chosen)
            if best is None or best.z < MAY_BE_Z:
                break
            chosen = self._side_by_side([*chosen, best])
        while chosen:
            chosen = self._side_by_side(chosen)
            faintest = min(chosen, key=lambda b: b.z if abs(b.amount) >= LEAST_BEND else 0.0)
            if len(chosen) <= MOST_PLACES and faintest.z >= least_z and abs(faintest.amount) >= LEAST_BEND:
                break
            chosen.remove(faintest)
        return sorted(chosen, key=lambda b: -b.z)

    def _side_by_side(self, chosen: list[_Bump]) -> list[_Bump]:
        """Each bump moved to where it explains most beside the others."""
        out = list(chosen)
        for i, b in enumerate(out):
            others = out[:i] + out[i + 1 :]
            seen = self._beyond(others)
            ok = seen.power > LEAST_POWER * np.max(seen.power)
            ok &= ~self._near(others, np.full(len(others), np.inf)) & (self.half != LONGER_MM) & (seen.amount * b.amount > 0)
            ok &= (self.limb == b.limb) & (np.abs(self.middle - b.middle) <= max(b.half, MOVED_MM))
            if ok.any():
                out[i] = self._bump(int(np.argmax(np.where(ok, seen.amount**2 * seen.power, -1.0))), seen)
        return out

    def perhaps(self, believed: list[_Bump]) -> list[_Bump]:
        """Places beside the believed ones that may be hinges, the likeliest first, at most ``MAY_BE_MOST`` a limb."""
        out: list[_Bump] = []
        while True:
            of = [k for k in (0, 1) if sum(b.limb == k for b in out) < MAY_BE_MOST]
            best = self._best([*believed, *out], of)
            if best is None or best.z < LEFT_Z:
                return out
            out.append(best)

    def softest(self, believed: list[_Bump], but: Collection[LimbName]) -> list[BendAnomaly]:
        """The softest place of each limb ``but`` those with a hinge that is told or suspected, where there is one that is softer
        than the rest and the pictures don't exclude a hinge: one that hides in their errors lies there sooner than elsewhere."""
        best = [self._best(believed, [k]) for k, limb in enumerate(LIMBS) if limb not in but]
        places = self.places([b for b in best if b is not None and b.z >= SOFTER_Z], believed)
        return [p for p in places if p.bend.value + COVER * p.bend.u >= HINGE_BEND]

    def rivals(self, believed: list[_Bump], ln: float = RIVAL_LN) -> list[BendAnomaly]:
        """Places that explain as well but for ``ln`` what one of the other kind beside them was told for: the smoothing of a
        hinge rings, and what stands low beside it is the first half of the ringing; of a stiff place likewise."""
        out = []
        for b in believed:
            others = [c for c in believed if c is not b]
            rival = self._best(others, [b.limb], -float(np.sign(b.amount)), beside=b)
            if rival is not None and rival.z > LEFT_Z and rival.z**2 > b.z**2 - 2 * ln:
                out.append(self._place(rival, others))
        return out

    def _best(
        self, chosen: list[_Bump], of: list[int] | None = None, sign: float = 1.0, beside: _Bump | None = None
    ) -> _Bump | None:
        """The bump that explains most beyond the smooth lines and those chosen; with ``of``, of those limbs' hinges, or stiff
        places where ``sign`` is -1; with ``beside``, of those whose ringing reaches that one."""
        seen = self._beyond(chosen)
        # Beside a hinge the smoothing rings as a stiff place does. Where one was told, a hinge is still sought up to its ends.
        reach = np.array([b.half if of is not None and b.amount * sign < 0 else np.inf for b in chosen])
        ok = (seen.power > LEAST_POWER * np.max(seen.power)) & ~self._near(chosen, reach) & (self.half != LONGER_MM)
        if of is not None:
            ok &= (sign * seen.amount > 0) & np.isin(self.limb, of)
        if beside is not None:
            away = np.abs(self.middle - beside.middle)
            ok &= (away > beside.half) & (away < beside.half + CUTOFF_MM / 2)
        if not ok.any():
            return None
        return self._bump(int(np.argmax(np.where(ok, seen.amount**2 * seen.power, -1.0))), seen)

    def _beyond(self, chosen: list[_Bump]) -> _Beyond:
        q = self._basis(chosen)
        columns = self.tried - q @ (q.T @ self.tried)
        power = (columns**2).sum(0)
        left = self.y - q @ (q.T @ self.y)
        return _Beyond(columns, power, left, columns.T @ left / np.maximum(power, 1e-12), q.shape[1])

    def _near(self, chosen: list[_Bump], reach: Array) -> NDArray[np.bool_]:
        """(T,) whether a bump runs into one of those chosen, each of which reaches no further than that."""
        near = np.zeros(len(self.where), bool)
        for b, r in zip(chosen, reach, strict=True):
            near |= (self.limb == b.limb) & (np.abs(b.middle - self.middle) < np.minimum(b.half + self.half, r))
        return near

    def _bump(self, i: int, seen: _Beyond) -> _Bump:
        amount = float(seen.amount[i])
        u = self._spread(seen.left - amount * seen.columns[:, i], seen.used + 1) / float(np.sqrt(seen.power[i]))
        return _Bump(*self.where[i], amount, u, abs(amount) / u)

    def _spread(self, left: Array, used: int) -> float:
        """How much more the curves scatter than was promised; never less than promised, since few degrees of freedom are left."""
        return max(SPREAD_FLOOR, float(np.sqrt(left @ left / max(len(left) - used, 1))))

    def places(self, chosen: list[_Bump], beside: Sequence[_Bump] = ()) -> list[BendAnomaly]:
        """The chosen bumps as places: each over all lengths and middles that explain it, the others and those ``beside`` held.

        A short sharp bump and a long flat one look alike through the smoothing: what is measured well is their product. How much
        the wood bends is therefore the mean over both, by their evidence under what places usually are (``USUAL_BEND``); their
        spread is part of the doubt.
        """
        return [self._place(b, [c for c in (*beside, *chosen) if c is not b]) for b in chosen]

    def _place(self, b: _Bump, others: list[_Bump]) -> BendAnomaly:
        q = self._basis(others)
        left = self.y - q @ (q.T @ self.y)
        near = [i for i, (k, m, h) in enumerate(self.where) if k == b.limb and abs(m - b.middle) <= b.half]
        columns = self.tried[:, near] - q @ (q.T @ self.tried[:, near])
        power = (columns**2).sum(0)
        amount = columns.T @ left / power
        at_best = near.index(self.where.index((b.limb, b.middle, b.half)))
        u2 = self._spread(left - amount[at_best] * columns[:, at_best], q.shape[1] + 1) ** 2 / power
        # Beyond the line through the wood beside it: the first line, through everything, was drawn toward the place.
        rest = self.y - sum((c.amount * self._column(c) for c in others), np.zeros(len(self.y)))
        beside = 1 + self.line[near] @ rest - amount * np.einsum("tn,nt->t", self.line[near], self.tried[:, near])
        amount, u2 = amount / beside, u2 / beside**2
        kept = USUAL_BEND**2 / (USUAL_BEND**2 + u2)  # of an amount, by what places usually are
        log_weight = 0.5 * (amount**2 / u2 * kept + np.log(u2 / (u2 + USUAL_BEND**2)))
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        middle, half = (np.array([self.where[i][j] for i in near]) for j in (1, 2))
        bend, bend_u2 = kept * amount, kept * u2
        mean, at = float(weight @ bend), float(weight @ middle)
        u = float(np.hypot(np.sqrt(weight @ (bend_u2 + (bend - mean) ** 2)), SHAPE_U * mean))
        u_at = float(np.hypot(np.sqrt(weight @ (middle - at) ** 2), TRIED_MM / 2))
        kind: AnomalyKind = "hinge" if b.amount > 0 else "stiff"
        return BendAnomaly(LIMBS[b.limb], kind, Value(at, u_at, "mm"), float(2 * weight @ half), Value(mean, u, ""), b.z)


def _whitener(c: LimbCurve, u: Array, moved: Array) -> Array:
    """(n, n) W with W C W' = 1 for the covariance C of ln compliance. u: relative; moved: curvature, 1/m."""
    lag = np.abs(c.from_nock_mm[:, None] - c.from_nock_mm)
    cov = error_correlation(lag, c.cutoff_mm, c.slow) * np.outer(u, u)
    cov += UNEVEN_U**2 * np.exp(-0.5 * (lag / UNEVEN_MM) ** 2) + TAPER_U**2 * np.exp(-0.5 * (lag / TAPER_MM) ** 2)
    for inward in (c.from_nock_mm, c.length_mm - c.from_nock_mm):
        for mode in ringing(inward, c.cutoff_mm):
            cov += ENDS_U**2 * np.outer(mode / moved, mode / moved)
    cov[np.diag_indices_from(cov)] += FINE_U**2
    return np.asarray(np.linalg.inv(np.linalg.cholesky(cov)))

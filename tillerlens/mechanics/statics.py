"""Bows at rest, braced and drawn: shape, string tension, draw weight, stored energy. No small-angle rule.

A bow is two elastic limbs (``elastica``) on a stiff handle, joined by an inextensible string that touches
them only at the nocks. Newton's method makes the two limbs, the string and the handle fit together.

Frame: x along the handle's tangent, the upper limb at +x, y toward the back, origin at the handle's centre.
Angles and curvature are positive toward the belly. mm, N, N mm2, 1/mm, N mm, radians.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from tillerlens.mechanics.elastica import (
    Chain,
    ElasticLimb,
    EvenFall,
    Floats,
    LimbShape,
    MarchedLimb,
    NoEquilibrium,
    bend_energy,
    joint_moments,
    limb_shape,
    make_chain,
    march,
    newton,
)

__all__ = [
    "Bow", "Equilibrium", "ForceDraw", "Handle", "ElasticLimb", "LimbShape", "NoEquilibrium", "Pull",
    "at_rest", "braced", "drawn", "force_draw", "string_on_belly",
]  # fmt: skip

SEGMENTS = 160


@dataclass(frozen=True)
class Handle:
    """The stiff middle: from the handle's centre to where each limb starts to bend, and its depth back to
    belly (mm).
    """

    upper: float = 0.0
    lower: float = 0.0
    depth: float = 0.0


@dataclass(frozen=True, eq=False)
class Bow:
    upper: ElasticLimb
    lower: ElasticLimb
    handle: Handle = field(default_factory=Handle)


@dataclass(frozen=True, eq=False)
class Equilibrium:
    """A bow in balance. ``hook`` is the string's point at the hook (drawn), or its point before the
    handle's centre.

    ``draw_back``: back of the handle to that point along y; ``gap_belly``: belly of the handle to it (the
    brace height of a braced bow). ``weight``: pull along the stick's line. ``pull``: the hook's way along
    that line, from the height of the handle's centre; it differs from the draw only where the handle rocks.
    ``rock``: turn of the handle on its cradle, positive when the upper limb rises. ``string_angle_*``:
    inside angle at the nock. ``energy``: stored in both limbs over their natural shape.
    """

    upper: LimbShape
    lower: LimbShape
    tension_upper: float
    tension_lower: float
    weight: float
    draw_back: float
    gap_belly: float
    pull: float
    rock: float
    hook: tuple[float, float]
    string_length: float
    string_angle_upper: float
    string_angle_lower: float
    energy: float


@dataclass(frozen=True, eq=False)
class ForceDraw:
    """Draws (n,) mm to the back, weights (n,) N, stored energy (n,) N mm over the natural shape, and each
    state.
    """

    draw_back: Floats
    weight: Floats
    energy: Floats
    states: tuple[Equilibrium, ...]


HALVINGS, KEPT_OFF, ROUGHLY = 14, 0.05, 1e-3  # of the coarse search: steps, share kept off its ends, when it is close enough
SHORTEST_STRING = 0.3  # of the bow's length along its limbs: a shorter string would fold it
LEAST_SHARE = 0.01  # of the size, so that a nearly straight guess still has a height
LEAST_DEPTH = 1e-3  # of the string's length, so that a nearly straight string still has a tension
FIRST_STEP, LAST_STEP = 0.03, 1e-4  # of the size, in walking to a draw: at first, and where it gives up
SAME_ROCK = 1e-4  # rad


def _bisect(f: Callable[[float], float], lo: float, hi: float) -> float:
    """Where the rising function ``f`` crosses zero, coarsely: it only starts Newton."""
    flo, fhi = f(lo), f(hi)
    for _ in range(HALVINGS):
        mid = 0.5 * (lo + hi) if flo >= 0 or fhi <= 0 else lo - flo * (hi - lo) / (fhi - flo)
        mid = min(max(mid, lo + KEPT_OFF * (hi - lo)), hi - KEPT_OFF * (hi - lo))
        fm = f(mid)
        if fm < 0:
            lo, flo = mid, fm
        else:
            hi, fhi = mid, fm
        if hi - lo < ROUGHLY * hi:
            break
    return 0.5 * (lo + hi)


def _chains(bow: Bow, segments: int) -> tuple[Chain, Chain]:
    return make_chain(bow.upper, bow.handle.upper, segments), make_chain(bow.lower, bow.handle.lower, segments)


def at_rest(bow: Bow, segments: int = SEGMENTS) -> tuple[LimbShape, LimbShape]:
    """Upper and lower limb in their natural shape."""
    up, low = _chains(bow, segments)
    nothing = np.zeros(segments + 1)
    return limb_shape(up, nothing, 1), limb_shape(low, nothing, -1)


def braced(
    bow: Bow,
    *,
    brace_height: float | None = None,
    string_length: float | None = None,
    segments: int = SEGMENTS,
) -> Equilibrium:
    """The strung bow at a brace height (belly of the handle to string, mm) or with a string of given length
    (mm).

    Raises NoEquilibrium when the string is too long to bend the bow, or the brace height is out of reach.
    """
    if (brace_height is None) == (string_length is None):
        raise ValueError("give either the brace height or the string length")
    chains = _chains(bow, segments)
    half = 0.5 * bow.handle.depth
    size = sum(c.stiff + c.limb.length for c in chains)
    guess = EvenFall(chains)
    if brace_height is not None:
        rest = guess.nocks(0.0)
        if not 0 < brace_height + half < 0.5 * size or max(rest[0][1], rest[1][1]) >= brace_height + half:
            raise NoEquilibrium(
                "This brace height cannot be reached by this bow.",
                "Give the distance from belly to string, more than what the unstrung tips stand back.",
                brace_height=brace_height,
            )
        root = _bisect(lambda m: 0.5 * sum(n[1] for n in guess.nocks(m)) - brace_height - half, 0.0, guess.most())
    else:
        assert string_length is not None
        if not 0 < string_length < sum(n[0] for n in guess.nocks(0.0)) or string_length < SHORTEST_STRING * size:
            raise NoEquilibrium(
                "A string of this length does not bend this bow.",
                "The string must be shorter than the bow from nock to nock, and longer than a third of it.",
                string_length=string_length,
            )
        root = _bisect(lambda m: string_length - sum(n[0] for n in guess.nocks(m)), 0.0, guess.most())
    nocks = guess.nocks(root)
    height = max(0.5 * (nocks[0][1] + nocks[1][1]), LEAST_SHARE * size)
    scale = root / height

    def fun(v: Floats) -> tuple[Floats, Floats]:
        a, b = (march(c, scale * v[0], t) for c, t in zip(chains, v[1:], strict=True))
        r = [a.lever - b.lever, size * (a.lean + b.lean)]
        j = [
            [(a.lever_t - b.lever_t) * scale, a.lever_a, -b.lever_a],
            [size * (a.lean_t + b.lean_t) * scale, size * a.lean_a, size * b.lean_a],
        ]
        if string_length is not None:
            r.append(a.along + b.along - string_length)
            j.append([(a.along_t + b.along_t) * scale, a.along_a, b.along_a])
        else:
            assert brace_height is not None
            tan, cos = math.tan(a.lean), math.cos(a.lean)
            r.append(a.lever / cos - brace_height - half)
            up = a.lever * tan / cos
            j.append([(a.lever_t / cos + up * a.lean_t) * scale, a.lever_a / cos + up * a.lean_a, 0.0])
        return np.array(r) / size, np.array(j) / size

    got = newton(fun, np.array([1.0, nocks[0][2], nocks[1][2]]))
    if got is None:
        raise NoEquilibrium("No braced shape was found for this bow.", "Check stiffness, reflex and brace height.")
    tension = scale * float(got[0])
    shots = [march(c, tension, float(t)) for c, t in zip(chains, got[1:], strict=True)]
    centre = shots[0].lever / math.cos(shots[0].lean)
    return _state(
        bow,
        chains,
        (tension, tension),
        got[1:],
        shots,
        (0.0, -centre),
        0.0,
        0.0,
        shots[0].along + shots[1].along,
        centre,
    )


def _state(
    bow: Bow,
    chains: tuple[Chain, Chain],
    tensions: tuple[float, float],
    angles: Floats,
    shots: Sequence[MarchedLimb],
    hook: tuple[float, float],
    weight: float,
    rock: float,
    string_length: float,
    pull: float,
) -> Equilibrium:
    moments = [joint_moments(c, t, float(a)) for c, t, a in zip(chains, tensions, angles, strict=True)]
    shapes = [limb_shape(c, m, side) for c, m, side in zip(chains, moments, (1, -1), strict=True)]
    inside = [float(sh.angle[-1]) + shot.lean for sh, shot in zip(shapes, shots, strict=True)]
    half = 0.5 * bow.handle.depth
    return Equilibrium(
        shapes[0], shapes[1], *tensions, weight, half - hook[1], -half - hook[1], pull, rock, hook,
        string_length, inside[0], inside[1], sum(bend_energy(c, m) for c, m in zip(chains, moments,
        strict=True)), )  # fmt: skip


@dataclass(frozen=True)
class Pull:
    """How the bow is held and pulled.

    ``handle_free``: the handle may rock about ``pivot`` (mm in the bow's frame; the cradle touches the
    belly), else it is clamped. ``hook_x``: the stick's line beside the handle's centre. ``string_tied``:
    the hook holds the string at ``tie`` (share of the string from the upper nock); else the string slides
    through it and both sides pull alike.
    """

    handle_free: bool = False
    pivot: tuple[float, float] = (0.0, 0.0)
    hook_x: float = 0.0
    string_tied: bool = False
    tie: float = 0.5


def drawn(
    bow: Bow,
    string_length: float,
    draw_back: float,
    how: Pull | None = None,
    *,
    segments: int = SEGMENTS,
    start: Equilibrium | None = None,
) -> Equilibrium:
    """The bow drawn so that the string at the hook stands ``draw_back`` mm from the back of the handle.

    ``start``: a neighbouring state of the same bow, to begin from. Raises NoEquilibrium when the draw is
    below the brace height or beyond what the limbs can follow.
    """
    return _drawn(bow, _chains(bow, segments), string_length, draw_back, how or Pull(), start)


def force_draw(
    bow: Bow,
    string_length: float,
    draws_back: Iterable[float],
    how: Pull | None = None,
    *,
    segments: int = SEGMENTS,
) -> ForceDraw:
    """Weight and energy at each draw (mm to the back); a draw at the braced string gives weight 0."""
    chains = _chains(bow, segments)
    states: list[Equilibrium] = []
    for d in draws_back:
        states.append(_drawn(bow, chains, string_length, float(d), how or Pull(), states[-1] if states else None))
    return ForceDraw(
        np.array([s.draw_back for s in states]), np.array([s.weight for s in states]),
        np.array([s.energy for s in states]), tuple(states),
    )  # fmt: skip


ON_BELLY_MM = 1.0  # a lever so far on the wrong side is more than the roundings of a shape


def string_on_belly(state: Equilibrium) -> tuple[str, ...]:
    """The limbs ("upper", "lower") through which the string's straight line would pass between nock and hook.

    There the string lies on the belly of a recurve, which these statics do not know: they let it pass through the wood.
    """
    out = []
    for name, shape, tension in (
        ("upper", state.upper, state.tension_upper),
        ("lower", state.lower, state.tension_lower),
    ):
        if tension > 0 and float(np.min(shape.moment)) < -ON_BELLY_MM * tension:
            out.append(name)
    return tuple(out)


def _drawn(
    bow: Bow, chains: tuple[Chain, Chain], length: float, draw: float, how: Pull, start: Equilibrium | None
) -> Equilibrium:
    deep = draw - 0.5 * bow.handle.depth  # hook below the handle's centre
    size = sum(c.stiff + c.limb.length for c in chains)
    if not 0 < deep < size or not 0 < length < size or not 0 < how.tie < 1:
        raise NoEquilibrium(
            "The draw or the string length is impossible for this bow.",
            "Give the draw from the back of the handle and a string shorter than the bow.",
            draw=draw,
            string_length=length,
        )
    first = _first_from(chains, start) if start is not None else _first_guess(chains, length, deep)
    got = _solve_drawn(bow, chains, length, deep, how, first, size)
    if got is None:
        got = _creep(bow, chains, length, deep, how, size)
    return got


def _first_guess(chains: tuple[Chain, Chain], length: float, deep: float) -> Floats:
    """(tension upper, tension lower, angle upper, angle lower, rock) from an evenly falling moment."""
    guess = EvenFall(chains)
    root = _bisect(lambda m: length - sum(math.hypot(x, deep - w) for x, w, _ in guess.nocks(m)), 0.0, guess.most())
    nocks = guess.nocks(root)
    lean = [math.atan2(deep - w, x) for x, w, _ in nocks]
    tension = root / max(deep * math.cos(max(lean)), LEAST_DEPTH * length)
    level = math.atan2(nocks[0][1] - nocks[1][1], nocks[0][0] + nocks[1][0])
    return np.array([tension, tension, nocks[0][2] + lean[0], nocks[1][2] + lean[1], level])


def _first_from(chains: tuple[Chain, Chain], s: Equilibrium) -> Floats:
    # the string angle is that at the nock; the last link lies half a cell in
    back = [c.bend[-1] + c.give[-1] * sh.moment[-2] / 4 for c, sh in zip(chains, (s.upper, s.lower), strict=True)]
    angles = (s.string_angle_upper - back[0], s.string_angle_lower - back[1])
    return np.array([s.tension_upper, s.tension_lower, *angles, _level(s.upper, s.lower)])


def _level(upper: LimbShape, lower: LimbShape) -> float:
    """The rock that brings both nocks to one height: near where a free handle comes to rest."""
    (xu, yu), (xl, yl) = upper.nock, lower.nock
    return -math.atan2(yu - yl, xu - xl)


def _creep(bow: Bow, chains: tuple[Chain, Chain], length: float, deep: float, how: Pull, size: float) -> Equilibrium:
    """Walk from the braced state to the draw in small steps: slower, for bows where the direct way fails."""
    state = braced(bow, string_length=length, segments=chains[0].bend.size - 1)
    here = state.gap_belly + 0.5 * bow.handle.depth
    if deep < here - 1e-9 * size:
        raise NoEquilibrium(
            "This draw is less than the brace height.",
            "Give a draw beyond the braced string.",
            brace_height=state.gap_belly,
        )
    step = FIRST_STEP * size
    while here < deep:
        want = min(here + step, deep)
        got = _solve_drawn(bow, chains, length, want, how, _first_from(chains, state), size)
        if got is None:
            step *= 0.5
            if step < LAST_STEP * size:
                raise NoEquilibrium(
                    "The limbs cannot follow the string this far.",
                    "Give a shorter draw, or check the stiffness.",
                    reached=here,
                )
            continue
        state, here = got, want
    return state


def _solve_drawn(
    bow: Bow, chains: tuple[Chain, Chain], length: float, deep: float, how: Pull, first: Floats, size: float
) -> Equilibrium | None:
    scale = float(first[:2].mean())
    x0 = [first[0] / scale, first[2], first[3]]
    x0 += [first[1] / scale] if how.string_tied else []
    x0 += [first[4]] if how.handle_free else []

    def fun(v: Floats) -> tuple[Floats, Floats]:
        return _residuals(chains, length, deep, how, v, scale, size)[:2]

    got = newton(fun, np.array(x0))
    if got is None:
        return None
    tu, tl, rock = _unpack(how, got, scale)
    if tl <= 0:
        return None
    shots = [march(chains[0], tu, float(got[1])), march(chains[1], tl, float(got[2]))]
    hook = (_hook_x(how, deep, rock)[0], -deep)
    fx = -tu * math.cos(shots[0].lean) + tl * math.cos(shots[1].lean)
    fy = -tu * math.sin(shots[0].lean) - tl * math.sin(shots[1].lean)
    # the stick's line, seen from the bow, is turned by the rock
    weight = -(fy * math.cos(rock) + fx * math.sin(rock))
    below = hook[1] - how.pivot[1]
    pull = -(below * math.cos(rock) + (hook[0] - how.pivot[0]) * math.sin(rock)) - how.pivot[1]
    state = _state(bow, chains, (tu, tl), got[1:3], shots, hook, weight, rock, length, pull)
    # a braced bow turned until its straight string meets the hook is in balance too, but nobody holds it so
    straight = shots[0].lean + shots[1].lean < 1e-7
    if how.handle_free and straight and abs(rock - _level(state.upper, state.lower)) > SAME_ROCK:
        return None
    if weight < -1e-6 * scale:
        raise NoEquilibrium("This draw is less than the brace height.", "Give a draw beyond the braced string.", draw=deep)
    return state


def _unpack(how: Pull, v: Floats, scale: float) -> tuple[float, float, float]:
    tu = scale * float(v[0])
    tl = scale * float(v[3]) if how.string_tied else tu
    return tu, tl, float(v[-1]) if how.handle_free else 0.0


def _hook_x(how: Pull, deep: float, rock: float) -> tuple[float, float]:
    """Hook's x in the bow's frame and its derivative by the rock: the stick's line turns about the pivot."""
    aside, below = how.hook_x - how.pivot[0], -deep - how.pivot[1]
    tan, cos, sin = math.tan(rock), math.cos(rock), math.sin(rock)
    x = how.pivot[0] + aside * cos + (below + aside * sin) * tan
    return x, -aside * sin + aside * cos * tan + (below + aside * sin) / cos**2


def _residuals(
    chains: tuple[Chain, Chain], length: float, deep: float, how: Pull, v: Floats, scale: float, size: float
) -> tuple[Floats, Floats]:
    """How far limbs, string length and handle are from fitting; Jacobian by the unknowns.

    Unknowns: tension (upper), angle upper, angle lower, [tension lower], [rock]. A limb's string line must
    pass the hook: its lever about the handle's centre is that of the hook.
    """
    tu, tl, rock = _unpack(how, v, scale)
    hx, hx_r = _hook_x(how, deep, rock)
    n = v.size
    it = (0, 3 if how.string_tied else 0)
    ia = (1, 2)
    r, jac = np.zeros(n), np.zeros((n, n))
    ell, ell_j = [0.0, 0.0], np.zeros((2, n))
    force, force_j = np.zeros(2), np.zeros((2, n))
    for k, (chain, t, side) in enumerate(zip(chains, (tu, tl), (1.0, -1.0), strict=True)):
        shot = march(chain, t, float(v[ia[k]]))
        s, c = math.sin(shot.lean), math.cos(shot.lean)
        x = side * hx
        # the hook's lever by the lean; also, negative, the hook's place along the string's line
        reach = c * x - s * deep
        grad_lean, grad_lever, grad_along = np.zeros(n), np.zeros(n), np.zeros(n)
        for i, dt, da, grad in (
            (it[k], shot.lean_t, shot.lean_a, grad_lean),
            (it[k], shot.lever_t, shot.lever_a, grad_lever),
            (it[k], shot.along_t, shot.along_a, grad_along),
        ):
            grad[i] += dt * scale
            grad[ia[k]] += da
        r[k] = shot.lever - (s * x + c * deep)
        jac[k] = grad_lever - reach * grad_lean
        ell[k] = shot.along - reach
        ell_j[k] = grad_along + (s * x + c * deep) * grad_lean
        f = np.array([-side * c, -s])
        force += t * f
        force_j += t * np.array([side * s, -c])[:, None] * grad_lean
        force_j[:, it[k]] += f * scale
        if how.handle_free:
            jac[k, -1] -= s * side * hx_r
            ell_j[k, -1] -= c * side * hx_r
    if how.string_tied:
        r[2], r[3] = ell[0] - how.tie * length, ell[1] - (1 - how.tie) * length
        jac[2], jac[3] = ell_j
    else:
        r[2], jac[2] = ell[0] + ell[1] - length, ell_j.sum(0)
    if how.handle_free:  # the string's resultant acts at the hook; it must pass the pivot
        ax, ay = hx - how.pivot[0], -deep - how.pivot[1]
        r[-1] = (ax * force[1] - ay * force[0]) / scale
        jac[-1] = (ax * force_j[1] - ay * force_j[0]) / scale
        jac[-1, -1] += hx_r * force[1] / scale
    return r / size, jac / size

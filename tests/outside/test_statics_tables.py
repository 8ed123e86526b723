"""The statics against elliptic-integral tables, a printed cantilever table and an ODE integrator."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from scipy import integrate, special

from tests.outside.tables import CANTILEVER
from tests.outside.tip_load import under_tip_load
from tillerlens.mechanics.statics import (
    Bow,
    ElasticLimb,
    Handle,
    NoEquilibrium,
    Pull,
    at_rest,
    braced,
    drawn,
    force_draw,
)

L, EI = 1000.0, 1.0e6  # any: the tables are in units of L and EI / L2


def uniform_bow() -> Bow:
    return Bow(ElasticLimb.uniform(L, EI), ElasticLimb.uniform(L, EI))


def wooden_bow() -> Bow:
    """Tapered, reflexed, a little lopsided, on a stiff handle: what a real bow asks of the solver."""
    s = np.linspace(0, 760, 120)
    width = np.interp(s, [0, 400, 760], [38, 36, 13])
    deep = np.interp(s, [0, 760], [14.5, 8.5])
    ei = 12_000 * width * deep**3 / 12
    dip = 1 - 0.25 * np.exp(-(((s - 450) / 40) ** 2))
    kappa0 = np.full(s.size, -1.2e-4)
    return Bow(ElasticLimb(s, ei, kappa0), ElasticLimb(s, 1.04 * ei * dip, 0.8 * kappa0), Handle(110, 100, 34))


@pytest.mark.parametrize(("load", "fall", "shortening", "slope"), CANTILEVER)
def test_cantilever_under_a_dead_tip_load(load: float, fall: float, shortening: float, slope: float) -> None:
    shape = under_tip_load(ElasticLimb.uniform(L, EI), 0.0, load * EI / L**2, segments=400)
    got = (-shape.nock[1] / L, 1 - shape.nock[0] / L, shape.angle[-1])
    np.testing.assert_allclose(got, (fall, shortening, slope), rtol=0, atol=1e-5)


def test_uniform_bend_is_a_circular_arc() -> None:
    # pure end moment: u = L (sin t / t - 1), v = L (1 - cos t) / t (benchmark V6.04 of code_aster)
    t = 1.3
    upper, lower = at_rest(Bow(ElasticLimb.uniform(L, EI, t / L), ElasticLimb.uniform(L, EI, t / L)), segments=400)
    np.testing.assert_allclose(upper.nock, (L * math.sin(t) / t, -L * (1 - math.cos(t)) / t), atol=1e-3)
    np.testing.assert_allclose(lower.nock, (-upper.nock[0], upper.nock[1]), atol=1e-9)
    assert upper.angle[-1] == pytest.approx(t, abs=1e-9)


# Euler's elastica with the string as chord: p = sin(angle/2), T L2/EI = K2, x/L = 2E/K - 1, y/L = 2p/K.
# Rows computed from those elliptic integrals; Timoshenko & Gere, Theory of Elastic Stability (2nd ed., 2.7)
# print the same family for larger angles, value from memory: below.
@pytest.mark.parametrize(
    ("brace", "angle", "x", "tension"),
    [
        (0.10, 9.0233, 0.993808, 2.475067),
        (0.15, 13.5793, 0.985998, 2.484812),
        (0.18, 16.3380, 0.979758, 2.492661),
        (0.20, 18.1904, 0.974933, 2.498768),
    ],
)
def test_braced_uniform_bow(brace: float, angle: float, x: float, tension: float) -> None:
    s = braced(uniform_bow(), brace_height=brace * L)
    assert math.degrees(s.string_angle_upper) == pytest.approx(angle, abs=1e-4 * max(1, angle))
    assert s.upper.nock[0] / L == pytest.approx(x, abs=1e-4)
    assert s.tension_upper * L**2 / EI == pytest.approx(tension, abs=1e-4)
    assert s.string_length / 2 / L == pytest.approx(x, abs=1e-4)
    again = braced(uniform_bow(), string_length=s.string_length)
    assert again.gap_belly == pytest.approx(brace * L, abs=1e-6)


@pytest.mark.parametrize(
    ("angle", "p_over_pcr", "x", "y"),
    [
        (20, 1.015, 0.970, 0.220),
        (40, 1.063, 0.881, 0.422),
        (60, 1.152, 0.741, 0.593),
        (80, 1.293, 0.560, 0.719),
        (100, 1.518, 0.349, 0.792),
    ],
)
def test_post_buckling_table(angle: float, p_over_pcr: float, x: float, y: float) -> None:
    k, e = (
        special.ellipk(math.sin(math.radians(angle) / 2) ** 2),
        special.ellipe(math.sin(math.radians(angle) / 2) ** 2),
    )
    s = braced(uniform_bow(), string_length=2 * L * (2 * e / k - 1), segments=400)
    assert s.gap_belly / L == pytest.approx(2 * math.sin(math.radians(angle) / 2) / k, abs=2e-5)
    assert math.degrees(s.string_angle_upper) == pytest.approx(angle, abs=2e-3)
    # the printed table's own last digits
    assert s.tension_upper * L**2 / EI / (math.pi**2 / 4) == pytest.approx(p_over_pcr, abs=1.1e-3)
    assert s.upper.nock[0] / L == pytest.approx(x, abs=1.1e-3)
    assert s.gap_belly / L == pytest.approx(y, abs=1.1e-3)


# Drawn uniform straight bow, brace 0.18 L: D/L, F L2/EI, T L2/EI, tip x, tip y, tip angle (deg),
# root curvature x L, energy x L/EI; computed by elliptic integrals, checked by an ODE integrator to 1e-10.
DRAWN = [
    (0.18, 0.0, 2.492661, 0.979758, 0.18, 16.338, 0.448679, 0.100400),
    (0.20, 0.08898, 2.29897, 0.97957, 0.18104, 16.366, 0.45971, 0.101325),
    (0.30, 0.36191, 1.79965, 0.97479, 0.20149, 18.057, 0.53716, 0.125351),
    (0.40, 0.54772, 1.62273, 0.96570, 0.23465, 21.019, 0.63978, 0.171087),
    (0.50, 0.72022, 1.55636, 0.95317, 0.27330, 24.554, 0.75706, 0.234493),
    (0.60, 0.89737, 1.54116, 0.93732, 0.31476, 28.423, 0.88464, 0.315295),
    (0.70, 1.08737, 1.55665, 0.91806, 0.35780, 32.532, 1.02103, 0.414397),
    (0.80, 1.29687, 1.59549, 0.89519, 0.40181, 36.846, 1.16623, 0.533417),
    (0.85, 1.41122, 1.62303, 0.88232, 0.42405, 39.077, 1.24238, 0.601089),
]


@pytest.mark.parametrize("row", DRAWN, ids=[f"draw {r[0]}" for r in DRAWN])
def test_drawn_uniform_bow(row: tuple[float, ...]) -> None:
    brace = braced(uniform_bow(), brace_height=0.18 * L)
    s = drawn(uniform_bow(), brace.string_length, row[0] * L + 1e-9)
    got = (
        s.weight * L**2 / EI,
        s.tension_upper * L**2 / EI,
        s.upper.nock[0] / L,
        -s.upper.nock[1] / L,
        s.upper.curvature[0] * L,
        s.energy * L / EI,
    )
    np.testing.assert_allclose(got, (*row[1:5], *row[6:]), rtol=0, atol=1e-4)
    assert math.degrees(s.upper.angle[-1]) == pytest.approx(row[5], abs=1e-3)


def test_tension_falls_before_it_rises() -> None:
    brace = braced(uniform_bow(), brace_height=0.18 * L)
    curve = force_draw(uniform_bow(), brace.string_length, np.arange(190, 851, 20))
    tension = np.array([s.tension_upper for s in curve.states])
    assert curve.draw_back[tension.argmin()] == pytest.approx(0.6 * L, abs=0.03 * L)
    assert tension[0] > 1.4 * tension.min() and tension[-1] > tension.min()


def _work(bow: Bow, length: float, first: float, last: float, how: Pull) -> tuple[float, float]:
    """Hook's work by Gauss quadrature along the hook's own way, and the energy gained."""
    t, w = np.polynomial.legendre.leggauss(8)
    edges = np.linspace(first, last, 7)
    work = 0.0
    ways = 1e-3
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        for ti, wi in zip(t, w, strict=True):
            d = (a + b) / 2 + ti * (b - a) / 2
            s = drawn(bow, length, d, how)
            way = drawn(bow, length, d + ways, how).pull - drawn(bow, length, d - ways, how).pull
            work += wi * (b - a) / 2 * s.weight * way / (2 * ways)
    return work, drawn(bow, length, last, how).energy - drawn(bow, length, first, how).energy


def test_work_of_the_hook_is_the_stored_energy() -> None:
    brace = braced(uniform_bow(), brace_height=0.18 * L)
    work, gain = _work(uniform_bow(), brace.string_length, 0.2 * L, 0.85 * L, Pull())
    assert work == pytest.approx(gain, rel=1e-6)


@pytest.mark.parametrize(
    "how",
    [Pull(), Pull(handle_free=True, pivot=(6.0, -17.0), hook_x=9.0), Pull(string_tied=True, tie=0.498)],
    ids=["clamped", "rocking", "tied"],
)
def test_work_is_energy_for_a_lopsided_bow(how: Pull) -> None:
    bow = wooden_bow()
    length = braced(bow, brace_height=150).string_length
    work, gain = _work(bow, length, 230, 640, how)
    assert work == pytest.approx(gain, rel=1e-6)


@pytest.mark.parametrize("how", [Pull(), Pull(handle_free=True, pivot=(0.0, -17.0)), Pull(string_tied=True)])
def test_identities_of_a_drawn_bow(how: Pull) -> None:
    bow = wooden_bow()
    length = braced(bow, brace_height=150).string_length
    s = drawn(bow, length, 600, how)
    assert s.draw_back == pytest.approx(600, abs=1e-9)
    hook = np.array(s.hook)
    force, total = np.zeros(2), 0.0
    for limb, tension, inside in (
        (s.upper, s.tension_upper, s.string_angle_upper),
        (s.lower, s.tension_lower, s.string_angle_lower),
    ):
        nock = np.array(limb.nock)
        string = hook - nock
        reach = float(np.hypot(*string))
        total += reach
        force += tension * string / reach
        dx, dy = limb.x - hook[0], limb.y - hook[1]
        lever = np.abs(dx * string[1] - dy * string[0]) / reach
        at = limb.s > 0 if bow.handle.depth else slice(None)
        np.testing.assert_allclose(limb.moment[at], tension * lever[at], rtol=1e-7, atol=1e-5)
        side = math.copysign(1, nock[0])
        tangent = np.array([side * math.cos(limb.angle[-1]), -math.sin(limb.angle[-1])])
        assert math.acos(float(-tangent @ string) / reach) == pytest.approx(inside, abs=1e-4)
    assert total == pytest.approx(length, abs=1e-7)
    line = np.array([-math.sin(s.rock), -math.cos(s.rock)])  # the stick's line as the bow sees it
    assert s.weight == pytest.approx(float(force @ line), rel=1e-9)
    if how.handle_free:
        arm = hook - np.array(how.pivot)
        assert abs(arm[0] * force[1] - arm[1] * force[0]) < 1e-6 * abs(force[1]) * 100
        assert s.rock != 0
    else:
        assert s.rock == 0


def test_braced_lopsided_bow_is_in_balance() -> None:
    bow = wooden_bow()
    s = braced(bow, brace_height=150)
    up, low = np.array(s.upper.nock), np.array(s.lower.nock)
    assert np.hypot(*(up - low)) == pytest.approx(s.string_length, abs=1e-7)
    at_centre = low[1] + (up[1] - low[1]) * (0 - low[0]) / (up[0] - low[0])
    assert -17 - at_centre == pytest.approx(150, abs=1e-7)
    assert s.weight == 0


def test_tapered_limb_against_an_independent_integrator() -> None:
    """The same equations in scipy's integrator, from the nock inward, must arrive level at the handle."""
    bow = wooden_bow()
    length = braced(bow, brace_height=150).string_length
    s = drawn(bow, length, 600, segments=400)
    limb, tension = bow.lower, s.tension_lower
    lean = s.string_angle_lower - s.lower.angle[-1]

    def rates(t: float, v: np.ndarray) -> list[float]:
        at = limb.length - t
        bend = np.interp(at, limb.s, limb.kappa0) + tension * v[1] / np.interp(at, limb.s, limb.ei)
        return [-bend, math.sin(v[0])]

    out = integrate.solve_ivp(rates, (0, limb.length), [s.string_angle_lower, 0.0], rtol=1e-10, atol=1e-12, max_step=2.0)
    assert out.y[0, -1] == pytest.approx(lean, abs=2e-5)
    fade = int(np.searchsorted(s.lower.s, bow.handle.lower - 1e-9))
    assert out.y[1, -1] == pytest.approx(s.lower.moment[fade] / tension, abs=5e-3)


def test_a_rocking_handle_stays_near_level_from_the_first_pull() -> None:
    """Just past the brace, a bow turned right round on its straight string balances too: not that one."""
    bow = wooden_bow()
    brace = braced(bow, brace_height=150)
    how = Pull(handle_free=True, pivot=(0.0, -36.0))
    curve = force_draw(bow, brace.string_length, np.linspace(brace.draw_back + 0.01, 700, 30), how)
    assert np.all(np.diff(curve.weight) > 0) and 0 < curve.weight[0] < 0.1
    assert max(abs(s.rock) for s in curve.states) < math.radians(3)
    for near in (0.01, 0.5):
        alone = drawn(bow, brace.string_length, brace.draw_back + near, how)
        assert alone.weight > 0 and abs(alone.rock) < math.radians(3)


def test_a_stiff_stretch_stays_straight() -> None:
    s = np.array([0.0, 300, 301, 400, 401, L])
    limb = ElasticLimb(s, np.array([EI, EI, np.inf, np.inf, EI, EI]), np.zeros(6))
    state = braced(Bow(limb, ElasticLimb.uniform(L, EI)), brace_height=150)
    inside = (state.upper.s > 310) & (state.upper.s < 390)
    assert np.ptp(state.upper.angle[inside]) < 1e-12
    assert np.ptp(state.upper.angle) > 0.05


def test_speed() -> None:
    bow = wooden_bow()
    length = braced(bow, brace_height=150).string_length
    clock = min(_timed(lambda: drawn(bow, length, 700)) for _ in range(5))
    curve = min(_timed(lambda: force_draw(bow, length, np.linspace(190, 700, 30))) for _ in range(2))
    assert clock < 0.020 and curve < 0.300, (clock, curve)


def _timed(f: object) -> float:
    start = time.process_time()
    f()  # type: ignore[operator]
    return time.process_time() - start


@pytest.mark.parametrize(
    "call",
    [
        lambda b: braced(b, brace_height=-20),
        lambda b: braced(b, brace_height=1500),
        lambda b: braced(b, string_length=2100),
        lambda b: drawn(b, 1930, 3000),
        lambda b: drawn(b, 1930, 60),
        lambda b: ElasticLimb(np.array([0.0, 1.0]), np.array([1.0, -1.0]), np.zeros(2)),
    ],
)
def test_impossible_requests_are_refused(call: object) -> None:
    with pytest.raises(NoEquilibrium):
        call(uniform_bow())  # type: ignore[operator]

"""Invented bows: their wood, their shape at rest, braced and drawn (by the statics), and the section along
each limb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from tillerlens.mechanics import statics

IN = 25.4
LBF = 4.4482216


@dataclass(frozen=True)
class Defect:
    """A hinge (``thinner`` > 0) or stiff spot (< 0): share of the thickness over +-``half`` mm about a place
    on a limb.
    """

    limb: str
    from_nock: float
    half: float
    thinner: float

    def factor(self, from_nock: np.ndarray) -> np.ndarray:
        t = np.clip(np.abs(from_nock - self.from_nock) / (1.5 * self.half), 0, 1)
        return 1 - self.thinner * np.cos(t * np.pi / 2) ** 2  # half depth at 0.75 x, nothing beyond 1.5 x the half width


@dataclass(frozen=True)
class Kink:
    """A crook that grew in the stave: ``turn`` radians (+ toward the belly) spread over +-``half`` mm of a limb."""

    limb: str
    from_nock: float
    half: float
    turn: float

    def curvature(self, from_nock: np.ndarray) -> np.ndarray:
        t = np.clip((from_nock - self.from_nock) / self.half, -1, 1)
        return self.turn / self.half * np.cos(t * np.pi / 2) ** 2


@dataclass(frozen=True)
class BowPlan:
    """Dimensions of an invented bow, mm; weight in lb at a draw in inches to the back; reflex of each limb in
    mm.
    """

    length: float
    handle: float
    weight_lb: float
    draw_in: float
    width: float = 37.0
    tip_width: float = 13.0
    taper: float = 0.40  # share of the thickness lost from fade to nock
    reflex: tuple[float, float] = (20.0, 17.0)
    grip: float = 19.0  # depth that the grip adds on the belly
    brace: float = 150.0  # belly of the grip to the string
    modulus: float = 11_500.0
    uneven: float = 0.0  # share by which the lower limb is stiffer
    wander: float = 0.0  # natural waviness of the stave, 1/mm
    longer_upper: float = 0.0
    defects: tuple[Defect, ...] = ()
    look: str = "honey"
    string: str = "white"
    string_d: float = 3.0
    seed: int = 1
    past: tuple[float, float] = (5.0, 5.0)  # mm of limb beyond the upper and the lower nock
    kinks: tuple[Kink, ...] = ()
    chatter: float = 0.0  # spread of the thickness's unevenness, as a share: no scraper leaves a perfect taper
    grip_length: float = 0.0  # of the grip's swell, where it is not the stiff handle's; it then bends with the limbs
    back_power: float = 5.0  # roundness of the section's back and belly: 2 an ellipse, 5 a rectangle with soft corners
    belly_power: float = 5.0
    crown: float = 0.3  # mm by which the back's edges lie below its middle


@dataclass(frozen=True, eq=False)
class Built:
    """The plan with its thickness settled: statics' bow and section along each limb by distance from the
    handle's centre.
    """

    plan: BowPlan
    bow: statics.Bow
    thick0: float
    sections: dict[str, np.ndarray] = field(default_factory=dict)  # limb -> (n, 4): s, width, thickness, natural curvature

    @property
    def grip_belly(self) -> float:
        """y of the grip's belly below the handle's centreline (mm, negative)."""
        return -self.thick0 / 2 - self.plan.grip

    def section(self, limb: str, s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Width and thickness at distances ``s`` from the handle's centre (the grip's bump not counted)."""
        t = self.sections[limb]
        return np.interp(s, t[:, 0], t[:, 1]), np.interp(s, t[:, 0], t[:, 2])

    def bump(self, s: np.ndarray) -> np.ndarray:
        """What the grip adds on the belly, mm."""
        half = (self.plan.grip_length or self.plan.handle) / 2
        return _swell(s, half, self.plan.grip)


def _swell(s: np.ndarray, half: float, depth: float) -> np.ndarray:
    t = np.clip((np.abs(s) - 0.42 * half) / (0.53 * half), 0, 1)
    return depth * (1 - t * t * (3 - 2 * t))


def _half(plan: BowPlan, limb: str) -> float:
    return plan.length / 2 + (plan.longer_upper if limb == "upper" else -plan.longer_upper)


def _limb(plan: BowPlan, limb: str, thick0: float) -> tuple[statics.ElasticLimb, np.ndarray]:
    stiff = plan.handle / 2
    s = np.linspace(0, _half(plan, limb) - stiff, 401)
    f = s / s[-1]
    width = np.interp(f, [0, 0.45, 1], [plan.width, 0.96 * plan.width, plan.tip_width])
    width = np.convolve(np.pad(width, 20, "edge"), np.hanning(41) / np.hanning(41).sum(), "valid")
    thick = thick0 * (1 - plan.taper * f**1.15)
    for d in plan.defects:
        if d.limb == limb:
            thick = thick * d.factor(s[-1] - s)
    side = 0 if limb == "upper" else 1
    if plan.chatter:
        uneven = np.random.default_rng([plan.seed, side, 5])
        places = np.linspace(0, s[-1], max(4, int(s[-1] / 90)))
        thick = thick * (1 + plan.chatter * np.interp(s, places, uneven.normal(size=places.size)))
    rng = np.random.default_rng([plan.seed, side])
    waves = sum(rng.normal() * np.sin(np.pi * (k * f + rng.uniform(0, 2))) / k for k in (2, 3, 4))  # a stave is never quite even
    kappa0 = -2 * plan.reflex[side] / s[-1] ** 2 * np.ones_like(s) + plan.wander * waves * np.sin(np.pi * f)
    for kink in plan.kinks:
        if kink.limb == limb:
            kappa0 = kappa0 + kink.curvature(s[-1] - s)
    stiffer = 1 + (plan.uneven if limb == "lower" else 0)
    deep = thick
    if plan.grip_length:  # the swell bends too, and stiffens what it lies on
        deep = thick + _swell(s + stiff, plan.grip_length / 2, plan.grip)
    ei = plan.modulus * stiffer * width * deep**3 / 12
    grip = np.array([[0.0, 0.8 * plan.width, thick0, 0.0], [0.6 * stiff, 0.82 * plan.width, thick0, 0.0]])
    table = np.vstack([grip, np.column_stack([s + stiff, width, thick, kappa0])])
    return statics.ElasticLimb(s, ei, kappa0), table


def build(plan: BowPlan) -> Built:
    """Settle the thickness so that the bow draws its weight, as a bowyer does by scraping."""
    thick0 = 13.0
    for _ in range(8):
        limbs = {k: _limb(plan, k, thick0) for k in ("upper", "lower")}
        handle = statics.Handle(plan.handle / 2, plan.handle / 2, thick0)
        built = Built(
            plan,
            statics.Bow(limbs["upper"][0], limbs["lower"][0], handle),
            thick0,
            {k: v[1] for k, v in limbs.items()},
        )
        have = state(built, "drawn", plan.draw_in * IN).equilibrium
        assert have is not None
        ratio = plan.weight_lb * LBF / have.weight
        if abs(ratio - 1) < 1e-4:
            break
        thick0 *= ratio ** (1 / 3)
    return built


@dataclass(frozen=True, eq=False)
class Posed:
    """A bow in one state, in its own frame: per limb from the handle's centre to the nock, and what the
    string does.
    """

    built: Built
    state: str
    shapes: dict[str, statics.LimbShape]
    equilibrium: statics.Equilibrium | None
    rock: float  # radians, the handle against the rig
    pivot: tuple[float, float]


def state(built: Built, name: str, draw_back: float = 0.0, rock_deg: float = 0.0, hook_x: float = 0.0) -> Posed:
    """The bow unstrung, braced, or drawn to ``draw_back`` mm; drawn it rocks as it will, else it hangs
    ``rock_deg`` askew.
    """
    pivot = (0.0, built.grip_belly)
    rock = math.radians(rock_deg)
    if name == "unstrung":
        up, low = statics.at_rest(built.bow)
        return Posed(built, name, {"upper": up, "lower": low}, None, rock, pivot)
    string = statics.braced(built.bow, brace_height=built.plan.brace + built.plan.grip)
    if name == "braced":
        return Posed(built, name, {"upper": string.upper, "lower": string.lower}, string, rock, pivot)
    how = statics.Pull(handle_free=True, pivot=pivot, hook_x=hook_x)
    e = statics.drawn(built.bow, string.string_length, draw_back, how)
    return Posed(built, name, {"upper": e.upper, "lower": e.lower}, e, e.rock, pivot)


def on_rig(posed: Posed, points: np.ndarray) -> np.ndarray:
    """Bow-frame points (n, 2) in the rig's frame: the bow turned on its cradle."""
    c, s = math.cos(posed.rock), math.sin(posed.rock)
    return (np.asarray(points) - posed.pivot) @ np.array([[c, s], [-s, c]]) + posed.pivot


def fine(posed: Posed, limb: str, step: float = 4.0, beyond: float = 0.0) -> dict[str, np.ndarray]:
    """One limb sampled finely from the handle's centre to the nock (+ ``beyond`` mm of tip): s, x, y, angle,
    curvature, width, thick. Positions by cubic Hermite pieces, which keeps them on the solved curve.
    """
    from scipy.interpolate import CubicHermiteSpline

    shape = posed.shapes[limb]
    side = 1.0 if limb == "upper" else -1.0
    end = float(shape.s[-1])
    s = np.linspace(0, end, int(end / step) + 1)
    x = CubicHermiteSpline(shape.s, shape.x, side * np.cos(shape.angle))(s)
    y = CubicHermiteSpline(shape.s, shape.y, -np.sin(shape.angle))(s)
    angle = np.interp(s, shape.s, shape.angle)
    curvature = np.interp(s, shape.s, shape.curvature) * (s >= posed.built.plan.handle / 2)
    if beyond > 0:
        extra = np.linspace(0, beyond, 4)[1:]
        s = np.append(s, end + extra)
        x = np.append(x, x[-1] + side * np.cos(angle[-1]) * extra)
        y = np.append(y, y[-1] - np.sin(angle[-1]) * extra)
        angle, curvature = np.append(angle, np.full(3, angle[-1])), np.append(curvature, np.zeros(3))
    width, thick = posed.built.section(limb, s)
    return {
        "s": s,
        "x": x,
        "y": y,
        "angle": angle,
        "curvature": curvature,
        "width": width,
        "thick": thick,
        "side": side,
    }


def normal(f: dict[str, np.ndarray]) -> np.ndarray:
    """(n, 2) unit vectors toward the back."""
    return np.column_stack([f["side"] * np.sin(f["angle"]), np.cos(f["angle"])])


def without_defects(plan: BowPlan) -> BowPlan:
    return replace(plan, defects=())

"""Invented bows with faults, photographs and weighings of them with errors of realistic size, and a hand that scrapes.

All by the statics, on a finer grid than the plan's. Pictures come as measurements (``pictured``), with errors of
curvature, of the centreline's place and of the scale; or straight as the plan's own input (``photographed``), where errors of the
centreline, short ones (0.05 mm, moving together over 45 mm) and long ones (0.3 mm over 200 mm), make 4 to 7 % of error in the
stiffness read from curvature. The hand errs alike everywhere on one bow, and by place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.support.benches import HALF_HANDLE_MM, ROOT_MM, document, printed
from tillerlens.core.measurement import LIMBS, Measurement, measurement_of
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.mechanics.current_bow import CurrentBow, CurrentLimb, DrawReading, gaps_of
from tillerlens.mechanics.finding import Finding
from tillerlens.mechanics.observed import SCALE_GAIN_U
from tillerlens.mechanics.places import CUTOFF_MM, LimbCurve, find_places
from tillerlens.mechanics.scraping import Plan
from tillerlens.mechanics.scraping.target import ScrapeTarget
from tillerlens.mechanics.statics import Bow, ElasticLimb, Equilibrium, Handle, Pull, braced, drawn

STATIONS = 25.4 * np.array([6.0, 10.0, 14.0, 18.0, 22.0])  # from the handle's centre
SHORT, LONG = (0.05, 45.0), (0.3, 200.0)  # mm: size and reach of the centreline's errors
U_GAP_MM = 0.4
U_WEIGHT = 0.3 * NEWTON_PER_POUND  # a scale read to half a pound (0.25 lb) and a draw to 1/16 in (0.16 lb at 2.5 lb an inch)
SEGMENTS = 100  # the plan takes 60
HAND_COMMON, HAND_BY_PLACE, HAND_MM = 0.2, 0.1, 100.0  # what a hand takes beside what it was told, and how far alike
READ_LB = 0.2  # of a reading before it is rounded to half a pound: together 0.25 lb
GAP_LONG = (0.3, 200.0)  # mm: errors of the centreline's place in a document, and their reach
TILLER = (0.0, 6.35)  # mm, wished
CURVATURE_U = 0.02  # 1/m, as good pictures show
BRACE_MM = 150.0
UNSMOOTHED_MM = 100.0
"""Errors that move together over 45 mm leave curvature with waves as a smoothing of this wavelength does: the two
correlations differ by 0.1 at most, fall to nothing at 33 mm and are deepest at 61 mm."""
SKEW = np.sqrt(3.0)  # a smooth error of size a and reach l has a second derivative of size sqrt(3) a / l2


@dataclass
class Bench:
    """A true bow on the bench: it changes as it is scraped; ``moduli`` and ``widths`` make its thickness."""

    bow: Bow
    string: float
    wish: ScrapeTarget
    modulus: float
    widths: tuple[np.ndarray, np.ndarray]
    excess: float
    faults: tuple[str, ...]
    hinges: tuple[tuple[int, float, float], ...]  # limb, place from the fade (mm), depth
    stiff: tuple[tuple[int, float], ...]  # limb, place from the fade (mm)
    how: Pull
    with_sections: bool
    hand: float = 1.0  # taken over told, alike everywhere
    gain: float = 1.0  # the scale's
    full: tuple[Bow, Equilibrium] | None = None  # at the wished draw, and the bow that was: it is asked for often

    def at(self, draw: float, start: Equilibrium | None = None) -> Equilibrium:
        if draw != self.wish.draw_back:
            return drawn(self.bow, self.string, draw, self.how, segments=SEGMENTS, start=start)
        if self.full is None or self.full[0] is not self.bow:
            self.full = self.bow, drawn(self.bow, self.string, draw, self.how, segments=SEGMENTS, start=start)
        return self.full[1]

    def gap_difference(self, stations: np.ndarray = STATIONS) -> np.ndarray:
        """Upper minus lower gap at the wished draw, at stations from the handle's centre (mm)."""
        up, low = gaps_of(self.at(self.wish.draw_back), stations)
        return np.asarray(up - low)

    def wished_difference(self, stations: np.ndarray = STATIONS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lowest, middle and highest gap difference wished at every station (mm): less and less toward the nock."""
        fall = np.clip(1 - stations / (HALF_HANDLE_MM + self.bow.upper.length), 0, 1)
        low, high = TILLER
        return low * fall, (low + high) / 2 * fall, high * fall

    def weight_over(self) -> float:
        """Relative: how far the weight at the wished draw stands above that at which scraping shall stop, as its scale, which the
        wish is read on too, shows it."""
        return self.gain * self.at(self.wish.draw_back).weight / self.wish.aim - 1


def random_bench(rng: np.random.Generator, how: Pull | None = None) -> Bench:
    length = rng.uniform(600, 720)
    s = np.linspace(0, length, 161)
    z = s / length
    modulus = rng.uniform(9000, 15000)
    wide, tip = rng.uniform(34, 44), rng.uniform(11, 15)
    width = np.interp(z, [0, rng.uniform(0.3, 0.7), 1], [wide, wide * rng.uniform(0.9, 1), tip])
    thick = 13 * np.interp(z, [0, 1], [1, rng.uniform(0.55, 0.75)])
    faults, limbs, hinges, stiff = [], [], [], []
    natural = rng.uniform(-2e-4, 1e-4)
    strong = rng.choice([0.0, 1.0]) * rng.uniform(-0.15, 0.15)
    for k in (0, 1):
        ln = np.log(modulus * width * thick**3 / 12) + (0.5 if k == 0 else -0.5) * strong
        ln = ln + 0.03 * rng.normal() * (2 * z - 1)
        taken = -1e3
        for kind in ("hinge", "stiff"):
            if rng.random() < 0.4:
                size = np.log(1 - rng.uniform(0.1, 0.3)) if kind == "hinge" else np.log(1 + rng.uniform(0.15, 0.4))
                place, half = rng.uniform(0.2, 0.8) * length, rng.uniform(20, 35)
                while abs(place - taken) < 130:  # a knot in a hinge is neither
                    place = rng.uniform(0.2, 0.8) * length
                taken = place
                ln = ln + size * np.exp(-0.5 * ((s - place) / half) ** 2)
                faults.append(kind)
                if kind == "hinge":
                    hinges.append((k, place, 1 - float(np.exp(size))))
                else:
                    stiff.append((k, place))
        k0 = natural + 1.5e-5 * rng.normal() + np.zeros(s.size)
        for _ in range(3):  # crooks of the stave: each turns the limb by a few milliradians
            k0 = k0 + 5e-5 * rng.normal() * np.exp(-0.5 * ((s - rng.uniform(0.05, 0.95) * length) / 40) ** 2)
        limbs.append(ElasticLimb(s, np.exp(ln), k0))
    if strong:
        faults.append("strong limb")
    handle = Handle(HALF_HANDLE_MM, HALF_HANDLE_MM, ROOT_MM)
    excess = rng.uniform(0.10, 0.40)
    wish = ScrapeTarget(rng.uniform(35, 55) * NEWTON_PER_POUND, 25.4 * rng.uniform(25, 28), tiller=TILLER)
    bow, how = Bow(limbs[0], limbs[1], handle), how or Pull()
    string = braced(bow, brace_height=BRACE_MM, segments=SEGMENTS).string_length
    weight = drawn(bow, string, wish.draw_back, how, segments=SEGMENTS).weight
    scale = wish.aim * (1 + excess) / weight
    bow = Bow(*(ElasticLimb(q.s, q.ei * scale, q.kappa0) for q in limbs), handle)
    sections = bool(rng.random() < 0.5)
    hand = float(np.clip(1 + HAND_COMMON * rng.normal(), 0.5, 1.5))
    gain = 1 + SCALE_GAIN_U * rng.normal()
    return Bench(
        bow,
        string,
        wish,
        modulus * scale,
        (width, width),
        excess,
        tuple(faults),
        tuple(hinges),
        tuple(stiff),
        how,
        sections,
        hand,
        gain,
    )


def hinge_now(bench: Bench, k: int, place: float) -> float:
    """How much more the wood bends at a place than 90 mm to both sides of it, by the true stiffness: a share."""
    limb = (bench.bow.upper, bench.bow.lower)[k]
    ln = np.log(limb.ei)
    flanks = np.interp([place - 90, place + 90], limb.s, ln)
    return float(np.expm1(flanks.mean() - np.interp(place, limb.s, ln)))


def pictured(
    bench: Bench, rng: np.random.Generator, banded: bool = False, rest_noisier: float = 1.0
) -> tuple[list[Measurement], Measurement]:
    """Measurements: braced, half drawn and as far as it may be drawn, each weighed; and at rest. ``banded``: their
    curvature errs as that of rendered pictures does, else with long waves."""
    furthest = furthest_draw(bench)
    seen: dict[str, Any] = {"noise": rng, "u_per_m": CURVATURE_U, "cutoff_mm": CUTOFF_MM, "banded": banded}
    given: dict[str, Any] = {**seen, "string": bench.string, "how": bench.how}
    strung = [printed(bench.bow, braced_only=True, **given)]
    for draw in (0.75 * furthest, furthest):
        d = printed(bench.bow, draw, half_pounds=False, **given)
        read = bench.gain * d["shot"]["scale_reading_lb"] + READ_LB * rng.normal()
        d["shot"]["scale_reading_lb"] = round(2 * read) / 2
        strung.append(d)
    for d in strung:
        for p in d["profile"].values():
            at, xy = np.array(p["from_nock_mm"]), np.array(p["centre_mm"])
            xy[:, 1] += _wave(at, GAP_LONG, rng) * np.clip(at / 60, 0, 1)  # the nocks themselves are marked
            p["centre_mm"] = xy.tolist()
        for g in d["gaps"]:
            g["difference"] = g["difference"] | {"u": float(np.sqrt(2) * GAP_LONG[0])}  # as they err
    return list(map(measurement_of, strung)), document(bench.bow, **(seen | {"u_per_m": rest_noisier * CURVATURE_U}))


def photographed(bench: Bench, rng: np.random.Generator) -> CurrentBow:
    """Rest and drawn picture, drawn no further than to the wished weight or the wished draw, and a weighing."""
    draw = furthest_draw(bench)
    state = bench.at(draw)
    read = state.weight + U_WEIGHT * rng.normal()
    limbs, curves = [], []
    for k, (limb, shape) in enumerate(((bench.bow.upper, state.upper), (bench.bow.lower, state.lower))):
        moment = np.interp(limb.s + shape.s[-1] - limb.length, shape.s, shape.moment)
        rest, pulled = _curvature_error(limb.s, rng), _curvature_error(limb.s, rng)
        move = moment / limb.ei
        seen = np.maximum(move + pulled - rest, 0.25 * move + 1e-7)
        ei = np.maximum(moment * read / state.weight, 1e-3 * moment.max()) / seen
        u = np.minimum(np.sqrt(2) * _u_curvature() / seen, 2.0)
        level = moment * read / state.weight
        lever = np.maximum(level, 1e-3 * level.max())
        compliance, u_compliance = (move + pulled - rest) / lever, np.sqrt(2) * _u_curvature() / lever
        of_nock = (v[::-1] for v in (compliance, u_compliance, 1000 * lever))
        curves.append(LimbCurve(limb.length - limb.s[::-1], *of_nock, limb.length, UNSMOOTHED_MM))
        thick = to_belly = None
        if bench.with_sections:
            thick = (12 * limb.ei / (bench.modulus * bench.widths[k])) ** (1 / 3)
            to_belly = thick / 2
        limbs.append(
            CurrentLimb(ElasticLimb(limb.s, ei, limb.kappa0 + rest), u, np.full(u.size, _u_curvature()), thick, to_belly)
        )
    scale = 1 + 0.002 * rng.normal()
    up, low = (scale * (g + U_GAP_MM * rng.normal(size=g.size)) for g in gaps_of(state, STATIONS))
    seen_all = DrawReading(draw, read, U_WEIGHT, STATIONS, up, low, U_GAP_MM)
    found = find_places(*curves)
    finding = Finding(found.told, ("drawn",), "at rest", perhaps=found.perhaps)
    return CurrentBow(limbs[0], limbs[1], bench.bow.handle, bench.string, seen_all, how=bench.how, finding=finding)


def scrape(bench: Bench, plan: Plan, rng: np.random.Generator) -> None:
    """Take off what the plan says with a hand that errs alike everywhere, and by place."""
    limbs = []
    for limb, told in zip((bench.bow.upper, bench.bow.lower), told_by_place(bench, plan), strict=True):
        block = (limb.s // HAND_MM).astype(int)
        hand = np.clip(bench.hand * (1 + HAND_BY_PLACE * rng.normal(size=block.max() + 1)), 0, None)[block]
        limbs.append(ElasticLimb(limb.s, limb.ei * (1 - told * hand) ** 3, limb.kappa0))
    bench.bow = Bow(limbs[0], limbs[1], bench.bow.handle)


def told_by_place(bench: Bench, plan: Plan) -> list[np.ndarray]:
    """Share of the thickness that the plan's stretches tell to take off, at the places of the true limbs."""
    out = []
    for name, limb in zip(LIMBS, (bench.bow.upper, bench.bow.lower), strict=True):
        from_nock, told = limb.length - limb.s, np.zeros(limb.s.size)
        for q in plan.stretches:
            if q.limb == name:
                told[(from_nock >= q.from_nock_mm[0]) & (from_nock <= q.from_nock_mm[1])] = q.share
        for left in plan.leave:
            if left.limb == name:
                told[(from_nock >= left.from_nock_mm[0]) & (from_nock <= left.from_nock_mm[1])] = 0.0
        out.append(told)
    return out


def furthest_draw(bench: Bench) -> float:
    """Draw to the back, mm, at which the bow reaches the wished weight, never past the wished draw."""
    full = bench.at(bench.wish.draw_back)
    if full.weight <= bench.wish.weight:
        return bench.wish.draw_back
    lo, hi, state = 0.5 * bench.wish.draw_back, bench.wish.draw_back, full
    for _ in range(12):
        mid = 0.5 * (lo + hi)
        state = bench.at(mid, state)
        lo, hi = (mid, hi) if state.weight < bench.wish.weight else (lo, mid)
    return lo


def _u_curvature() -> float:
    return float(np.hypot(*(SKEW * a / reach**2 for a, reach in (SHORT, LONG))))


def _curvature_error(s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Second derivative of a smooth random error of the centreline's place: a Gaussian process of many random waves."""
    out = np.zeros(s.size)
    for size, reach in (SHORT, LONG):
        wave, phase = rng.normal(size=(80, 1)) / reach, rng.uniform(0, 2 * np.pi, size=(80, 1))
        out -= size * np.sqrt(2 / 80) * np.sum(wave**2 * np.cos(wave * s + phase), 0)
    return out


def _wave(s: np.ndarray, size_and_reach: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """A smooth random error (n,) of this size, moving together over this reach."""
    size, reach = size_and_reach
    wave, phase = rng.normal(size=(80, 1)) / reach, rng.uniform(0, 2 * np.pi, size=(80, 1))
    return np.asarray(size * np.sqrt(2 / 80) * np.sum(np.cos(wave * s + phase), 0))

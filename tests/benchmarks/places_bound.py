#!/usr/bin/env python3
"""How many hinges and stiff places can be found at all, with the errors that the documents of ``scraping_rounds.py`` have?

    python tests/benchmarks/places_bound.py [--bows 60] [--rounds 4] [--seed 1] [--banded] [--sound 200]

--banded: curvature errs with the look that the smoothing of an edge leaves, as in rendered pictures; else with long waves.

A place is judged by a filter that is matched to it: the bow's curvature with the place less that without it, weighed with the
inverse of the errors' covariance, over both limbs. No unbiased judgement stands out further than the square root d of that form;
the place found at a threshold t is then Phi(d - t) (Kay, *Fundamentals of Statistical Signal Processing: Detection Theory*, 1998,
4.3: for a signal that is known but for its size, no test does better). Rows, each allowing one false alarm in 50 sound bows:

- told where: everything else about the bow is known, and where to look and what for. t is that of a single look.
- to be searched: the same, but the place may be anywhere on both limbs, of either kind and three lengths; t from simulation.
- rest by its picture: the shape at rest is known from its picture alone, which errs as the others do.
- taper unknown: and the limbs' smooth taper is not known, but for the smooth lines that the finding allows.
- uneven wood: and sound wood strays from that by what the finding allows.

The last row is what the finding finds. "A true place" is one that bends by 12 % more or less than the wood 90 mm beside it, in
that round: a stiff place that was scraped and is still stiff by so much counts again, and only those that were missed are left
at full size, so later rounds have the harder ones.

--sound: instead, how often the finding tells a place on so many bows that have none, the picture at rest as good as the others,
and three and five times noisier. Wanted: 2 in 100 at most.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import norm

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.benches import document  # noqa: E402
from tests.support.scraping_bows import CURVATURE_U, Bench, furthest_draw, hinge_now, pictured, random_bench, scrape  # noqa: E402
from tillerlens.core.measurement import LIMBS  # noqa: E402
from tillerlens.mechanics.finding import find  # noqa: E402
from tillerlens.mechanics.places import (  # noqa: E402
    CUTOFF_MM,
    FINE_U,
    FIRST,
    HALF_LENGTHS_MM,
    LAST,
    SEARCHED,
    SLOW_MM,
    TAPER_MM,
    TAPER_U,
    UNEVEN_MM,
    UNEVEN_U,
    correlation,
    seen_bump,
)
from tillerlens.mechanics.plan import as_document, plan_from_documents, read_foretold  # noqa: E402
from tillerlens.mechanics.statics import Bow, ElasticLimb  # noqa: E402

ALARMS = 0.02  # of sound bows
LEAST = 0.12
NEAR_MM, BESIDE_MM = 70.0, 90.0
FINE = 0.01  # of an error's size: what no place shares with the next, so that the covariance can be inverted
TRIES = 2000
ROWS = ("told where", "to be searched", "rest by its picture", "taper unknown", "uneven wood", "the finding")


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--bows", type=int, default=60)
    ap.add_argument("--rounds", type=int, default=4)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--banded", action="store_true")
    ap.add_argument("--sound", type=int, default=0)
    a = ap.parse_args()
    if a.sound:
        _sound(a.sound, a.seed, a.banded)
        return
    found: dict[tuple[str, int], list[tuple[float, ...]]] = defaultdict(list)
    searched: list[float] = []
    for k in range(a.bows):
        rng = np.random.default_rng(1000 * a.seed + k)
        bench, last = random_bench(rng), None
        for r in range(a.rounds):
            pictures = pictured(bench, rng, a.banded)
            plan = plan_from_documents(*pictures, bench.wish, last=last)
            last = read_foretold(as_document(plan)) if plan.stop is None else None
            places = () if plan.finding is None else plan.finding.places
            for kind, limb, place in _places(bench):
                if not searched:
                    searched = _thresholds(bench, a.banded)
                length = (bench.bow.upper.length, bench.bow.lower.length)[limb]
                mine = [length - p.from_nock_mm.value for p in places if (p.kind, p.limb) == (kind, LIMBS[limb])]
                told = any(abs(at - place) < NEAR_MM for at in mine)
                d = _stands_out(bench, limb, place, a.banded)
                t = (float(norm.isf(ALARMS)), *searched)
                rates = [float(norm.cdf(x - y)) for x, y in zip((d[0], *d), t, strict=True)]
                found[kind, r].append((*rates, float(told)))
            scrape(bench, plan, rng)
    look = "banded" if a.banded else "with long waves"
    print(f"{a.bows} bows, seeds {1000 * a.seed} to {1000 * a.seed + a.bows - 1}, errors {look}")
    print("thresholds: told where " + f"{norm.isf(ALARMS):.2f}, then " + ", ".join(f"{x:.2f}" for x in searched))
    rounds = [("all", range(a.rounds)), *((str(r), range(r, r + 1)) for r in range(a.rounds))]
    print(f"{'found, %':22s}" + "".join(f"{kind + ' ' + name:>11s}" for kind in ("hinge", "stiff") for name, _ in rounds))
    cells = [[t for r in of for t in found[kind, r]] for kind in ("hinge", "stiff") for _, of in rounds]
    for i, row in enumerate(ROWS):
        print(f"{row:22s}" + "".join(f"{100 * np.mean([t[i] for t in c]):11.0f}" if c else f"{'-':>11s}" for c in cells))
    print(f"{'places':22s}" + "".join(f"{len(c):11d}" for c in cells))


def _sound(bows: int, seed: int, banded: bool) -> None:
    alarms, seen, k = {1.0: 0, 3.0: 0, 5.0: 0}, 0, 0
    while seen < bows:
        rng = np.random.default_rng(1000 * seed + k)
        bench, k = random_bench(rng), k + 1
        if bench.hinges or bench.stiff:
            continue
        seen += 1
        for noisier in alarms:
            alarms[noisier] += bool(find(*pictured(bench, rng, banded, noisier)).places)
    look = "banded" if banded else "with long waves"
    print(f"{bows} sound bows among seeds {1000 * seed} to {1000 * seed + k - 1}, errors {look}")
    for noisier, count in alarms.items():
        print(f"picture at rest {noisier:.0f} times as noisy: a place is told on {count}, {count / bows:.1%}")


def _places(bench: Bench) -> list[tuple[str, int, float]]:
    """Kind, limb and place from the fade (mm) of what is a true place now."""
    all_ = [("hinge", k, at) for k, at, _ in bench.hinges] + [("stiff", k, at) for k, at in bench.stiff]
    return [q for q in all_ if (1 if q[0] == "hinge" else -1) * hinge_now(bench, *q[1:]) >= LEAST]


def _without(bench: Bench, k: int, place: float) -> Bow:
    """The bow with this place as stiff as the wood 90 mm beside it, evenly from the one side to the other. What a scraper has
    left of a stiff place is no bump: it may be a narrow ridge between two hollows, which smoothed curvature hardly shows."""
    limbs = [bench.bow.upper, bench.bow.lower]
    limb = limbs[k]
    ln, ends = np.log(limb.ei), [place - BESIDE_MM, place + BESIDE_MM]
    inside = (limb.s > ends[0]) & (limb.s < ends[1])
    limbs[k] = ElasticLimb(
        limb.s, np.where(inside, np.exp(np.interp(limb.s, ends, np.interp(ends, limb.s, ln))), limb.ei), limb.kappa0
    )
    return Bow(limbs[0], limbs[1], bench.bow.handle)


def _bends(bench: Bench, bow: Bow) -> tuple[np.ndarray, np.ndarray]:
    """Places from the nock (n,), and curvature, 1/m, at rest and in each strung picture (pictures, 2, n), without errors."""
    furthest = furthest_draw(bench)
    seen: dict[str, Any] = {"cutoff_mm": CUTOFF_MM, "string": bench.string, "how": bench.how, "weigh": False}
    documents = [document(bow, cutoff_mm=CUTOFF_MM), document(bow, braced_only=True, **seen)]
    documents += [document(bow, draw, **seen) for draw in (0.75 * furthest, furthest)]
    length = bench.bow.upper.length
    at = np.arange(FIRST * length, LAST * length, 6.0)

    def read(name: str) -> np.ndarray:
        limbs = [[m.profile[k] for k in LIMBS] for m in documents]
        return np.array([[np.interp(at, p.from_nock_mm, getattr(p, name)) for p in both] for both in limbs])

    return at, read("curvature_per_m")


def _errors(at: np.ndarray, banded: bool) -> np.ndarray:
    """(n, n) correlation of the documents' errors of curvature along one limb."""
    lag = np.abs(at[:, None] - at)
    if banded:
        return 0.9 * correlation(lag, CUTOFF_MM) + 0.1 * np.exp(-0.5 * (lag / 150.0) ** 2) + FINE**2 * np.eye(at.size)
    return np.exp(-0.5 * (lag / SLOW_MM) ** 2) + FINE**2 * np.eye(at.size)


def _stands_out(bench: Bench, k: int, place: float, banded: bool) -> tuple[float, float, float, float]:
    """d of the place: everything known; rest by its picture; taper unknown; uneven wood."""
    at, here = _bends(bench, bench.bow)
    _, without = _bends(bench, _without(bench, k, place))
    errors = CURVATURE_U**2 * _errors(at, banded)
    moved = here - without  # at rest: nothing
    known = sum(float(m @ np.linalg.solve(errors, m)) for picture in moved[1:] for m in picture)
    # By its picture: what all pictures share is not known, so each tells by how far it lies from their mean. The pictures of one
    # place bend in proportion, so together they tell a share of the bend with errors smaller by their spread.
    spread = without - without.mean(0)
    power = np.sum(spread**2, 0)  # (2, n)
    share, u = np.sum(spread * moved, 0) / power, 1 / np.sqrt(power)
    rest, taper, uneven = _of_shares(at, share, u, errors)
    return float(np.sqrt(known)), rest, taper, uneven


def _of_shares(at: np.ndarray, share: np.ndarray, u: np.ndarray, errors: np.ndarray) -> tuple[float, float, float]:
    """d of a share of the bend (2, n) that is measured with ``errors`` scaled by ``u`` (2, n)."""
    length = at[-1] / LAST
    z = 2 * at / length - 1
    columns = _taper(z)
    lag = np.abs(at[:, None] - at)
    wood = UNEVEN_U**2 * np.exp(-0.5 * (lag / UNEVEN_MM) ** 2) + TAPER_U**2 * np.exp(-0.5 * (lag / TAPER_MM) ** 2)
    wood = wood + FINE_U**2 * np.eye(at.size)
    out = []
    for more, free in ((0.0, False), (0.0, True), (wood, True)):
        white = [np.linalg.inv(np.linalg.cholesky(errors * np.outer(s, s) + more)) for s in u]
        seen = np.concatenate([w @ x for w, x in zip(white, share, strict=True)])
        if free:
            q = np.linalg.qr(np.vstack([w @ c for w, c in zip(white, columns, strict=True)]))[0]
            seen = seen - q @ (q.T @ seen)
        out.append(float(np.linalg.norm(seen)))
    return out[0], out[1], out[2]


def _taper(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The smooth lines of ln compliance on either limb (n, 7): a common shape, each with its own level and slope."""
    one, none = np.ones_like(z), np.zeros_like(z)
    return (
        np.column_stack([z**2, z**3, z**4, one, z, none, none]),
        np.column_stack([z**2, z**3, z**4, none, none, one, z]),
    )


def _thresholds(bench: Bench, banded: bool) -> list[float]:
    """What the clearest chance bump of a sound bow stays below in 98 of 100, for each row that is searched: simulated on this
    bow's limbs, with the filters of all places, lengths and both limbs."""
    at, here = _bends(bench, bench.bow)
    length = at[-1] / LAST
    spread = here - here.mean(0)
    u = 1 / np.sqrt(np.sum(spread**2, 0))
    middles = np.arange(SEARCHED[0] * length, SEARCHED[1] * length, 8.0)
    bumps = np.hstack([seen_bump(at[:, None] - middles, half, CUTOFF_MM) for half in HALF_LENGTHS_MM])
    lag = np.abs(at[:, None] - at)
    wood = UNEVEN_U**2 * np.exp(-0.5 * (lag / UNEVEN_MM) ** 2) + TAPER_U**2 * np.exp(-0.5 * (lag / TAPER_MM) ** 2)
    wood = wood + FINE_U**2 * np.eye(at.size)
    errors, columns = CURVATURE_U**2 * _errors(at, banded), _taper(2 * at / length - 1)
    rng = np.random.default_rng(0)
    out = []
    # known but for the place, the shape at rest by its picture: the same errors, so the same chance bumps
    for more, free in ((0.0, False), (0.0, False), (0.0, True), (wood, True)):
        white = [np.linalg.inv(np.linalg.cholesky(errors * np.outer(s, s) + more)) for s in u]
        n = at.size
        tried = np.zeros((2 * n, 2 * bumps.shape[1]))
        for k in (0, 1):
            tried[k * n : (k + 1) * n, k * bumps.shape[1] : (k + 1) * bumps.shape[1]] = white[k] @ bumps
        if free:
            q = np.linalg.qr(np.vstack([w @ c for w, c in zip(white, columns, strict=True)]))[0]
            tried = tried - q @ (q.T @ tried)
        tried /= np.linalg.norm(tried, axis=0)
        chance = np.abs(tried.T @ rng.normal(size=(2 * n, TRIES))).max(0)
        out.append(float(np.quantile(chance, 1 - ALARMS)))
    return out


if __name__ == "__main__":
    main()

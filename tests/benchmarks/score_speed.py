#!/usr/bin/env python3
"""Speed by ear of synthesised shots against the truth, and clips that must be refused.

    python tests/benchmarks/score_speed.py [--shots 500] [--traps 25] [--seed 16]

Shots (support/shots_heard.py): 10 to 30 yd, wooden arrows, drag integrated with a coefficient that changes with speed, noise,
wind, walls, the phone beside the archer, half way or by the target, AAC at 64 to 160 kbit/s in mp4. What a bowyer says is off
as a tape, a rule and a guess are; half of them say nothing of temperature, arrow's length and shaft. Wanted: within 1 % in
median and 2.5 % at the 95th percentile, 92 to 98 in 100 within +-2u, and no speed from a wrong pair of sounds. Traps are clips
without a thump, with an echo in its place, with two shots, a bang besides, wind, clipping: each has to be refused, or right.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.shots_heard import GRAIN, INCH, YARD, Shot, add, as_clip, click_sound, ringing  # noqa: E402
from tillerlens.core.errors import TillerLensError  # noqa: E402
from tillerlens.film.heard import hear  # noqa: E402
from tillerlens.film.sound import read_sound  # noqa: E402
from tillerlens.mechanics.flight import InputQuantity, Range, fly  # noqa: E402

WRONG_S = 0.010  # beyond it, another sound was taken than the one meant
PLACES = ("archer", "archer", "middle", "target")
TRAPS = ("no thump", "echo only", "two shots", "bang besides", "wind", "clipped")


def random_shot(rng: np.random.Generator) -> tuple[Shot, Range, str]:
    """A shot, what the bowyer says of it, and where the phone lies."""
    distance = rng.uniform(10, 30) * YARD
    place = str(rng.choice(PLACES))
    to_bow, to_target = 0.6 + 0.2 * rng.uniform(-1.7, 1.7), None
    if place != "archer":
        part = rng.uniform(0.4, 0.6) if place == "middle" else rng.uniform(0.85, 0.95)
        to_bow, to_target = part * distance, np.hypot((1 - part) * distance, rng.uniform(0.5, 2.0))
    s = Shot(
        distance, rng.uniform(32, 62), rng.uniform(380, 650) * GRAIN, (11 / 32 + rng.normal(0, 1 / 32)) * INCH,
        rng.normal(29, 1.5) * INCH, rng.normal(6, 0.75) * INCH, rng.uniform(1.5, 3.7), rng.normal(15, 8), 1 + rng.uniform(0, 0.005),  # noqa: E501
        rng.normal(0, 1.0), to_bow, to_target, rng.normal(0, 0.001), rng.uniform(0.1, 0.5), rng.uniform(0.15, 0.7),
        rng.uniform(0.03, 0.2), rng.uniform(-75, -58), rng.uniform(-80, -40),
        [(rng.uniform(4, 120), rng.uniform(0.1, 0.6)) for _ in range(rng.integers(0, 4))],
    )  # fmt: skip
    if to_target is None:
        s.to_target = distance + rng.normal(0, 0.1)
    loudest = max(s.string_level / max(s.to_bow, 0.3), s.thump_level / max(s.to_target or 1, 0.3))
    s.string_level, s.thump_level = (x * rng.uniform(0.2, 0.8) / loudest for x in (s.string_level, s.thump_level))
    said = rng.random() < 0.5
    at = Range(
        InputQuantity(distance + rng.normal(0, 0.05), 0.05),
        *(() if place == "archer" else (InputQuantity(d + rng.normal(0, 0.1), 0.1) for d in (to_bow, to_target))),
        **(
            {
                "temperature_c": InputQuantity(s.celsius + rng.normal(0, 2), 2.0),
                "arrow": InputQuantity(s.length + rng.normal(0, 0.006), 0.006),
                "shaft": InputQuantity(s.shaft + rng.normal(0, 0.0002), 0.0002),
            }
            if said
            else {}
        ),
    )
    return s, at, place


def record(s: Shot, rng: np.random.Generator, **more) -> bytes:
    rate = int(rng.choice([44_100, 48_000]))
    return as_clip(s.sound(rng, rate, **more), rate, bits=int(rng.choice([64_000, 96_000, 160_000])))


def trap(kind: str, rng: np.random.Generator) -> tuple[Shot, Range, bytes]:
    s, at, place = random_shot(rng)
    if kind == "no thump":
        return s, at, record(s, rng, thump=False)
    if kind == "two shots":
        return s, at, record(s, rng, strings=2)
    if kind == "wind":
        s.rumble_db, s.noise_db = rng.uniform(-12, -6), rng.uniform(-35, -28)
        return s, at, record(s, rng)
    if kind == "clipped":
        more = rng.uniform(8, 20)
        s.string_level, s.thump_level = more * s.string_level, more * s.thump_level
        return s, at, record(s, rng)
    rate = 48_000
    if kind == "echo only":
        s.walls = [(rng.uniform(0.25, 0.8) * 330, 0.0)]
        s.walls = [(way, rng.uniform(0.02, 0.3) * (s.to_bow + way) / max(s.to_bow, 0.3)) for way, _ in s.walls]
        out = s.sound(rng, rate, thump=False)
        return s, at, as_clip(out, rate)
    out = s.sound(rng, rate)  # a bang besides, about as loud as the thump, where the thump could be
    time_s, _ = s.flight()
    bang = rng.choice([0.55, 0.7, 1.3, 1.6]) * time_s + (s.to_target or s.distance) / 340
    level = 10 ** (rng.uniform(-4, 4) / 20) * s.thump_level / max(s.to_target or s.distance, 0.3)
    knock = ringing(rng, rate, 0.2, [(200, 900, 1.0), (900, 3000, 0.5)], 0.0006, 0.02)
    sound = knock if rng.random() < 0.5 else click_sound(rng, rate)
    add(out, rate, s.lead + bang, sound, level)
    return s, at, as_clip(out, rate)


def judge(s: Shot, at: Range, clip: bytes):
    """(relative error at the bow, relative u, error over u, error over u at the target, whether a wrong pair was taken)."""
    heard = hear(read_sound(clip), at)
    time_s, end = s.flight()
    c = 331.3 * np.sqrt(1 + s.celsius / 273.15) * s.damp
    string = s.lead + s.loudest + s.to_bow / c
    struck = s.lead + time_s + (s.distance if s.to_target is None else s.to_target) / (c + s.wind)
    shift = 0.5 * ((heard.string.at_s - string) + (heard.thump.at_s - struck))  # what the codec puts before
    wrong = max(abs(heard.string.at_s - string - shift), abs(heard.thump.at_s - struck - shift)) > WRONG_S or abs(shift) > 0.1
    f = fly(heard.between_s, at, s.arrow_kg)
    off = f.at_bow.value - s.speed
    return off / s.speed, f.at_bow.u / f.at_bow.value, off / f.at_bow.u, (f.at_target.value - end) / f.at_target.u, wrong


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--shots", type=int, default=500)
    ap.add_argument("--traps", type=int, default=25)
    ap.add_argument("--seed", type=int, default=16)
    args = ap.parse_args()
    rows, refused, places, wrong_at, begun = [], Counter(), Counter(), [], time.monotonic()
    for k in range(args.shots):
        rng = np.random.default_rng([args.seed, k])
        s, at, place = random_shot(rng)
        try:
            got = judge(s, at, record(s, rng))
        except TillerLensError as error:
            refused[error.text.split(":")[0].split(",")[0][:50]] += 1
            places[place] += 1
            continue
        rows.append(got)
        if got[4]:
            wrong_at.append(k)
    took = (time.monotonic() - begun) / args.shots
    r = np.array([x[:4] for x in rows])
    off = 100 * np.abs(r[:, 0])
    print(f"seed {args.seed}: {args.shots} shots, {len(rows)} told, {took:.2f} s each with making them")
    median, p95 = np.percentile(off, [50, 95])
    print(
        f"  wrong pairs: {wrong_at or 'none'}; off by {median:.2f} % in median, {p95:.2f} % at the 95th, {off.max():.2f} at most"
    )
    for name, z in (("bow", r[:, 2]), ("target", r[:, 3])):
        within = 100 * np.mean(np.abs(z) < 2)
        print(f"  at the {name}: {within:.1f} % within +-2u; (value - truth) / u {z.mean():+.2f} +- {z.std():.2f}")
    print(f"  2u is {200 * np.median(r[:, 1]):.2f} % in median; refused {sum(refused.values())}: {dict(refused)}; {dict(places)}")
    for i, kind in enumerate(TRAPS):
        said, right, wrong = Counter(), 0, []
        for k in range(args.traps):
            s, at, clip = trap(kind, np.random.default_rng([args.seed, 1000 + i, k]))
            try:
                bad = judge(s, at, clip)[4] or kind in ("no thump", "echo only")
            except TillerLensError as error:
                said[error.text.split(":")[0].split(",")[0][:44]] += 1
                continue
            if bad:
                wrong.append(k)
            else:
                right += 1
        print(f"  {kind}: {sum(said.values())} refused, {right} right, wrong: {wrong or 'none'}; {dict(said)}")


if __name__ == "__main__":
    main()

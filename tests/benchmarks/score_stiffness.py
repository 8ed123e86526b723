#!/usr/bin/env python3
"""Stiffness read from drawn pictures with a scale reading, set against the stiffness the pictures were rendered with.

    python tests/benchmarks/score_stiffness.py [FOLDER]

FOLDER (default: samples/) holds NAME.jpg, NAME.shot.json and NAME.truth.json, as samples/render.py writes them. The shape at
rest is the truth's. Wanted at draws of 22 in and more: correlation at least 0.97 and level within 6 % in median, 90 to 98 in
100 true stiffnesses within the band.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.against_truth import SAMPLES, measure_sample, truth_of  # noqa: E402
from tests.support.benches import against_truth, rest_from_truth  # noqa: E402
from tillerlens.mechanics.observed import read_observed  # noqa: E402
from tillerlens.mechanics.stiffness import estimate_stiffness  # noqa: E402

FAR_MM = 22 * 25.4


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folder", nargs="?", type=Path, default=SAMPLES)
    folder = ap.parse_args().folder
    rows: list[tuple[float, float, float, float]] = []
    for path in sorted(folder.glob("*.truth.json")):
        name = path.name.removesuffix(".truth.json")
        truth = truth_of(folder, name)
        if truth["state"] != "drawn":
            continue
        found = measure_sample(folder, name, False)
        if found.status != "measured" or "scale_reading_lb" not in found.shot:
            print(
                f"{name:28s} {found.status}, without a weighing" if found.status == "measured" else f"{name:28s} {found.status}"
            )
            continue
        seen = read_observed(found.as_printed())
        for limb, (r, level, z) in zip(
            ("upper", "lower"), against_truth(estimate_stiffness([seen], rest_from_truth(seen, truth)), truth), strict=True
        ):
            inside = float(np.mean(np.abs(z) < 2))
            rows.append((seen.draw_back_mm, r, level, inside))
            draw = f"draw {seen.draw_back_mm:4.0f} mm"
            print(f"{name:28s} {limb} {draw}  correlation {r:.4f}  level {level:.3f}  within {inside:.2f}")
    table = np.array(rows).reshape(-1, 4)
    for words, use in (("all draws", table[:, 0] > 0), ("22 in and more", table[:, 0] >= FAR_MM)):
        if use.any():
            r, off = np.median(table[use, 1]), 100 * np.median(np.abs(table[use, 2] - 1))
            within = 100 * table[use, 3].mean()
            print(
                f"{words:15s} {use.sum()} limbs: correlation {r:.4f}, level off by {off:.1f} % (medians), within {within:.0f} %"
            )


if __name__ == "__main__":
    main()

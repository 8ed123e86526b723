#!/usr/bin/env python3
"""Measure every picture of a folder and set the numbers against the exact answers.

    python tests/benchmarks/score_samples.py [FOLDER] [--clicks] [--values]

FOLDER (default: samples/) holds NAME.jpg, NAME.shot.json and NAME.truth.json, as samples/render.py writes
them. --clicks: as if a person had pointed at the nocks and the handle. --values: list every number that lies
more than 4 u from its truth.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.against_truth import (  # noqa: E402
    SAMPLES,
    Row,
    curvature_rms,
    measure_sample,
    rows,
    spots_found,
    truth_of,
)


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folder", nargs="?", type=Path, default=SAMPLES)
    ap.add_argument("--clicks", action="store_true")
    ap.add_argument("--values", action="store_true")
    a = ap.parse_args()
    names = sorted(p.name.removesuffix(".truth.json") for p in a.folder.glob("*.truth.json"))
    if not names:
        sys.exit(f"{a.folder} holds no NAME.truth.json")
    groups: dict[str, list[Row]] = defaultdict(list)
    bends, spots, measured, seconds = [], np.zeros(3, int), 0, []
    for name in names:
        begun = time.perf_counter()
        found = measure_sample(a.folder, name, a.clicks)
        seconds.append(time.perf_counter() - begun)
        truth = truth_of(a.folder, name)
        if found.status != "measured":
            print(f"{name:28s} {seconds[-1]:5.1f} s  {found.status}: {found.reasons[0].text}")
            continue
        measured += 1
        numbers = rows(found, truth)
        bends.append(curvature_rms(found, truth))
        spots += spots_found(found, truth) if truth["state"] == "drawn" else 0
        squared = bool(found.evidence["squared"])
        for row in numbers:
            groups[row.group if squared else f"{row.group}, not squared"].append(row)
        share = np.mean([row.inside for row in numbers])
        far = max(numbers, key=lambda row: abs(row.error / row.u))
        print(f"{name:28s} {seconds[-1]:5.1f} s  {share:4.0%} within 2u  bend {bends[-1]:.1%}  farthest {far}")
        if a.values:
            sys.stdout.writelines(f"    {row}\n" for row in numbers if abs(row.error) > 4 * row.u)
    print(f"\nmeasured {measured} of {len(names)}; median time {np.median(seconds):.1f} s")
    print(f"{'':36s}{'n':>4} {'median':>8} {'p95':>8} {'within 2u':>10}")
    for group, found_rows in sorted(groups.items()):
        off = np.abs([row.error for row in found_rows])
        share = np.mean([row.inside for row in found_rows])
        print(f"{group:36s}{len(off):4d} {np.median(off):8.2f} {np.percentile(off, 95):8.2f} {share:10.0%}")
    if bends:
        print(f"bend, relative RMS: median {np.median(bends):.1%}, p90 {np.percentile(bends, 90):.1%}")
    print(f"spots: {spots[0]} found, {spots[1]} missed, {spots[2]} false")


if __name__ == "__main__":
    main()

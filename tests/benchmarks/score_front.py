#!/usr/bin/env python3
"""Front views of a folder set against their exact answers.

    python tests/benchmarks/score_front.py FOLDER [--only even|odd] [--save OUT.json]

FOLDER holds NAME.jpg, NAME.shot.json and NAME.truth.json as samples/render.py --kind front writes them. Printed: a line a
picture with its worst number, then errors by group, the share of truths within 2 u, and the belly's lightness where it was
heated. ``--only``: pictures of even or of odd number.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.against_truth import Row, measure_sample, truth_of  # noqa: E402
from tillerlens.core.measurement import Measurement  # noqa: E402

LINES = {"string_line": "string line", "tip_line": "tip line", "side_bend_upper": "side bend", "side_bend_lower": "side bend"}
FAR_U, FAR_MM = 4.0, 3.2  # beyond both a number is confidently wrong


def rows_of(found: Measurement, truth: dict[str, Any]) -> list[Row]:
    """Every number that both have."""
    told = [(n, found.values[n]) for n in LINES if n in found.values and n in truth["values"]]
    out = [Row(LINES[name], name, value.value, truth["values"][name], value.u) for name, value in told]
    true = {(w["limb"], round(w["from_nock_mm"])): w["value"] for w in truth["widths"]}
    for w in found.front.widths if found.front else ():
        key = (w.limb, round(w.from_nock_mm))
        if key in true:
            out.append(Row("width", f"width_{key[0]}_{key[1]}", w.width.value, true[key], w.width.u))
    return out


def belly_rms(found: Measurement, truth: dict[str, Any]) -> float:
    """Of the lightness along both limbs about their common offset, CIELAB units."""
    off = []
    for limb in found.belly.limbs if found.belly else ():
        at, light = (np.array(truth["toast"][limb.limb][k]) for k in ("from_nock_mm", "lightness"))
        inside = (at >= limb.from_nock_mm[0]) & (at <= limb.from_nock_mm[-1])
        off.append(np.interp(at[inside], limb.from_nock_mm, limb.lightness) - light[inside])
    return float(np.std(np.concatenate(off)))


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folder", type=Path)
    ap.add_argument("--only", choices=("even", "odd"))
    ap.add_argument("--save", type=Path)
    a = ap.parse_args()
    names = sorted(p.name.removesuffix(".truth.json") for p in a.folder.glob("*.truth.json"))
    if a.only:
        names = [name for name in names if int(name[-1]) % 2 == (a.only == "odd")]
    groups: dict[str, list[Row]] = defaultdict(list)
    bellies, seconds, measured, saved = [], [], 0, {}
    for name in names:
        begun = time.perf_counter()
        found = measure_sample(a.folder, name)
        seconds.append(time.perf_counter() - begun)
        truth = truth_of(a.folder, name)
        if found.status != "measured":
            print(f"{name:28s} {seconds[-1]:5.1f} s  {found.status}: {found.reasons[0].text}", flush=True)
            continue
        measured += 1
        numbers = rows_of(found, truth)
        saved[name] = [[r.group, r.name, r.got, r.want, r.u] for r in numbers]
        for row in numbers:
            groups[row.group].append(row)
        if truth["state"] == "braced" and truth["facing"] == "belly" and "string_line" not in found.values:
            print(f"{name}: the string is not told")
        if found.belly is not None and truth["toast"]:
            bellies.append(belly_rms(found, truth))
        far = max(numbers, key=lambda row: abs(row.error / row.u))
        inside = np.mean([row.inside for row in numbers])
        print(f"{name:28s} {seconds[-1]:5.1f} s  {inside:4.0%} within 2u  farthest {far}", flush=True)
    print(f"\nmeasured {measured} of {len(names)}; median time {np.median(seconds):.1f} s")
    print(f"{'':24s}{'n':>4} {'median':>8} {'p95':>8} {'worst':>8} {'within 2u':>10} {'rms z':>6}")
    groups["all"] = [row for rows in groups.values() for row in rows]
    for group, rows in groups.items():
        off, z = np.abs([r.error for r in rows]), np.array([r.error / r.u for r in rows])
        part = f"{np.median(off):8.2f} {np.percentile(off, 95):8.2f} {off.max():8.2f}" if group != "all" else 26 * " "
        print(f"{group:24s}{len(off):4d} {part} {np.mean([r.inside for r in rows]):10.1%} {np.sqrt(np.mean(z**2)):6.2f}")
    share = 100 * np.abs([r.error / r.want for r in groups["width"]])
    print(f"width, per cent of it: median {np.median(share):.2f}, p95 {np.percentile(share, 95):.2f}, worst {share.max():.2f}")
    wrong = [str(r) for r in groups["all"] if abs(r.error) > max(FAR_U * r.u, FAR_MM)]
    print(f"confidently wrong (> {FAR_U:.0f} u and > {FAR_MM} mm): {len(wrong)}", *wrong, sep="\n    ")
    if bellies:
        each = ", ".join(f"{b:.2f}" for b in bellies)
        print(f"belly's lightness along it, rms: {each}; all {np.sqrt(np.mean(np.square(bellies))):.2f}")
    if a.save:
        a.save.write_text(json.dumps(saved, indent=1))


if __name__ == "__main__":
    main()

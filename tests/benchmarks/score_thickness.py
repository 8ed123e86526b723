#!/usr/bin/env python3
"""Thickness of the limbs as read from the side, set against the exact answers, at places 15 to 85 % of each limb.

    python tests/benchmarks/score_thickness.py [FOLDER] [--widths both|told|guessed] [--inches] [--each] [--stiffness]

FOLDER (default: samples/) holds NAME.jpg, NAME.shot.json and NAME.truth.json, as samples/render.py writes them; --inches:
NAME.given.json instead of the shot, and a truth whose measures.curvature.{left,right} gives from_nock, thick and width in
inches, left being the upper limb. Each picture is measured as its shot says, and once more as if the limbs' greatest width had
been told, to 1/16 in. --stiffness also holds the thickness against what the measured stiffness makes it: of drawn pictures
with a weighing, the rest, the true width and the true modulus taken as known, thickness^3 = 12 EI / (modulus x width). Wanted
on boards that square the picture: bias under 2 %, 92 to 98 in 100 within +-2u.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[2])]

from tests.support.against_truth import SAMPLES  # noqa: E402
from tests.support.benches import rest_from_truth  # noqa: E402
from tillerlens.core.measurement import Measurement  # noqa: E402
from tillerlens.core.shot_file import read_shot  # noqa: E402
from tillerlens.measure import measure_photo  # noqa: E402
from tillerlens.mechanics.observed import read_observed  # noqa: E402
from tillerlens.mechanics.stiffness import estimate_stiffness  # noqa: E402
from tillerlens.photo.intake import read_photo  # noqa: E402
from tillerlens.trace.reading import prepare  # noqa: E402

Array = NDArray[np.float64]
IN = 25.4
PLACES = np.linspace(0.15, 0.85, 15)  # of the limb, from the nock; near the ends nocks, wraps and fades stand in the way


def true_limbs(truth: dict[str, Any]) -> dict[str, tuple[Array, Array, Array]]:
    """Limb -> distance from the nock, thickness, width, mm; empty where the truth does not tell them."""
    if "profile" in truth:
        limbs = {k: (v["from_nock_mm"], v["thickness_mm"], v["width_mm"], 1.0) for k, v in truth["profile"].items()}
    else:
        told = truth.get("measures", {}).get("curvature", {})
        names = {"left": "upper", "right": "lower"}
        limbs = {names[k]: (v["from_nock"], v["thick"], v["width"], IN) for k, v in told.items() if "thick" in v}
    out = {}
    for k, (at, thick, width, unit) in limbs.items():
        order = np.argsort(at)
        x, t, w = (unit * np.asarray(v, float)[order] for v in (at, thick, width))
        out[k] = x, t, w
    return out


def summary(rows: list[tuple[float, float, float]]) -> str:
    """``rows`` of got, want, u (mm)."""
    got, want, u = np.array(rows).T
    z = (got - want) / u
    return (
        f"{len(rows) // len(PLACES):5d} {np.median(got / want) - 1:+7.1%} {np.sqrt(np.mean((got / want - 1) ** 2)):7.1%} "
        f"{np.median(u / want):7.1%} {np.sqrt(np.mean(z**2)):7.2f} {np.mean(np.abs(z) <= 2):7.0%}"
    )


def by_stiffness(found: Measurement, truth: dict[str, Any]) -> list[tuple[float, float, float]]:
    """Rows of thickness from the side, thickness from stiffness and the u of their difference (mm), both limbs."""
    seen = read_observed(found.as_printed())
    stiffness = estimate_stiffness([seen], rest_from_truth(seen, truth))
    rows = []
    for name, limb in stiffness.limbs.items():
        order = np.argsort(truth["profile"][name]["from_nock_mm"])
        at, thick, true = (np.array(truth["profile"][name][k])[order] for k in ("from_nock_mm", "thickness_mm", "stiffness_Nm2"))
        x = PLACES * at[-1]
        ei, u, told = (np.interp(x, limb.from_nock_mm, v) for v in (limb.ei, limb.u_relative, limb.told.astype(float)))
        if told.min() < 1:
            continue
        stiff = np.interp(x, at, thick) * np.cbrt(ei / np.interp(x, at, true * 1e6))
        p = found.profile[name]
        side, u_side = (np.interp(x, p.from_nock_mm, v) for v in (p.thickness_mm, p.u_thickness_mm))
        off = np.hypot(u_side, stiff * np.hypot(u, stiffness.u_level) / 3)
        rows += list(zip(side.tolist(), stiff.tolist(), off.tolist(), strict=True))
    return rows


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("folder", nargs="?", type=Path, default=SAMPLES)
    ap.add_argument("--widths", choices=("both", "told", "guessed"), default="both")
    ap.add_argument("--inches", action="store_true")
    ap.add_argument("--each", action="store_true", help="a line for each limb")
    ap.add_argument("--stiffness", action="store_true", help="also against the measured stiffness")
    a = ap.parse_args()
    groups: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    files = sorted(a.folder.glob("*.truth.json"))
    if not files:
        sys.exit(f"{a.folder} holds no NAME.truth.json")
    pictures = measured = 0
    for file in files:
        name = file.name.removesuffix(".truth.json")
        truth = json.loads(file.read_text())
        limbs = true_limbs(truth)
        if not limbs or not (a.folder / f"{name}.jpg").exists():
            continue
        photo = read_photo(a.folder / f"{name}.jpg")
        shot_file = a.folder / f"{name}.{'given' if a.inches else 'shot'}.json"
        shot = read_shot(shot_file, photo.name, (photo.width, photo.height))
        widest = max(float(w.max()) for _, _, w in limbs.values())
        shots = {"guessed": shot, "told": replace(shot, limb_width_mm=round(widest / IN * 16) / 16 * IN)}
        prepared = prepare(photo)
        pictures += 1
        for how, asked in shots.items():
            if a.widths not in ("both", how):
                continue
            found = measure_photo(photo, asked, prepared=prepared)
            if found.status != "measured":
                print(f"{name}: {found.status}")
                break
            measured += how == ("guessed" if a.widths == "both" else a.widths)
            squared = "squared" if found.evidence["squared"] else "not squared"
            for limb, (at, thick, _) in limbs.items():
                x, p = PLACES * at[-1], found.profile[limb]
                got, u = (np.interp(x, p.from_nock_mm, v) for v in (p.thickness_mm, p.u_thickness_mm))
                rows = list(zip(got.tolist(), np.interp(x, at, thick).tolist(), u.tolist(), strict=True))
                kinds = (squared, f"  {asked.scale.kind}", f"  {truth.get('light', '')} light, {squared}")
                for kind in kinds:
                    groups[f"{how:8s}{kind}"] += rows
                weighed = truth["state"] == "drawn" and found.facts.draw_weight_n is not None
                if a.stiffness and limb == "upper" and "profile" in truth and weighed:
                    groups[f"{how:8s}by stiffness, {squared}"] += by_stiffness(found, truth)
                if a.each:
                    print(f"{name:28s} {how:8s} {limb:6s} {kinds[1]:22s} {kinds[2]:28s} {summary(rows)}")
    print(f"measured {measured} of {pictures}\n{'width':8s}{'':30s}limbs    bias     rms       u   rms z  in +-2u")
    for group, found_rows in sorted((g, r) for g, r in groups.items() if r):
        print(f"{group:38s}{summary(found_rows)}")


if __name__ == "__main__":
    main()

#!/usr/bin/env python3
"""Render the demo's photographs, or a family of others, with their exact answers (needs Mitsuba 3).

    python samples/render.py [NAME ...] [--samples 48] [--draft]   the demo's pictures, into samples/
    python samples/render.py --family 20 --seed 3 --out DIR [--size 1500x1125]
    python samples/render.py --family 40 --seed 5 --kind shop --out DIR    as hard as shops and yards are
    python samples/render.py --family 16 --seed 5 --kind front --out DIR --size 2800x2100    bows from belly or back
    python samples/render.py --family 8 --seed 5 --kind rounds --out DIR   bows from rest to full draw, half with a fault
    python samples/render.py --check                               does the truth fit the pictures?

NAME.jpg is the photograph, NAME.shot.json what the bowyer would type and click, NAME.truth.json the answer. The kinds
`shop` and `rounds` write NAME.given.json instead, and NAME.clicks.json: nocks and handle as a person would click them.
"""

from __future__ import annotations

import argparse
import gc
import json
import multiprocessing
import sys
import time
import traceback
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from studio import check, contract, develop, film, front, phone, plan, shop, stage, truth  # noqa: E402
from studio.stage import Scene  # noqa: E402


def make(scene: Scene, folder: Path, samples: int) -> None:
    """Render one scene and write its three files."""
    begun = time.time()
    st = stage.assemble(scene)
    rng = np.random.default_rng([scene.seed, 23])
    shot = stage.shot(st, f"{scene.name}.jpg", rng)
    kind = scene.scale["kind"]
    facts = {"picture": f"{scene.name}.jpg", "kind": kind, "board": scene.board, "light": scene.light}
    facts |= {"standoff_mm": scene.standoff, "upper_limb": scene.upper, "back": scene.back}
    answer = truth.document(st.posed, st.place, st.camera, facts)
    if st.marks is not None:
        answer["marks_px"] = np.round(st.camera.project(st.marks), 3).tolist()
    light = stage.render(st, samples)
    picture = develop.develop(light, st.camera, rng, scene.blur, scene.grain)
    # the focal length a phone writes: by the picture's diagonal, whole millimetres, some per cent off
    focal35 = st.camera.focal * 43.267 / np.hypot(*scene.size) * (1 + rng.normal(0, 0.02))
    develop.save(folder / f"{scene.name}.jpg", picture, scene.orientation, round(focal35))
    for what, doc in (("shot", shot), ("truth", answer)):
        (folder / f"{scene.name}.{what}.json").write_text(json.dumps(doc, indent=1) + "\n")
    size = (folder / f"{scene.name}.jpg").stat().st_size
    print(f"{scene.name:28s} {time.time() - begun:6.1f} s  {size / 1e6:.2f} MB", flush=True)


def make_hard(scene: shop.ShopScene, folder: Path, samples: int) -> None:
    """Render a scene of the kinds `shop` and `rounds` and write its four files, the picture last."""
    begun = time.time()
    put = shop.put_up(scene)
    facts = contract.answer(put)
    known = contract.given(put, f"{scene.name}.jpg", np.random.default_rng([scene.surroundings, 41]))
    papers = {"given": known, "truth": facts}
    if facts["expect"] == "measure":
        papers["clicks"] = contract.clicks(put, facts["pixels"])
    staged = time.time()
    light = shop.picture(put, samples)
    traced = time.time()
    rng = np.random.default_rng([scene.seed, 43])
    picture = phone.develop(light, put.camera, scene.phone, rng)
    focal35 = put.camera.focal * 43.267 / np.hypot(*scene.size) * (1 + rng.normal(0, 0.02))
    for what, doc in papers.items():
        (folder / f"{scene.name}.{what}.json").write_text(json.dumps(doc) + "\n")
    path = folder / f"{scene.name}.jpg"
    phone.save(path, picture, scene.orientation, round(focal35) if scene.exif else None, scene.phone.quality)
    took = f"{staged - begun:5.1f} + {traced - staged:5.1f} + {time.time() - traced:5.1f} s"
    print(f"{scene.name:28s} {took}  {path.stat().st_size / 1e6:.2f} MB", flush=True)


def hard_family(job: tuple[str, int, int, tuple[int, int] | None, Path, int, str]) -> bool:
    """One shop scene or one bow's rounds; a failure is told and the rest goes on."""
    kind, seed, k, size, out, samples, variant = job
    import mitsuba as mi

    if mi.variant() is None:
        stage.begin(variant)
    try:
        for scene in [shop.shop(seed, k, size)] if kind == "shop" else shop.rounds(seed, k, size):
            make_hard(scene, out, samples)
            gc.collect()  # the next scene's shapes need the last one's memory
    except Exception:
        traceback.print_exc()
        return False
    return True


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("names", nargs="*", help="which of the demo's pictures (default all)")
    ap.add_argument("--samples", type=int, default=48, help="light paths a pixel")
    ap.add_argument("--draft", action="store_true", help="a third of the size, few paths: to look at the scene")
    ap.add_argument("--out", type=Path, default=HERE)
    ap.add_argument("--family", type=int, metavar="N")
    ap.add_argument("--first", type=int, default=0, help="begin the family at this number")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--kind", choices=("board", "shop", "rounds", "front", "film"), default="board", help="what family")
    ap.add_argument("--size", help="of every picture, as 1500x1125 (default: 3000x2250; of shops and rounds, each its own)")
    ap.add_argument("--numbers", type=int, nargs="+", help="only these of a family of shops or rounds")
    ap.add_argument("--workers", type=int, default=1, help="processes, for shop and rounds")
    ap.add_argument("--variant", default="", help="Mitsuba's backend, as cuda_ad_rgb (default: llvm_ad_rgb, else scalar_rgb)")
    ap.add_argument("--check", action="store_true")
    a = ap.parse_args()
    if a.workers < 2:
        stage.begin(a.variant)
    if a.check:
        sys.exit(check.main())
    if a.kind == "front":
        w, h = (int(v) for v in (a.size or "2800x2100").split("x"))
        numbers = a.numbers or range(a.first, a.first + (a.family or 0))
        a.out.mkdir(parents=True, exist_ok=True)
        scenes = plan.front_family(max(numbers) + 1, a.seed, (h, w))
        for k in numbers:
            front.make(scenes[k], a.out, a.samples)
        return
    if a.kind == "film":
        size = tuple(int(v) for v in a.size.split("x")) if a.size else None
        a.out.mkdir(parents=True, exist_ok=True)
        for k in a.numbers or range(a.first, a.first + (a.family or 0)):
            film.make(film.clip(a.seed, k, size, plan.random_bow, shop.rough_bow), a.out, a.samples)
        return
    if (a.family or a.numbers) and a.kind != "board":
        a.out.mkdir(parents=True, exist_ok=True)
        size = tuple(int(v) for v in a.size.split("x")) if a.size else None
        numbers = a.numbers or range(a.first, a.first + a.family)
        jobs = [(a.kind, a.seed, k, size, a.out, a.samples, a.variant) for k in numbers]
        if a.workers < 2:
            failed = [job for job in jobs if not hard_family(job)]
        else:
            with multiprocessing.get_context("spawn").Pool(a.workers, maxtasksperchild=12) as pool:
                failed = [job for job, good in zip(jobs, pool.imap(hard_family, jobs, 1), strict=True) if not good]
        sys.exit(f"{len(failed)} failed" if failed else 0)
    if a.family:
        w, h = (int(v) for v in (a.size or "3000x2250").split("x"))
        scenes = plan.family(a.family + a.first, a.seed, (w, h))[a.first :]
    else:
        scenes = [s for s in (*plan.SAMPLES, *plan.WALK) if not a.names or s.name in a.names]
        if a.draft:
            scenes = [replace(s, size=(s.size[0] // 3, s.size[1] // 3)) for s in scenes]
    a.out.mkdir(parents=True, exist_ok=True)
    walk = {s.name for s in plan.WALK}
    if not a.family and (not a.names or plan.FRONT.name in a.names):
        (a.out / "front").mkdir(exist_ok=True)
        front.make(plan.FRONT, a.out / "front", min(a.samples, 12) if a.draft else a.samples)
    for s in scenes:
        folder = a.out / "walk" if s.name in walk else a.out
        folder.mkdir(exist_ok=True)
        make(s, folder, min(a.samples, 12) if a.draft else a.samples)


if __name__ == "__main__":
    main()

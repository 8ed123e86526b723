"""Training samples cut from ray-traced scenes: strips for the silhouette network, whole pictures for the finder.

    python -m training.traced_samples FILE.npz --count 300 --seed 900001      a held-out set of strips, with tags

Needs Mitsuba 3, best with a graphics card.
"""

from __future__ import annotations

import argparse
import gc
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from training import lumber, textures, traced
from training.camera import random_scene
from training.limb_paint import project_sweep
from training.scenes import STRAY, cut_strip, expose, near_size, stray, strip_starts, walk

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Rng = np.random.Generator
STRIP_LIGHTS = {"flash": 0.36, "sun": 0.24, "window": 0.13, "shop": 0.09, "soft": 0.08, "mixed": 0.1}
FINDER_LIGHTS = {"flash": 0.26, "sun": 0.26, "window": 0.16, "shop": 0.11, "soft": 0.12, "mixed": 0.09}


def begin(variant: str = "cuda_ad_rgb") -> None:
    import drjit as dr
    import mitsuba as mi

    mi.set_variant(variant)
    dr.set_thread_count(2)


def middle_line(rings: Array, camera: object) -> tuple[Array, float]:
    """The picture's line midway between the silhouettes, (n, 2) a pixel apart, and the limb's median thickness in px."""
    seen = camera.project(rings)  # type: ignore[attr-defined]
    axis, normal, offsets, _ = project_sweep(seen, camera.project(rings.mean(1)))  # type: ignore[attr-defined]
    low, high = offsets.min(1), offsets.max(1)
    middle = axis + normal * ((low + high) / 2)[:, None]
    pad = np.pad(middle, ((10, 10), (0, 0)), mode="edge")
    smooth = np.stack([np.convolve(pad[:, k], np.ones(21) / 21, "valid") for k in (0, 1)], 1)
    smooth[:10], smooth[-10:] = axis[:10], axis[-10:]
    return smooth, float(np.median(high - low))


def _srgb(light: Floats, rng: Rng) -> Floats:
    """Display values (n, 3) of linear light as a phone exposes it: metered, shouldered."""
    bright = float(np.percentile(light.max(1), 96))
    x = light * (rng.uniform(0.4, 1.05) / max(bright, 1e-6))
    if rng.random() < 0.5:
        x = np.where(x > 0.7, 0.7 + 0.3 * (1 - np.exp(-(x - 0.7) / 0.3)), x)
    x = np.clip(x, 0, 1.3)
    return np.asarray(np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-6), 1 / 2.4) - 0.055), np.float32)


def _labels(values: Floats, shape: tuple[int, int]) -> Floats:
    """Limb, string and shadow (h, w, 3) from traced values (h * w, 7). A shadow too faint to see is not asked for."""
    picture = values.reshape(*shape, 7)
    bow, string = picture[..., 3], picture[..., 4] * (1 - picture[..., 3])
    lost, there = (cv2.GaussianBlur(np.ascontiguousarray(picture[..., k]), (0, 0), 0.8) for k in (5, 6))
    share = lost / np.maximum(there, 1e-4 * float(there.max()) + 1e-9)
    shadow = np.clip((share - 0.08) / 0.2, 0, 1) * (1 - bow) * (1 - string)
    return np.stack([bow, string, shadow], 2)


def strips(rng: Rng, bank: textures.TextureBank, n: int = 512, spp: int = 36) -> list[tuple[Bytes, Bytes, tuple[str, str]]]:
    """Strips (64, n, 3) with labels (64, n, 3), both uint8, and their (light, finish), from one bow."""
    for _ in range(20):
        size = (4032, 3024)
        scene = random_scene(rng, size)
        line = scene.camera.project(scene.world(scene.bow.centre))
        thick = float(np.median((scene.bow.back + scene.bow.belly) * scene.camera.f / abs(scene.camera.C[2] - scene.place[2])))
        turn = np.abs(np.diff(np.unwrap(np.arctan2(*np.diff(line[::8], axis=0).T))))
        if turn.max() < 0.6:
            break
    else:
        return []
    scale, step = near_size(rng, thick)
    size = (round(size[0] * scale), round(size[1] * scale))
    scene = replace(scene, camera=replace(scene.camera, f=scene.camera.f * scale, size=size))
    built = traced.build(rng, bank, scene, STRIP_LIGHTS)
    scene = built.scene
    middle, thick = middle_line(built.rings, scene.camera)
    length = float(np.sum(np.linalg.norm(np.diff(middle, axis=0), axis=1)))
    starts = strip_starts(rng, length, step * n, step)
    bases = [walk(middle, s, step, n) for s in (starts if length > 1.4 * step * n else starts[:2])]
    spine = scene.camera.project(scene.shade_point(scene.world(scene.bow.centre)))
    if rng.random() < 0.35 and built.light in ("flash", "sun", "window", "mixed") and np.all(np.abs(spine) < 8000):
        shade, _, _, _ = project_sweep(spine[:, None], spine)
        if len(shade) > step * n:
            bases[-1] = walk(shade, rng.uniform(0, len(shade) - step * n), step, n)
    wanted = np.zeros(size[::-1], np.uint8)
    for base in bases:
        points = np.round(np.clip(base, -2000, 9000) * 16).astype(np.int32)
        wide = int(2 * ((33 + STRAY) * step + 6))
        cv2.polylines(wanted, [np.ascontiguousarray(points[::8])], False, 1, wide, cv2.LINE_8, 4)
    ys, xs = np.nonzero(wanted)
    if not 2000 < len(xs) < 1_500_000:
        return []
    values = traced.trace(built, np.stack([xs, ys], 1).astype(np.int32), spp, int(rng.integers(1 << 30)))
    shown = _srgb(values[:, :3], rng)
    place = np.full(size[::-1], -1, np.int32)  # which traced pixel lies where
    place[ys, xs] = np.arange(len(xs))
    sharpness = float(rng.uniform(0.3, 1.3))
    out = []
    for base in bases:
        lo = np.maximum(np.floor(base.min(0) - (33 + STRAY) * step - 8).astype(int), 0)
        hi = np.minimum(np.ceil(base.max(0) + (33 + STRAY) * step + 8).astype(int), size)
        if np.any(hi - lo < 40):
            continue
        index = place[lo[1] : hi[1], lo[0] : hi[0]]
        empty = index < 0
        colour, told = shown[index], values[index]
        colour[empty], told[empty] = shown.mean(0), 0
        picture = expose(colour, rng, sharpness)
        labels = _labels(told.reshape(-1, 7), index.shape)
        path = stray(rng, base - lo, step)
        inside = np.mean(np.all((path > 0) & (path < hi - lo - 1), axis=1))
        if inside < 0.6:
            continue
        label = np.clip(cut_strip(labels, path) * 255 + 0.5, 0, 255).astype(np.uint8)
        out.append((np.asarray(cut_strip(picture, path), np.uint8), label, (built.light, built.finish)))
    return out


def picture(rng: Rng, bank: textures.TextureBank, size: tuple[int, int] = (1024, 768), spp: int = 12) -> tuple[Bytes, Bytes]:
    """A whole picture for the finder and its labels at half size, both uint8."""
    xy = np.stack(np.meshgrid(np.arange(size[0]), np.arange(size[1])), -1).reshape(-1, 2).astype(np.int32)
    for _ in range(6):
        gc.collect()  # the last scene must be gone before the next is built
        scene = lumber.for_finder(rng, size, bank)
        built = traced.build(rng, bank, scene, FINDER_LIGHTS)
        values = traced.trace(built, xy, spp, int(rng.integers(1 << 30)))
        del built
        if float(values[:, 3].sum()) > 250 * (size[0] / 1024) ** 2:  # not hidden behind a thing before the camera
            break
    shown = _srgb(values[:, :3], rng).reshape(size[1], size[0], 3)
    labels = cv2.resize(_labels(values, size[::-1]), (size[0] // 2, size[1] // 2), interpolation=cv2.INTER_AREA)
    labels[..., 1] = np.clip(labels[..., 1] * 2.0, 0, 1)  # a string thinner than a map pixel still counts
    return expose(shown, rng, sharpness=0.7), np.clip(labels * 255 + 0.5, 0, 255).astype(np.uint8)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=900001)
    parser.add_argument("--variant", default="cuda_ad_rgb")
    a = parser.parse_args()
    begin(a.variant)
    got: list[tuple[Bytes, Bytes, tuple[str, str]]] = []
    seed, begun = a.seed, time.monotonic()
    while len(got) < a.count:
        gc.collect()
        rng = np.random.default_rng(seed)
        got += strips(rng, textures.TextureBank(rng))
        seed += 1
        print(f"scene {seed - a.seed}: {time.monotonic() - begun:.1f} s", flush=True)
    np.savez_compressed(a.file, pictures=np.stack([g[0] for g in got]), labels=np.stack([g[1] for g in got]),
                        tags=np.array([g[2] for g in got]))  # fmt: skip
    print(f"{len(got)} strips from {seed - a.seed} scenes")


if __name__ == "__main__":
    main()

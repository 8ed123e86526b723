"""Tileable colour textures for the training scenes.

Every maker returns a float32 RGB picture of (TILE, TILE, 3), values 0-1, meant to be sampled with
wrap-around. One
texel stands for about one picture pixel, so that nothing aliases when the tile is laid over a board or a
wall.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

TILE = 768
Floats = NDArray[np.float32]
Rng = np.random.Generator


def noise(rng: Rng, cells_x: float, cells_y: float, size: tuple[int, int] = (TILE, TILE)) -> Floats:
    """Smooth noise (H, W), mean about 0, spread about 1, with the given number of bumps across and down."""
    h, w = size
    gy, gx = max(2, round(cells_y)), max(2, round(cells_x))
    grid = rng.standard_normal((gy, gx)).astype(np.float32)
    grid = np.pad(grid, ((0, 2), (0, 2)), mode="wrap")
    big = cv2.resize(grid, (w + 2 * w // gx, h + 2 * h // gy), interpolation=cv2.INTER_CUBIC)
    return np.ascontiguousarray(big[:h, :w])


def fractal(rng: Rng, cells: float, octaves: int = 4, size: tuple[int, int] = (TILE, TILE)) -> Floats:
    """Noise (H, W) summed over octaves, spread about 1."""
    out = np.zeros(size, np.float32)
    for k in range(octaves):
        out += noise(rng, cells * 2**k, cells * 2**k, size) * 0.6**k
    return out / 1.3


def wood_colour(rng: Rng) -> Floats:
    """One wood colour (3,), from bleached to nearly black."""
    tones = np.array(
        [
            [0.92, 0.83, 0.66],
            [0.85, 0.70, 0.48],
            [0.78, 0.62, 0.42],
            [0.66, 0.45, 0.25],
            [0.50, 0.31, 0.18],
            [0.36, 0.21, 0.13],
            [0.22, 0.14, 0.10],
            [0.80, 0.58, 0.25],
            [0.58, 0.52, 0.46],
            [0.45, 0.20, 0.13],
        ],
        np.float32,
    )
    a, b = rng.integers(0, len(tones), 2)
    t = rng.random() * 0.5
    colour = tones[a] * (1 - t) + tones[b] * t
    return np.clip(colour * rng.uniform(0.8, 1.15) + rng.normal(0, 0.02, 3), 0.03, 1).astype(np.float32)


def any_colour(rng: Rng) -> Floats:
    """One colour (3,): mostly dull, sometimes loud."""
    value = rng.uniform(0.1, 1.0)
    strength = rng.choice([0.05, 0.15, 0.4, 0.8], p=[0.45, 0.33, 0.16, 0.06])
    return np.clip(value * (1 + strength * rng.uniform(-1, 1, 3)), 0.02, 1).astype(np.float32)


def _tint(grey: Floats, colour: Floats) -> Floats:
    return np.clip(grey[..., None] * colour, 0, 1).astype(np.float32)


def paint(rng: Rng) -> Floats:
    colour = any_colour(rng)
    if rng.random() < 0.75:
        colour = np.clip(rng.uniform(0.5, 0.95) + rng.normal(0, 0.03, 3), 0, 1).astype(np.float32)
    return _tint(1 + rng.uniform(0, 0.06) * fractal(rng, 4) + rng.uniform(0, 0.03) * noise(rng, 250, 250), colour)


def plywood(rng: Rng) -> Floats:
    base = wood_colour(rng) if rng.random() < 0.4 else np.array([0.86, 0.70, 0.50], np.float32) * rng.uniform(0.8, 1.1)
    warp = fractal(rng, 2, 3) * rng.uniform(4, 30)
    rows = np.arange(TILE, dtype=np.float32)[:, None] + warp
    line = noise(rng, 4, rng.uniform(20, 120))
    fine = noise(rng, 16, 300)
    stretched = cv2.remap(line, np.tile(np.arange(TILE, dtype=np.float32), (TILE, 1)), rows % (TILE - 1), cv2.INTER_LINEAR)
    grey = 1 + rng.uniform(0.02, 0.10) * stretched + rng.uniform(0, 0.04) * fine
    out = _tint(grey, base.astype(np.float32))
    for _ in range(rng.integers(0, 6)):
        centre = (int(rng.integers(20, TILE - 20)), int(rng.integers(20, TILE - 20)))
        axes = (int(rng.integers(3, 14)), int(rng.integers(2, 8)))
        cv2.ellipse(out, centre, axes, 0, 0, 360, (base * rng.uniform(0.3, 0.7)).tolist(), -1, cv2.LINE_AA)
    return out


def chips(rng: Rng) -> Floats:
    base = wood_colour(rng) if rng.random() < 0.3 else np.array([0.80, 0.64, 0.42], np.float32)
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = base * 0.8
    big = rng.uniform(8, 50)
    for _ in range(int(min(2600, 2.2 * TILE * TILE / (big * big * 0.4)))):
        size = (float(big * rng.uniform(0.4, 1.4)), float(big * rng.uniform(0.15, 0.6)))
        box = cv2.boxPoints(((float(rng.uniform(0, TILE)), float(rng.uniform(0, TILE))), size, float(rng.uniform(0, 180))))
        shade = base * rng.normal(1.0, 0.13) + rng.normal(0, 0.012, 3)
        cv2.fillPoly(out, [np.round(box).astype(np.int32)], shade.tolist())
    return np.clip(out * (1 + 0.03 * noise(rng, 200, 60))[..., None], 0, 1).astype(np.float32)


def brick(rng: Rng) -> Floats:
    rows = int(rng.integers(8, 40))
    height = TILE / rows
    cols = max(2, round(TILE / (height * rng.uniform(1.5, 3.5))))
    width = TILE / cols
    brick_colour = np.array([0.55, 0.28, 0.2], np.float32) if rng.random() < 0.6 else any_colour(rng)
    mortar = np.clip(rng.uniform(0.4, 0.85) + rng.normal(0, 0.02, 3), 0, 1)
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = mortar
    gap = max(1.0, height * rng.uniform(0.06, 0.18))
    for r in range(rows):
        for c in range(-1, cols + 1):
            x0 = c * width + (r % 2) * width / 2
            p = (round(x0 + gap / 2), round(r * height + gap / 2))
            q = (round(x0 + width - gap / 2), round((r + 1) * height - gap / 2))
            cv2.rectangle(out, p, q, (brick_colour * rng.normal(1, 0.12)).tolist(), -1)
    return np.clip(out * (1 + 0.08 * fractal(rng, 30))[..., None], 0, 1).astype(np.float32)


def siding(rng: Rng) -> Floats:
    count = int(rng.integers(4, 36))
    base = wood_colour(rng) if rng.random() < 0.6 else any_colour(rng)
    width = TILE / count
    out = np.empty((TILE, TILE, 3), np.float32)
    gap = max(1, round(width * rng.uniform(0.02, 0.2)))
    grain = 1 + rng.uniform(0, 0.15) * noise(rng, 6, 250)
    spread = rng.uniform(0.0, 0.12)
    for k in range(count):
        y0, y1 = round(k * width), round((k + 1) * width)
        out[y0:y1] = base * rng.normal(1, spread)
        out[y0 : y0 + gap] *= rng.uniform(0.2, 0.75)
    out = np.clip(out * grain[..., None], 0, 1)
    return np.ascontiguousarray(out.transpose(1, 0, 2)) if rng.random() < 0.6 else out


def foliage(rng: Rng) -> Floats:
    hue = np.array([0.25, 0.42, 0.16]) if rng.random() < 0.75 else np.array([0.55, 0.42, 0.15])
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = hue * rng.uniform(0.15, 0.6)
    big = rng.uniform(4, 26)
    for _ in range(int(min(3500, 1.6 * TILE * TILE / (big * big)))):
        axes = (max(1, int(big * rng.uniform(0.3, 1.2))), max(1, int(big * rng.uniform(0.1, 0.6))))
        centre = (int(rng.integers(0, TILE)), int(rng.integers(0, TILE)))
        colour = hue * rng.uniform(0.4, 2.0) + rng.normal(0, 0.04, 3)
        cv2.ellipse(out, centre, axes, float(rng.uniform(0, 180)), 0, 360, colour.tolist(), -1)
    return np.clip(out, 0, 1).astype(np.float32)


def grass(rng: Rng) -> Floats:
    hue = np.array([0.35, 0.48, 0.2]) if rng.random() < 0.7 else np.array([0.6, 0.5, 0.3])
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = hue * rng.uniform(0.3, 0.9)
    long = rng.uniform(6, 50)
    for _ in range(2500):
        p = rng.uniform(0, TILE, 2)
        angle = rng.normal(np.pi / 2, 0.6)
        q = p + long * rng.uniform(0.3, 1.2) * np.array([np.cos(angle), np.sin(angle)])
        colour = hue * rng.uniform(0.5, 1.7) + rng.normal(0, 0.04, 3)
        cv2.line(
            out,
            tuple(p.astype(int).tolist()),
            tuple(q.astype(int).tolist()),
            colour.tolist(),
            int(rng.integers(1, 3)),
        )
    return np.clip(out, 0, 1).astype(np.float32)


def gravel(rng: Rng) -> Floats:
    out = np.empty((TILE, TILE, 3), np.float32)
    base = np.clip(rng.uniform(0.3, 0.8) + rng.normal(0, 0.04, 3), 0, 1)
    out[:] = base * 0.5
    big = rng.uniform(3, 14)
    for _ in range(3000):
        centre = (int(rng.integers(0, TILE)), int(rng.integers(0, TILE)))
        axes = (max(1, int(big * rng.uniform(0.3, 1))), max(1, int(big * rng.uniform(0.3, 1))))
        cv2.ellipse(out, centre, axes, 0, 0, 360, (base * rng.uniform(0.6, 1.3)).tolist(), -1)
    return np.clip(out, 0, 1).astype(np.float32)


def stucco(rng: Rng) -> Floats:
    height = fractal(rng, rng.uniform(15, 90), 3)
    slope = cv2.Sobel(height, cv2.CV_32F, 1, 1, ksize=3)
    grey = 1 + rng.uniform(0.02, 0.2) * np.clip(slope, -3, 3) / 2 + rng.uniform(0, 0.1) * fractal(rng, 3)
    return _tint(grey.astype(np.float32), any_colour(rng))


def blotches(rng: Rng) -> Floats:
    a, b = any_colour(rng), any_colour(rng)
    t = np.clip(0.5 + fractal(rng, rng.uniform(2, 40), 5), 0, 1)[..., None]
    return np.clip(a * t + b * (1 - t), 0, 1).astype(np.float32)


def weave(rng: Rng) -> Floats:
    period = rng.uniform(3, 14)
    cells = round(TILE / period)
    x = np.arange(TILE, dtype=np.float32) * (2 * np.pi * cells / TILE)
    grey = 1 + rng.uniform(0.03, 0.3) * np.sin(x)[:, None] * np.sin(x)[None, :] + 0.05 * noise(rng, 20, 20)
    return _tint(grey.astype(np.float32), any_colour(rng))


def stripes(rng: Rng) -> Floats:
    edges = np.sort(rng.uniform(0, TILE, int(rng.integers(6, 40)))).astype(int)
    out = np.empty((TILE, TILE, 3), np.float32)
    a, b = any_colour(rng), any_colour(rng)
    out[:] = a
    for k in range(0, len(edges) - 1, 2):
        out[edges[k] : edges[k + 1]] = b
    return np.ascontiguousarray(out.transpose(1, 0, 2)) if rng.random() < 0.5 else out


def planks(rng: Rng) -> Floats:
    """Floor or fence boards, each with its own tone, grain and knots; joints between, butt joints across."""
    count = int(rng.integers(3, 18))
    width = TILE / count
    base = wood_colour(rng) if rng.random() < 0.75 else any_colour(rng)
    spread, gap = rng.uniform(0.0, 0.14), max(1, round(width * rng.uniform(0.005, 0.06)))
    dark = rng.uniform(0.15, 0.85)
    lines = noise(rng, rng.uniform(2, 5), rng.uniform(60, 380))
    fine = noise(rng, 10, 380)
    warp = noise(rng, 3, 4) * rng.uniform(0, 8)
    x, y = np.meshgrid(np.arange(TILE, dtype=np.float32), np.arange(TILE, dtype=np.float32))
    grain = cv2.remap(lines, x, (y + warp) % TILE, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    grey = 1 + rng.uniform(0.01, 0.13) * grain + rng.uniform(0, 0.06) * fine
    out = np.empty((TILE, TILE, 3), np.float32)
    butts = rng.random() < 0.6
    for k in range(count):
        y0, y1 = round(k * width), round((k + 1) * width)
        tone = base * rng.normal(1, spread) * (1 + rng.normal(0, 0.02, 3))
        out[y0:y1] = np.roll(grey[y0:y1], int(rng.integers(TILE)), axis=1)[..., None] * tone
        for _ in range(int(rng.poisson(0.7))):
            centre = (int(rng.integers(TILE)), int(rng.integers(y0, y1)))
            axes = (int(rng.integers(2, 3 + int(width / 8))), int(rng.integers(1, 2 + int(width / 12))))
            cv2.ellipse(out, centre, axes, 0, 0, 360, (tone * rng.uniform(0.25, 0.7)).tolist(), -1, cv2.LINE_AA)
        if butts:
            at = int(rng.integers(TILE - gap))
            out[y0:y1, at : at + gap] *= dark
        out[y0 : y0 + gap] *= dark
        if rng.random() < 0.3:  # a chamfer catches the light
            out[y0 + gap : y0 + 2 * gap] *= rng.uniform(1.05, 1.3)
    return np.clip(out, 0, 1).astype(np.float32)


def tiles(rng: Rng) -> Floats:
    """Square or oblong tiles with their grout; slabs with wide dark joints."""
    across, down = int(rng.integers(2, 9)), int(rng.integers(2, 9))
    base, grout = any_colour(rng), np.clip(rng.uniform(0.15, 0.95) + rng.normal(0, 0.02, 3), 0, 1)
    gap = int(rng.integers(1, 10))
    veins = fractal(rng, rng.uniform(3, 30), 4)
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = grout
    spread = rng.uniform(0, 0.08)
    for r in range(down):
        for c in range(across):
            y0, y1 = round(r * TILE / down), round((r + 1) * TILE / down)
            x0, x1 = round(c * TILE / across), round((c + 1) * TILE / across)
            out[y0 + gap : y1, x0 + gap : x1] = base * rng.normal(1, spread)
    return np.clip(out * (1 + rng.uniform(0, 0.15) * veins)[..., None], 0, 1).astype(np.float32)


def carpet(rng: Rng) -> Floats:
    """Pile: speckle of two or three tones, sometimes a woven border or stripes."""
    tones = [any_colour(rng) for _ in range(3)]
    field = noise(rng, rng.uniform(150, 380), rng.uniform(150, 380)) + rng.uniform(0, 1) * fractal(rng, rng.uniform(3, 20), 3)
    t = np.clip(0.5 + rng.uniform(0.1, 0.5) * field, 0, 1)[..., None]
    out = tones[0] * t + tones[0] * rng.uniform(0.4, 0.9) * (1 - t)
    if rng.random() < 0.35:
        for _ in range(int(rng.integers(1, 6))):
            a, wide = int(rng.integers(TILE)), int(rng.integers(6, 80))
            out[a : a + wide] += (tones[1] - out[a : a + wide]) * rng.uniform(0.3, 1)
        if rng.random() < 0.5:
            for _ in range(int(rng.integers(1, 6))):
                a, wide = int(rng.integers(TILE)), int(rng.integers(6, 80))
                out[:, a : a + wide] += (tones[2] - out[:, a : a + wide]) * rng.uniform(0.3, 1)
    return np.clip(out, 0, 1).astype(np.float32)


def panels(rng: Rng) -> Floats:
    """A garage door: sunk panels with light and shaded edges, seams between the sections."""
    base = np.clip(rng.uniform(0.4, 0.95) + rng.normal(0, 0.04, 3), 0, 1) if rng.random() < 0.8 else any_colour(rng)
    rows, cols = int(rng.integers(2, 6)), int(rng.integers(2, 6))
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = base
    for r in range(rows):
        y0, y1 = r * TILE / rows, (r + 1) * TILE / rows
        out[int(y0) : int(y0) + int(rng.integers(1, 5))] *= rng.uniform(0.3, 0.8)
        for c in range(cols):
            x0, x1 = c * TILE / cols, (c + 1) * TILE / cols
            inset, wide = rng.uniform(0.1, 0.25), int(rng.integers(1, 7))
            a = (int(x0 + inset * TILE / cols), int(y0 + inset * TILE / rows))
            b = (int(x1 - inset * TILE / cols), int(y1 - inset * TILE / rows))
            cv2.rectangle(out, a, b, (base * rng.uniform(0.6, 0.95)).tolist(), wide)
            cv2.line(out, (a[0], b[1]), b, np.clip(base * rng.uniform(1.0, 1.3), 0, 1).tolist(), wide)
    return np.clip(out * (1 + rng.uniform(0, 0.04) * fractal(rng, 6))[..., None], 0, 1).astype(np.float32)


def hedge(rng: Rng) -> Floats:
    """Leaves in depth: each layer lighter than the one below, gaps nearly black."""
    hue = np.array([0.2, 0.42, 0.12]) * rng.uniform(0.6, 1.5) + rng.normal(0, 0.04, 3)
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = np.clip(hue * rng.uniform(0.05, 0.3), 0.01, 1)
    big = rng.uniform(5, 30)
    total = int(min(3500, 1.5 * TILE * TILE / (big * big)))
    for k in range(total):
        axes = (max(1, int(big * rng.uniform(0.5, 1.2))), max(1, int(big * rng.uniform(0.15, 0.5))))
        centre = (int(rng.integers(0, TILE)), int(rng.integers(0, TILE)))
        colour = np.clip(hue * (0.3 + 1.4 * k / total) * rng.uniform(0.6, 1.5) + rng.normal(0, 0.03, 3), 0.01, 1)
        cv2.ellipse(out, centre, axes, float(rng.uniform(0, 180)), 0, 360, colour.tolist(), -1)
    return np.clip(out, 0, 1).astype(np.float32)


def concrete(rng: Rng) -> Floats:
    """Stained and cracked, with the grey of cement or the beige of a yard."""
    base = np.clip(rng.uniform(0.3, 0.8) + rng.normal(0, 0.03, 3) + rng.uniform(0, 0.08) * np.array([1, 0.5, -0.5]), 0, 1)
    grey = 1 + rng.uniform(0.02, 0.2) * fractal(rng, rng.uniform(2, 8), 5) + rng.uniform(0, 0.08) * noise(rng, 300, 300)
    out = np.ascontiguousarray(_tint(grey.astype(np.float32), base.astype(np.float32)))
    for _ in range(int(rng.integers(0, 4))):
        walk = np.cumsum(rng.normal(0, 8, (60, 2)) + rng.normal(0, 8, 2), axis=0) + rng.uniform(0, TILE, 2)
        cv2.polylines(out, [walk.astype(np.int32)], False, (base * rng.uniform(0.2, 0.7)).tolist(), int(rng.integers(1, 4)))
    return np.clip(out, 0, 1).astype(np.float32)


def pegboard(rng: Rng) -> Floats:
    pitch = TILE / int(rng.integers(16, 60))
    base = wood_colour(rng) if rng.random() < 0.6 else np.clip(rng.uniform(0.6, 0.95) + rng.normal(0, 0.02, 3), 0, 1)
    out = np.empty((TILE, TILE, 3), np.float32)
    out[:] = base
    for r in np.arange(pitch / 2, TILE, pitch):
        for c in np.arange(pitch / 2, TILE, pitch):
            at = (round(c), round(r))
            cv2.circle(out, at, max(1, int(pitch * 0.12)), (base * 0.3).tolist(), -1, cv2.LINE_AA)
    return np.clip(out * (1 + 0.04 * fractal(rng, 5))[..., None], 0, 1).astype(np.float32)


def cloth(rng: Rng) -> Floats:
    """Crumpled or hanging cloth: folds that shade softly."""
    base = any_colour(rng)
    stretch = rng.choice([1.0, 4.0])
    folds = noise(rng, rng.uniform(3, 12), rng.uniform(3, 12) / stretch) + 0.5 * noise(rng, rng.uniform(10, 30), 20 / stretch)
    grey = 1 + rng.uniform(0.05, 0.35) * folds + rng.uniform(0, 0.05) * noise(rng, 350, 350)
    return _tint(grey.astype(np.float32), base)


MAKERS: dict[str, Callable[[Rng], Floats]] = {
    "paint": paint,
    "plywood": plywood,
    "chips": chips,
    "brick": brick,
    "siding": siding,
    "foliage": foliage,
    "grass": grass,
    "gravel": gravel,
    "stucco": stucco,
    "blotches": blotches,
    "weave": weave,
    "stripes": stripes,
    "planks": planks,
    "tiles": tiles,
    "carpet": carpet,
    "panels": panels,
    "hedge": hedge,
    "concrete": concrete,
    "pegboard": pegboard,
    "cloth": cloth,
}


class Stock:
    """Tiles by kind and number. The same seed, kind and number give the same tile, in any process and in any order.

    folder: where tiles are kept as files, for all processes that draw; without one each process keeps its own.
    """

    def __init__(self, seed: int = 0, folder: Path | None = None, per_kind: int = 24) -> None:
        self.seed, self.folder, self.per_kind = seed, folder, per_kind
        self._tiles: dict[tuple[str, int], NDArray[np.uint8]] = {}

    def tile(self, kind: str, number: int) -> NDArray[np.uint8]:
        """The tile (TILE, TILE, 3)."""
        key = (kind, number)
        if key not in self._tiles:
            path = self.folder / f"{kind}-{number}.npy" if self.folder else None
            if path is None or not path.exists():
                made = MAKERS[kind](np.random.default_rng([self.seed, list(MAKERS).index(kind), number]))
                tile = np.clip(made * 255 + 0.5, 0, 255).astype(np.uint8)
                if path is not None:
                    part = path.with_name(f"{path.name}.{os.getpid()}.part")
                    with part.open("wb") as file:
                        np.save(file, tile)
                    part.replace(path)
            self._tiles[key] = np.load(path, mmap_mode="r") if path is not None else tile
        return self._tiles[key]


class TextureBank:
    """Tiles from a stock, turned over and shaded anew each time. ``charred``: share of the bows whose belly was burnt dark;
    ``cluttered``: share of the pictures with timber and other bows about; ``slender``: share of slim bows amid those."""

    charred = 0.0
    cluttered = 0.0
    slender = 0.0

    def __init__(self, rng: Rng, stock: Stock | None = None) -> None:
        self.rng, self.stock = rng, stock or Stock()

    def get(self, kind: str) -> Floats:
        """A tile (TILE, TILE, 3) of that kind."""
        tile = self.stock.tile(kind, int(self.rng.integers(self.stock.per_kind)))
        turned = cv2.flip(np.asarray(tile), int(self.rng.integers(-1, 2)))
        gain = self.rng.uniform(0.8, 1.15) * self.rng.normal(1, 0.04, 3) / 255
        return np.multiply(turned, gain.astype(np.float32), dtype=np.float32)

    def any(self) -> Floats:
        """A tile of a random kind."""
        return self.get(str(self.rng.choice(list(MAKERS))))

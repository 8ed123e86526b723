"""Tileable colour textures for the training scenes.

Every maker returns a float32 RGB picture of (TILE, TILE, 3), values 0-1, meant to be sampled with
wrap-around. One
texel stands for about one picture pixel, so that nothing aliases when the tile is laid over a board or a
wall.
"""

from __future__ import annotations

from collections.abc import Callable

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
    return _tint(
        1 + rng.uniform(0, 0.06) * fractal(rng, 4) + rng.uniform(0, 0.03) * noise(rng, 250, 250), colour
    )


def plywood(rng: Rng) -> Floats:
    base = (
        wood_colour(rng)
        if rng.random() < 0.4
        else np.array([0.86, 0.70, 0.50], np.float32) * rng.uniform(0.8, 1.1)
    )
    warp = fractal(rng, 2, 3) * rng.uniform(4, 30)
    rows = np.arange(TILE, dtype=np.float32)[:, None] + warp
    line = noise(rng, 4, rng.uniform(20, 120))
    fine = noise(rng, 16, 300)
    stretched = cv2.remap(
        line, np.tile(np.arange(TILE, dtype=np.float32), (TILE, 1)), rows % (TILE - 1), cv2.INTER_LINEAR
    )
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
        box = cv2.boxPoints(
            ((float(rng.uniform(0, TILE)), float(rng.uniform(0, TILE))), size, float(rng.uniform(0, 180)))
        )
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
}


class TextureBank:
    """A small stock of tiles by kind; one is made anew now and then, so that a long run never repeats
    itself.
    """

    def __init__(self, rng: Rng, per_kind: int = 2) -> None:
        self.rng = rng
        self.per_kind = per_kind
        self.tiles: dict[str, list[Floats]] = {name: [] for name in MAKERS}

    def get(self, kind: str) -> Floats:
        """A tile (TILE, TILE, 3) of that kind."""
        stock = self.tiles[kind]
        if len(stock) < self.per_kind:
            stock.append(MAKERS[kind](self.rng))
            return stock[-1]
        k = int(self.rng.integers(len(stock)))
        if self.rng.random() < 0.15:
            stock[k] = MAKERS[kind](self.rng)
        return stock[k]

    def any(self) -> Floats:
        """A tile of a random kind."""
        return self.get(str(self.rng.choice(list(MAKERS))))

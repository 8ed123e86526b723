"""A window of the picture under work, and the tools that paint on it. Frames: training/camera.py."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures
from training.camera import Scene

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator


class Canvas:
    """A window of the picture under work: colour (h, w, 3) float32 0-1, labels (h, w, 3), and the shadows."""

    def __init__(self, scene: Scene, window: tuple[int, int, int, int], rng: Rng, bank: textures.TextureBank) -> None:
        self.scene, self.rng, self.bank = scene, rng, bank
        self.dim = 1.0  # how bright the bow is, of what its light and wood would make it
        self.x0, self.y0, self.w, self.h = window
        self.colour: Floats = np.zeros((self.h, self.w, 3), np.float32)
        self.labels: Floats = np.zeros((self.h, self.w, 3), np.float32)
        xs = np.linspace(0, self.w - 1, max(2, self.w // 12)) + self.x0
        ys = np.linspace(0, self.h - 1, max(2, self.h // 12)) + self.y0
        coarse = scene.camera.on_plane(np.stack(np.meshgrid(xs, ys), -1))
        # Corner-aligned upsampling of the coarse plane coordinates.
        gx, gy = np.meshgrid(
            np.linspace(0, len(xs) - 1, self.w, dtype=np.float32),
            np.linspace(0, len(ys) - 1, self.h, dtype=np.float32),
        )
        plane = coarse.astype(np.float32)
        self.plane: Floats = cv2.remap(plane, gx, gy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        mid = scene.camera.project(np.array([[*scene.place[:2], 0], [scene.place[0] + 1, scene.place[1], 0]]))
        self.ppi = float(np.linalg.norm(mid[1] - mid[0]))

    def pixels(self, world: Array) -> Array:
        """World points (..., 3) to window pixels (..., 2)."""
        return self.scene.camera.project(world) - np.array([self.x0, self.y0])

    def mask(self, polygons: Sequence[Array], blur: float = 0.0, ss: int = 3) -> tuple[slice, slice, Floats] | None:
        """Anti-aliased union of polygons (each (n, 2) window pixels): row slice, column slice, coverage."""
        every = np.concatenate(polygons)
        if not np.all(np.isfinite(every)):
            return None
        pad = 2 + 3 * blur
        lo = np.maximum(np.floor(every.min(0) - pad), 0).astype(int)
        hi = np.minimum(np.ceil(every.max(0) + pad) + 1, [self.w, self.h]).astype(int)
        if np.any(hi - lo < 1):
            return None
        if blur > 2:
            ss = 1
        wide, high = (hi - lo).tolist()
        m = np.zeros((high * ss, wide * ss), np.uint8)
        for p in polygons:
            q = ((np.clip(p, -4000, 8000) - lo + 0.5) * ss - 0.5) * 16
            cv2.fillPoly(m, [np.round(q).astype(np.int32)], 255, cv2.LINE_8, 4)
        small = cv2.resize(m, (wide, high), interpolation=cv2.INTER_AREA) if ss > 1 else m
        out = small.astype(np.float32) * (1 / 255)
        if blur > 0.3:
            out = cv2.GaussianBlur(out, (0, 0), blur)
        return slice(int(lo[1]), int(hi[1])), slice(int(lo[0]), int(hi[0])), out

    def lay(
        self, tile: Floats, scale: float, turn: float, shift: Array, part: tuple[slice, slice] = (slice(None), slice(None))
    ) -> Floats:
        """A tile laid over the plane: scale in texels per inch, turned by `turn` radians. Returns (h, w, 3) of the part."""
        c, s = np.float32(np.cos(turn) * scale), np.float32(np.sin(turn) * scale)
        plane = self.plane[part]
        x, y = plane[..., 0], plane[..., 1]
        u = (c * x - s * y + np.float32(shift[0])) % textures.TILE
        v = (s * x + c * y + np.float32(shift[1])) % textures.TILE
        return cv2.remap(tile, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)

    def tile_patch(self, rows: slice, cols: slice, tile: Floats, turn: float) -> Floats:
        """A piece of a tile in picture space for an object's surface."""
        y, x = np.mgrid[rows, cols].astype(np.float32)
        c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
        return cv2.remap(
            tile, (c * x - s * y) % textures.TILE, (s * x + c * y) % textures.TILE, cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )  # fmt: skip

    def paint(
        self, polygons: Sequence[Array], colour: Floats, tile: Floats | None = None,
        turn: float = 0.0, blur: float = 0.0,
        opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """Cover what is drawn so far with polygons (window pixels) of one colour or texture; hides labels
        too.
        """
        got = self.mask(polygons, blur)
        if got is None:
            return
        rows, cols, cover = got
        cover = cover * opacity
        fill: Floats = np.asarray(colour, np.float32)
        if tile is not None:
            patch = self.tile_patch(rows, cols, tile, turn)
            fill = patch * (fill / max(float(tile[::32, ::32].mean()), 0.05))
        c = cover[..., None]
        self.colour[rows, cols] += (fill - self.colour[rows, cols]) * c
        self.labels[rows, cols] *= 1 - c

    def darken(self, cover: tuple[slice, slice, Floats] | None, strength: float, tint: Floats) -> None:
        if cover is None:
            return
        rows, cols, m = cover
        self.colour[rows, cols] *= 1 - (strength * m)[..., None] * tint


def ribbon(line: Array, half_width: float | Array) -> Array:
    """A closed polygon (2n, 2) round a polyline (n, 2) with the half width(s) given, in the same unit."""
    t = np.gradient(line, axis=0)
    t /= np.maximum(np.linalg.norm(t, axis=1, keepdims=True), 1e-9)
    n = np.stack([-t[:, 1], t[:, 0]], 1) * np.broadcast_to(np.asarray(half_width), len(line))[:, None]
    return np.concatenate([line + n, (line - n)[::-1]])


def wobble(rng: Rng, n: int, cells: int) -> Array:
    return np.interp(np.linspace(0, 1, n), np.linspace(0, 1, cells), rng.standard_normal(cells))

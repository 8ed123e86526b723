"""Meshes of a random bow and its string for the renderer. Inches, in the scene's world frame."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "samples"))

from studio.meshes import Mesh, loop, tube  # noqa: E402

from training.camera import Scene  # noqa: E402

Array = NDArray[np.float64]
Rng = np.random.Generator
CORNER, FLAT = 5, 7  # points round a corner; along a broad face


def ring() -> tuple[Array, Array, NDArray[np.int64]]:
    """A unit section: which corner (+-1, +-1) a point belongs to, its direction round that corner, and which
    broad face's middle it belongs to (1 back, -1 belly, 0 none).

    Returns up_side (m, 2) corner signs (0 across for points of a broad face), arc (m, 2) unit, face (m,).
    """
    corner, arc, face, across = [], [], [], []
    for up, side, first in ((1, 1, 0), (1, -1, 90), (-1, -1, 180), (-1, 1, 270)):
        t = np.radians(first + np.linspace(0, 90, CORNER))
        corner += [(up, side)] * CORNER
        arc += list(np.stack([np.sin(t), np.cos(t)], 1))
        face += [0] * CORNER
        across += [0.0] * CORNER
        if first in (0, 180):  # on to the other side, over the back or under the belly
            w = np.linspace(side, -side, FLAT + 2)[1:-1]
            corner += [(up, 0)] * FLAT
            arc += [(float(up), 0.0)] * FLAT
            face += [up] * FLAT
            across += list(w)
    return np.array(corner, float), np.column_stack([np.array(arc), across]), np.array(face)


def sweep(scene: Scene, rng: Rng) -> tuple[Mesh, Array, Array, Array]:
    """The bow's mesh, its rings (n, m, 3), and (m,) where on the section each ring point lies: up, side."""
    bow = scene.bow
    corner, arc, face = ring()
    back, belly, half = bow.back[:, None], bow.belly[:, None], bow.half_width[:, None]
    r = (0.06 + 0.9 * min(bow.radius, 1.0)) * np.minimum(np.minimum(back, belly), half)
    tall = np.where(corner[None, :, 0] > 0, back, belly)
    up = np.where(face == 0, corner[:, 0] * (tall - r) + arc[:, 0] * r, corner[:, 0] * tall)
    side = np.where(face == 0, corner[:, 1] * (half - r) + arc[:, 1] * r, arc[:, 2] * (half - r))
    b = side / half
    bulge = np.where(corner[:, 0] > 0, bow.crown, bow.belly_round)
    up = up * (1 - 0.45 * np.clip(bulge, 0, 0.9) * b**2)
    c, s = np.cos(bow.twist)[:, None], np.sin(bow.twist)[:, None]
    offset, across = up * c - side * s, up * s + side * c
    flat = bow.centre[:, None] + offset[..., None] * bow.normal[:, None]
    rings = scene.world(flat, across)
    n, m = rings.shape[:2]
    u = np.broadcast_to((bow.s / bow.s[-1])[:, None], (n, m))
    v = np.broadcast_to((np.arange(m) + 0.5)[None] / m, (n, m))
    # The seam repeats the first point, so that the picture closes round the section.
    points = np.concatenate([rings, rings[:, :1]], 1)
    uv = np.stack([np.concatenate([u, u[:, :1]], 1), np.concatenate([v, np.full((n, 1), 1 + 0.5 / m)], 1)], -1)
    w = m + 1
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m), indexing="ij")
    a, d = i * w + j, i * w + j + 1
    faces = np.concatenate([np.stack([a, d, d + w], -1).reshape(-1, 3), np.stack([a, d + w, a + w], -1).reshape(-1, 3)])
    k = np.arange(1, m - 1)
    caps = [np.column_stack([np.zeros_like(k), k, k + 1]), (n - 1) * w + np.column_stack([np.zeros_like(k), k + 1, k])]
    mesh = Mesh(points.reshape(-1, 3), np.concatenate([faces, *caps]), uv.reshape(-1, 2), smooth=bool(rng.random() < 0.8))
    top = np.where(face != 0, face, arc[:, 0] * 0.5 + corner[:, 0] * 0.5)
    beside = np.where(face != 0, arc[:, 2], arc[:, 1] * 0.5 + corner[:, 1] * 0.5)
    return mesh, rings, top, beside


def rows_of(values: Array, rows: int) -> Array:
    """A section quantity (m,) at the rows of the skin."""
    m = len(values)
    at = (np.arange(rows) + 0.5) / rows * m - 0.5
    closed = np.concatenate([values[-1:], values, values[:1]])
    return np.interp(at, np.arange(-1, m + 1), closed)


def _fine(line: Array, n: int = 40) -> Array:
    t = np.linspace(0, 1, len(line))
    return np.stack([np.interp(np.linspace(0, 1, n), t, line[:, k]) for k in (0, 1)], 1)


def strings(scene: Scene, rng: Rng) -> Mesh | None:
    """The string with its loops and serving as one mesh, or None where there is none."""
    bow = scene.bow
    if not bow.strings:
        return None
    thick = rng.uniform(0.035, 0.075)
    parts = []
    for line in bow.strings:
        fine = _fine(line, 2 if len(line) == 2 else 60)
        parts.append(tube(scene.world(fine, 0.0), thick, 8))
        if len(line) == 2 and rng.random() < 0.4:
            a, b = sorted(rng.uniform(0.0, 1.0, 2))
            parts.append(tube(scene.world(line[0] + np.outer([a, b], line[1] - line[0]), 0.0), thick * rng.uniform(1.1, 1.8), 8))
    for end in (bow.strings[0][0], bow.strings[-1][-1]) if bow.state != "unstrung" else ():
        k = int(np.argmin(np.linalg.norm(bow.centre - end, axis=1)))
        for _ in range(int(rng.integers(1, 4))):
            j = int(np.clip(k + rng.integers(-3, 4), 0, len(bow.centre) - 1))
            middle = bow.centre[j] + bow.normal[j] * (bow.back[j] - bow.belly[j]) / 2
            three = scene.world(np.stack([middle, middle + bow.normal[j]]))
            high = (bow.back[j] + bow.belly[j]) / 2 + thick * 0.6
            wide = scene.pose @ np.array([0, 0, bow.half_width[j] + thick * 0.6])
            lean = (scene.world(bow.centre[max(j - 8, 0)]) - scene.world(bow.centre[j])) * rng.normal(0, 0.4)
            parts.append(tube(loop(three[0], (three[1] - three[0]) * high + lean, wide, 24), thick * 0.8, 6))
    return join(parts)


def join(parts: list[Mesh]) -> Mesh:
    at = np.cumsum([0] + [len(p.points) for p in parts])
    faces = np.concatenate([p.faces + k for p, k in zip(parts, at[:-1], strict=True)])
    return Mesh(np.concatenate([p.points for p in parts]), faces, np.concatenate([p.uv for p in parts]), False)


def hidden() -> Mesh:
    """A speck far behind everything."""
    return tube(np.array([[0, 0, -400.0], [0, 0.01, -400.0]]), 0.01, 4)


def coloured(mesh: Mesh, column: int, columns: int) -> Mesh:
    """The mesh with its texture taken from one column of a palette."""
    uv = np.column_stack([np.full(len(mesh.uv), (column + 0.5) / columns), np.clip(mesh.uv[:, 0], 0, 1)])
    return Mesh(mesh.points, mesh.faces, uv, mesh.smooth)

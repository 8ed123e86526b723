"""Meshes of the studio: swept bow limbs, tubes, blocks, sheets. A mesh is (points, faces, uv), world mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studio.bows import Posed, fine, normal, on_rig

AROUND = 56  # points round a limb's section


@dataclass(frozen=True, eq=False)
class Mesh:
    points: np.ndarray
    faces: np.ndarray
    uv: np.ndarray
    smooth: bool = False


@dataclass(frozen=True)
class Place:
    """From the rig's frame (x along the cradle, y toward the bow's back) to the world: mirror, turn, shift; z
    = depth.
    """

    origin: tuple[float, float]
    angle: float = 0.0
    mirror: bool = False
    depth: float = 0.0

    def world(self, xy: np.ndarray, z: np.ndarray | float) -> np.ndarray:
        xy = np.asarray(xy, float) * [-1 if self.mirror else 1, 1]
        c, s = np.cos(self.angle), np.sin(self.angle)
        flat = xy @ np.array([[c, s], [-s, c]]) + self.origin
        return np.column_stack([flat, np.broadcast_to(np.asarray(z, float) + self.depth, len(flat))])


def section_ring(back: float = 5.0, belly: float = 5.0, around: int = AROUND) -> tuple[np.ndarray, np.ndarray]:
    """Unit section (u across the width, v toward the back, each within +-1): by default a rectangle with well
    rounded corners. ``back``, ``belly``: each side's superellipse power, 2 = round.
    """
    t = np.linspace(0, 2 * np.pi, around, endpoint=False) + np.pi / around
    power = 2 / np.where(np.sin(t) > 0, back, belly)
    return np.sign(np.cos(t)) * np.abs(np.cos(t)) ** power, np.sign(np.sin(t)) * np.abs(np.sin(t)) ** power


def rings(posed: Posed, f: dict[str, np.ndarray]) -> np.ndarray:
    """(n, AROUND, 3) the limb's surface at the places ``f`` (see bows.fine): x, y in the bow's frame, z across."""
    plan = posed.built.plan
    u, v = section_ring(plan.back_power, plan.belly_power)
    centre = np.column_stack([f["x"], f["y"]])
    up = normal(f)
    half_w, half_t = f["width"] / 2, f["thick"] / 2
    bump = posed.built.bump(f["s"])
    height = np.where(v > 0, v * half_t[:, None], v * (half_t + bump)[:, None])
    height -= np.where(v > 0, plan.crown * u**2 * np.minimum(1, half_t[:, None] / 5), 0)
    flat = centre[:, None, :] + height[..., None] * up[:, None, :]
    return np.concatenate([flat, (half_w[:, None] * u)[..., None]], -1)


def bow(posed: Posed, place: Place) -> Mesh:
    """The whole bow from tip to tip."""
    past = dict(zip(("upper", "lower"), posed.built.plan.past, strict=True))
    parts = [fine(posed, k, beyond=past[k]) for k in ("lower", "upper")]
    orders = (slice(None, 0, -1), slice(None))
    ring = np.concatenate([rings(posed, f)[o] for f, o in zip(parts, orders, strict=True)])
    s = np.concatenate([(f["side"] * f["s"])[o] for f, o in zip(parts, orders, strict=True)])
    m = ring.shape[1]
    # the skin's seam runs along the side away from the camera, where two columns of points meet
    order = (np.arange(m + 1) + m // 2) % m
    ring = ring[:, order]
    n = len(ring)
    flat = on_rig(posed, ring[..., :2].reshape(-1, 2))
    points = place.world(flat, ring[..., 2].ravel())
    around = (np.arange(m + 1) + m // 2) / m
    uv = np.stack(np.broadcast_arrays(((s - s[0]) / np.ptp(s))[:, None], around[None]), -1).reshape(-1, 2)
    faces = _skin(n, m + 1, closed=False)
    last = (n - 1) * (m + 1)
    caps = np.array([points[:m].mean(0), points[last : last + m].mean(0)])
    k = np.arange(m)
    low = np.column_stack([np.full(m, len(points)), k, k + 1])
    top = np.column_stack([np.full(m, len(points) + 1), last + k + 1, last + k])
    return Mesh(np.vstack([points, caps]), np.vstack([faces, low, top]), np.vstack([uv, [[0, 0.75], [1, 0.75]]]), True)


def _skin(n: int, m: int, closed: bool = True) -> np.ndarray:
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m if closed else m - 1), indexing="ij")
    a, b = i * m + j, i * m + (j + 1) % m
    return np.concatenate([np.stack([a, b, b + m], -1).reshape(-1, 3), np.stack([a, b + m, a + m], -1).reshape(-1, 3)])


def tube(path: np.ndarray, radius: float, around: int = 10) -> Mesh:
    """A round tube along world points (n, 3)."""
    step = np.gradient(path, axis=0)
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    aside = np.cross(step, [0, 0, 1.0])
    bad = np.linalg.norm(aside, axis=1) < 1e-6
    aside[bad] = np.cross(step[bad], [0, 1.0, 0])
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    other = np.cross(step, aside)
    t = np.linspace(0, 2 * np.pi, around, endpoint=False)
    ring = path[:, None] + radius * (np.cos(t)[:, None] * aside[:, None] + np.sin(t)[:, None] * other[:, None])
    n = len(path)
    uv = np.stack(np.broadcast_arrays(np.linspace(0, 1, n)[:, None], (t / 6.3)[None]), -1).reshape(-1, 2)
    return Mesh(ring.reshape(-1, 3), _skin(n, around), uv, True)


def line(a: np.ndarray, b: np.ndarray, n: int = 2) -> np.ndarray:
    return np.linspace(np.asarray(a, float), np.asarray(b, float), n)


def loop(centre: np.ndarray, ax: np.ndarray, ay: np.ndarray, n: int = 40) -> np.ndarray:
    """A closed ellipse of world points about ``centre`` with half axes ``ax``, ``ay``."""
    t = np.linspace(0, 2 * np.pi, n)
    return np.asarray(centre) + np.cos(t)[:, None] * np.asarray(ax) + np.sin(t)[:, None] * np.asarray(ay)


def block(place: Place, x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Mesh:
    """A box with sharp edges, in the place's frame."""
    corners = np.array([[p, q, r] for p in x for q in y for r in z], float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    points, faces, uv = [], [], []
    size = np.ptp(corners, axis=0)
    for k, q in enumerate(quads):
        c = corners[list(q)]
        world = place.world(c[:, :2], c[:, 2])
        points.append(world)
        faces += [[4 * k, 4 * k + 1, 4 * k + 2], [4 * k, 4 * k + 2, 4 * k + 3]]
        axes = [a for a in range(3) if np.ptp(c[:, a]) > 0]
        long, short = sorted(axes, key=lambda a: -size[a])
        uv.append(
            np.column_stack(
                [
                    (c[:, long] - corners[0, long]) / size[long],
                    (c[:, short] - corners[0, short]) / size[short],
                ]
            )
        )
    return Mesh(np.vstack(points), np.array(faces), np.vstack(uv))


def sheet(corners: np.ndarray) -> Mesh:
    """A flat quad: corners top left, top right, bottom right, bottom left; uv (0, 0) at the top left."""
    return Mesh(
        np.asarray(corners, float),
        np.array([[0, 2, 1], [0, 3, 2]]),
        np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float),
    )


def upright(x: tuple[float, float], y: tuple[float, float], z: float) -> Mesh:
    """A sheet facing the camera from x[0] to x[1], y[0] (bottom) to y[1] (top)."""
    return sheet(np.array([[x[0], y[1], z], [x[1], y[1], z], [x[1], y[0], z], [x[0], y[0], z]]))


def leaves(rng: np.random.Generator, count: int, lo: np.ndarray, hi: np.ndarray, size: float) -> Mesh:
    """Loose leaves in a box of air: a hedge. uv picks a colour from a palette strip."""
    at = rng.uniform(lo, hi, (count, 3))
    a, b = rng.normal(size=(2, count, 3))
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(a, b)
    b /= np.linalg.norm(b, axis=1, keepdims=True)
    length = size * rng.uniform(0.5, 1.4, (count, 1))
    points = np.stack([at - a * length, at + b * length * 0.45, at + a * length, at - b * length * 0.45], 1)
    k = 4 * np.arange(count)[:, None]
    faces = np.concatenate([k + [0, 1, 2], k + [0, 2, 3]])
    tone = np.repeat(rng.uniform(0.02, 0.98, count), 4)
    return Mesh(points.reshape(-1, 3), faces, np.column_stack([tone, np.full(tone.size, 0.5)]))

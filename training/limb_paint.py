"""The bow itself: its swept section in the picture, its skin, its string, and the shadows of both."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures
from training.bowshape import section
from training.camera import Scene
from training.canvas import Canvas, ribbon, wobble

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator


@dataclass(frozen=True)
class Traced:
    """The projected bow, sampled every pixel of length: window pixels.

    axis (n, 2); normal (n, 2) unit; low, high (n,): silhouette offsets from the axis along the normal.
    """

    axis: Array
    normal: Array
    low: Array
    high: Array


def project_sweep(points: Array, centre: Array) -> tuple[Array, Array, Array, Array]:
    """Sampled axis (n, 2), normal (n, 2), section offsets (n, m), and the stations as fractions of the
    input (n,).

    points: (k, m, 2) the section's projected corners; centre: (k, 2) projected centreline.
    """
    step = np.linalg.norm(np.diff(centre, axis=0), axis=1)
    length = np.concatenate([[0], np.cumsum(step)])
    n = max(8, int(length[-1]) + 1)
    grid = np.linspace(0, length[-1], n)
    tangent = np.gradient(centre, length + np.arange(len(length)) * 1e-9, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    rel = points - centre[:, None]
    u = np.einsum("kmc,kc->km", rel, tangent)
    v = np.einsum("kmc,kc->km", rel, normal)
    # A corner seen obliquely lands ahead of or behind its own station: move it to the station where it is
    # seen.
    offsets = np.stack([np.interp(grid, np.maximum.accumulate(length + u[:, j]), v[:, j]) for j in range(v.shape[1])], 1)
    axis = np.stack([np.interp(grid, length, centre[:, k]) for k in (0, 1)], 1)
    nrm = np.stack([np.interp(grid, length, normal[:, k]) for k in (0, 1)], 1)
    nrm /= np.linalg.norm(nrm, axis=1, keepdims=True)
    return axis, nrm, offsets, np.interp(grid, length, np.arange(len(length)))


def bow_points(scene: Scene) -> tuple[Array, Array, Array, Array]:
    """World points of the section corners (k, m, 3), centreline (k, 3), normals (k, 3) in the world,
    facets (m, 2).
    """
    bow = scene.bow
    offset, across, facets = section(bow)
    flat = bow.centre[:, None] + offset[..., None] * bow.normal[:, None]
    corners = scene.world(flat, across)
    normal = np.concatenate([bow.normal, np.zeros((len(bow.normal), 1))], 1) @ scene.pose.T
    return corners, scene.world(bow.centre), normal, facets


def _strip_noise(rng: Rng, n: int, m: int, along: float, across: float) -> Floats:
    gy, gx = max(3, int(n / along)), max(3, int(m / across))
    return cv2.resize(rng.standard_normal((gy, gx)).astype(np.float32), (m, n), interpolation=cv2.INTER_CUBIC)


def _line_along(rng: Rng, reach: Floats, wander: float, soft: float) -> Floats:
    """Which part of a limb lies on one side of a line along it, (n, m) 0-1. reach (n, m): -1 to 1 across the limb."""
    n = len(reach)
    level = rng.uniform(-0.8, 0.8) + wander * wobble(rng, n, int(rng.integers(4, 20)))
    return np.clip((reach - level[:, None]) / soft * rng.choice([-1, 1]) + 0.5, 0, 1).astype(np.float32)


def _bow_skin(
    canvas: Canvas, offsets: Array, lum: Array, group: NDArray[np.int64], at: Array, board: Floats
) -> tuple[Floats, float, float]:
    """The bow's surface unrolled: RGBA (n, m, 4), and the affine from offset px to column: column = a *
    offset + b.

    offsets (n, c) section corners; lum (n, c) brightness of the facet from corner j to j + 1, NaN when it
    faces away;
    group (c,) 0 edge, 1 back, 2 belly; at (n,) station as a fraction of the bow's samples.
    """
    rng, scene = canvas.rng, canvas.scene
    n, c = offsets.shape
    low, high = offsets.min(1), offsets.max(1)
    lo, hi = float(low.min()) - 1.5, float(high.max()) + 1.5
    m = int(np.clip((hi - lo) * 4, 32, 320))
    a = (m - 1) / (hi - lo)
    v = np.linspace(lo, hi, m)[None]
    alpha = np.clip(np.minimum(v - low[:, None], high[:, None] - v) * a + 0.5, 0, 1)
    light = np.full((n, m), np.nan, np.float32)
    groups = np.zeros((n, m), np.int8)
    for j in range(c):
        if np.all(np.isnan(lum[:, j])):
            continue
        p, q = offsets[:, j], offsets[:, (j + 1) % c]
        inside = (v >= np.minimum(p, q)[:, None]) & (v <= np.maximum(p, q)[:, None]) & ~np.isnan(lum[:, j])[:, None]
        np.copyto(light, lum[:, j : j + 1].astype(np.float32), where=inside)
        groups[inside] = group[j]
    # Columns outside the outline take the nearest facet's light, so that bilinear sampling never bleeds
    # black.
    fallback = np.nanmean(lum, axis=1, keepdims=True)
    light = np.where(np.isnan(light), np.nan_to_num(fallback, nan=0.5), light).astype(np.float32)

    which = rng.random()
    if which < 0.27:
        base = np.clip(board * rng.uniform(0.8, 1.25) + rng.normal(0, 0.015, 3), 0.02, 1).astype(np.float32)
    elif which < 0.9:
        base = textures.wood_colour(rng)
    else:
        base = textures.any_colour(rng)
    colours = np.stack([base, base, base]).astype(np.float32)
    if rng.random() < 0.3:
        colours[1] = np.clip(colours[1] * rng.uniform(0.5, 1.5), 0, 1)
    if rng.random() < 0.35:  # toasted belly
        colours[2] *= rng.uniform(0.3, 0.85)
    if canvas.bank.charred and rng.random() < canvas.bank.charred:  # held over the coals until it was nearly black
        colours[2] = (rng.uniform(0.04, 0.22) * np.array([1.1, 1.0, 0.9]) * rng.normal(1, 0.04, 3)).astype(np.float32)
    if rng.random() < 0.12:  # backing: skin, cloth, bark
        colours[1] = textures.any_colour(rng)
    if rng.random() < 0.07:  # black glass, snakeskin, dark horn
        colours[1] = (rng.uniform(0.02, 0.15) * rng.normal(1, 0.05, 3)).astype(np.float32)
    if rng.random() < 0.15:
        colours[0] = np.clip(colours[0] * rng.uniform(0.6, 1.4), 0, 1)
    rgb = colours[groups]
    reach = ((v - (low + high)[:, None] / 2) / np.maximum((high - low)[:, None] / 2, 0.1)).astype(np.float32)  # -1 to 1 across
    if rng.random() < 0.45:  # sapwood on heartwood, laminations: a line along the limb, sharp or wandering
        over = _line_along(rng, reach, rng.choice([0.02, 0.1, 0.3]), float(rng.choice([0.02, 0.1, 0.4])))[..., None]
        if rng.random() < 0.5:
            over = over * np.clip(2 * wobble(rng, n, 7) + 2, 0, 1)[:, None, None]  # it runs out here and there
        kind = rng.random()
        other = rgb * rng.uniform(0.4, 1.6) if kind < 0.4 else textures.wood_colour(rng)
        if kind > 0.75:
            other = np.clip(np.array([0.92, 0.84, 0.64]) * rng.uniform(0.8, 1.1), 0, 1)
        rgb = rgb + (other - rgb) * over
    if rng.random() < 0.3:  # a lit face beside one in its own shade
        rgb = rgb * (1 - rng.uniform(0.15, 0.7) * _line_along(rng, reach, 0.04, float(rng.choice([0.02, 0.15, 0.6]))))[..., None]
    if rng.random() < 0.1:  # bark left on the back
        on = np.clip(_strip_noise(rng, n, m, rng.uniform(30, 200), m / 2) * 4 + rng.uniform(-1, 4), 0, 1)
        on = on * ((groups == 1) if np.any(groups == 1) and rng.random() < 0.6 else _line_along(rng, reach, 0.05, 0.1))
        rough = 1 + rng.uniform(0.1, 0.5) * _strip_noise(rng, n, m, rng.uniform(4, 20), rng.uniform(3, 12))
        bark = np.clip(rng.uniform(0.12, 0.5) * np.array([1.1, 1.0, 0.88]) * rng.normal(1, 0.05, 3), 0, 1)
        rgb = rgb + (bark * rough[..., None] - rgb) * on[..., None]
    grain = 1 + rng.uniform(0, 0.12) * _strip_noise(rng, n, m, rng.uniform(20, 150), rng.uniform(2, 8))
    grain += rng.uniform(0, 0.12) * _strip_noise(rng, n, m, rng.uniform(60, 400), m)
    grain += rng.uniform(0, 0.05) * _strip_noise(rng, n, m, 3, 4)
    if rng.random() < 0.15:
        grain += rng.uniform(0.05, 0.3) * _strip_noise(rng, n, m, rng.uniform(2, 12), rng.uniform(2, 12))
    rgb = rgb * (light * grain)[..., None]
    for _ in range(int(rng.integers(0, 4))):  # knots and dark pins
        y, x = int(rng.integers(n)), int(rng.integers(m))
        ink = (base * rng.uniform(0.15, 0.6)).tolist()
        rgb = np.ascontiguousarray(rgb, np.float32)
        cv2.ellipse(
            rgb,
            (x, y),
            (max(1, int(rng.uniform(0.3, 2) * a)), max(1, int(rng.uniform(0.5, 5)))),
            0,
            0,
            360,
            ink,
            -1,
        )
    s = np.interp(at, np.arange(len(scene.bow.s)), scene.bow.s)
    middle = scene.bow.s[-1] / 2
    if rng.random() < 0.3:  # wrapped or leathered grip
        half = rng.uniform(1.5, 3)
        part = np.clip((half - np.abs(s - middle)) * canvas.ppi, 0, 1)[:, None, None]
        wrap = textures.any_colour(rng) * (1 + rng.uniform(0, 0.4) * np.sin(s * rng.uniform(8, 50)))[:, None, None]
        rgb = rgb * (1 - part) + wrap * light[..., None] * part
    if rng.random() < 0.25:  # nock wraps and horn tips
        part = np.clip((rng.uniform(0.4, 2) - np.minimum(s, s[-1] - s)) * canvas.ppi, 0, 1)[:, None, None]
        rgb = rgb * (1 - part) + textures.any_colour(rng) * light[..., None] * part
    for _ in range(int(rng.integers(0, 3)) if rng.random() < 0.3 else 0):  # pencil marks and tape rings across a limb
        where = rng.uniform(0, s[-1])
        part = np.clip((rng.uniform(0.03, 0.4) - np.abs(s - where)) * canvas.ppi + 0.5, 0, 1)[:, None, None]
        rgb = rgb * (1 - part) + textures.any_colour(rng) * light[..., None] * part
    out = np.concatenate([np.clip(rgb, 0, 1.3), alpha[..., None]], 2).astype(np.float32)
    return out, a, -lo * a


def draw_bow(canvas: Canvas, board: Floats) -> Traced:
    """Shade the swept section facet by facet and composite it with 3 x 3 samples per pixel."""
    rng, scene = canvas.rng, canvas.scene
    corners, centre3, normal3, facets = bow_points(scene)
    axis, nrm, offsets, at = project_sweep(canvas.pixels(corners), canvas.pixels(centre3))
    traced = Traced(axis, nrm, offsets.min(1), offsets.max(1))

    width3 = scene.pose @ np.array([0, 0, 1.0])
    twist = scene.bow.twist[:, None]
    fb = facets[None, :, 0] * np.cos(twist) - facets[None, :, 1] * np.sin(twist)
    fw = facets[None, :, 0] * np.sin(twist) + facets[None, :, 1] * np.cos(twist)
    facing = fb[..., None] * normal3[:, None] + fw[..., None] * width3
    facing /= np.maximum(np.linalg.norm(facing, axis=2, keepdims=True), 1e-9)
    # A facet lies between two neighbouring corners; its own in-plane size scales its normal.
    edge = np.roll(corners, -1, 1) - corners
    along = np.gradient(centre3, axis=0)[:, None]
    true_normal = np.cross(np.broadcast_to(along, edge.shape), edge)
    true_normal /= np.maximum(np.linalg.norm(true_normal, axis=2, keepdims=True), 1e-9)
    true_normal *= np.sign(np.sum(true_normal * facing, 2, keepdims=True) + 1e-12)
    view = scene.camera.C - centre3
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    toward = scene.lamp - centre3
    toward /= np.linalg.norm(toward, axis=1, keepdims=True)
    seen = np.sum(true_normal * view[:, None], 2) > 0
    lambert = np.clip(np.sum(true_normal * toward[:, None], 2), 0, None)
    key = {"soft": 0.35, "window": 0.6, "sun": 0.8, "flash": 0.7}[scene.light] * rng.uniform(0.6, 1.2)
    sky = 0.5 + 0.5 * np.clip(true_normal @ np.array([0, 1.0, 0.3]), -1, 1)
    lum = (1 - key) * (0.75 + 0.5 * rng.random() * (sky - 0.5)) + key * lambert * 1.15
    half_way = toward + view
    half_way /= np.linalg.norm(half_way, axis=1, keepdims=True)
    if rng.random() < 0.4:  # varnish
        lum += rng.uniform(0, 0.7) * np.clip(np.sum(true_normal * half_way[:, None], 2), 0, None) ** rng.uniform(6, 60)
    group = np.where(np.abs(facets[:, 1]) > np.abs(facets[:, 0]), 0, np.where(facets[:, 0] > 0, 1, 2))
    face_gain = np.where(
        group == 0,
        rng.uniform(0.7, 1.3),
        np.where(group == 1, rng.uniform(0.65, 1.4), rng.uniform(0.3, 1.2)),
    )
    lum = lum * face_gain * rng.uniform(0.75, 1.2) * canvas.dim
    lum = np.where(seen, lum, np.nan)
    reach = float(max(-offsets.min(), offsets.max())) + 2
    pad = int(reach) + 3
    near = np.flatnonzero(np.all((axis > -pad - 2) & (axis < [canvas.w + pad + 2, canvas.h + pad + 2]), axis=1))
    if len(near) < 8:
        return traced
    # Only the stretch that the window shows is painted.
    stretch = slice(int(near[0]), int(near[-1]) + 1)
    axis, nrm, offsets, at = axis[stretch], nrm[stretch], offsets[stretch], at[stretch]
    pick = np.clip(np.round(at).astype(int), 0, len(lum) - 1)
    skin, a, b = _bow_skin(canvas, offsets, lum[pick], group, at, board)

    x0, y0 = (np.floor(axis.min(0)) - pad).astype(int)
    x1, y1 = (np.ceil(axis.max(0)) + pad).astype(int)
    x0, y0, x1, y1 = max(x0, -pad), max(y0, -pad), min(x1, canvas.w + pad), min(y1, canvas.h + pad)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return traced
    cells = np.round(axis - [x0, y0]).astype(int)
    ok = (cells[:, 0] >= 0) & (cells[:, 1] >= 0) & (cells[:, 0] < x1 - x0) & (cells[:, 1] < y1 - y0)
    if not np.any(ok):
        return traced
    seed = np.full((y1 - y0, x1 - x0), 255, np.uint8)
    seed[cells[ok, 1], cells[ok, 0]] = 0
    dist, owner = cv2.distanceTransformWithLabels(seed, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    table = np.zeros(int(owner.max()) + 1, np.int64)
    table[owner[cells[ok, 1], cells[ok, 0]]] = np.flatnonzero(ok)
    sub = dist[max(0, -y0) : canvas.h - y0, max(0, -x0) : canvas.w - x0]
    ys, xs = np.nonzero(sub <= reach + 1.5)
    if len(ys) == 0:
        return traced
    ys, xs = ys + max(0, y0), xs + max(0, x0)
    i = table[owner[ys - y0, xs - x0]]
    tangent = np.stack([nrm[:, 1], -nrm[:, 0]], 1)
    dx, dy = xs - axis[i, 0], ys - axis[i, 1]
    tx, ty, nx, ny = tangent[i, 0], tangent[i, 1], nrm[i, 0], nrm[i, 1]
    cols = 2048
    rows = -(-len(i) // cols)
    total = np.zeros((rows * cols, 4), np.float32)
    for ox in (-1 / 3, 0, 1 / 3):
        for oy in (-1 / 3, 0, 1 / 3):
            sx, sy = dx + ox, dy + oy
            along_px = np.zeros(rows * cols, np.float32)
            across_px = np.full(rows * cols, -10, np.float32)
            along_px[: len(i)] = i + sx * tx + sy * ty
            across_px[: len(i)] = (sx * nx + sy * ny) * a + b
            got = cv2.remap(
                skin,
                across_px.reshape(rows, cols),
                along_px.reshape(rows, cols),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_CONSTANT,
            ).reshape(-1, 4)
            total[:, :3] += got[:, :3] * got[:, 3:]
            total[:, 3] += got[:, 3]
    total /= 9
    cover = total[: len(i), 3:]
    canvas.colour[ys, xs] = canvas.colour[ys, xs] * (1 - cover) + total[: len(i), :3]
    canvas.labels[ys, xs] *= 1 - cover
    canvas.labels[ys, xs, 0] = np.maximum(canvas.labels[ys, xs, 0], cover[:, 0])
    return traced


def shadows(canvas: Canvas) -> Array | None:
    """Cast shadow of bow and string on the plane; returns the shadow's axis (n, 2) in window pixels."""
    rng, scene = canvas.rng, canvas.scene
    corners, centre3, _, _ = bow_points(scene)
    if scene.lamp[2] <= corners[..., 2].max() + 1:
        return None
    shade = canvas.pixels(scene.shade_point(corners))
    spine = canvas.pixels(scene.shade_point(centre3))
    axis, nrm, offsets, _ = project_sweep(shade, spine)
    ok = np.all(np.abs(axis) < 6000, axis=1)
    if ok.sum() < 8:
        return None
    axis, nrm, offsets = axis[ok], nrm[ok], offsets[ok]
    outline = np.concatenate([axis + nrm * offsets.min(1)[:, None], (axis + nrm * offsets.max(1)[:, None])[::-1]])
    lift = max(scene.standoff, 0.5) * canvas.ppi
    strength, blur = {
        "soft": (rng.uniform(0.03, 0.3), lift * rng.uniform(0.15, 0.6)),
        "window": (rng.uniform(0.1, 0.55), lift * rng.uniform(0.03, 0.25)),
        "sun": (rng.uniform(0.25, 0.85), lift * rng.uniform(0.002, 0.03)),
        "flash": (rng.uniform(0.2, 0.9), lift * rng.uniform(0.005, 0.05)),
    }[scene.light]
    if not scene.has_board and rng.random() < 0.4:
        strength = 0.0
    blur = float(np.clip(blur, 0.25, 60))
    tint = np.array([1.0, 0.97, 0.92], np.float32) if scene.light == "sun" else np.ones(3, np.float32)
    got = canvas.mask([outline], blur)
    if got is not None and strength > 0:
        canvas.darken(got, strength, tint)
        # A shadow too faint to see must not be asked for.
        told = np.clip(strength / 0.25, 0, 1) * (0 if strength < 0.08 else 1) * (1 if blur < 0.6 * lift else 0.5)
        rows, cols, m = got
        canvas.labels[rows, cols, 2] = np.maximum(canvas.labels[rows, cols, 2], m * told)
    half = rng.uniform(0.03, 0.08)
    for line in scene.bow.strings:
        fine = np.stack([np.interp(np.linspace(0, 1, 40), np.linspace(0, 1, len(line)), line[:, k]) for k in (0, 1)], 1)
        world = scene.world(fine)
        path = canvas.pixels(scene.shade_point(world))
        if np.any(np.abs(path) > 6000) or strength == 0:
            continue
        got = canvas.mask([ribbon(path, max(half * canvas.ppi, 0.3))], blur)
        if got is not None:
            canvas.darken(got, strength * 0.8, tint)
            if blur < 2:
                rows, cols, m = got
                canvas.labels[rows, cols, 2] = np.maximum(canvas.labels[rows, cols, 2], m * min(strength / 0.3, 1))
    if rng.random() < 0.5:  # the faint gloom a body leaves on a wall close behind it
        outline0 = ribbon(canvas.pixels(centre3), max(1.0, 0.4 * canvas.ppi))
        canvas.darken(
            canvas.mask([outline0], float(np.clip(lift * rng.uniform(0.2, 0.8), 2, 60))),
            rng.uniform(0, 0.2),
            np.ones(3, np.float32),
        )
    return axis


def draw_string(canvas: Canvas) -> None:
    rng, scene = canvas.rng, canvas.scene
    colour = {
        0: np.float32([0.9, 0.9, 0.88]), 1: np.float32([0.08, 0.08, 0.08]), 2: np.float32([0.7, 0.58, 0.4]),
    }.get(int(rng.integers(0, 5)), textures.any_colour(rng))  # fmt: skip
    half = rng.uniform(0.025, 0.09)
    for line in scene.bow.strings:
        fine = np.stack([np.interp(np.linspace(0, 1, 60), np.linspace(0, 1, len(line)), line[:, k]) for k in (0, 1)], 1)
        path = canvas.pixels(scene.world(fine, 0.1))
        half_px = max(half * canvas.ppi, 0.28)
        got = canvas.mask([ribbon(path, half_px)], ss=4)
        if got is None:
            continue
        rows, cols, m = got
        c = m[..., None]
        canvas.colour[rows, cols] += (colour - canvas.colour[rows, cols]) * c
        canvas.labels[rows, cols] *= 1 - c
        canvas.labels[rows, cols, 1] = np.maximum(canvas.labels[rows, cols, 1], np.clip(m * 1.3, 0, 1))
        if rng.random() < 0.3 and len(line) == 2:  # serving at the middle
            part = fine[int(rng.integers(20, 28)) : int(rng.integers(32, 40))]
            serving = textures.any_colour(rng)
            got = canvas.mask([ribbon(canvas.pixels(scene.world(part, 0.1)), half_px * 1.4)], ss=4)
            if got is not None:
                rows, cols, m = got
                canvas.colour[rows, cols] += (serving - canvas.colour[rows, cols]) * m[..., None]
                canvas.labels[rows, cols, 1] = np.maximum(canvas.labels[rows, cols, 1], m)

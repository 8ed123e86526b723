"""Random photographs of bows with exact labels: whole pictures for the finder, strips for the silhouette network.

`draw` renders any window of the picture at full resolution, so that a strip's worth of a 12-megapixel photograph costs
no more than its own pixels. Frames: training/camera.py.

Label channels (LABELS): the visible bow body, the string, the cast shadow of bow and string.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from training import lumber, textures
from training.board import background, clutter, marks, patches_of_shade, room_light
from training.camera import Scene, random_scene
from training.canvas import Canvas
from training.limb_paint import Traced, bow_points, draw_bow, draw_string, project_sweep, shadows
from training.rig import cradle, hand, person_behind, post

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Rng = np.random.Generator
LABELS = ("limb", "string", "shadow")


@dataclass(frozen=True)
class Drawn:
    """A drawn window: colour (h, w, 3) 0-1 before the camera's faults, labels (h, w, 3) 0-1, the bow's
    outline, and
    the axis of its shadow (n, 2) or None, in window pixels."""

    colour: Floats
    labels: Floats
    traced: Traced | None
    shadow_axis: Array | None


def draw(scene: Scene, window: tuple[int, int, int, int], rng: Rng, bank: textures.TextureBank, bare: bool = False) -> Drawn:
    """Draw the window (x0, y0, width, height) of the scene's picture; bare leaves the bow away."""
    canvas = Canvas(scene, window, rng, bank)
    board = background(canvas)
    shop = lumber.of_a_shop(rng, bank.cluttered)
    if shop.rack:
        lumber.draw_rack(canvas)
    if scene.has_board or rng.random() < 0.2:
        marks(canvas)
    if rng.random() < 0.2:
        patches_of_shade(canvas)
    if shop.bars:
        lumber.draw_bars(canvas)
    floor = scene.setting == "floor"
    hung = rng.random() < (0.0 if floor else 0.75 if scene.bow.state == "drawn" or scene.setting == "shop" else 0.3)
    before = rng.random() < 0.5
    many = int(rng.choice([0, 4, 12, 25], p=[0.1, 0.2, 0.4, 0.3] if scene.setting == "shop" else [0.3, 0.35, 0.25, 0.1]))
    if before:
        clutter(canvas, many, front=False)
    if shop.timber:
        lumber.draw_pieces(canvas, float(np.clip(scene.standoff - 0.6, 0.1, 12.0)))
    if shop.bow and not bare:
        _other_bow(canvas, board)
    spine = None if bare else shadows(canvas)
    if not before:
        clutter(canvas, many, front=False)
    if rng.random() < (0.1 if hung else 0.03 if floor else 0.2):
        person_behind(canvas)
    if hung:
        post(canvas)
    room_light(canvas)
    if bare:
        return Drawn(canvas.colour, canvas.labels, None, None)
    string_first = rng.random() < 0.4
    canvas.dim = shop.dim
    if string_first:
        draw_string(canvas)
    traced = draw_bow(canvas, board)
    if not string_first:
        draw_string(canvas)
    if hung and rng.random() < 0.6:
        cradle(canvas)
    if rng.random() < 0.12:
        clutter(canvas, int(rng.integers(1, 3)), front=True)
    finger = 0.75 * canvas.ppi * rng.uniform(0.8, 1.3)
    if rng.random() < (0.03 if hung or floor else 0.3):
        hand(canvas, canvas.pixels(scene.world(np.array([rng.normal(0, 1), -0.3]))), finger)
    if scene.bow.hook is not None and not hung and rng.random() < 0.4:
        hand(canvas, canvas.pixels(scene.world(scene.bow.hook)), finger)
    return Drawn(canvas.colour, canvas.labels, traced, spine)


def _other_bow(canvas: Canvas, board: Floats) -> None:
    """Another bow that is not the one meant, with its string and shadow; unlabelled."""
    mine = canvas.scene
    other = lumber.other_bow(canvas.rng, mine)
    if other is None:
        return
    canvas.scene = other
    shadows(canvas)
    draw_string(canvas)
    draw_bow(canvas, board)
    canvas.scene = mine
    canvas.labels[:] = 0.0


def _tone_map(img: Floats, rng: Rng) -> Floats:
    """What a phone does to light and shade: darker places lifted by their surroundings, a curve over all."""
    if rng.random() < 0.35:
        grey = img.mean(2)
        h, w = grey.shape
        small = cv2.resize(grey, (max(w // 8, 2), max(h // 8, 2)), interpolation=cv2.INTER_AREA)
        around = cv2.GaussianBlur(small, (0, 0), max(1.0, rng.uniform(0.01, 0.06) * max(small.shape)))
        gain = (np.maximum(around, 0.03) / 0.45) ** np.float32(-rng.uniform(0.1, 0.5))
        img = img * cv2.resize(gain, (w, h), interpolation=cv2.INTER_LINEAR)[..., None]
    if rng.random() < 0.35:  # a curve with a foot and a shoulder
        x = np.clip(img, 0, 1)
        img = x + np.float32(rng.uniform(0, 0.9)) * (x * x * (3 - 2 * x) - x)
    return img


def _noise(img: Floats, rng: Rng) -> Floats:
    sigma = rng.choice([0.003, 0.01, 0.025, 0.05], p=[0.3, 0.35, 0.25, 0.1]) * rng.uniform(0.6, 1.2)
    grey = rng.standard_normal(img.shape[:2], dtype=np.float32)[..., None]
    if sigma < 0.008:
        return img + np.float32(sigma) * grey
    chroma = rng.standard_normal(img.shape, dtype=np.float32)
    return img + np.float32(sigma) * np.sqrt(np.clip(img, 0.02, 1)) * (grey + np.float32(rng.uniform(0, 0.8)) * chroma)


def _smear(img: Floats, rng: Rng) -> Floats:
    """Noise reduction: flat places ironed smooth, fine grain lost, edges kept."""
    kind = rng.random()
    if kind < 0.5:
        smooth = cv2.bilateralFilter(np.clip(img, 0, 1.5), 5, rng.uniform(0.04, 0.2), rng.uniform(1.0, 2.5))
    elif kind < 0.8:
        smooth = cv2.medianBlur(np.clip(img, 0, 1.5), int(rng.choice([3, 3, 5])))
    else:  # colour alone, over a wider reach
        grey = img.mean(2, keepdims=True)
        smooth = grey + cv2.GaussianBlur(img - grey, (0, 0), rng.uniform(1.0, 3.0))
    return img + np.float32(rng.uniform(0.5, 1)) * (smooth - img)


def _sharpen(img: Floats, rng: Rng) -> Floats:
    """Halos: an overshoot along every edge, a pixel or a few wide, mostly bounded."""
    soft = cv2.GaussianBlur(img, (0, 0), rng.uniform(0.7, 2.8))
    halo = np.float32(rng.uniform(0.3, 2.2)) * (img - soft)
    if rng.random() < 0.6:
        most = np.float32(rng.uniform(0.04, 0.25))
        halo = np.clip(halo, -most, most)
    return img + halo


def expose(colour: Floats, rng: Rng, sharpness: float = 1.0) -> Bytes:
    """What a phone makes of it: exposure, white balance, tone, blur, noise and its removal, sharpening, JPEG. (h, w, 3) uint8.

    sharpness scales the blur: below 1 for pictures drawn smaller than a camera would take them.
    """
    img = np.clip(colour, 0, 2)
    img = img * (np.float32(rng.uniform(0.75, 1.3)) * rng.normal(1, 0.05, 3).astype(np.float32))
    if rng.random() < 0.25:  # lamp light or shade
        warm = rng.normal(0, 0.15)
        img = img * np.float32([1 + warm, 1, 1 - warm])
    if rng.random() < 0.5:
        img = np.clip(img, 0, 1.5) ** np.float32(rng.uniform(0.65, 1.5))
    if rng.random() < 0.12:  # shade all over
        img = img * np.float32(rng.uniform(0.3, 0.6))
    img = _tone_map(img, rng)
    img = cv2.GaussianBlur(img.astype(np.float32), (0, 0), max(0.25, rng.uniform(0.35, 1.7) * sharpness))
    if rng.random() < 0.06:
        k = np.zeros((9, 9), np.float32)
        t = rng.uniform(0, np.pi)
        r = rng.uniform(1, 3.5) * sharpness
        p, q = (4 - r * np.cos(t), 4 - r * np.sin(t)), (4 + r * np.cos(t), 4 + r * np.sin(t))
        cv2.line(k, (round(p[0]), round(p[1])), (round(q[0]), round(q[1])), 1.0, 1)
        img = cv2.filter2D(img, -1, k / max(k.sum(), 1))
    img = _noise(img, rng)
    if rng.random() < 0.4:
        img = _smear(np.ascontiguousarray(img, np.float32), rng)
    if rng.random() < 0.6:
        img = _sharpen(img, rng)
    out = np.clip(img * 255 + 0.5, 0, 255).astype(np.uint8)
    if rng.random() < 0.85:
        ok, data = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(55, 97))])
        if ok:
            out = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(np.uint8)
    return out


def finder_sample(rng: Rng, bank: textures.TextureBank, size: tuple[int, int] = (1024, 768)) -> tuple[Bytes, Bytes]:
    """A whole photograph of `size` (width, height) and its labels at half size, both uint8."""
    scale = float(rng.choice([1.0, 1.0, 1.25, 1.5]))
    w, h = round(size[0] * scale), round(size[1] * scale)
    bare = rng.random() < 0.05
    scene = lumber.for_finder(rng, (w, h), bank)
    got = draw(scene, (0, 0, w, h), rng, bank, bare)
    picture = expose(got.colour, rng, sharpness=0.7)
    if scale != 1.0:
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    labels = cv2.resize(got.labels, (size[0] // 2, size[1] // 2), interpolation=cv2.INTER_AREA)
    # A string thinner than a map pixel still counts where it passes.
    labels[..., 1] = np.clip(labels[..., 1] * 2.0, 0, 1)
    return picture, np.clip(labels * 255 + 0.5, 0, 255).astype(np.uint8)


def cut_strip(picture: NDArray, path: Array, across: int = 64) -> NDArray:
    """Sample a picture along a path: rows across the path, columns along it, both at the path's own step.

    path: (n, 2) pixels, equally spaced. Row r lies (r - (across - 1) / 2) steps along the left-hand normal
    (-ty, tx).
    """
    step = float(np.linalg.norm(np.diff(path, axis=0), axis=1).mean())
    t = np.gradient(path, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    n = np.stack([-t[:, 1], t[:, 0]], 1)
    rows = (np.arange(across) - (across - 1) / 2) * step
    at = path[None] + rows[:, None, None] * n[None]
    return cv2.remap(
        picture,
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )


def walk(axis: Array, start: float, step: float, n: int) -> Array:
    """n points every `step` px along a polyline from arc length `start` on; goes straight on beyond its
    ends.
    """
    seg = np.linalg.norm(np.diff(axis, axis=0), axis=1)
    s = np.concatenate([[0], np.cumsum(seg)])
    want = start + step * np.arange(n)
    out = np.stack([np.interp(want, s, axis[:, k]) for k in (0, 1)], 1)
    k = min(12, len(axis) - 1)
    head, tail = axis[0] - axis[k], axis[-1] - axis[-1 - k]
    head, tail = head / max(np.linalg.norm(head), 1e-6), tail / max(np.linalg.norm(tail), 1e-6)
    out += np.maximum(-want, 0)[:, None] * head + np.maximum(want - s[-1], 0)[:, None] * tail
    return out


THICK, STRAY = (6.0, 45.0), 10.0  # steps: how thick limbs are in the strips, how far the path strays from their middle


def near_size(rng: Rng, thick: float, most: float = 7000.0, wide: float = 4032.0) -> tuple[float, float]:
    """For a limb `thick` px thick in a picture `wide` px wide: by what to scale the picture, and the step in its pixels.

    A strip's limb is THICK steps thick. Steps of more than 1.5 px are drawn as steps of 0.75-1.5 px of a smaller picture, which
    is what they look like.
    """
    want = float(np.exp(rng.uniform(*np.log(THICK))))
    step = float(rng.uniform(0.75, 1.5))
    scale = want * step / thick
    if scale * wide > most:
        step, scale = max(step * most / (scale * wide), 0.6), most / wide
    return scale, step


def stray(rng: Rng, base: Array, step: float) -> Array:
    """A path (n, 2) that strays by up to STRAY steps from the base, in equal steps again."""
    n = len(base)
    t = np.gradient(base, axis=0)
    t /= np.linalg.norm(t, axis=1, keepdims=True)
    left = np.stack([-t[:, 1], t[:, 0]], 1)
    knots = rng.integers(2, 8)
    sway = np.interp(np.arange(n), np.linspace(0, n, knots), rng.uniform(-STRAY, STRAY, knots) * rng.random())
    sway = np.convolve(np.pad(sway, 30, mode="edge"), np.ones(61) / 61, "valid")
    path = base + left * (sway * step)[:, None]
    s = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    even = np.linspace(0, s[-1], n)
    return np.stack([np.interp(even, s, path[:, j]) for j in (0, 1)], 1)


def strip_starts(rng: Rng, length: float, long: float, step: float) -> list[float]:
    """Where strips of `long` px may begin along a limb of `length` px: both tips, the handle, anywhere."""
    return [
        -80 * step * rng.random() ** 2,
        length - long + 80 * step * rng.random() ** 2,
        length / 2 - long * rng.random(),
        rng.uniform(min(0.0, length - long), max(length - long, 1)),
    ]


def strip_samples(rng: Rng, bank: textures.TextureBank, n: int = 512, count: int = 2) -> list[tuple[Bytes, Bytes]]:
    """Strips (64, n, 3) uint8 with labels (64, n, 3) uint8, cut from one window of a full-resolution photograph."""
    size = (4032, 3024)
    # Slivers of flash shadow along a limb are what most often passes for part of it.
    scene = random_scene(rng, size, lights=(0.16, 0.22, 0.28, 0.34))
    corners, centre3, _, _ = bow_points(scene)
    axis, nrm, offsets, _ = project_sweep(scene.camera.project(corners), scene.camera.project(centre3))
    low, high = offsets.min(1), offsets.max(1)
    thick = float(np.median(high - low))
    scale, step = near_size(rng, thick)
    size = (round(size[0] * scale), round(size[1] * scale))
    scene = replace(scene, camera=replace(scene.camera, f=scene.camera.f * scale, size=size))
    thick *= scale
    middle = (axis + nrm * ((low + high) / 2)[:, None]) * scale
    middle = np.stack([np.convolve(np.pad(middle[:, k], 10, mode="edge"), np.ones(21) / 21, "valid") for k in (0, 1)], 1)
    middle[:10], middle[-10:] = axis[:10] * scale, axis[-10:] * scale
    length = float(np.sum(np.linalg.norm(np.diff(middle, axis=0), axis=1)))
    start = float(rng.choice(strip_starts(rng, length, step * n, step), p=[0.21, 0.21, 0.23, 0.35]))
    rough = walk(middle, start, step, n)
    margin = 34 * step + 14
    turn = np.diff(np.unwrap(np.arctan2(*np.diff(middle[::8], axis=0).T)))
    if len(turn) and np.abs(turn).max() / (8 * scale) * thick > 0.5:  # end-on views fold the silhouette over itself
        return []
    x0, y0 = np.floor(rough.min(0) - margin).astype(int)
    x1, y1 = np.ceil(rough.max(0) + margin).astype(int)
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, size[0]), min(y1, size[1])
    if x1 - x0 < 100 or y1 - y0 < 40:
        return []
    got = draw(scene, (x0, y0, x1 - x0, y1 - y0), rng, bank)
    picture = expose(got.colour, rng, sharpness=float(rng.uniform(0.3, 1.3)))
    out = []
    for k in range(count):
        base = rough - [x0, y0]
        if k and rng.random() < 0.25 and got.shadow_axis is not None and len(got.shadow_axis) > step * n:
            begin = rng.uniform(0, len(got.shadow_axis) - step * n)
            base = walk(got.shadow_axis, begin, step, n)
        path = stray(rng, base, step)
        inside = np.mean((path[:, 0] > 0) & (path[:, 1] > 0) & (path[:, 0] < x1 - x0 - 1) & (path[:, 1] < y1 - y0 - 1))
        if inside < 0.6:
            continue
        strip = cut_strip(picture, path)
        labels = cut_strip(got.labels, path)
        out.append((strip, np.clip(labels * 255 + 0.5, 0, 255).astype(np.uint8)))
    return out

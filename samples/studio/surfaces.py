"""What stands behind bows in shops and yards, as 8-bit sRGB tiles, and the skins of rough staves.

A tile is a picture and its size in mm; it is laid on in mirror images, so its edges lie on joints.
"""

from __future__ import annotations

import cv2
import numpy as np

from studio import textures
from studio.bows import BowPlan
from studio.meshes import section_ring
from studio.textures import Picture, noise, paint

Tile = tuple[Picture, float, float]
Colour = tuple[float, float, float]
PER_MM = 1.5


def _pick(rng: np.random.Generator, *colours: Colour, spread: float = 10.0) -> Colour:
    c = np.array(colours[rng.integers(len(colours))], float) + rng.normal(0, spread)
    r, g, b = (float(v) for v in np.clip(c + rng.normal(0, 0.4 * spread, 3), 12, 240))
    return r, g, b


def _tile(picture: Picture) -> Tile:
    return picture, picture.shape[1] / PER_MM, picture.shape[0] / PER_MM


def plaster(rng: np.random.Generator) -> Tile:
    base = _pick(rng, (214, 208, 194), (176, 182, 184), (196, 176, 140), (120, 132, 136), (150, 140, 124))
    shape = (2400, 3000)
    tone = 0.03 * noise(rng, shape, (700, 900), 5) + 0.02 * noise(rng, shape, (9, 14), 3)
    dirt = np.clip(noise(rng, shape, (500, 400), 4) - 1.4, 0, 2)
    return _tile(paint(base, tone - 0.12 * dirt, (1, 1.03, 1.1)))


def concrete(rng: np.random.Generator) -> Tile:
    shape = (2400, 3000)
    tone = 0.06 * noise(rng, shape, (600, 700), 5) + 0.05 * noise(rng, shape, (5, 5), 2)
    stains = np.clip(noise(rng, shape, (260, 300), 3) - 1.6, 0, 2)
    return _tile(paint(_pick(rng, (148, 146, 140), (170, 164, 152), (112, 112, 112)), tone - 0.2 * stains))


def brick(rng: np.random.Generator) -> Tile:
    wide, high, joint = round(225 * PER_MM), round(75 * PER_MM), round(10 * PER_MM)
    rows, cols = 26, 11
    painted = rng.random() < 0.3
    face = _pick(rng, (206, 202, 192), (160, 176, 170)) if painted else _pick(rng, (150, 84, 62), (128, 92, 72), (168, 120, 88))
    mortar = tuple(0.93 * v for v in face) if painted else _pick(rng, (170, 160, 146), (120, 114, 106))
    out = np.empty((rows * high, cols * wide, 3), np.float32)
    out[:] = mortar
    for r in range(rows):
        for c in range(-1, cols):
            x0 = c * wide + (wide // 2 if r % 2 else 0) + joint // 2
            x1, y0 = x0 + wide - joint, r * high + joint // 2
            a, b = max(x0, 0), min(x1, out.shape[1])
            if b > a:
                tone = 1 + (0.03 if painted else 0.13) * rng.normal()
                out[y0 : y0 + high - joint, a:b] = np.array(face) * tone
                out[y0 + high - joint - 2 : y0 + high - joint, a:b] *= 0.75
    rough = 1 + 0.06 * noise(rng, out.shape[:2], (8, 10), 3) + 0.04 * noise(rng, out.shape[:2], (500, 500), 3)
    return _tile(np.clip(out * rough[..., None], 0, 255).astype(np.uint8))


def door(rng: np.random.Generator) -> Tile:
    """A painted garage door: broad level sections with pressed grooves, and some with upright panels."""
    base = _pick(rng, (206, 206, 200), (92, 104, 96), (126, 84, 66), (120, 136, 152), (222, 216, 196))
    section, rows = round(rng.uniform(430, 560) * PER_MM), 4
    shape = (rows * section, 3600)
    out = paint(base, 0.02 * noise(rng, shape, (400, 600), 4) + 0.012 * noise(rng, shape, (4, 4), 2)).astype(np.float32)
    grooves = int(rng.choice([1, 3, 5]))
    for k in range(rows * grooves):
        y = k * section // grooves
        deep = 8 if k % grooves == 0 else 5
        out[y : y + deep] *= np.linspace(0.45, 0.85, deep)[:, None, None]
        out[y + deep : y + deep + 4] = np.minimum(out[y + deep : y + deep + 4] * 1.1, 250)
    if grooves == 1:
        for x in range(150, 3600 - 600, 750):
            for r in range(rows):
                y = r * section
                cv2.rectangle(out, (x, y + 120), (x + 600, y + section - 110), tuple(0.7 * v for v in base), 5)
                cv2.rectangle(out, (x + 8, y + 128), (x + 608, y + section - 102), tuple(min(1.12 * v, 250) for v in base), 3)
    streaks = np.clip(noise(rng, shape, (900, 60), 3) - 1.2, 0, 2)
    return _tile(np.clip(out * (1 - 0.06 * streaks[..., None]), 0, 255).astype(np.uint8))


def planks(rng: np.random.Generator, upright: bool, base: Colour | None = None, wide: float = 0.0) -> Tile:
    base = base or _pick(rng, (176, 136, 92), (206, 172, 128), (120, 88, 62), (150, 142, 130), (92, 72, 58), (190, 150, 110))
    board = round((wide or rng.uniform(70, 190)) * PER_MM)
    n = max(4, round(2400 * PER_MM / board / 1.6))
    shape = (n * board, 3300)
    out = textures.planks(rng, shape[::-1] if upright else shape, base, board, upright, 1.2)
    if not upright:  # ends that meet, as floors have
        for k in range(n):
            for x in rng.uniform(0, shape[1], 3):
                out[k * board : (k + 1) * board, int(x) : int(x) + 3] //= 3
    return _tile(out)


def floor_tiles(rng: np.random.Generator) -> Tile:
    side, joint = round(rng.uniform(200, 420) * PER_MM), round(rng.uniform(3, 7) * PER_MM)
    base = _pick(rng, (196, 188, 174), (150, 120, 98), (120, 122, 124), (212, 206, 198))
    n = max(4, 2700 // side)
    shape = (n * side, n * side)
    out = paint(base, 0.05 * noise(rng, shape, (side / 2, side / 2), 4) + 0.03 * noise(rng, shape, (3, 3), 2)).astype(np.float32)
    grout = np.array(_pick(rng, (120, 114, 106), (214, 210, 200), (80, 78, 76)))
    for k in range(n):
        for j in range(n):
            out[k * side : (k + 1) * side, j * side : (j + 1) * side] *= 1 + 0.05 * rng.normal()
    for k in range(n + 1):
        a, b = max(k * side - joint // 2, 0), k * side + joint - joint // 2
        out[a:b] = grout
        out[:, a:b] = grout
    return _tile(np.clip(out, 0, 255).astype(np.uint8))


def carpet(rng: np.random.Generator) -> Tile:
    shape = (2700, 2700)
    base = _pick(rng, (128, 116, 100), (96, 104, 122), (140, 72, 60), (112, 122, 96), (176, 166, 148))
    tone = 0.16 * rng.normal(size=shape).astype(np.float32) + 0.1 * noise(rng, shape, (7, 7), 2)
    tone = cv2.GaussianBlur(tone, (0, 0), 0.8) + 0.04 * noise(rng, shape, (500, 500), 4)
    out = paint(base, tone)
    if rng.random() < 0.5:  # woven bands
        other = np.array(_pick(rng, (190, 160, 110), (70, 60, 60), (150, 60, 50), (210, 200, 180)), np.float32)
        step = int(rng.uniform(60, 220) * PER_MM)
        for a in range(step, shape[0], 2 * step):
            mix = out[a : a + step // 3].astype(np.float32)
            out[a : a + step // 3] = np.clip(0.35 * mix + 0.65 * other * (1 + tone[a : a + step // 3, :, None]), 0, 255)
    return _tile(out if rng.random() < 0.5 else np.ascontiguousarray(out.transpose(1, 0, 2)))


def pegboard(rng: np.random.Generator) -> Tile:
    shape = (2400, 3000)
    base = _pick(rng, (150, 108, 70), (212, 206, 192), (110, 96, 82))
    out = paint(base, 0.04 * noise(rng, shape, (300, 500), 4) + 0.03 * noise(rng, shape, (4, 4), 2))
    step = 25.4 * PER_MM
    for y in np.arange(step / 2, shape[0], step):
        for x in np.arange(step / 2, shape[1], step):
            cv2.circle(out, (int(x), int(y)), 4, (38, 32, 28), -1, cv2.LINE_AA)
    return _tile(out)


def flakes(rng: np.random.Generator) -> Tile:
    """A board pressed from flakes of wood."""
    shape = (1800, 2400)
    base = np.array(_pick(rng, (196, 158, 106), (180, 140, 92)))
    out = np.empty((*shape, 3), np.float32)
    out[:] = 0.7 * base
    at, turn = rng.uniform(0, 1, (9000, 2)) * shape[::-1], rng.normal(0, 0.6, 9000)
    size, tones = rng.uniform(12, 62, 9000), 1 + 0.15 * rng.normal(size=9000)
    for p, t, w, tone in zip(at, turn, size, tones, strict=True):
        a, b = np.array([np.cos(t), np.sin(t)]) * w, np.array([-np.sin(t), np.cos(t)]) * w * 0.28
        cv2.fillConvexPoly(out, np.int32([p + a + b, p + a - b, p - a - b, p - a + b]), tuple(float(v) for v in base * tone))
    return _tile(np.clip(out * (1 + 0.05 * noise(rng, shape, (2, 40), 2)[..., None]), 0, 255).astype(np.uint8))


def painted(rng: np.random.Generator) -> Tile:
    base = _pick(rng, (232, 230, 222), (84, 94, 98), (60, 62, 66), (140, 156, 132), (206, 190, 150), (122, 146, 170))
    shape = (2000, 3000)
    return _tile(paint(base, 0.025 * noise(rng, shape, (500, 90), 4) + 0.015 * noise(rng, shape, (5, 5), 2)))


def any_of(rng: np.random.Generator, *names: str) -> Tile:
    name = str(rng.choice(list(names)))
    if name in ("planks_level", "planks_upright"):
        return planks(rng, name.endswith("upright"))
    made: Tile = {
        "plaster": plaster,
        "concrete": concrete,
        "brick": brick,
        "door": door,
        "tiles": floor_tiles,
        "carpet": carpet,
        "pegboard": pegboard,
        "flakes": flakes,
        "painted": painted,
    }[name](rng)
    return made


def tape(rng: np.random.Generator, length: float, wide: float) -> Picture:
    """A measuring tape of one colour or another, in centimetres or inches; 2.5 pixels a mm."""
    base = [(230, 196, 44), (226, 224, 214), (226, 150, 40), (196, 204, 60)][rng.integers(4)]
    out = np.full((int(2.5 * wide), int(2.5 * length), 3), base, np.uint8)
    metric = rng.random() < 0.5
    step, longer, label = (10.0, 5, 10) if metric else (25.4 / 4, 2, 4)
    for k in range(int(length / step) + 1):
        deep = 0.75 if k % label == 0 else 0.5 if k % longer == 0 else 0.3
        x = min(int(2.5 * k * step), out.shape[1] - 3)
        out[: int(deep * out.shape[0]), x : x + 3] = (28, 26, 24)
        if k % label == 0 and k:
            cv2.putText(
                out, str(k if metric else k // 4), (x + 5, out.shape[0] - 6), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (40, 24, 20), 2
            )
    return out


def stave(rng: np.random.Generator, plan: BowPlan, length: float) -> Picture:
    """Skin of a rough bow (rows and columns as textures.limb's): heartwood and sapwood with a wandering line between,
    bark left on, a toasted belly, knots, pencil marks, wraps, grooves at the nocks.

    length : mm from tip to tip
    """
    rows, cols = 160, 6144
    per = cols / length
    ring = section_ring(plan.back_power, plan.belly_power)[1]
    j = (np.arange(rows) + 0.5) / rows * ring.size
    v = np.interp(j, np.arange(ring.size + 1), np.append(ring, ring[0]))[:, None]  # height: 1 back, -1 belly
    heart = np.array(
        _pick(rng, (150, 98, 50), (112, 74, 50), (176, 128, 74), (202, 164, 112), (140, 80, 54), (210, 182, 138)), np.float32
    )
    sap = np.array(_pick(rng, (224, 202, 160), (230, 214, 182), (206, 180, 132)), np.float32)
    along = noise(rng, (8, cols), (8, 900), 4)[0][None]
    ragged = noise(rng, (8, cols), (8, 60), 3)[0][None]

    def above(level: float, wander: float, soft: float) -> np.ndarray:
        return np.clip((v - level - wander * along - 0.25 * wander * ragged) / soft + 0.5, 0, 1)[..., None]

    out = np.broadcast_to(heart, (rows, cols, 3)).copy()
    if rng.random() < 0.6:
        mix = above(float(rng.uniform(-0.5, 0.8)), 0.18, 0.08)
        out = out * (1 - mix) + sap * mix
    grain = 0.06 * noise(rng, (rows, cols), (5, 700), 3) + 0.05 * noise(rng, (rows, cols), (1.5, 90), 2)
    figure = 0.05 * np.sin(14 * v + 3 * noise(rng, (rows, cols), (40, 900), 2))  # rings cut by the scraper
    out *= (1 + grain + figure)[..., None] * np.array([1, 1.0, 1.0], np.float32)
    if rng.random() < 0.35:
        burnt = 1 - above(float(rng.uniform(-0.75, 0.1)), 0.12, 0.3)
        out *= 1 - float(rng.uniform(0.35, 0.7)) * burnt
    if rng.random() < 0.3:
        bark = above(float(rng.uniform(0.35, 0.85)), 0.1, 0.05) * (along > rng.uniform(-1.5, 0.3))[..., None]
        rough = np.array(_pick(rng, (86, 74, 62), (120, 112, 100))) * (1 + 0.3 * noise(rng, (rows, cols), (6, 30), 3))[..., None]
        out = out * (1 - bark) + rough * bark
    for _ in range(rng.poisson(6)):
        x, y, r = rng.uniform(0, cols), rng.uniform(0, rows), rng.uniform(2.5, 8) * per
        d = np.hypot(((np.arange(rows)[:, None] - y + rows / 2) % rows - rows / 2) * 2.2, np.arange(cols)[None] - x) / r
        out *= (1 - 0.55 * np.exp(-(d**2)) + 0.1 * np.sin(5 * d) * np.exp(-((d / 2.5) ** 2)))[..., None]
    nocks = [plan.past[1] * per, cols - plan.past[0] * per]
    if rng.random() < 0.4:  # pencilled stations
        for x in np.arange(nocks[0], nocks[1], float(rng.choice([50.8, 76.2, 101.6, 152.4])) * per):
            out[:, int(x) : int(x) + 3] *= 0.5
    middle = cols * (plan.length / 2 - plan.longer_upper + plan.past[1]) / length
    if rng.random() < 0.5:
        half = 0.5 * (plan.grip_length or plan.handle) * float(rng.uniform(0.45, 0.75)) * per
        a, b = int(middle - half), int(middle + half)
        turns = 1 + 0.12 * np.sign(np.sin(np.arange(b - a) * rng.uniform(0.3, 1.2)))[None, :, None]
        out[:, a:b] = np.array(_pick(rng, (74, 52, 40), (40, 38, 38), (150, 120, 84), (96, 30, 28)), np.float32) * turns
    for x, side in zip(nocks, (-1, 1), strict=True):
        if rng.random() < 0.45:  # a binding below the nock, on the limb's side
            a, b = sorted((x - side * 6 * per, x - side * rng.uniform(18, 40) * per))
            thread = np.array(_pick(rng, (180, 150, 100), (50, 46, 44), (140, 40, 34), (210, 204, 190)), np.float32)
            out[:, int(a) : int(b)] = thread * (1 + 0.15 * np.sin(np.arange(int(b) - int(a)) * 1.4))[None, :, None]
        if rng.random() < 0.25:  # horn or dark overlay to the tip
            a, b = sorted((x + side * 5 * per, cols if side > 0 else 0))
            out[:, int(a) : int(b)] = (56, 48, 44)
        out[:, int(x - 1.6 * per) : int(x + 1.6 * per)] *= 0.45  # the groove
    return np.clip(out, 0, 255).astype(np.uint8)

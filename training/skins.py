"""The bow's surface unrolled, as a picture for the renderer: wood, grain, toasted belly, sapwood, backing, wraps.

Columns run from tip to tip, rows round the section as `limbs.ring` orders its points.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from training import textures

Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Rng = np.random.Generator
ROWS, COLUMNS = 96, 3072
FINISHES = ("plain", "toasted", "two-tone", "backed", "board-coloured", "dark", "bark")


@dataclass(frozen=True, eq=False)
class Skin:
    """picture (ROWS, COLUMNS, 3) sRGB; what was done to it; how it shines."""

    picture: Bytes
    finish: str
    roughness: float
    specular: float


def _noise(rng: Rng, rows: float, columns: float) -> Floats:
    """Smooth noise (ROWS, COLUMNS), spread about 1; sizes of a blob in texels."""
    grid = rng.standard_normal((max(3, round(ROWS / rows)), max(3, round(COLUMNS / columns)))).astype(np.float32)
    return np.asarray(cv2.resize(grid, (COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC), np.float32)


def _wander(rng: Rng, cells: int) -> Floats:
    """Slow waves (COLUMNS,) along the limb, spread about 1."""
    return cv2.resize(rng.standard_normal((1, cells)).astype(np.float32), (COLUMNS, 1), interpolation=cv2.INTER_CUBIC)[0]


def _ramp(x: Floats, soft: float) -> Floats:
    return np.clip(x / soft + 0.5, 0, 1)


def _base(rng: Rng, finish: str, board: Floats) -> Floats:
    if finish == "board-coloured":
        return np.clip(board * rng.uniform(0.8, 1.2) + rng.normal(0, 0.015, 3), 0.03, 0.97).astype(np.float32)
    if finish == "dark":
        return (rng.uniform(0.06, 0.28) * np.array([1.25, 1.0, 0.8]) * rng.normal(1, 0.08, 3)).astype(np.float32)
    if finish == "toasted" or rng.random() < 0.3:  # pale woods are the ones that are toasted
        pale = np.array([0.86, 0.72, 0.52]) * rng.uniform(0.75, 1.1) + rng.normal(0, 0.03, 3)
        return np.clip(pale, 0.1, 0.97).astype(np.float32)
    return textures.wood_colour(rng)


def _faces(rng: Rng, finish: str, rgb: Floats, up: Floats, side: Floats) -> Floats:
    """Toast the belly, keep the sapwood pale, lay on a backing. up, side (ROWS, 1): -1 belly, +1 back; across."""
    if finish == "charred":  # nearly black, and no further than the belly's own face and a little of the edges
        black = (rng.uniform(0.04, 0.2) * np.array([1.1, 1.0, 0.9]) * rng.normal(1, 0.04, 3)).astype(np.float32)
        mask = _ramp(rng.uniform(-0.9, -0.2) - up + rng.uniform(0, 0.1) * _wander(rng, 20), 0.15)[..., None]
        rgb = rgb + (black - rgb) * mask * rng.uniform(0.85, 1.0)
    if finish == "toasted" or (finish in ("board-coloured", "two-tone") and rng.random() < 0.3):
        reach = rng.uniform(-0.9, 0.35)  # how far up the edges the heat has coloured the wood
        soft = rng.choice([0.15, 0.5, 1.2])
        depth = rng.uniform(0.35, 0.95) * np.clip(1 + rng.uniform(0, 0.35) * _wander(rng, 14), 0.2, 1.05)
        ends = _ramp(np.minimum(np.arange(COLUMNS), COLUMNS - np.arange(COLUMNS))[None] / COLUMNS - rng.uniform(-0.1, 0.08), 0.03)
        mask = _ramp(reach - up + rng.uniform(0, 0.25) * _wander(rng, 20), soft) * depth * ends
        burnt = (rng.uniform(0.03, 0.3) * np.array([1.2, 1.0, 0.85])).astype(np.float32)
        rgb = rgb * (1 - mask[..., None]) + burnt * mask[..., None]
    if finish == "two-tone":
        level = rng.uniform(-0.7, 0.8) + rng.uniform(0.02, 0.35) * _wander(rng, int(rng.integers(6, 24)))
        mask = _ramp(up - level, rng.choice([0.05, 0.2, 0.6]))[..., None]
        if rng.random() < 0.4:  # the sapwood is worked away here and there
            mask = mask * np.clip(2 * _wander(rng, 8) + 2, 0, 1)[None, :, None]
        pale = np.clip(np.array([0.92, 0.84, 0.64]) * rng.uniform(0.8, 1.05), 0, 0.97).astype(np.float32)
        other = pale if rng.random() < 0.7 else textures.wood_colour(rng)
        rgb = rgb * (1 - mask) + other * mask
    if finish == "bark":
        patch = np.clip(4 * _noise(rng, 24, rng.uniform(30, 250)) + rng.uniform(-1, 5), 0, 1)
        mask = (_ramp(up - rng.uniform(0.2, 0.9), 0.1) * patch)[..., None]
        rough = 1 + rng.uniform(0.1, 0.5) * _noise(rng, rng.uniform(2, 6), rng.uniform(5, 30))
        bark = np.clip(rng.uniform(0.1, 0.45) * np.array([1.1, 1.0, 0.88]) * rng.normal(1, 0.05, 3), 0, 1)
        rgb = rgb * (1 - mask) + (bark * rough[..., None]) * mask
    if finish == "backed":
        mask = (up > rng.uniform(0.5, 0.95))[..., None] & np.ones((1, COLUMNS, 1), bool)
        colour = textures.any_colour(rng) if rng.random() < 0.6 else textures.wood_colour(rng)
        scales = 1 + rng.uniform(0, 0.4) * _noise(rng, 3, rng.uniform(4, 40)) * (rng.random() < 0.5)
        rgb = np.where(mask, colour * scales[..., None], rgb)
        if rng.random() < 0.4:  # a glue line or a second lamination in the edge
            a = rng.uniform(-0.6, 0.4)
            line = (np.abs(up - a) < rng.uniform(0.04, 0.3))[..., None] & (np.abs(side) > 0.8)[..., None]
            rgb = np.where(line, textures.wood_colour(rng) * rng.uniform(0.3, 1.1), rgb)
    return np.asarray(rgb, np.float32)


def _grain(rng: Rng, rgb: Floats, up: Floats, side: Floats) -> Floats:
    tone = 1 + rng.uniform(0, 0.12) * _noise(rng, rng.uniform(2, 8), rng.uniform(100, 900))
    tone += rng.uniform(0, 0.12) * _wander(rng, int(rng.integers(6, 60)))
    tone += rng.uniform(0, 0.06) * _noise(rng, 1.5, rng.uniform(8, 60))
    if rng.random() < 0.5:  # rings cut lengthwise: dark lines that run along the limb
        phase = side * rng.uniform(3, 14) + up * rng.uniform(2, 10)
        lines = np.sin(phase + rng.uniform(0.5, 3) * _wander(rng, 10) + rng.uniform(0, 6))
        tone *= 1 - rng.uniform(0.03, 0.3) * np.clip(lines, 0, 1) ** rng.choice([1, 4])
    rgb = rgb * tone[..., None]
    for _ in range(int(rng.integers(0, 5))):  # knots and pins
        where = (int(rng.integers(COLUMNS)), int(rng.integers(ROWS)))
        axes = (int(rng.integers(2, 14)), int(rng.integers(1, 7)))
        rgb = np.ascontiguousarray(rgb, np.float32)
        cv2.ellipse(rgb, where, axes, 0, 0, 360, (rgb.mean((0, 1)) * rng.uniform(0.15, 0.6)).tolist(), -1)
    if rng.random() < 0.25:  # pencilled centre line, crayon along a face
        at, wide = rng.uniform(-0.9, 0.9), rng.uniform(0.02, 0.06)
        face = (up > 0.3) if rng.random() < 0.5 else (up < -0.3)
        run = (_wander(rng, 8) > -0.5)[None]
        rgb = np.where(((np.abs(side - at) < wide) & face & run)[..., None], rgb * rng.uniform(0.2, 0.7), rgb)
    return rgb


def _bands(rng: Rng, rgb: Floats, grip: tuple[float, float], inch: float) -> Floats:
    """Wraps, leather, tips of another colour, marks across. grip: share of the length; inch: columns an inch."""
    columns = np.arange(COLUMNS, dtype=np.float32)

    def band(a: float, b: float, colour: Floats, ridges: float) -> None:
        i, j = int(max(a, 0)), int(min(b, COLUMNS))
        if j > i:
            tone = 1 + ridges * np.sin(columns[i:j] * 2 * np.pi / max(inch * rng.uniform(0.06, 0.3), 2.5))
            rgb[:, i:j] = colour * tone[None, :, None] * (1 + 0.05 * rng.standard_normal((ROWS, j - i, 1)).astype(np.float32))

    if rng.random() < 0.5:
        band(grip[0] * COLUMNS, grip[1] * COLUMNS, textures.any_colour(rng) * rng.choice([0.35, 1.0]), rng.uniform(0, 0.4))
    for side in (0, 1):
        if rng.random() < 0.35:  # horn, dark or pale overlay
            long = inch * rng.uniform(0.3, 1.6)
            colour = textures.any_colour(rng) * rng.choice([0.15, 0.4, 1.0])
            band(0 if side == 0 else COLUMNS - long, long if side == 0 else COLUMNS, colour, 0)
        if rng.random() < 0.2:  # thread round the limb below the nock or at the fade
            at = inch * rng.uniform(1, 3) if rng.random() < 0.6 else abs(side - grip[side]) * COLUMNS - inch * rng.uniform(0.2, 3)
            at = at if side == 0 else COLUMNS - at
            band(at, at + inch * rng.uniform(0.2, 1.5), textures.any_colour(rng), rng.uniform(0, 0.5))
    for _ in range(int(rng.integers(0, 6)) if rng.random() < 0.4 else 0):  # pencil across the limb, tape
        at = rng.uniform(0, COLUMNS)
        band(at, at + inch * rng.choice([0.03, 0.05, 0.4]), textures.any_colour(rng) * rng.choice([0.3, 1.0]), 0)
    return rgb


def random_skin(
    rng: Rng, up: Floats, side: Floats, length_in: float, handle_half_in: float, board: Floats, charred: float = 0.0
) -> Skin:
    """Paint a bow. up, side (ROWS,): where on the section each row lies, -1 to 1; board (3,): what hangs behind; charred: how
    likely its belly was burnt dark."""
    finish = str(rng.choice(FINISHES, p=[0.15, 0.2, 0.25, 0.07, 0.17, 0.08, 0.08]))
    if charred and rng.random() < charred:
        finish = "charred"
    u, v = up[:, None].astype(np.float32), side[:, None].astype(np.float32)
    rgb = np.ones((ROWS, COLUMNS, 1), np.float32) * _base(rng, finish, board)
    rgb = _grain(rng, _faces(rng, finish, rgb, u, v), u, v)
    inch = COLUMNS / length_in
    half = max(handle_half_in * rng.uniform(0.3, 0.9), 1.2) / length_in
    rgb = _bands(rng, np.ascontiguousarray(rgb, np.float32), (0.5 - half, 0.5 + half), inch)
    picture = np.clip(rgb * 255, 3, 250).astype(np.uint8)
    shiny = rng.random() < 0.35
    return Skin(picture, finish, float(rng.uniform(0.15, 0.4) if shiny else rng.uniform(0.4, 0.9)),
                float(rng.uniform(0.3, 0.8) if shiny else rng.uniform(0.05, 0.4)))  # fmt: skip

"""Boards, woods, tags, tapes: 8-bit sRGB pictures made from noise and rulers."""

from __future__ import annotations

import cv2
import numpy as np

Picture = np.ndarray


def noise(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[float, float], octaves: int = 3) -> np.ndarray:
    """Smooth noise, mean 0, spread 1; ``cells``: size of the coarsest blobs in pixels (rows, columns)."""
    out = np.zeros(shape, np.float32)
    for k in range(octaves):
        rows, cols = (max(2, int(n / max(c / 2**k, 1)) + 2) for n, c in zip(shape, cells, strict=True))
        grid = rng.normal(size=(min(rows, shape[0]), min(cols, shape[1]))).astype(np.float32)
        out += cv2.resize(grid, shape[::-1], interpolation=cv2.INTER_CUBIC) / 1.6**k
    return out / max(float(out.std()), 1e-6)


def paint(base: tuple[float, float, float], tone: np.ndarray, tint: tuple[float, float, float] = (1, 1, 1)) -> Picture:
    """Base colour (0-255) times (1 + tone), with the tone weighted by channel."""
    return np.clip(np.array(base, np.float32) * (1 + tone[..., None] * np.array(tint, np.float32)), 0, 255).astype(np.uint8)


def limewash(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    tone = 0.022 * noise(rng, shape, (260, 340), 5) + 0.012 * noise(rng, shape, (7, 60), 2)
    tone += 0.012 * rng.normal(size=shape).astype(np.float32)
    return paint((226, 221, 208), tone, (1, 1.02, 1.15))


def roller(rng: np.random.Generator, shape: tuple[int, int], base: tuple[float, float, float]) -> Picture:
    """A sheet painted with a roller."""
    tone = 0.03 * noise(rng, shape, (500, 90), 3) + 0.018 * noise(rng, shape, (5, 5), 2)
    return paint(base, tone)


def planks(
    rng: np.random.Generator,
    shape: tuple[int, int],
    base: tuple[float, float, float],
    board: int,
    upright: bool,
    knots: int,
) -> Picture:
    """Boards side by side, each with its own tone and grain; ``board``: width in pixels."""
    rows, cols = shape[::-1] if upright else shape
    out = np.zeros((rows, cols, 3), np.uint8)
    for top in range(0, rows, board):
        h = min(board, rows - top)
        bow = np.cumsum(rng.normal(0, 0.02, cols)) + 8 * np.sin(np.arange(cols) / rng.uniform(500, 900))
        lines = np.arange(h)[:, None] + bow[None] + 5 * noise(rng, (h, cols), (h, 700), 2)
        grain = np.sin(lines * 2 * np.pi / rng.uniform(9, 15) + 1.5 * noise(rng, (h, cols), (40, 900), 2))
        tone = 0.09 * rng.normal() + 0.07 * grain + 0.05 * noise(rng, (h, cols), (2.5, 220), 3)
        for _ in range(rng.poisson(knots)):
            y, x, r = rng.uniform(0.2, 0.8) * h, rng.uniform(0, cols), rng.uniform(6, 16)
            d = np.hypot((np.arange(h)[:, None] - y) * 1.3, np.arange(cols)[None] - x) / r
            tone = tone - 0.45 * np.exp(-(d**2)) + 0.08 * np.sin(6 * d) * np.exp(-((d / 2) ** 2))
        part = paint(base, tone, (1, 1.05, 1.15))
        part[:2], part[-2:] = part[:2] // 3, part[-2:] // 2
        out[top : top + h] = part
    return np.ascontiguousarray(out.transpose(1, 0, 2)) if upright else out


def limb(rng: np.random.Generator, look: str, grip: tuple[float, float]) -> Picture:
    """Skin of a bow: columns from the lower to the upper tip, rows round the section (0 = +width side, 1/4 =
    back).

    ``grip``: share of the length where the wrap begins and ends.
    """
    base = {
        "pale": (214, 186, 140),
        "honey": (190, 140, 82),
        "umber": (118, 78, 48),
        "rose": (158, 98, 66),
        "toasted": (196, 156, 104),
        "grey": (172, 152, 124),
    }[look]
    rows, cols = 96, 4096
    tone = 0.07 * noise(rng, (rows, cols), (5, 600), 3) + 0.035 * noise(rng, (rows, cols), (2, 90), 2)
    out = paint(base, tone, (1, 1.05, 1.2)).astype(np.float32)
    round_ = (np.arange(rows) + 0.5) / rows
    if look == "toasted":  # the belly was held over coals
        out *= (1 - 0.62 * np.clip(-np.sin(2 * np.pi * round_) * 3, 0, 1))[:, None, None] * np.ones(3)
    a, b = int(grip[0] * cols), int(grip[1] * cols)
    wrap = 1 + 0.12 * np.sign(np.sin(np.arange(b - a) * 0.9))[None, :, None]
    out[:, a:b] = np.array([74, 52, 40], np.float32) * wrap
    horn = max(1, int(0.007 * cols))
    out[:, :horn] = out[:, -horn:] = (52, 46, 42)
    return np.clip(out, 0, 255).astype(np.uint8)


def wood(rng: np.random.Generator, base: tuple[float, float, float]) -> Picture:
    """A sawn batten: grain along the columns."""
    tone = 0.08 * noise(rng, (64, 1024), (6, 400), 3) + 0.04 * noise(rng, (64, 1024), (2, 60), 2)
    return paint(base, tone, (1, 1.05, 1.15))


def rule_lines(picture: Picture, at: list[float], vertical: bool, width: float, colour: tuple[float, float, float]) -> None:
    """Draw ruled lines in place; ``at`` and ``width`` in pixels (0 = left or top edge of the picture)."""
    n = picture.shape[1 if vertical else 0]
    edges = np.arange(n + 1, dtype=float)
    cover = np.zeros(n)
    for c in at:
        inside = np.clip(edges, c - width / 2, c + width / 2)
        cover += np.diff(inside)
    cover = np.clip(cover, 0, 1).astype(np.float32) * 0.88
    for k in np.flatnonzero(cover):
        band = picture[:, k] if vertical else picture[k]
        band[:] = band * (1 - cover[k]) + np.array(colour) * cover[k]


def spot(picture: Picture, x: float, y: float, radius: float, colour: tuple[float, float, float]) -> None:
    """A filled dot with soft edge at (x, y) in pixels from the corner of the picture."""
    x0, y0, r = int(x - radius - 3), int(y - radius - 3), int(2 * radius + 7)
    yy, xx = np.mgrid[y0 : y0 + r, x0 : x0 + r] + 0.5
    cover = np.clip(radius + 0.5 - np.hypot(xx - x, yy - y), 0, 1)[..., None]
    part = picture[y0 : y0 + r, x0 : x0 + r]
    part[:] = part * (1 - cover) + np.array(colour) * cover


def tag(number: int, margin: float) -> Picture:
    """A printed tag with white paper ``margin`` x its side all round."""
    side = 360
    pad = round(margin * side)
    ink = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), number, side)
    paper = np.full((side + 2 * pad,) * 2, 232, np.uint8)
    paper[pad : pad + side, pad : pad + side] = np.where(ink > 127, 232, 26)
    return np.repeat(paper[..., None], 3, 2)


def tape(length: float, width: float) -> Picture:
    """A yellow tape, a mark each 10 mm, longer each 50, a red band each 100; mm in, 2 pixels a mm out."""
    out = np.full((int(2 * width), int(2 * length), 3), (232, 196, 42), np.uint8)
    for mm in range(0, int(length) + 1, 10):
        deep = 0.85 if mm % 100 == 0 else 0.6 if mm % 50 == 0 else 0.35
        x = min(2 * mm, out.shape[1] - 3)
        out[: int(deep * out.shape[0]), x : x + 3] = (28, 26, 24)
        if mm % 100 == 0 and mm:
            cv2.putText(
                out,
                str(mm // 10),
                (x - 26, out.shape[0] - 4),
                cv2.FONT_HERSHEY_SIMPLEX,
                0.5,
                (150, 30, 24),
                1,
            )
    return out


def greens(rng: np.random.Generator) -> Picture:
    """A strip of leaf colours."""
    n = 64
    mix = rng.uniform(0, 1, (n, 1))
    colours = (1 - mix) * np.array([38, 66, 24]) + mix * np.array([112, 136, 54]) + rng.normal(0, 8, (n, 3))
    return np.clip(colours, 0, 255).astype(np.uint8)[None].repeat(4, 0)


def grass(rng: np.random.Generator, shape: tuple[int, int]) -> Picture:
    return paint(
        (96, 112, 58),
        0.16 * noise(rng, shape, (9, 9), 3) + 0.1 * noise(rng, shape, (160, 160), 2),
        (1, 1, 0.6),
    )

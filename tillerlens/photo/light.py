"""From the stored picture to light: edges lie midway in light, not midway in the stored (gamma-coded) numbers.

Blur mixes light before the camera codes it, so the place where a black-and-white edge crosses half of the *coded* step is
shifted towards the dark side by a third of a pixel and more. All sub-pixel work is done on linear light.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.robust import CAUCHY, mad_u

# IEC 61966-2-1 (sRGB) decoding, scaled to 16 bit
_CODE = np.arange(256) / 255.0
_LINEAR = np.where(_CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4)
FULL = 65535.0  # full light, in 16 bits
LINEAR_16 = np.round(_LINEAR * FULL).astype(np.uint16)
MOST_ROWS = 32000  # OpenCV's remap counts them in 15 bits


def linear_light(rgb: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """(H, W, 3) or (H, W) uint8 sRGB to uint16 linear light, 0 ... 65535."""
    return np.asarray(cv2.LUT(rgb, LINEAR_16), dtype=np.uint16)


def sample(image: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32], xy: NDArray[np.floating]) -> NDArray[np.float32]:
    """Bilinear samples of an image at pixel places (..., 2); outside the picture the edge is repeated."""
    if xy.size == 0:  # OpenCV takes no empty map
        return np.zeros(xy.shape[:-1] + image.shape[2:], np.float32)
    if len(xy) > MOST_ROWS:
        parts = np.array_split(xy, len(xy) // MOST_ROWS + 1)
        return np.concatenate([sample(image, part) for part in parts])
    x, y = np.ascontiguousarray(xy[..., 0], np.float32), np.ascontiguousarray(xy[..., 1], np.float32)
    shape = x.shape
    if x.ndim == 1:
        x, y = x[None], y[None]
    rows = x.shape[0]
    flat_x, flat_y = x.reshape(rows, -1), y.reshape(rows, -1)
    out = cv2.remap(image, flat_x, flat_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32).reshape(shape + image.shape[2:])


SMALL, BLOCK = 320, 10  # px: the picture's long side as looked at for its light, and what a median is taken of
FALLOFF = (0.03, 0.13)  # of ln light to half of the long side: less is no flash's, more is one's
MOST_SLOPE, MOST_SCATTER, LEAST_SCATTER = 0.27, 0.15, 0.01  # of ln light
BLACK = 1e-3  # of full light, added to all
ROUNDS = 20  # of reweighting


def lit_from_camera(light: NDArray[np.uint16]) -> float:
    """How likely (0 to 1) linear light (H, W, 3) is a camera's own flash: it falls off from the middle alike to all sides.

    A window's light falls off to one side, the sun's and a bright room's hardly at all. A plane and a bowl are fitted to the
    logarithm of the light, robustly, so that the bow, the marks and things in the room count for little.
    """
    scale = SMALL / max(light.shape[:2])
    small = cv2.resize(light, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).mean(2) / FULL
    rows, columns = (n // BLOCK for n in small.shape)
    blocks = small[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
    level = np.log(np.median(blocks, axis=(1, 3)).ravel() + BLACK)
    y, x = (((g + 0.5) * BLOCK - n / 2) / (SMALL / 2) for g, n in zip(np.indices((rows, columns)), small.shape, strict=True))
    x, y = x.ravel(), y.ravel()
    basis = np.column_stack([np.ones_like(x), x, y, x**2 + y**2, x * y, x**2 - y**2])
    weight, scatter, c = np.ones(len(x)), 1.0, np.zeros(basis.shape[1])
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        c = np.linalg.lstsq(basis * root[:, None], level * root, rcond=None)[0]
        off = level - basis @ c
        scatter = mad_u(off, 0.0) + LEAST_SCATTER
        weight = 1 / (1 + (off / (CAUCHY * scatter)) ** 2)
    if np.hypot(c[1], c[2]) > MOST_SLOPE or scatter > MOST_SCATTER:
        return 0.0
    return float(np.clip((-c[3] - FALLOFF[0]) / (FALLOFF[1] - FALLOFF[0]), 0.0, 1.0))

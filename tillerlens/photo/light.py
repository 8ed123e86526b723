"""From the stored picture to light: edges lie midway in light, not midway in the stored (gamma-coded) numbers.

Blur mixes light before the camera codes it, so the place where a black-and-white edge crosses half of the *coded* step is
shifted towards the dark side by a third of a pixel and more. All sub-pixel work is done on linear light.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

# IEC 61966-2-1 (sRGB) decoding, scaled to 16 bit
_CODE = np.arange(256) / 255.0
_LINEAR = np.where(_CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4)
LINEAR_16 = np.round(_LINEAR * 65535).astype(np.uint16)
MOST_ROWS = 32000  # OpenCV's remap counts them in 15 bits


def linear_light(rgb: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """(H, W, 3) or (H, W) uint8 sRGB to uint16 linear light, 0 ... 65535."""
    return np.asarray(cv2.LUT(rgb, LINEAR_16), dtype=np.uint16)


def sample(image: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32], xy: NDArray[np.float64]) -> NDArray[np.float32]:
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

"""What a phone makes of the light: lens, shake, noise and its removal, tone mapping, sharpening, JPEG. All seeded."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from studio.camera import PAD, Camera


@dataclass(frozen=True)
class Phone:
    """``grain``: noise at full white, share of full scale; ``haze``: local tone mapping; ``sharpen``: amount and radius in px.

    ``render``: size of the ray-traced picture over the finished one: sensors of 50 million pixels are softer than they count.
    """

    blur: float = 0.6
    shake: tuple[float, float] = (0.0, 0.0)  # px, radians
    grain: float = 0.01
    smooth: float = 0.0
    haze: float = 0.0
    contrast: float = 0.3
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 1.0
    sharpen: tuple[float, float] = (0.8, 1.2)
    quality: int = 88
    render: float = 1.0


def bend(camera: Camera, pinhole: np.ndarray, render: float) -> np.ndarray:
    """The finished picture (h, w, 3) from the padded pinhole rendering of ``render`` times its size."""
    w, h = camera.size
    rows = []
    middle = (np.array([pinhole.shape[1], pinhole.shape[0]]) - 1) / 2
    for y in range(0, h, 512):
        n = min(512, h - y)
        grid = np.stack(np.meshgrid(np.arange(w), np.arange(y, y + n)), -1).reshape(-1, 2)
        at = (camera.straight(grid) * camera.focal * render + middle).astype(np.float32).reshape(n, w, 2)
        y0 = max(int(at[..., 1].min()) - 8, 0)
        y1 = min(int(at[..., 1].max()) + 9, len(pinhole))
        at[..., 1] -= y0
        rows.append(cv2.remap(pinhole[y0:y1], at[..., 0], at[..., 1], cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE))
    return np.vstack(rows)


def shaken(img: np.ndarray, length: float, angle: float) -> np.ndarray:
    if length < 0.3:
        return img
    n = 2 * int(np.ceil(length / 2)) + 3
    line = np.zeros((n, n), np.float32)
    for t in np.linspace(-length / 2, length / 2, 41):
        x, y = n // 2 + t * np.cos(angle), n // 2 + t * np.sin(angle)
        i, j = int(np.floor(y)), int(np.floor(x))
        for a in (0, 1):
            for b in (0, 1):
                line[i + a, j + b] += (1 - abs(y - i - a)) * (1 - abs(x - j - b))
    return cv2.filter2D(img, -1, line / line.sum(), borderType=cv2.BORDER_REPLICATE)


def develop(pinhole: np.ndarray, camera: Camera, phone: Phone, rng: np.random.Generator) -> np.ndarray:
    """Finished upright sRGB picture (h, w, 3) uint8 from padded linear light."""
    img = np.maximum(bend(camera, pinhole, phone.render), 0)
    img = cv2.GaussianBlur(img, (0, 0), phone.blur)
    img = shaken(img, *phone.shake)
    img *= np.array(phone.tint, np.float32) * 0.8 * phone.exposure / max(float(np.percentile(img[::7, ::7].max(2), 96)), 1e-6)
    soft = np.random.default_rng(rng.integers(1 << 62))
    luma = soft.standard_normal(img.shape[:2], dtype=np.float32)
    each = soft.standard_normal(img.shape, dtype=np.float32)
    speckle = cv2.GaussianBlur(0.55 * each + 0.8 * luma[..., None], (0, 0), 0.6) * 1.9
    img += speckle * phone.grain * np.sqrt(np.clip(img, 0, 1) + 0.006)
    del luma, each, speckle
    img = np.clip(img, 0, 4)
    if phone.haze:  # the phone lifts dark regions and holds bright ones
        small = cv2.resize(np.log(img.mean(2) + 0.02), None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
        base = cv2.GaussianBlur(small, (0, 0), min(small.shape) / 9)
        base = cv2.resize(base - base.mean(), img.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        img *= np.exp(-phone.haze * base)[..., None]
    img = 1 - np.exp(-1.6 * img) if np.percentile(img[::7, ::7], 99.5) > 1.1 else np.minimum(img * 1.05, 1)
    srgb = np.where(img <= 0.0031308, 12.92 * img, 1.055 * np.power(np.maximum(img, 1e-6), 1 / 2.4) - 0.055).astype(np.float32)
    srgb += phone.contrast * (srgb - 0.5) * srgb * (1 - srgb) * 2  # an S-curve that leaves black and white alone
    if phone.smooth:
        srgb = cv2.bilateralFilter(srgb, 5, phone.smooth, 1.3)
    amount, radius = phone.sharpen
    if amount:
        grey = srgb.mean(2)
        srgb += (amount * (grey - cv2.GaussianBlur(grey, (0, 0), radius)))[..., None]
    return np.asarray(np.clip(255 * srgb + 0.5, 0, 255), np.uint8)


def save(path: Path, upright: np.ndarray, orientation: int, focal35: int | None, quality: int) -> None:
    """Write the JPEG as a phone would; without ``focal35`` as a messenger passes it on, with nothing but pixels."""
    if focal35 is None:
        Image.fromarray(upright).save(path, quality=quality, subsampling=2)
        return
    turns = {1: 0, 3: 2, 6: 1, 8: 3}[orientation]
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "Studio (rendered)"
    exif.get_ifd(0x8769)[0xA405] = focal35
    Image.fromarray(np.ascontiguousarray(np.rot90(upright, turns))).save(path, quality=quality, exif=exif, subsampling=2)


def rendered_as(camera: Camera, phone: Phone) -> Camera:
    """The pinhole that is ray-traced for this picture."""
    w, h = (round(v * phone.render) for v in camera.size)
    return Camera(camera.position, camera.target, camera.roll, camera.focal * phone.render, (w, h), camera.k1)


__all__ = ["PAD", "Phone", "bend", "develop", "rendered_as", "save", "shaken"]

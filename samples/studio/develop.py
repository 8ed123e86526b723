"""From light to a phone's file: lens, blur, exposure, noise, JPEG, EXIF. Everything random is seeded."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from studio.camera import Camera


def develop(light: np.ndarray, camera: Camera, rng: np.random.Generator, blur: float, grain: float) -> np.ndarray:
    """Finished sRGB picture (h, w, 3) uint8 from padded linear light. ``grain``: shot noise at full white."""
    img = np.maximum(camera.bend(light), 0)
    img = cv2.GaussianBlur(img, (0, 0), blur)
    img *= 0.80 / np.percentile(img.max(2), 96)
    img = 1 - np.exp(-1.25 * img) if np.percentile(img, 99.7) > 1.6 else img  # a phone's soft shoulder
    img = np.minimum(img, 1.2)
    speckle = rng.normal(size=img.shape).astype(np.float32)
    speckle = 0.6 * speckle + 0.8 * speckle.mean(2, keepdims=True)
    speckle = cv2.GaussianBlur(speckle, (0, 0), 0.55) * 1.9
    img = np.clip(img + speckle * grain * np.sqrt(np.clip(img, 0, 1) + 0.004), 0, 1)
    srgb = np.where(img <= 0.0031308, 12.92 * img, 1.055 * np.power(np.maximum(img, 1e-6), 1 / 2.4) - 0.055)
    return np.asarray(np.clip(255 * srgb + rng.uniform(-0.5, 0.5, img.shape), 0, 255).round(), np.uint8)


def save(path: Path, upright: np.ndarray, orientation: int, focal35: int, quality: int = 88) -> None:
    """Write the JPEG as a phone would: pixels as the sensor lies, EXIF saying how to turn them upright."""
    turns = {1: 0, 3: 2, 6: 1, 8: 3}[orientation]  # counter-clockwise quarter turns from upright to sensor
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "Studio (rendered)"
    exif.get_ifd(0x8769)[0xA405] = focal35
    Image.fromarray(np.rot90(upright, turns)).save(path, quality=quality, exif=exif, subsampling=2)

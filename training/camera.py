"""Where camera, bow and lamp stand.

World frame, inches: the board or wall is the plane z = 0, x right, y up, z toward the camera. Picture frame:
pixels, x right, y down, (0, 0) the centre of the top-left pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from training.bowshape import Bow, random_bow

Array = NDArray[np.float64]
Rng = np.random.Generator
SETTINGS = {"board": 0.42, "wall": 0.18, "floor": 0.2, "shop": 0.1, "yard": 0.1}  # share of the scenes
FAR = {"wall": (5.0, 120.0), "shop": (1.5, 60.0), "yard": (1.5, 120.0)}  # inches from the bow to what is behind it


@dataclass(frozen=True)
class Camera:
    """Pinhole with one radial term. f in pixels; R (3, 3) world to camera (x right, y down, z forward); C
    (3,) in.
    """

    f: float
    size: tuple[int, int]
    R: Array
    C: Array
    k1: float

    def project(self, points: Array) -> Array:
        """World points (..., 3) to pixels (..., 2)."""
        p = (np.asarray(points, float) - self.C) @ self.R.T
        z = np.maximum(p[..., 2:], 1.0)
        n = p[..., :2] / z
        n = n * (1 + self.k1 * np.sum(n * n, -1, keepdims=True))
        return n * self.f + (np.array(self.size) - 1) / 2

    def on_plane(self, xy: Array, z: float = 0.0) -> Array:
        """Pixels (..., 2) to the world x, y (..., 2) where their rays meet the plane at that z."""
        n = (np.asarray(xy, float) - (np.array(self.size) - 1) / 2) / self.f
        n = n * (1 - self.k1 * np.sum(n * n, -1, keepdims=True))
        ray = np.concatenate([n, np.ones_like(n[..., :1])], -1) @ self.R
        t = (z - self.C[2]) / np.minimum(ray[..., 2:], -1e-3)
        return self.C[:2] + ray[..., :2] * t


def look_at(rng: Rng, size: tuple[int, int], f: float, distance: float, target: Array, oblique: float) -> Camera:
    """A camera about `distance` before `target`, turned by up to about `oblique` radians each way."""
    yaw, pitch = rng.normal(0, oblique / 2, 2)
    direction = np.array([np.sin(yaw), np.sin(pitch), 1.0])
    centre = target + distance * direction / np.linalg.norm(direction)
    forward = target - centre
    forward /= np.linalg.norm(forward)
    roll = rng.normal(0, 0.03)
    up = np.array([np.sin(roll), np.cos(roll), 0.0])
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return Camera(f, size, R, centre, rng.normal(0, 0.02) if rng.random() < 0.6 else 0.0)


@dataclass(frozen=True)
class Scene:
    """Everything fixed about a scene before it is drawn: camera, bow, where it hangs, the light."""

    camera: Camera
    bow: Bow
    pose: Array  # (3, 3) bow frame to world
    place: Array  # (3,) handle's centre in the world
    light: str
    lamp: Array  # (3,) lamp position
    standoff: float
    has_board: bool
    setting: str = "board"  # one of SETTINGS

    def world(self, points: Array, z: float | Array = 0.0) -> Array:
        """Bow-frame points (..., 2) at width coordinate z to the world (..., 3)."""
        p = np.asarray(points, float)
        full = np.concatenate([p, np.broadcast_to(np.asarray(z, float), p.shape[:-1])[..., None]], -1)
        return full @ self.pose.T + self.place

    def shade_point(self, points: Array) -> Array:
        """Where the shadow of world points (..., 3) falls on the plane z = 0."""
        t = self.lamp[2] / np.maximum(self.lamp[2] - points[..., 2:], 1e-3)
        out = self.lamp + (points - self.lamp) * t
        out[..., 2] = 0.0
        return out


def random_scene(rng: Rng, size: tuple[int, int], lights: Sequence[float] = (0.25, 0.22, 0.28, 0.25)) -> Scene:
    """A bow before a board or a wall. size: (width, height) of the picture, the longer side first.

    lights: shares of soft, window, sun and flash light.
    """
    bow = random_bow(rng)
    w, h = size
    f = w / (2 * np.tan(np.radians(rng.uniform(40, 76)) / 2))
    setting = str(rng.choice(list(SETTINGS), p=list(SETTINGS.values())))
    has_board = setting in ("board", "floor")
    if setting == "floor":  # the bow lies on its side
        standoff = float(bow.half_width.max()) * rng.uniform(1.0, 1.3) + rng.choice([0.05, rng.uniform(0, 2)])
    elif setting == "board":
        standoff = rng.uniform(0.4, 4.2)
    else:
        standoff = float(np.exp(rng.uniform(*np.log(FAR[setting]))))
    which = rng.random()
    angle = rng.normal(0, 0.05) if which < 0.72 else np.pi / 2 + rng.normal(0, 0.08) if which < 0.86 else rng.uniform(0, 6.28)
    extent = bow.centre if not bow.strings or rng.random() < 0.2 else np.concatenate([bow.centre, *bow.strings])
    c, s = np.cos(angle), np.sin(angle)
    flat = extent @ np.array([[c, -s], [s, c]]).T
    span = flat.max(0) - flat.min(0)
    share = rng.uniform(0.3, 0.97)
    if rng.random() < 0.15:
        share = rng.uniform(0.2, 0.4)
    if rng.random() < 0.1:
        share = rng.uniform(1.0, 2.2)
    distance = max(span[0] * f / (w * share), span[1] * f / (h * min(share, 0.95 if share < 1 else share)), 20.0)
    # The bow somewhere inside the picture, seldom exactly in the middle.
    room = np.array([w, h]) * distance / f - span
    centre_of_bow = (flat.max(0) + flat.min(0)) / 2
    shift = rng.uniform(-0.5, 0.5, 2) * np.maximum(room, 0) + (rng.uniform(-0.4, 0.4, 2) * span if share > 1 else 0)
    far_round = {"unstrung": 1.2, "braced": 0.9, "drawn": 0.45}[bow.state]
    roll = rng.normal(0, 0.06) if rng.random() < 0.85 else rng.uniform(-far_round, far_round)
    cr, sr = np.cos(roll), np.sin(roll)
    pose = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    place = np.array([*rng.uniform(-200, 200, 2), standoff])
    target = place + np.array([*(centre_of_bow + shift), 0])
    camera = look_at(rng, size, f, distance, target, rng.choice([0.05, 0.15, 0.3], p=[0.3, 0.5, 0.2]))
    light = str(rng.choice(["soft", "window", "sun", "flash"], p=lights))
    if light == "flash":
        lamp = camera.C + camera.R.T @ np.array([*rng.normal(0, 2.0, 2), 0.0])
    else:
        far = {"soft": 200.0, "window": 150.0, "sun": 5000.0}[light]
        slope = {"soft": 0.5, "window": 1.0, "sun": 1.0}[light]
        d = np.array([*rng.normal(0, slope, 2), 1.0])
        if light == "sun":
            d[:2] = rng.normal(0, 1, 2)
            d[:2] *= rng.uniform(0.1, 2.2) / np.linalg.norm(d[:2])
        lamp = place + far * d / np.linalg.norm(d)
    return Scene(camera, bow, pose, place, light, lamp, standoff, has_board, setting)

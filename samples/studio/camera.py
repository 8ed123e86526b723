"""The studio's phone: a pinhole with one radial term, pixels counted from the centre of the top-left one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

PAD = 48  # pixels rendered beyond each edge, so that the lens has something to bend in


@dataclass(frozen=True)
class Camera:
    """Position and target in mm, roll in radians (clockwise in the picture), focal length in pixels.

    ``k1``: a point at distance r from the centre of the undistorted picture, in focal lengths, is moved to r
    (1 + k1 r2).
    """

    position: tuple[float, float, float]
    target: tuple[float, float, float]
    roll: float
    focal: float
    size: tuple[int, int]
    k1: float

    @property
    def centre(self) -> np.ndarray:
        return (np.array(self.size, float) - 1) / 2

    def axes(self) -> np.ndarray:
        """(3, 3) rows: right, down, forward of the camera, in the world."""
        ahead = np.subtract(self.target, self.position)
        ahead = ahead / np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        down = np.cross(ahead, right)
        c, s = math.cos(self.roll), math.sin(self.roll)
        return np.array([c * right + s * down, -s * right + c * down, ahead])

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixels (n, 2) in the finished picture of world points (n, 3)."""
        local = (np.asarray(points, float) - self.position) @ self.axes().T
        flat = local[:, :2] / local[:, 2:]
        return self.centre + self.focal * flat * (1 + self.k1 * (flat**2).sum(1, keepdims=True))

    def straight(self, pixels: np.ndarray) -> np.ndarray:
        """Undistorted places (n, 2), in focal lengths from the centre, of finished pixels (n, 2)."""
        bent = (np.asarray(pixels, float) - self.centre) / self.focal
        r = np.sqrt((bent**2).sum(-1))
        u = r.copy()
        for _ in range(8):
            u -= (u * (1 + self.k1 * u**2) - r) / (1 + 3 * self.k1 * u**2)
        return bent * np.where(r > 0, u / np.where(r > 0, r, 1), 1)[..., None]

    def bend(self, pinhole: np.ndarray) -> np.ndarray:
        """The finished picture (h, w, 3) from the padded pinhole rendering, by cubic splines."""
        w, h = self.size
        grid = np.stack(np.meshgrid(np.arange(w), np.arange(h)), -1).reshape(-1, 2)
        at = self.straight(grid) * self.focal + self.centre + PAD
        rows = [at[:, 1].reshape(h, w), at[:, 0].reshape(h, w)]
        planes = [
            ndimage.map_coordinates(pinhole[..., k], rows, order=3, mode="nearest", output=np.float32)
            for k in range(pinhole.shape[2])
        ]
        return np.stack(planes, -1)

    def sensor(self, samples: int, seed: int) -> dict:
        """The padded pinhole as a Mitsuba sensor: its film pixel i covers [i, i + 1)."""
        import mitsuba as mi

        w, h = self.size[0] + 2 * PAD, self.size[1] + 2 * PAD
        down = self.axes()[1]
        return {
            "type": "perspective",
            "fov_axis": "x",
            "fov": math.degrees(2 * math.atan(w / 2 / self.focal)),
            "near_clip": 10.0,
            "far_clip": 1e6,
            "to_world": mi.ScalarTransform4f().look_at(
                origin=list(self.position), target=list(self.target), up=[float(-v) for v in down]
            ),
            "film": {
                "type": "hdrfilm",
                "width": w,
                "height": h,
                "pixel_format": "rgb",
                "component_format": "float32",
                "rfilter": {"type": "gaussian", "stddev": 0.42},
            },
            "sampler": {"type": "independent", "sample_count": samples, "seed": seed % 2**31},
        }

    def truth(self) -> dict:
        return {
            "position_mm": list(self.position),
            "right_down_forward": self.axes().tolist(),
            "focal_px": self.focal,
            "centre_px": self.centre.tolist(),
            "k1": self.k1,
        }


def look(
    points: np.ndarray,
    angles_deg: tuple[float, float, float],
    fov_deg: float,
    size: tuple[int, int],
    k1: float,
    fill: float = 0.94,
) -> Camera:
    """A camera that turns by (yaw, pitch, roll) about the scene and stands back until every point is well
    inside: the farthest at ``fill`` of the way from the picture's middle to its border.
    """
    yaw, pitch, roll = np.radians(angles_deg)
    focal = max(size) / 2 / math.tan(math.radians(fov_deg) / 2)
    way = np.array([math.sin(yaw) * math.cos(pitch), math.sin(pitch), math.cos(yaw) * math.cos(pitch)])
    middle = (points.max(0) + points.min(0)) / 2
    far = 1000.0
    for _ in range(60):
        camera = Camera(tuple(middle + far * way), tuple(middle), float(roll), focal, size, k1)
        px = camera.project(points)
        middle = middle + _recentre(camera, px, far)
        spread = np.abs(
            Camera(tuple(middle + far * way), tuple(middle), float(roll), focal, size, k1).project(points) - camera.centre
        ) / (np.array(size) / 2)
        far *= 1 + 0.5 * (spread.max() / fill - 1)
    return Camera(
        tuple(float(v) for v in middle + far * way),
        tuple(float(v) for v in middle),
        float(roll),
        focal,
        size,
        k1,
    )


def _recentre(camera: Camera, px: np.ndarray, far: float) -> np.ndarray:
    off = (px.max(0) + px.min(0)) / 2 - camera.centre
    axes = camera.axes()
    return 0.5 * far / camera.focal * (off[0] * axes[0] + off[1] * axes[1]) * np.array([1, 1, 0])

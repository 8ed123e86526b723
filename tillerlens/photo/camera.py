"""The camera: where it stood, how long its lens is, and where a pixel's ray meets a plane parallel to the board.

Frames
------
*pixel*: (x, y), x right, y down, (0, 0) = centre of the top-left pixel of the upright picture.
*board*: millimetres, X right and Y down as the board hangs, Z into the board, so that the frame is right-handed and
looks the way the camera does. A bow that stands ``h`` mm in front of the board lies in the plane Z = -h.

Model
-----
A pinhole with one radial term, x_d = x_u (1 + k1 r_u^2) (Brown 1971, first term), fitted to whatever marks there are by
least squares, the focal length, the principal point and k1 held by priors. The covariance of the fit is kept: it is the
"marks", "lens" and "focal" part of every later uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tillerlens.core.errors import ScaleError

Array = NDArray[np.float64]

N_PARAMETERS = 10  # rotation vector (3), translation (3), log focal, k1, principal point (2)
# A phone's picture is straightened in the camera; what is left of the radial term is about a percent (Sensors 2023, 23,
# 728 finds phones' interior orientation unstable from picture to picture, so it is a prior, never a calibration).
K1_PRIOR_U = 0.02
PRINCIPAL_POINT_PRIOR_U = 0.004  # of the picture's long side
# How squarely a person holds a phone to a wall, when no marks can tell (common practice, no source).
OBLIQUENESS_PRIOR_U = np.radians(5.0)
MOST_RMS_PX = 8.0  # marks that miss by more do not belong together
FOCAL_PRIOR_WITHOUT_EXIF = (0.85, 0.25)  # of the long side, relative standard uncertainty


@dataclass(frozen=True, eq=False)
class Camera:
    """One camera pose and lens. ``theta`` holds all ten parameters, so that a fit's covariance has one order."""

    theta: Array  # (10,)
    size: tuple[int, int]  # picture width, height in px

    @property
    def rotation(self) -> Array:
        return np.asarray(cv2.Rodrigues(self.theta[:3])[0], dtype=float)

    @property
    def focal_px(self) -> float:
        return float(np.exp(self.theta[6]))

    @property
    def radial_term(self) -> float:
        """k1 of the lens."""
        return float(self.theta[7])

    @property
    def centre_mm(self) -> Array:
        """The camera's place in the board frame, (3,) mm; Z is negative: it stands before the board."""
        return np.asarray(-self.rotation.T @ self.theta[3:6], dtype=float)

    def project(self, xyz_mm: Array) -> Array:
        """Board points (N, 3) mm to pixels (N, 2)."""
        cam = xyz_mm @ self.rotation.T + self.theta[3:6]
        xy = cam[:, :2] / cam[:, 2:]
        xy = xy * (1 + self.theta[7] * np.sum(xy**2, axis=1, keepdims=True))
        return np.asarray(xy * self.focal_px + self.theta[8:10], dtype=float)

    def rays(self, px: Array) -> Array:
        """Directions (N, 3) in the board frame of the rays through pixels (N, 2); not normalised."""
        xd = (px - self.theta[8:10]) / self.focal_px
        xu = xd / (1 + self.theta[7] * np.sum(xd**2, axis=1, keepdims=True))
        for _ in range(3):  # |k1| r^2 is a percent or so: three rounds leave under 1e-8
            xu = xd / (1 + self.theta[7] * np.sum(xu**2, axis=1, keepdims=True))
        return np.asarray(np.column_stack([xu, np.ones(len(xu))]) @ self.rotation, dtype=float)

    def to_plane(self, px: Array, height_mm: float = 0.0) -> Array:
        """Where the rays of pixels (N, 2) meet the plane ``height_mm`` before the board: (N, 2) mm, board X and Y."""
        d = self.rays(px)
        c = self.centre_mm
        k = (-height_mm - c[2]) / d[:, 2]
        return np.asarray(c[:2] + k[:, None] * d[:, :2], dtype=float)

    def obliqueness(self) -> float:
        """Angle between the optical axis and the board's normal, radians."""
        return float(np.arccos(np.clip(self.rotation[2, 2], -1, 1)))


@dataclass(frozen=True, eq=False)
class Marks:
    """What the picture shows of the board, ready for the fit.

    ``points``: pixels whose board place is known; ``lines``: pixels that lie on a board line X = value (axis 0) or
    Y = value (axis 1). A point with NaN as its Y lies on one unknown horizontal, common to all such points.
    """

    points_px: Array  # (N, 2)
    points_mm: Array  # (N, 2)
    points_u_px: Array  # (N,) standard uncertainty
    lines_px: Array  # (M, 2)
    lines_axis: NDArray[np.intp]  # (M,)
    lines_mm: Array  # (M,)
    lines_u_px: float = 0.3
    squared: bool = True  # False: the marks cannot tell yaw or pitch, a prior must

    @staticmethod
    def of_points(px: Array, mm: Array, u_px: float | Array, squared: bool = True) -> Marks:
        n = len(px)
        return Marks(
            np.asarray(px, float),
            np.asarray(mm, float),
            np.broadcast_to(np.asarray(u_px, float), (n,)).copy(),
            np.empty((0, 2)),
            np.empty(0, np.intp),
            np.empty(0),
            squared=squared,
        )


@dataclass(frozen=True, eq=False)
class CameraFit:
    """A fitted camera with its evidence.

    ``covariance`` is (10, 10) in the order of ``Camera.theta``; ``residuals_px`` are those of all marks used (points'
    x and y, then lines); ``outliers`` is the share of marks the robust loss set aside.
    """

    camera: Camera
    covariance: Array
    rms_px: float
    outliers: float
    squared: bool
    n_marks: int


def focal_prior(size: tuple[int, int], exif_px: float | None, exif_u_px: float | None) -> tuple[float, float]:
    """Focal length in px and its relative standard uncertainty, from EXIF or from what phones usually have."""
    if exif_px and exif_u_px:
        return exif_px, exif_u_px / exif_px
    return FOCAL_PRIOR_WITHOUT_EXIF[0] * max(size), FOCAL_PRIOR_WITHOUT_EXIF[1]


def _start(marks: Marks, size: tuple[int, int], focal: float) -> Array:
    """A first guess: the camera square to the board, turned and scaled as the marks ask."""
    known = ~np.isnan(marks.points_mm[:, 1])
    px, mm = marks.points_px, np.where(np.isnan(marks.points_mm), 0.0, marks.points_mm)
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    if known.sum() >= 4:
        k = np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1]])
        xyz = np.column_stack([mm[known], np.zeros(known.sum())])
        ok, rvecs, tvecs, errors = cv2.solvePnPGeneric(xyz, px[known], k, None, flags=cv2.SOLVEPNP_IPPE)
        if ok:
            best = int(np.argmin(np.ravel(errors)))
            return np.r_[np.ravel(rvecs[best]), np.ravel(tvecs[best]), np.log(focal), 0.0, cx, cy]
    i, j = 0, len(px) - 1
    d_px, d_mm = px[j] - px[i], mm[j] - mm[i]
    angle = np.arctan2(d_px[1], d_px[0]) - np.arctan2(d_mm[1], d_mm[0])
    z = focal * np.hypot(*d_mm) / np.hypot(*d_px)
    c, s = np.cos(angle), np.sin(angle)
    t = (px[i] - [cx, cy]) / focal * z - np.array([[c, -s], [s, c]]) @ mm[i]
    return np.r_[0, 0, angle, t, z, np.log(focal), 0.0, cx, cy]


def fit_camera(
    marks: Marks, size: tuple[int, int], exif_px: float | None, exif_u_px: float | None, extra: Array | None = None
) -> CameraFit:
    """Pose, focal length, principal point and radial term by robust least squares.

    ``extra``: optional start for theta, (10,). Raises ``ScaleError`` when the marks contradict each other.
    """
    focal, focal_rel_u = focal_prior(size, exif_px, exif_u_px)
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    start = _start(marks, size, focal) if extra is None else extra
    floating = bool(np.isnan(marks.points_mm[:, 1]).any())
    y0 = 0.0
    if floating and len(marks.lines_px):
        cam = Camera(start, size)
        y0 = float(np.mean(cam.to_plane(marks.points_px)[:, 1]))

    def residuals(q: Array) -> Array:
        cam = Camera(q[:N_PARAMETERS], size)
        out = []
        if len(marks.points_px):
            mm = np.where(np.isnan(marks.points_mm), q[-1], marks.points_mm)
            d = cam.project(np.column_stack([mm, np.zeros(len(mm))])) - marks.points_px
            out.append((d / marks.points_u_px[:, None]).ravel())
        if len(marks.lines_px):
            xy = cam.to_plane(marks.lines_px)
            off_mm = np.where(marks.lines_axis == 0, xy[:, 0], xy[:, 1]) - marks.lines_mm
            px_per_mm = cam.focal_px / q[5]
            out.append(off_mm * px_per_mm / marks.lines_u_px)
        return np.concatenate(out)

    def priors(q: Array) -> Array:
        out = [
            (q[6] - np.log(focal)) / focal_rel_u,
            q[7] / K1_PRIOR_U,
            (q[8] - cx) / (PRINCIPAL_POINT_PRIOR_U * max(size)),
            (q[9] - cy) / (PRINCIPAL_POINT_PRIOR_U * max(size)),
        ]
        if not marks.squared:
            n = Camera(q[:N_PARAMETERS], size).rotation[:, 2]
            out += [np.arctan2(n[0], n[2]) / OBLIQUENESS_PRIOR_U, np.arctan2(n[1], n[2]) / OBLIQUENESS_PRIOR_U]
        return np.asarray(out)

    q = np.r_[start, y0] if floating else start.copy()
    scale = np.r_[np.full(3, 0.05), np.full(3, 50.0), 0.03, 0.01, 5.0, 5.0, np.full(len(q) - N_PARAMETERS, 50.0)]
    weight = np.ones(len(residuals(q)))
    sol = None
    for _ in range(5):  # iteratively re-weighted: Cauchy weights, four sigmas

        def weighted(p: Array, w: Array = weight) -> Array:
            return np.concatenate([residuals(p) * w, priors(p)])

        sol = least_squares(weighted, q, x_scale=scale, method="lm", max_nfev=40 * (len(q) + 1))
        moved = np.max(np.abs((sol.x - q) / scale))
        q = sol.x
        r = residuals(q)
        spread = max(1.0, 1.4826 * float(np.median(np.abs(r)))) if len(r) > 24 else 1.0
        weight = 1 / np.sqrt(1 + (r / (4 * spread)) ** 2)
        if moved < 1e-3:
            break
    assert sol is not None
    r = residuals(q)
    used = weight > 0.6
    dof = used.sum() - N_PARAMETERS
    # Marks that scatter more than promised count for less, priors keep their worth; marks that scatter less gain nothing.
    inflate = max(1.0, float(np.sum(r[used] ** 2)) / dof) if dof > 4 else 1.0
    u_px = np.concatenate([np.repeat(marks.points_u_px, 2), np.full(len(marks.lines_px), marks.lines_u_px)])
    rms = float(np.sqrt(np.mean((r * u_px)[used] ** 2))) if used.any() else np.inf
    jac = sol.jac * scale  # columns of like size, or the small ones drown in rounding
    jac[: len(r)] /= np.sqrt(inflate)
    covariance = (np.linalg.pinv(jac.T @ jac) * np.outer(scale, scale))[:N_PARAMETERS, :N_PARAMETERS]
    camera = Camera(q[:N_PARAMETERS], size)
    if not np.isfinite(rms) or used.mean() < 0.5 or rms > MOST_RMS_PX:
        raise ScaleError(
            "The marks on the board do not fit together.",
            "Check their distances and places, or click them again.",
            rms_px=rms,
            used=float(used.mean()),
        )
    return CameraFit(camera, covariance, rms, 1 - float(used.mean()), marks.squared, len(r))


def with_theta(camera: Camera, theta: Array) -> Camera:
    """The same picture seen with other parameters; used to carry the fit's covariance forward."""
    return replace(camera, theta=np.asarray(theta, float))

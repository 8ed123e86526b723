"""The camera: where it stood, how long its lens is, and where a pixel's ray meets a plane parallel to the board.

Frames
------
*pixel*: (x, y), x right, y down, (0, 0) = centre of the top-left pixel of the upright picture.
*board*: millimetres, X right and Y down as the board hangs, Z into the board, so that the frame is right-handed and
looks the way the camera does. A bow that stands ``h`` mm in front of the board lies in the plane Z = -h.

Model
-----
A pinhole with one radial term, x_d = x_u (1 + k1 r_u^2) (Brown 1971, first term), fitted to whatever marks there are by
least squares, the focal length, the principal point and k1 held by priors. The covariance of the fit goes on: it is the
"marks", "lens" and "focal" part of every later uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tillerlens.core.errors import ScaleError
from tillerlens.core.robust import mad_u

Array = NDArray[np.float64]

N_PARAMETERS = 10  # rotation vector (3), translation (3), log focal, k1, principal point (2)
# A phone's picture is straightened in the camera; what is left of the radial term is about a percent (Sensors 2023, 23,
# 728 finds phones' interior orientation unstable from picture to picture, so it is a prior, never a calibration).
K1_PRIOR_U = 0.02
PRINCIPAL_POINT_PRIOR_U = 0.004  # of the picture's long side
# How squarely a person holds a phone to a wall, when no marks can tell (common practice, no source).
OBLIQUENESS_PRIOR_U = np.radians(5.0)
BENT_LENS_U, SCATTERED = 5.0, 4.0  # standard uncertainties of the radial term; the marks' scatter over what they promise
MOST_RMS_PX = 8.0  # marks that miss by more do not belong together
# Of the fit: columns of like size (rotation rad, translation mm, log focal, k1, principal point px), or the small ones drown in
# rounding; rounds of reweighting, each of so many evaluations a parameter, until nothing moves by so much of a step.
STEPS = np.r_[np.full(3, 0.05), np.full(3, 50.0), 0.03, 0.01, 5.0, 5.0]
ROUNDS, EVALUATIONS, SETTLED = 5, 40, 1e-3
OUTLIER, USED = 4, 0.6  # standard uncertainties that halve a squared mark's weight; the root weight from which it is used
LEAST_FOR_SPREAD, LEAST_DOF = 24, 4  # residuals: fewer do not tell their own scatter
FOCAL_PRIOR_WITHOUT_EXIF = (0.85, 0.25)  # of the long side, relative standard uncertainty


@dataclass(frozen=True)
class Lens:
    """What is known of a picture's lens before any mark is seen.

    Attributes
    ----------
    size : the picture's width and height, px.
    focal_px, focal_u_px : the focal length that the camera quotes and its standard uncertainty; None where it quotes none.
    """

    size: tuple[int, int]
    focal_px: float | None = None
    focal_u_px: float | None = None

    @property
    def middle_px(self) -> tuple[float, float]:
        """The picture's middle, where the principal point may be expected."""
        return (self.size[0] - 1) / 2, (self.size[1] - 1) / 2

    @property
    def focal_prior(self) -> tuple[float, float]:
        """Focal length in px and its relative standard uncertainty, as quoted or as phones usually have it."""
        if self.focal_px and self.focal_u_px:
            return self.focal_px, self.focal_u_px / self.focal_px
        return FOCAL_PRIOR_WITHOUT_EXIF[0] * max(self.size), FOCAL_PRIOR_WITHOUT_EXIF[1]


def _squared(xy: Array) -> Array:
    """The squared lengths (N, 1) of vectors (N, 2); a sum along so short an axis would take numpy ten times as long."""
    return np.asarray(xy[:, :1] ** 2 + xy[:, 1:] ** 2)


@dataclass(frozen=True, eq=False)
class Camera:
    """One camera pose and lens. ``theta`` holds all ten parameters, so that a fit's covariance has one order."""

    theta: Array  # (10,)
    size: tuple[int, int]  # picture width, height in px

    @property
    def rotation(self) -> Array:
        """(3, 3) from the board's frame to the camera's."""
        return np.asarray(cv2.Rodrigues(self.theta[:3])[0], dtype=float)

    @property
    def focal_px(self) -> float:
        """The focal length."""
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
        xy = xy * (1 + self.theta[7] * _squared(xy))
        return np.asarray(xy * self.focal_px + self.theta[8:10], dtype=float)

    def rays(self, px: Array) -> Array:
        """Directions (N, 3) in the board frame of the rays through pixels (N, 2); not normalised."""
        xd = (px - self.theta[8:10]) / self.focal_px
        xu = xd / (1 + self.theta[7] * _squared(xd))
        for _ in range(3):  # |k1| r^2 is a percent or so: three rounds leave under 1e-8
            xu = xd / (1 + self.theta[7] * _squared(xu))
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
    sheet_points: int = 1  # so many points, one after the other, are on one sheet
    sheet_u_mm: float = 0.0  # that a sheet lies off its place, across and down, with all its points

    @staticmethod
    def of_points(px: Array, mm: Array, u_px: float | Array, squared: bool = True) -> Marks:
        """Marks whose board places ``mm`` (N, 2) are all known, seen at ``px`` (N, 2)."""
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


def _start(marks: Marks, lens: Lens) -> Array:
    """A first guess: the camera square to the board, turned and scaled as the marks ask."""
    known = ~np.isnan(marks.points_mm[:, 1])
    px, mm = marks.points_px, np.where(np.isnan(marks.points_mm), 0.0, marks.points_mm)
    (cx, cy), (focal, _) = lens.middle_px, lens.focal_prior
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


def fit_camera(marks: Marks, lens: Lens, start: Array | None = None) -> CameraFit:
    """Pose, focal length, principal point and radial term by robust least squares.

    Parameters
    ----------
    marks : what the picture shows of the board.
    lens : the prior of the lens.
    start : where to begin, theta (10,); by default the camera stands square to the board.

    Raises
    ------
    ScaleError
        When the marks contradict each other.
    """
    problem = _Problem(marks, lens)
    q = problem.begin(_start(marks, lens) if start is None else start)
    scale = np.r_[STEPS, np.full(len(q) - N_PARAMETERS, STEPS[3])]
    weight = np.ones(len(problem.residuals(q)))
    for _ in range(ROUNDS):  # iteratively re-weighted: Cauchy weights

        def weighted(p: Array, w: Array = weight) -> Array:
            return np.concatenate([problem.residuals(p) * w, problem.priors(p)])

        sol = least_squares(weighted, q, x_scale=scale, method="lm", max_nfev=EVALUATIONS * (len(q) + 1))
        moved = np.max(np.abs((sol.x - q) / scale))
        q = sol.x
        r = problem.residuals(q)
        spread = max(1.0, mad_u(r, 0.0)) if len(r) > LEAST_FOR_SPREAD else 1.0
        weight = 1 / np.sqrt(1 + (r / (OUTLIER * spread)) ** 2)
        if moved < SETTLED:
            break
    return _judged(problem, q, np.asarray(sol.jac) * scale, weight, scale)


def _sheets_apart(off: Array, marks: Marks, px_per_mm: float) -> Array:
    """Misses of points (N, 2), in their own standard uncertainties, as independent ones: what the points of a sheet miss by
    together counts by how far the sheet may lie off its place."""
    worth = (1 / marks.points_u_px).reshape(-1, marks.sheet_points, 1)
    total = np.sum(worth**2, axis=1, keepdims=True)
    keep = 1 / np.sqrt(1 + (marks.sheet_u_mm * px_per_mm) ** 2 * total)
    by_sheet = off.reshape(-1, marks.sheet_points, 2)
    together = worth * np.sum(worth * by_sheet, axis=1, keepdims=True) / total
    return np.asarray(by_sheet - (1 - keep) * together).reshape(-1, 2)


@dataclass(frozen=True, eq=False)
class _Problem:
    """The least-squares problem. The unknowns q are theta and, where points lie on one unknown horizontal, its Y (mm)."""

    marks: Marks
    lens: Lens

    def camera(self, q: Array) -> Camera:
        return Camera(q[:N_PARAMETERS], self.lens.size)

    def begin(self, theta: Array) -> Array:
        """q at theta."""
        marks = self.marks
        if not np.isnan(marks.points_mm[:, 1]).any():
            return theta.copy()
        y0 = float(np.mean(Camera(theta, self.lens.size).to_plane(marks.points_px)[:, 1])) if len(marks.lines_px) else 0.0
        return np.r_[theta, y0]

    def residuals(self, q: Array) -> Array:
        """Of all marks, in their standard uncertainties, each independent of the others: points' x and y, then lines."""
        off, n = self.misses(q), 2 * len(self.marks.points_px)
        if self.marks.sheet_u_mm:
            off[:n] = _sheets_apart(off[:n].reshape(-1, 2), self.marks, float(np.exp(q[6])) / q[5]).ravel()
        return off

    def misses(self, q: Array) -> Array:
        """Of all marks, in the standard uncertainties with which each was seen."""
        marks, cam = self.marks, self.camera(q)
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

    def priors(self, q: Array) -> Array:
        """Of the lens and, where no marks square the picture, of the view, in their standard uncertainties."""
        (focal, focal_rel_u), (cx, cy) = self.lens.focal_prior, self.lens.middle_px
        middle_u = PRINCIPAL_POINT_PRIOR_U * max(self.lens.size)
        out = [(q[6] - np.log(focal)) / focal_rel_u, q[7] / K1_PRIOR_U, (q[8] - cx) / middle_u, (q[9] - cy) / middle_u]
        if not self.marks.squared:
            n = self.camera(q).rotation[:, 2]
            out += [np.arctan2(n[0], n[2]) / OBLIQUENESS_PRIOR_U, np.arctan2(n[1], n[2]) / OBLIQUENESS_PRIOR_U]
        return np.asarray(out)


def _judged(problem: _Problem, q: Array, jac: Array, weight: Array, scale: Array) -> CameraFit:
    """The fit with its covariance, from the solution and its Jacobian per step of ``scale``. Raises ``ScaleError`` for marks that
    do not fit together."""
    marks = problem.marks
    r = problem.residuals(q)
    used = weight > USED
    dof = used.sum() - N_PARAMETERS
    # Marks that scatter more than promised count for less, priors keep their worth; marks that scatter less gain nothing.
    inflate = max(1.0, float(np.sum(r[used] ** 2)) / dof) if dof > LEAST_DOF else 1.0
    u_px = np.concatenate([np.repeat(marks.points_u_px, 2), np.full(len(marks.lines_px), marks.lines_u_px)])
    rms = float(np.sqrt(np.mean((problem.misses(q) * u_px)[used] ** 2))) if used.any() else np.inf
    jac[: len(r)] /= np.sqrt(inflate)
    covariance = (np.linalg.pinv(jac.T @ jac) * np.outer(scale, scale))[:N_PARAMETERS, :N_PARAMETERS]
    # a lens that bends lines as no phone's does, for marks that scatter all the same: it has taken up what a mark is off by
    taken_up = abs(q[7]) > BENT_LENS_U * K1_PRIOR_U and inflate > SCATTERED**2
    if not np.isfinite(rms) or used.mean() < 0.5 or rms > MOST_RMS_PX or taken_up:
        raise ScaleError(
            "The marks on the board do not fit together.",
            "Check their distances and places, or click them again.",
            rms_px=rms,
            used=float(used.mean()),
        )
    return CameraFit(problem.camera(q), covariance, rms, 1 - float(used.mean()), marks.squared, len(r))


def with_theta(camera: Camera, theta: Array) -> Camera:
    """The same picture seen with other parameters; used to carry the fit's covariance forward."""
    return replace(camera, theta=np.asarray(theta, float))

"""A bow followed from frame to frame: from one measured frame to where its handle, tips and string are in every other.

The phone's own movement is read from the still background, the handle's and the tips' from small pictures of them that are
laid onto each frame again (Lucas and Kanade 1981, the inverse way of Baker and Matthews 2004, brightness and contrast free), the
string's from its two straight lines. All places are on the bow's own plane, in mm of the board.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import LIMBS, Measurement
from tillerlens.photo.camera import Camera
from tillerlens.photo.light import sample

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Lost = Literal["", "background", "handle", "string", "tip"]

MOST_FEATURES, LEAST_FEATURES = 250, 8
SAME_PLACE_PX = 2.0  # by which a feature may miss the background's common movement
LEAST_SHARE = 0.25  # of the features that must move together: fewer are another scene
# A piece of a limb is like its picture in the first frame to a correlation of 0.97 and more while it shows; a hand on it is not.
ALIKE = 0.8
TIP_IN_MM, TIP_OUT_MM, TIP_ASIDE_MM = 110.0, 15.0, 16.0  # the piece of limb that is followed at each nock
HANDLE_SHARE, HANDLE_ASIDE_MM = 0.9, 42.0
TANGENT_MM = 50.0  # of a limb from its nock, whose direction is followed
BESIDE_MM = 5.0  # of the ground along an edge, that is looked at with the wood
# A limb bends much like a stiff rod on a hinge that sits 0.15 of its length from its root; its end turns 1.24 times as far as the
# rod (Howell, Compliant Mechanisms, 2001: the pseudo-rigid body of a cantilever under an end force).
HINGE, END_TURN = 0.15, 1.24
# How far the hook is looked for from where it was: a hand lets a bow down in half a second from half a metre, no faster than
# this; at the least and at the most. A string is a step or two wide.
REACH_MM_S, REACH_MM, MOST_REACH_MM, STEP_MM = 1500.0, 50.0, 550.0, 1.5
STRETCHED = 0.04  # by which half a string may seem longer or shorter where nothing squares the picture; a string itself hardly is
STRING_SHARE = 0.45  # of each half, that must show; of what the halves showed in the first frame, at the least
BLOCK = 8  # px of a line that are looked at together
FLAT_RAD = np.radians(8.0)  # lines that meet flatter than this fix their crossing only across


class FollowError(TillerLensError):
    """The clip cannot be followed."""

    code = "follow"


@dataclass(frozen=True, eq=False)
class Seen:
    """One frame. Places in the bow's own frame (mm, as in ``Measurement``); angles in radians; NaN where not seen.

    ``tips`` (2, 2) upper, lower; ``hook`` (2,); ``string_angle`` (2,); ``rock`` how far the handle has turned since the first
    frame, + towards the upper limb's back. ``sharp``: of the bow's edges, to be compared within one clip. ``px``: upper nock,
    lower nock, hook, handle, in the full frame, (4, 2); ``theta`` of the camera of the frame as it was followed.
    """

    lost: Lost
    tips: Array
    hook: Array
    string_angle: Array
    rock: float
    sharp: float
    px: Array
    theta: Array

    @property
    def draw_mm(self) -> float:
        """From the handle's middle line to the hook."""
        return -float(self.hook[1])


@dataclass(frozen=True, eq=False)
class Anchor:
    """What all frames are held against: the ``camera`` of the first, as it was followed, each of its pixels ``shrunk`` of the
    full frame wide and ``pixel_mm`` on the bow; ``back_mm``: of the handle's back above its middle line."""

    camera: Camera
    shrunk: float
    pixel_mm: float
    back_mm: float

    def moved(self, px: Array, theta: Array) -> Array:
        """Places (N, 2) of the board in the first frame, full size, to the frame that was seen by a camera ``theta``."""
        if not len(px):
            return px
        mm = self.camera.to_plane((px + 0.5) / self.shrunk - 0.5, 0.0)
        there = Camera(theta, self.camera.size).project(np.column_stack([mm, np.zeros(len(mm))]))
        return np.asarray((there + 0.5) * self.shrunk - 0.5)


def nothing(lost: Lost) -> Seen:
    """What is told of a frame in which the bow is not seen."""
    nan = float("nan")
    return Seen(lost, np.full((2, 2), nan), np.full(2, nan), np.full(2, nan), nan, nan, np.full((4, 2), nan), np.full(10, nan))


def resized(camera: Camera, k: float) -> Camera:
    """The camera of the same picture ``k`` times as large."""
    theta = camera.theta.copy()
    theta[6] += np.log(k)
    theta[8:10] = (theta[8:10] + 0.5) * k - 0.5
    return Camera(theta, (round(camera.size[0] * k), round(camera.size[1] * k)))


class _Piece:
    """A piece of the bow as the first frame shows it, found again in others. ``pose``: x, y mm and direction, radians."""

    def __init__(self, grey: Grey, wood: Grey, camera: Camera, height: float, pose: Array, box: tuple[float, ...]) -> None:
        self.height, self.pose = height, pose
        middle = camera.project(np.r_[pose[:2], -height][None])[0]
        aside = camera.project(np.r_[pose[0] + 10.0, pose[1], -height][None])[0]
        self.mm = 10.0 / float(np.linalg.norm(aside - middle))  # a pixel of the piece is as large as one of the picture
        lo, hi = np.asarray(box[:2], float) / self.mm, np.asarray(box[2:], float) / self.mm  # along, across: from, to
        self.shape = (int(np.ceil(hi[1] - lo[1])) + 1, int(np.ceil(hi[0] - lo[0])) + 1)
        self.corner: Array = lo
        y, x = np.mgrid[: self.shape[0], : self.shape[1]]
        self.x, self.y = x + lo[0], y + lo[1]
        self.keep = self._at(wood, camera, pose) > 127
        self.fits: list[tuple[float, Array, Array]] = []
        for blur in (2.0, 0.7):
            first = self._blurred(grey, camera, pose, blur)
            gy, gx = np.gradient(first)
            turn = -self.y * gx + self.x * gy
            parts = [np.asarray(a)[self.keep] for a in (gx, gy, turn, first, np.ones_like(first))]
            self.fits.append((blur, np.linalg.pinv(np.column_stack(parts)), first[self.keep]))

    def _at(self, grey: Grey, camera: Camera, pose: Array) -> NDArray[np.float64]:
        c, s = np.cos(pose[2]), np.sin(pose[2])
        long = 50.0
        corners = np.array([[0.0, 0.0], [c, s], [-s, c]]) * long + pose[:2]
        o, ex, ey = camera.project(np.column_stack([corners, np.full(3, -self.height)]))
        ax, ay = (ex - o) / long * self.mm, (ey - o) / long * self.mm
        at = np.column_stack([ax, ay, o + self.corner[0] * ax + self.corner[1] * ay])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (self.shape[1], self.shape[0])
        return np.asarray(cv2.warpAffine(grey, at, size, flags=flags, borderMode=cv2.BORDER_REPLICATE), float)

    def _blurred(self, grey: Grey, camera: Camera, pose: Array, blur: float) -> NDArray[np.float64]:
        return np.asarray(cv2.GaussianBlur(self._at(grey, camera, pose), (0, 0), blur), float)

    def find(self, grey: Grey, camera: Camera, guess: Array) -> tuple[Array, float, float]:
        """Its pose in another frame from a guess, how alike it is there (a correlation), and how sharp its edges are."""
        pose, alike, sharp = guess.copy(), 0.0, 0.0
        for blur, solve, _ in self.fits:
            for _ in range(8):
                now = self._blurred(grey, camera, pose, blur)[self.keep]
                d = solve @ now
                gain = max(float(d[3]), 0.2)
                step = -d[:3] / gain
                size = float(np.hypot(step[0], step[1]))
                step *= min(1.0, 4.0 / max(size, 1e-9))
                c, s = np.cos(pose[2]), np.sin(pose[2])
                pose = pose + np.r_[self.mm * (c * step[0] - s * step[1]), self.mm * (s * step[0] + c * step[1]), step[2]]
                if size < 0.003:
                    break
        now = self._blurred(grey, camera, pose, self.fits[-1][0])
        flat, first = now[self.keep], self.fits[-1][2]
        if flat.std() > 1e-6 and first.std() > 1e-6:
            alike = float(np.corrcoef(flat, first)[0, 1])
        gy, gx = np.gradient(now)
        sharp = float(np.mean(np.asarray(gx**2 + gy**2)[self.keep])) / max(float(flat.var()), 1.0)
        return pose, alike, sharp


class Follower:
    """Follows one bow through a clip, frame after frame, from one that was measured.

    Parameters
    ----------
    grey : (h, w) uint8
        That frame, ``shrunk`` times smaller than it was measured at.
    found : Measurement
        What was measured there, braced or drawn.
    camera : Camera
        Of the full frame.
    standoff_mm, handle_mm : float
        As in the shot.
    """

    def __init__(
        self, grey: Grey, shrunk: float, found: Measurement, camera: Camera, standoff_mm: float, handle_mm: float
    ) -> None:
        assert found.trace is not None
        self.shrunk, self.height = shrunk, standoff_mm
        self.camera = resized(camera, 1 / shrunk)
        wood = self._wood(grey.shape, found)
        self._anchor_background(grey, wood, found)
        self.reach_mm, self.seen_s = REACH_MM, 0.0
        self._anchor_bow(found)
        self._anchor_pieces(grey, wood, found, handle_mm)
        self._anchor_string(grey)
        key = "draw_length_back" if found.state == "drawn" else "brace_height_back"
        hook_y = found.trace.hook_mm[1] if found.trace.hook_mm is not None else self._own(self.hook)[1]
        back_mm = found.values[key].value + float(hook_y)
        self.anchor = Anchor(resized(camera, 1 / shrunk), shrunk, self.handle.mm, back_mm)

    # -- the first frame ---------------------------------------------------------------------------------------------------

    def _small(self, px: Array) -> Array:
        return (px + 0.5) / self.shrunk - 0.5

    def _plane(self, px: Array) -> Array:
        """Places of the small frame on the bow's plane, board mm."""
        return self.camera.to_plane(np.atleast_2d(px), self.height)

    def _wood(self, shape: tuple[int, ...], found: Measurement) -> Grey:
        """Where the bow's wood is, with a little ground beside it: 255."""
        assert found.trace is not None
        back, belly = self._small(found.trace.back_px), self._small(found.trace.belly_px)
        ok = np.isfinite(back).all(1) & np.isfinite(belly).all(1)
        outline = np.vstack([back[ok], belly[ok][::-1]])
        wood = np.zeros(shape[:2], np.uint8)
        cv2.fillPoly(wood, [np.round(outline).astype(np.int32)], 255)
        middle = self._small(found.trace.centre_px)
        cv2.polylines(wood, [np.round(middle).astype(np.int32)], False, 255, 3)
        px = BESIDE_MM * float(np.linalg.norm(np.diff(middle[[0, -1]], axis=0))) / self._chord(found)
        n = 2 * max(1, round(px)) + 1
        return np.asarray(cv2.dilate(wood, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n, n))), np.uint8)

    def _chord(self, found: Measurement) -> float:
        assert found.trace is not None
        return float(np.linalg.norm(found.trace.nocks_mm[0] - found.trace.nocks_mm[1]))

    def _anchor_background(self, grey: Grey, wood: Grey, found: Measurement) -> None:
        """Features that don't move with the bow: away from its wood and from where string, hook and hand may come."""
        assert found.trace is not None
        nocks, handle = self._small(found.trace.nocks_px), self._small(found.trace.handle_px)
        per_mm = float(np.linalg.norm(nocks[0] - nocks[1])) / self._chord(found)
        belly = nocks.mean(0) - handle
        belly /= np.linalg.norm(belly)
        far = handle + belly * 900 * per_mm
        reach = np.vstack([handle + (nocks - handle) * 1.1, far + (nocks - handle) * 0.35])
        free = np.full(grey.shape, 255, np.uint8)
        cv2.fillConvexPoly(free, cv2.convexHull(np.round(reach).astype(np.int32)), 0)
        free[cv2.dilate(wood, np.ones((9, 9), np.uint8)) > 0] = 0
        points = cv2.goodFeaturesToTrack(grey, MOST_FEATURES, 0.02, 8, mask=free, blockSize=5)
        n = 0 if points is None else len(points)
        if n < LEAST_FEATURES:
            raise FollowError(
                "The background shows too little to tell the phone's movement from the bow's.",
                "Put printed tags or marks on the board, and film them with the bow.",
            )
        self.features = cv2.cornerSubPix(
            grey, points, (3, 3), (-1, -1), (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.01)
        ).reshape(-1, 2)
        self.features_mm = np.column_stack([self.camera.to_plane(self.features.astype(float), 0.0), np.zeros(n)])
        self.first = grey

    def _anchor_bow(self, found: Measurement) -> None:
        """The bow's own frame on the plane: origin, axes (rows x, y) and scale, by its nocks and handle."""
        t = found.trace
        assert t is not None
        places = self._plane(self._small(np.vstack([t.nocks_px, t.handle_px])))
        own = np.vstack([t.nocks_mm, np.zeros(2)])
        best = None
        for sign in (1.0, -1.0):
            a, b = places - places.mean(0), (own - own.mean(0)) * [1.0, sign]
            turn = np.arctan2((b[:, 0] * a[:, 1] - b[:, 1] * a[:, 0]).sum(), (a * b).sum())
            r = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])  # rows: where x and y point
            axes = r * np.array([[1.0], [sign]])
            scale = float((b**2).sum() / ((a @ r.T) * b).sum())
            off = own - scale * (places - places[2]) @ axes.T
            origin = places[2] - (off.mean(0) / scale) @ axes
            miss = float(np.linalg.norm(off - off.mean(0)))
            if best is None or miss < best[0]:
                best = miss, origin, axes, scale
        assert best is not None
        _, self.origin0, self.axes0, self.scale = best
        self.origin, self.axes = self.origin0, self.axes0
        nocks = places[:2]
        if t.hook_px is None or t.hook_mm is None:  # a straight string: its middle is where the handle's line crosses it
            u, low = t.nocks_mm
            y = u[1] - u[0] * (low[1] - u[1]) / (low[0] - u[0])
            hook = self._out(np.array([0.0, y]))
        else:
            hook = self._plane(self._small(t.hook_px))[0]
        self.hook = hook
        self.string_mm = np.linalg.norm(nocks - hook, axis=1)

    def _out(self, own: Array) -> Array:
        """From the bow's own frame to the plane."""
        return np.asarray(self.origin + own @ self.axes / self.scale)

    def _own(self, plane: Array) -> Array:
        return np.asarray(self.scale * (plane - self.origin) @ self.axes.T)

    def _anchor_pieces(self, grey: Grey, wood: Grey, found: Measurement, handle_mm: float) -> None:
        along = float(np.arctan2(self.axes[0, 1], self.axes[0, 0]))
        half = HANDLE_SHARE * handle_mm / 2
        pose = np.r_[self.origin, along]
        box = (-half, -HANDLE_ASIDE_MM, half, HANDLE_ASIDE_MM)
        self.handle = _Piece(grey, wood, self.camera, self.height, pose, box)
        self.handle_pose = pose
        self.tips, self.tip_poses, self.hinges = [], [], []
        tip_box = (-TIP_OUT_MM, -TIP_ASIDE_MM, TIP_IN_MM, TIP_ASIDE_MM)
        assert found.trace is not None
        for name, nock in zip(LIMBS, self._plane(self._small(found.trace.nocks_px)), strict=True):
            p = found.profile[name]
            line = self._plane(self._small(p.centre_px))
            tangent = line[np.searchsorted(p.from_nock_mm, TANGENT_MM)] - nock
            pose = np.r_[nock, np.arctan2(tangent[1], tangent[0])]
            self.tips.append(_Piece(grey, wood, self.camera, self.height, pose, tip_box))
            self.tip_poses.append(pose)
            root = self._own(line[-1:])[0]
            length = float(p.from_nock_mm[-1])
            self.hinges.append(root + np.array([np.sign(root[0]) * HINGE * length, 0.0]))
        self.radii = [float(np.linalg.norm(self._own(p[:2]) - h)) for p, h in zip(self.tip_poses, self.hinges, strict=True)]

    def _anchor_string(self, grey: Grey) -> None:
        lines = [np.array([p[:2], self.hook]) for p in self.tip_poses]
        self.dark, shown = True, []
        for dark in (True, False):
            self.dark = dark
            ridge, corner = self._ridge(grey)
            shown.append(min(float(self._along(ridge, corner, line[None])[0]) for line in lines))
        self.dark = shown[0] >= shown[1]
        self.string_shown = max(shown)
        found = self._string(grey)
        if found is None:
            raise FollowError(
                "The string shows too little to be followed from frame to frame.",
                "Film it against a ground that it stands out from, closer, or with a string of another colour.",
            )
        self.hook = found[0]
        self.string_off = [_beside(line, p[:2]) for line, p in zip(found[1], self.tip_poses, strict=True)]

    # -- every other frame -------------------------------------------------------------------------------------------------

    def step(self, grey: Grey, time_s: float) -> Seen:
        """Where the bow is in the next frame. While it is hidden it is looked for further and further from where it was last."""
        self.reach_mm = float(np.clip(REACH_MM_S * (time_s - self.seen_s), REACH_MM, MOST_REACH_MM))
        seen = self._step(grey)
        if not seen.lost:
            self.seen_s = time_s
        return seen

    def state(self) -> dict[str, list[float] | float]:
        """All that the last frame left behind, for ``restore``."""
        arrays = {"theta": self.camera.theta, "handle": self.handle_pose, "origin": self.origin, "axes": self.axes}
        arrays |= {"hook": self.hook, "tips": np.array(self.tip_poses)}
        return {"seen_s": self.seen_s} | {k: np.ravel(a).tolist() for k, a in arrays.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on after the frame that ``state`` was taken after."""
        a = {k: np.array(v, float) for k, v in state.items()}
        self.seen_s = float(a["seen_s"])
        self.camera = Camera(a["theta"], self.camera.size)
        self.handle_pose, self.origin, self.axes, self.hook = a["handle"], a["origin"], a["axes"].reshape(2, 2), a["hook"]
        self.tip_poses = list(a["tips"].reshape(2, 3))

    def _step(self, grey: Grey) -> Seen:
        if not self._move_camera(grey):
            return nothing("background")
        pose, alike, sharp = self.handle.find(grey, self.camera, self.handle_pose)
        if alike < ALIKE:
            return nothing("handle")
        self.handle_pose = pose
        turn = float(pose[2] - self.handle.pose[2])
        r = _rotation(turn)
        self.origin = pose[:2] + r @ (self.origin0 - self.handle.pose[:2])
        self.axes = self.axes0 @ r.T
        found = self._string(grey)
        if found is None:
            return nothing("string")
        hook, lines, guesses = found
        tips, likes = [], []
        for piece, guess, line, off in zip(self.tips, guesses, lines, self.string_off, strict=True):
            at, alike, crisp = piece.find(grey, self.camera, guess)
            # a limb shows little of how far along it a place is: the string's line passes its nock as it did in the first frame
            tangent = np.array([np.cos(at[2]), np.sin(at[2])])
            at[:2] += (off - _beside(line, at[:2])) / _beside(line, line[0] + tangent) * tangent
            tips.append(at)
            likes.append(alike)
            sharp += crisp
        # the string holds each nock: a piece that has slid off along it is something else's
        reach = np.array([float(np.linalg.norm(t[:2] - hook)) for t in tips])
        if min(likes) < ALIKE or np.abs(reach / self.string_mm - 1).max() > STRETCHED:
            return nothing("tip")
        self.hook, self.tip_poses = hook, tips
        angles = []
        for t in tips:
            v = hook - t[:2]
            angles.append(np.arccos(np.clip(v @ [np.cos(t[2]), np.sin(t[2])] / np.hypot(*v), -1, 1)))
        places = np.vstack([[t[:2] for t in tips], [hook], [self.origin]])
        px = self.camera.project(np.column_stack([places, np.full(4, -self.height)]))
        full = (px + 0.5) * self.shrunk - 0.5
        rock = turn * float(np.sign(self.axes0[0, 0] * self.axes0[1, 1] - self.axes0[0, 1] * self.axes0[1, 0]))
        own = self._own(places)
        return Seen("", own[:2], own[2], np.array(angles), rock, sharp, full, self.camera.theta)

    def _move_camera(self, grey: Grey) -> bool:
        """Move the camera so that the still background lies where it is seen; False where it is not seen."""
        for guess in (self.camera.project(self.features_mm), self.features):
            flags, start = cv2.OPTFLOW_USE_INITIAL_FLOW, guess.astype(np.float32).reshape(-1, 1, 2)
            at, ok, _ = cv2.calcOpticalFlowPyrLK(
                self.first, grey, self.features.reshape(-1, 1, 2), start.copy(), winSize=(15, 15), maxLevel=3, flags=flags
            )
            good = ok.ravel() == 1
            if good.sum() < LEAST_FEATURES:
                continue
            px = at.reshape(-1, 2)
            _, same = cv2.findHomography(self.features[good], px[good], cv2.RANSAC, SAME_PLACE_PX, maxIters=500)
            used = np.zeros(len(px), bool)
            used[np.nonzero(good)[0]] = same is not None and same.ravel() == 1
            if used.sum() >= max(LEAST_FEATURES, LEAST_SHARE * len(px)):
                self.camera = _pose(self.camera, self.features_mm[used], px[used].astype(float))
                return True
        return False

    def _ridge(self, grey: Grey) -> tuple[NDArray[np.float32], Array]:
        """How much thin lines of the string's kind stand out, where it can be; and that part's corner in the frame, px."""
        nocks = np.array([p[:2] for p in self.tip_poses])
        away = -self.axes[1] / self.scale
        far = away * self.reach_mm
        around = np.vstack([nocks, nocks + far, nocks - far, self.hook + far, self.origin])
        px = self.camera.project(np.column_stack([around, np.full(len(around), -self.height)]))
        h, w = grey.shape
        lo = np.clip(np.floor(px.min(0)) - 12, 0, [w - 2, h - 2]).astype(int)
        hi = np.clip(np.ceil(px.max(0)) + 12, lo + 2, [w, h]).astype(int)
        part = cv2.GaussianBlur(grey[lo[1] : hi[1], lo[0] : hi[0]], (0, 0), 0.8)
        kind = cv2.MORPH_BLACKHAT if self.dark else cv2.MORPH_TOPHAT
        ridge = cv2.morphologyEx(part, kind, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9)))
        return np.asarray(ridge, np.float32), lo.astype(float)

    def _along(self, ridge: NDArray[np.float32], corner: Array, lines: Array) -> Array:
        """Mean of the ridge along lines (N, 2, 2) on the plane, a few bright crossings cut down."""
        t = np.linspace(0.06, 0.94, 70)[None, :, None]
        ends = self.camera.project(np.column_stack([lines.reshape(-1, 2), np.full(2 * len(lines), -self.height)])).reshape(
            -1, 2, 2
        )
        v = sample(ridge, ends[:, None, 0] * (1 - t) + ends[:, None, 1] * t - corner)
        return np.asarray(np.minimum(v, 2 * np.median(v, axis=1, keepdims=True) + 2).mean(1), float)

    def _string(self, grey: Grey) -> tuple[Array, list[Array], list[Array]] | None:
        """The hook on the plane, the string's two lines, and where the tips should then be; None where it is not seen."""
        ridge, corner = self._ridge(grey)
        was = self._own(np.vstack([self.hook, *[p[:2] for p in self.tip_poses]]))
        before = self._swung(was[:1])
        away = was[0] / np.linalg.norm(was[0])
        hooks = was[0] + np.arange(-self.reach_mm, self.reach_mm + 0.1, STEP_MM)[:, None] * away
        moved = was[1:] + self._swung(hooks)[1] - before[1]
        reached = np.isfinite(moved).all(axis=(1, 2))
        if not reached.any():
            return None
        hooks, moved = hooks[reached], moved[reached]
        lines = np.stack([moved, np.broadcast_to(hooks[:, None], moved.shape)], axis=2)
        shown = self._along(ridge, corner, self._out(lines.reshape(-1, 2)).reshape(-1, 2, 2)).reshape(-1, 2)
        score = np.sqrt(shown[:, 0] * shown[:, 1])
        best = int(np.argmax(score))
        if score[best] < STRING_SHARE * self.string_shown:
            return None
        fitted = []
        for line in lines[best]:
            seen = self._straight(ridge, corner, self._out(line))
            if seen is None:
                return None
            fitted.append(seen)
        hook = _crossing(fitted[0], fitted[1], self._out(hooks[best]), self.origin)
        angles, tips = (now - then for now, then in zip(self._swung(self._own(hook)[None]), before, strict=True))
        if not np.isfinite(angles).all():
            return None
        hand = float(np.sign(self.axes[0, 0] * self.axes[1, 1] - self.axes[0, 1] * self.axes[1, 0]))
        turns = [p[2] + hand * END_TURN * a for p, a in zip(self.tip_poses, angles[0], strict=True)]
        guesses = [np.r_[self._out(w + moved), turn] for w, moved, turn in zip(was[1:], tips[0], turns, strict=True)]
        return hook, fitted, guesses

    def _swung(self, hooks: Array) -> tuple[Array, Array]:
        """For hooks (N, 2) in the bow's own frame, both limbs' angles (N, 2) and tips (N, 2, 2), swung on their hinges as far as
        their halves of the string let them; NaN where that does not reach."""
        angles, tips = [], []
        for hinge, radius, half, pose in zip(self.hinges, self.radii, self.string_mm * self.scale, self.tip_poses, strict=True):
            d = hooks - hinge
            apart = np.hypot(d[:, 0], d[:, 1])
            cos = (apart**2 + radius**2 - half**2) / (2 * apart * radius)
            opened = np.arccos(np.where(np.abs(cos) > 1, np.nan, cos))
            v = self._own(pose[:2]) - hinge
            side = np.sign(d[:, 0] * v[1] - d[:, 1] * v[0])  # on which side of the line from hinge to hook the tip is
            angle = np.arctan2(d[:, 1], d[:, 0]) + side * opened
            angles.append(angle)
            tips.append(hinge + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
        return np.column_stack(angles), np.stack(tips, axis=1)

    def _straight(self, ridge: NDArray[np.float32], corner: Array, line: Array) -> Array | None:
        """The string's straight line beside a guess, both (2, 2) on the plane; None where too little of it shows."""
        a, b = self.camera.project(np.column_stack([line, np.full(2, -self.height)])) - corner
        length = float(np.linalg.norm(b - a))
        n = np.array([-(b - a)[1], (b - a)[0]]) / length
        blocks = max(10, int(length / BLOCK))
        t = (np.arange(blocks * BLOCK) + 0.5) / (blocks * BLOCK)
        share = t.reshape(blocks, BLOCK).mean(1)
        off = np.arange(-7.0, 7.01, 0.5)
        v = sample(ridge, a + t[:, None, None] * (b - a) + off[None, :, None] * n).reshape(blocks, BLOCK, -1).mean(1)
        inner = (share > 0.05) & (share < 0.95)
        share, v = share[inner], v[inner]
        place = np.zeros(len(share))
        fit = np.zeros(2)
        seen = np.zeros(len(share), bool)
        floor = np.median(v) + 0.25 * (float(np.median(v.max(1))) - np.median(v))
        for width in (4.0, 2.0, 1.2, 1.2):
            w = np.clip(v - np.median(v), 0, None) * np.exp(-0.5 * ((off[None] - np.polyval(fit, share)[:, None]) / width) ** 2)
            total = w.sum(1)
            place = np.where(total > 0, (w * off).sum(1) / np.maximum(total, 1e-9), np.nan)
            seen = (v.max(1) > floor) & np.isfinite(place)
            if seen.sum() < 6:
                return None
            for _ in range(3):
                fit = np.polyfit(share[seen], place[seen], 1)
                away = np.abs(place - np.polyval(fit, share))
                seen &= away < 3 * 1.4826 * float(np.median(away[seen])) + 0.15
                if seen.sum() < 6:
                    return None
        if seen.mean() < STRING_SHARE:
            return None
        ends = np.array([a + k * (b - a) + float(np.polyval(fit, k)) * n for k in (0.0, 1.0)]) + corner
        return self._plane(ends)


def _rotation(turn: float) -> Array:
    return np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])


def _beside(line: Array, at: Array) -> float:
    """How far a place lies beside a line (2, 2), signed."""
    d = line[1] - line[0]
    return float((d[0] * (at - line[0])[1] - d[1] * (at - line[0])[0]) / np.hypot(*d))


def _crossing(first: Array, second: Array, guess: Array, origin: Array) -> Array:
    """Where two lines (2, 2) meet; where they are nearly one, where the line from the origin through the guess meets them."""
    u, v = (line[1] - line[0] for line in (first, second))
    angle = abs(float(np.arcsin((u[0] * v[1] - u[1] * v[0]) / (np.hypot(*u) * np.hypot(*v)))))
    if angle > FLAT_RAD:
        return np.asarray(first[0] + np.linalg.solve(np.column_stack([u, -v]), second[0] - first[0])[0] * u)
    d = guess - origin
    met = [line[0] + np.linalg.solve(np.column_stack([w, -d]), origin - line[0])[0] * w for line, w in ((first, u), (second, v))]
    return np.asarray((met[0] + met[1]) / 2)


def _pose(camera: Camera, mm: Array, px: Array) -> Camera:
    """The camera turned and moved, its lens kept, so that board places (N, 3) lie where they are seen (N, 2); robust."""
    theta = camera.theta.copy()
    for _ in range(4):
        at = Camera(theta, camera.size)
        miss = (px - at.project(mm)).ravel()
        jac = np.empty((len(miss), 6))
        for k, step in enumerate((1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2)):
            moved = theta.copy()
            moved[k] += step
            jac[:, k] = (Camera(moved, camera.size).project(mm) - at.project(mm)).ravel() / step
        spread = 1.4826 * float(np.median(np.abs(miss))) + 0.02
        w = np.sqrt(1 / (1 + (miss / (2 * spread)) ** 2))
        change = np.linalg.lstsq(jac * w[:, None], miss * w, rcond=None)[0]
        theta[:6] += change
        if np.abs(change[:3]).max() < 1e-7:
            break
    return Camera(theta, camera.size)

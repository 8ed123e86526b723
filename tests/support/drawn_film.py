"""Clips of a bow that is drawn and let down, made with plain lines and four printed tags, and what is exactly true of each frame.

The limbs are arcs of a circle, so nothing of them follows the hinged rods that the product looks for them by.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import brentq

from tillerlens.core.measurement import LIMBS, LimbProfile, Measurement, PhotoId, TracedBow, Value
from tillerlens.core.shot_file import read_shot
from tillerlens.photo.camera import Camera

SIZE = (1280, 720)
HEIGHT_MM, HALF_MM, LIMB_MM = 40.0, 110.0, 680.0  # before the board; half of the rigid handle; a limb
STRING_MM = 765.0  # from nock to hook
# A limb's turn at which the string is straight, to a mm: with less it would hang loose.
STRAIGHT = float(brentq(lambda t: HALF_MM + LIMB_MM * np.sin(t) / t - STRING_MM + 1e-3, 0.2, 1.0))
THICK_MM, BACK_MM = 14.0, 8.0
AT_MM = np.array([1020.0, 330.0])  # the handle's middle on the board
GIVEN = {
    "state": "drawn",
    "bow_length_nock_to_nock_in": 2 * (HALF_MM + LIMB_MM) / 25.4,
    "standoff_in": HEIGHT_MM / 25.4,
    "upper_limb": "left",
    "back": "up",
    "handle_in": 2 * HALF_MM / 25.4,
    "scale": {
        "kind": "aruco",
        "side_in": 4.0,
        "centres_in": {"0": [0, 0], "1": [80, 0], "2": [0, 44], "3": [80, 44]},
    },
}


@dataclass(frozen=True)
class Pose:
    """One frame: how far each limb turns (rad), and where the camera is off its usual place (mm aside, up, back; rad)."""

    turn: float
    camera: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    def limb(self, side: int, n: int = 60) -> np.ndarray:
        """From the root to the nock, (n, 2) mm in the bow's frame, x right, y toward the back; ``side`` -1 left, 1 right."""
        s = np.linspace(0, LIMB_MM, n)
        k = max(self.turn, 1e-6) / LIMB_MM
        return np.column_stack([side * (HALF_MM + np.sin(k * s) / k), (np.cos(k * s) - 1) / k])

    @property
    def tip(self) -> np.ndarray:
        return self.limb(-1)[-1]

    @property
    def hook(self) -> np.ndarray:
        x, y = self.tip
        return np.array([0.0, y - np.sqrt(STRING_MM**2 - x**2)])

    @property
    def draw_mm(self) -> float:
        return BACK_MM - float(self.hook[1])

    @property
    def string_angle_deg(self) -> float:
        v = self.hook - self.tip
        inward = np.array([np.cos(self.turn), np.sin(self.turn)])
        return float(np.degrees(np.arccos(v @ inward / np.hypot(*v))))

    def seen_by(self) -> Camera:
        dx, dy, dz, roll = self.camera
        theta = np.r_[0.04, -0.03, 0.02 + roll, -1020.0 + dx, -570.0 + dy, 2150.0 + dz, np.log(1050.0), 0.0, 639.5, 359.5]
        return Camera(theta, SIZE)

    def px(self, own: np.ndarray) -> np.ndarray:
        """Places of the bow's frame, with the upper limb left, in the picture. The frame's x runs toward the upper limb's side
        in the measurement; here it is the board's own."""
        own = np.atleast_2d(own)
        board = np.column_stack([AT_MM[0] + own[:, 0], AT_MM[1] - own[:, 1], np.full(len(own), -HEIGHT_MM)])
        return self.seen_by().project(board)


def at_draw(draw_mm: float, camera: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)) -> Pose:
    """The pose in which the bow is drawn so far."""
    low, high = STRAIGHT, 2.0
    for _ in range(50):
        mid = (low + high) / 2
        low, high = (mid, high) if Pose(mid).draw_mm < draw_mm else (low, mid)
    return Pose(low, camera)


def pull(n_up: int = 12, n_hold: int = 6, n_down: int = 6) -> list[Pose]:
    """A pull from 250 to 600 mm, a hold and a let-down, filmed from a hand that is never quite still."""
    draws = np.r_[np.linspace(250, 600, n_up, endpoint=False), np.full(n_hold, 600.0), np.linspace(560, 250, n_down)]
    t = np.arange(len(draws))
    hand = np.column_stack([4 * np.sin(t / 5), 3 * np.sin(t / 3 + 1), 40 * np.sin(t / 2.3), 0.002 * np.sin(t / 4)])
    return [at_draw(d, tuple(h)) for d, h in zip(draws, hand, strict=True)]


def picture(pose: Pose, rng: np.random.Generator) -> np.ndarray:
    """(H, W, 3) uint8."""
    cam = pose.seen_by()
    seen = np.full((*SIZE[::-1], 3), 205, np.uint8)
    tags = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    half = 25.4 * 4.0 / 2
    for tag, (x, y) in GIVEN["scale"]["centres_in"].items():
        side = cv2.aruco.generateImageMarker(tags, int(tag), 240)
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + 25.4 * np.array([x, y])
        at = cam.project(np.column_stack([corners, np.zeros(4)]))
        src = np.array([[-0.5, -0.5], [239.5, -0.5], [239.5, 239.5], [-0.5, 239.5]], np.float32)
        m = cv2.getPerspectiveTransform(src, at.astype(np.float32))
        on = cv2.warpPerspective(np.full_like(side, 255), m, SIZE)
        seen[on > 127] = cv2.warpPerspective(side, m, SIZE)[on > 127][:, None]

    def line(own: np.ndarray, mm: float, colour: tuple[int, int, int]) -> None:
        points = np.round(pose.px(own) * 16).astype(np.int32)
        cv2.polylines(seen, [points], False, colour, max(1, round(mm * 0.49)), cv2.LINE_AA, 4)

    line(np.vstack([pose.limb(-1)[::-1], pose.limb(1)]), THICK_MM, (120, 85, 60))
    line(np.array([[-80.0, -4.0], [80.0, -4.0]]), 24.0, (95, 65, 45))
    line(np.vstack([pose.tip, pose.hook, pose.tip * [-1, 1]]), 3.0, (25, 25, 30))
    noise = rng.normal(0, 2.0, (*SIZE[::-1], 1)).astype(np.float32)
    return np.clip(seen + noise, 0, 255).astype(np.uint8)


def write(path: Path, pictures: list[np.ndarray], times_s: np.ndarray, turned: int = 0, whole_every: int = 250) -> Path:
    """A clip; ``turned``: degrees that a player has to turn it by, counter-clockwise; ``whole_every``: from one frame that stands
    by itself to the next."""
    import av

    h, w = pictures[0].shape[:2]
    with av.open(str(path), "w", options={"movflags": "faststart"}) as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = w, h, "yuv420p"
        stream.options = {"crf": "20", "preset": "ultrafast", "g": str(whole_every)}
        stream.codec_context.time_base = Fraction(1, 12000)
        if turned:
            stream.set_display_rotation(turned)
        for rgb, t in zip(pictures, times_s, strict=True):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")
            frame.pts, frame.time_base = round(t * 12000), Fraction(1, 12000)
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def measured(pose: Pose) -> Measurement:
    """What a perfect measurement of that frame says; its frame has x toward the upper limb, here left."""
    mirror = np.array([-1.0, 1.0])
    profile = {}
    for name, side in zip(LIMBS, (-1, 1), strict=True):
        own = pose.limb(side)[::-1]
        s = np.linspace(0, LIMB_MM, len(own))
        flat = np.full(len(own), THICK_MM)
        profile[name] = LimbProfile(s, flat, flat, flat, flat, own * mirror, pose.px(own), flat)
    line = np.vstack([pose.limb(-1)[::-1], pose.limb(1)])
    up = np.array([0.0, THICK_MM / 2])
    nocks = np.array([pose.tip, pose.tip * mirror])
    trace = TracedBow(
        pose.px(line + up), pose.px(line - up), pose.px(line), pose.px(nocks), nocks * mirror, pose.hook * mirror,
        pose.px(np.zeros(2))[0], pose.px(pose.hook)[0], np.empty((0, 2, 2)),
    )  # fmt: skip
    y, angle = float(pose.tip[1]), pose.string_angle_deg
    numbers = {"draw_length_back": pose.draw_mm, "tip_height_upper": y, "tip_height_lower": y, "tip_height_difference": 0.0}
    values = {n: Value(v, 0.5, "mm") for n, v in numbers.items()}
    values |= {f"string_angle_{limb}": Value(angle, 0.2, "deg") for limb in LIMBS}
    state = "drawn"
    if pose.turn == STRAIGHT:
        values["brace_height_back"] = values.pop("draw_length_back")
        trace, state = replace(trace, hook_mm=None, hook_px=None), "braced"
    about = {"shot": replace(read_shot(GIVEN), state=state), "photo": PhotoId("a frame", "0" * 64, SIZE)}
    return Measurement("measured", state, values=values, profile=profile, trace=trace, **about)

"""A first look at a clip: the frame near full draw found among a few, before the whole of it is followed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.core.stretches import stretches_of
from tillerlens.film.clip import Frame
from tillerlens.trace.network import FinderMaps, find_maps

Array = NDArray[np.float64]

LOOKS = 8  # frames that are looked at, a tenth of a second each: a hold of a second shows in one of them up to 8 s of clip
SEEN, LEAST_SEEN = 0.5, 150  # probability from which a place of the map is limb, and so many of them that are a bow
OUTERMOST = 1.0  # percentile: single places of the map are mistaken, a drawn string's two halves have hundreds
NEAR = 0.05  # of the way from the shallowest to the deepest, within which a frame is as good as the deepest
LEAST_WAY = 0.05  # of the bow's length, that the depth changes by in a pull
SAME_PX = 0.5  # by which a mark that is followed there and back may miss itself


def most_drawn(frames: Iterable[Frame]) -> tuple[Frame, Frame] | None:
    """The first frame, and one in the middle of the longest draw; None where no pull is seen.

    How far a bow is drawn shows in how deep it is, string and all, across its own length. That orders frames; it measures none.
    """
    first: Frame | None = None
    deep: list[tuple[int, float, Frame | None]] = []
    for i, frame in enumerate(frames):
        first = first or frame
        depth = depth_of(find_maps(frame.rgb()))
        if depth is None:
            continue
        deep.append((i, depth, frame))
        best = max(d for _, d, _ in deep)
        # only those that may be chosen are kept, so that a long clip in 4K needs no more memory
        deep = [(j, d, f if d > best - 2 * NEAR else None) for j, d, f in deep]
    if first is None or len(deep) < 2:
        return None
    depths = np.array([d for _, d, _ in deep])
    if np.ptp(depths) < LEAST_WAY:
        return None
    near = depths >= depths.max() - NEAR * np.ptp(depths)
    a, b = max(stretches_of(near), key=lambda r: r[1] - r[0])
    chosen = deep[(a + b) // 2][2]
    return None if chosen is None else (first, chosen)


def depth_of(maps: FinderMaps) -> float | None:
    """How deep limbs and string are together across the limbs' own direction, as a share of their length; None without a bow."""
    limb, string = (np.argwhere(m > SEEN)[:, ::-1].astype(float) for m in (maps.limb, maps.string))
    if len(limb) < LEAST_SEEN:
        return None
    middle = limb.mean(0)
    along = np.linalg.svd(np.cov((limb - middle).T))[0][:, 0]
    across = np.array([-along[1], along[0]])
    length = float(np.ptp(np.percentile((limb - middle) @ along, [OUTERMOST, 100 - OUTERMOST])))
    ends = [np.percentile((p - middle) @ across, [OUTERMOST, 100 - OUTERMOST]) for p in (limb, string) if len(p) >= 10]
    return float(np.ptp(np.concatenate(ends))) / max(length, 1e-9)


def carried(first: Frame, other: Frame, px: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...] | None:
    """Clicked marks of the first frame in another one, full size; None where any of them can't be followed there and back."""
    if not px:
        return ()
    start = ((np.array(px) + 0.5) / first.shrunk - 0.5).astype(np.float32).reshape(-1, 1, 2)
    how = {"winSize": (31, 31), "maxLevel": 4}
    there, ok, _ = cv2.calcOpticalFlowPyrLK(first.grey, other.grey, start, None, **how)  # type: ignore[call-overload]
    back, ok_back, _ = cv2.calcOpticalFlowPyrLK(other.grey, first.grey, there, None, **how)  # type: ignore[call-overload]
    if not (ok.all() and ok_back.all() and np.abs(back - start).max() < SAME_PX):
        return None
    full = (there.reshape(-1, 2).astype(float) + 0.5) * other.shrunk - 0.5
    return tuple((float(x), float(y)) for x, y in full)

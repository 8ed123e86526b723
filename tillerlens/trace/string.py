"""The drawn string: two straight lines from the nocks that meet at the hook.

Its pixels may be few and faint, but it is straight, a thousand pixels long, and starts at known places: the evidence is
summed along whole lines, so that a string that no pixel shows clearly is still found.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tillerlens.photo.light import sample
from tillerlens.trace.nets import FinderMaps

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DrawnString:
    """``hook`` (2,) px; ``lines``: per limb (2, 2) px, a point near the nock and one near the hook; ``u_px`` of the
    hook along and across the draw; ``clear``: share of each line's length that shows the string."""

    hook: Array
    lines: tuple[Array, Array]
    u_px: float
    clear: tuple[float, float]
    offset_px: tuple[float, float]  # how far each line passes from its nock


def coarse_hook(maps: FinderMaps, nocks: Array, handle: Array, belly: Array, px_per_mm: float,
                draw_mm: tuple[float, float] = (80.0, 800.0)) -> tuple[Array, float]:
    """The hook as the place from which both lines to the nocks lie best on the string map; and that share.

    ``nocks`` (2, 2), ``handle`` (2,) px; ``belly`` (2,) unit, from the handle towards the belly. The hook is sought within
    100 mm of the line through the handle.
    """
    side = np.array([-belly[1], belly[0]])
    evidence = cv2.GaussianBlur(np.maximum(maps.string, 0.25 * maps.limb), (0, 0), 0.8)
    depth = np.arange(draw_mm[0], draw_mm[1], 8.0) * px_per_mm
    across = np.arange(-100, 101, 8.0) * px_per_mm

    def score(d: Array, a: Array) -> Array:
        hooks = handle + d[:, None, None] * belly + a[None, :, None] * side
        t = np.linspace(0.06, 0.97, 120)[None, None, :, None]
        total = []
        for nock in nocks:
            pts = maps.to_map(nock + t * (hooks[:, :, None] - nock))
            v = sample(evidence, pts.reshape(len(d) * len(a), -1, 2))
            total.append(np.minimum(v, 0.8).reshape(len(d), len(a), -1).mean(2))
        return np.asarray(np.sqrt(total[0] * total[1]) + 0.1 * (total[0] + total[1]))

    s = score(depth, across)
    i, j = np.unravel_index(int(np.argmax(s)), s.shape)
    fine_d = depth[i] + np.arange(-8, 8.1, 1.0) * px_per_mm
    fine_a = across[j] + np.arange(-8, 8.1, 1.0) * px_per_mm
    s = score(fine_d, fine_a)
    i, j = np.unravel_index(int(np.argmax(s)), s.shape)
    return handle + fine_d[i] * belly + fine_a[j] * side, float(s[i, j] / 1.2)


def fit_line(light: NDArray[np.uint16], start: Array, end: Array, reach: float = 9.0) -> tuple[Array, float, float]:
    """The straight thin line near start -> end: (2, 2) px refined ends, share of length seen, scatter in px.

    The strip along the guess is averaged in blocks; in each block the thin line shows as a ridge of either sign. All pairs
    of offsets at the two ends are tried, the best pair refined by a robust straight fit through the blocks' ridges.
    """
    d = end - start
    length = float(np.hypot(*d))
    u = d / length
    n = np.array([-u[1], u[0]])
    off = np.arange(-reach - 3, reach + 3.01, 0.5)
    blocks = max(12, int(length / 14))
    t = np.linspace(0.04, 0.96, blocks * 8)
    pts = start + t[:, None, None] * d + off[None, :, None] * n
    v = np.sqrt(sample(light, pts) / 65535.0)  # near to equal steps of noise
    v = v.reshape(blocks, 8, len(off), -1).mean(1)
    k = 4  # 2 px at each side
    ridge = v[:, k:-k] - 0.5 * (v[:, : -2 * k] + v[:, 2 * k :])
    noise = 1.4826 * np.median(np.abs(ridge - np.median(ridge, axis=(0, 1))), axis=(0, 1)) + 1e-4
    z = ridge / noise
    o = off[k:-k]
    tb = t.reshape(blocks, 8).mean(1)
    a = np.arange(-reach, reach + 0.01, 0.5)
    at = a[:, None, None] * (1 - tb) + a[None, :, None] * tb  # (a, b, blocks)
    idx = np.clip(np.round((at - o[0]) / 0.5).astype(int), 0, len(o) - 1)
    rows = np.arange(blocks)
    best_score, best = -1.0, (0.0, 0.0)
    energy = np.minimum(np.linalg.norm(z, axis=2), 6.0)
    same = np.zeros(idx.shape[:2])
    for sign in (1.0, -1.0):  # one colour of string, or its ridge power where the ground changes under it
        grey = np.clip(sign * z.sum(2), 0, 8.0)
        same = np.maximum(same, grey[rows, idx].mean(2))
    total = same + 0.5 * energy[rows, idx].mean(2)
    i, j = np.unravel_index(int(np.argmax(total)), total.shape)
    best_score, best = float(total[i, j]), (float(a[i]), float(a[j]))
    guess = best[0] * (1 - tb) + best[1] * tb
    strength = np.linalg.norm(z, axis=2)
    near = np.exp(-0.5 * ((o[None] - guess[:, None]) / 0.8) ** 2)
    w = np.clip(strength - 1.5, 0, None) * near
    seen = w.max(1) > 0.8
    place = (w * o).sum(1) / np.maximum(w.sum(1), 1e-9)
    if seen.sum() < 6 or best_score <= 0:
        return np.array([start, end]), float(seen.mean()), np.nan
    keep = seen.copy()
    line = np.array([best[1] - best[0], best[0]])
    for _ in range(4):
        line = np.polyfit(tb[keep], place[keep], 1)
        off_line = place - np.polyval(line, tb)
        scatter = 1.4826 * float(np.median(np.abs(off_line[keep]))) + 0.02
        keep = seen & (np.abs(off_line) < 3 * scatter + 0.1)
    a0, a1 = np.polyval(line, 0.0), np.polyval(line, 1.0)
    return np.array([start + a0 * n, end + a1 * n]), float(keep.mean()), scatter


def find_string(light: NDArray[np.uint16], maps: FinderMaps, nocks: Array, handle: Array, belly: Array,
                px_per_mm: float, clicked: Array | None = None) -> DrawnString | None:
    """Both string lines and the hook where they meet; None when neither line can be seen."""
    hook, _ = (clicked, 1.0) if clicked is not None else coarse_hook(maps, nocks, handle, belly, px_per_mm)
    assert hook is not None
    fitted = [fit_line(light, nock, hook, reach=9.0) for nock in nocks]
    (la, ca, sa), (lb, cb, sb) = fitted
    if min(ca, cb) < 0.15 or not np.isfinite(sa + sb):
        return None
    da, db = la[1] - la[0], lb[1] - lb[0]
    m = np.column_stack([da, -db])
    if abs(np.linalg.det(m)) < 1e-6:
        return None
    x = np.linalg.solve(m, lb[0] - la[0])
    meet = la[0] + x[0] * da
    if np.linalg.norm(meet - hook) > 40 * px_per_mm:
        return None
    offset = []
    for line, nock in ((la, nocks[0]), (lb, nocks[1])):
        e = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
        offset.append(float((nock - line[0]) @ np.array([-e[1], e[0]])))
    u = float(np.hypot(sa, sb) / np.sqrt(8) + 0.3)
    return DrawnString(meet, (np.array([la[0], meet]), np.array([lb[0], meet])), u, (ca, cb), (offset[0], offset[1]))

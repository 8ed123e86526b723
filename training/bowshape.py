"""Random bows: centreline in the bow's plane, section along it, string.

Bow frame, inches: x along the handle toward the right-hand limb, y toward the back, z across the width;
origin at the
handle's centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
SECTION_POINTS = 20


@dataclass(frozen=True)
class Bow:
    """A bow as a swept section. All lengths in inches.

    centre: (n, 2) centreline; normal: (n, 2) unit, toward the back; back, belly: (n,) half thicknesses;
    half_width:
    (n,); twist: (n,) radians about the centreline; radius: corner radius as a share of the half size;
    crown: how far
    the back bulges; strings: list of (m, 2) polylines; hook: (2,) or None; s: (n,) arc length from the
    left tip.
    """

    centre: Array
    normal: Array
    back: Array
    belly: Array
    half_width: Array
    twist: Array
    radius: float
    crown: float
    belly_round: float
    strings: list[Array]
    hook: Array | None
    s: Array
    state: str
    handle_half: float


def _profile(rng: np.random.Generator, t: Array) -> Array:
    """Bend of a limb along t (0 at the fade, 1 at the tip), mean 1."""
    kind = rng.choice(["arc", "ellipse", "whip", "root"], p=[0.3, 0.35, 0.2, 0.15])
    if kind == "arc":
        g = np.ones_like(t)
    elif kind == "ellipse":
        g = np.sqrt(np.clip(1.05 - t, 0.02, None)) * (1 + rng.uniform(0, 0.6) * t)
    elif kind == "whip":
        g = 0.4 + rng.uniform(0.8, 2.0) * t**2
    else:
        g = 1.6 - 1.3 * t
    for _ in range(rng.integers(0, 3)):
        where, wide = rng.uniform(0.05, 0.95), rng.uniform(0.04, 0.15)
        g = g + rng.uniform(-0.8, 1.8) * np.exp(-(((t - where) / wide) ** 2))
    if rng.random() < 0.3:  # the last inches of a limb often stay straight
        g = g * np.clip((1 - t) / rng.uniform(0.1, 0.25), 0, 1)
    return np.clip(g, 0, None) / max(float(np.mean(np.clip(g, 0, None))), 1e-6)


def _limb(rng: np.random.Generator, length: float, handle: float, bend: float) -> tuple[Array, Array]:
    """One limb to the right of the handle: stations s (n,) and angle below the handle's line (n,),
    radians.
    """
    s = np.linspace(0.0, length, 400)
    t = np.clip((s - handle) / (length - handle), 0, 1)
    active = (s > handle).astype(float)
    curvature = active * _profile(rng, t) * bend / (length - handle)
    natural = active * rng.normal(0, 0.12) / (length - handle)
    for _ in range(rng.integers(0, 4)):  # wavy staves
        where, wide = rng.uniform(0, 1), rng.uniform(0.05, 0.25)
        natural = natural + active * rng.normal(0, 0.012) * np.exp(-(((t - where) / wide) ** 2))
    if rng.random() < 0.3:  # crook: the stave's own bends, an inch or more from straight, stay when it is bent
        for _ in range(rng.integers(1, 4)):
            where, wide = rng.uniform(0, 1), rng.uniform(0.05, 0.2)
            natural = natural + active * rng.normal(0, 0.02) * np.exp(-(((t - where) / wide) ** 2))
        natural = natural + active * rng.normal(0, 0.008) * np.sin(s * rng.uniform(0.6, 2.0) + rng.uniform(0, 6))
    if rng.random() < 0.12:  # recurved tips
        where = rng.uniform(0.75, 0.95)
        natural = natural - active * rng.uniform(0.1, 0.7) / 4 * np.exp(-(((t - where) / 0.07) ** 2))
    if rng.random() < 0.06:  # deflexed or reflexed handle
        natural = natural + rng.normal(0, 0.25) / 4 * np.exp(-(((s - handle) / 2) ** 2))
    angle = np.concatenate([[0.0], np.cumsum((curvature + natural)[1:] * np.diff(s))])
    return s, angle


def random_bow(rng: np.random.Generator) -> Bow:
    """Draw a bow with its string, in a random state."""
    length = rng.uniform(44, 76) if rng.random() < 0.9 else rng.uniform(30, 80)
    state = str(rng.choice(["unstrung", "braced", "drawn"], p=[0.3, 0.25, 0.45]))
    handle = rng.uniform(3, 7) if rng.random() < 0.8 else rng.uniform(0.3, 2)
    halves = length / 2 + rng.normal(0, 0.5, 2) + (rng.normal(0, 1.3) * np.array([1, -1]) if rng.random() < 0.3 else 0)
    both = {
        "unstrung": rng.normal(0, 0.12),
        "braced": rng.uniform(0.2, 0.8),
        "drawn": rng.uniform(0.35, 1.7),
    }[state]
    uneven = rng.normal(0, 0.07) + (rng.normal(0, 0.3) if rng.random() < 0.2 else 0)
    parts = []
    for half, bend in zip(halves, (both * (1 + uneven), both * (1 - uneven)), strict=True):
        s, angle = _limb(rng, float(half), handle, bend)
        mid = 0.5 * (angle[1:] + angle[:-1])
        x = np.concatenate([[0], np.cumsum(np.cos(mid) * np.diff(s))])
        y = -np.concatenate([[0], np.cumsum(np.sin(mid) * np.diff(s))])
        parts.append((s, x, y))
    (sl, xl, yl), (sr, xr, yr) = parts
    centre = np.concatenate([np.stack([-xl[::-1], yl[::-1]], 1)[:-1], np.stack([xr, yr], 1)])
    s_signed = np.concatenate([-sl[::-1][:-1], sr])
    tangent = np.gradient(centre, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], 1)

    reach = np.where(s_signed < 0, -s_signed / sl[-1], s_signed / sr[-1])
    away = np.abs(s_signed)
    t0, t1 = rng.uniform(0.3, 0.75), rng.uniform(0.2, 0.42)
    stout = rng.random()
    if stout < 0.15:  # roughed out, still thick
        t0, t1 = rng.uniform(0.7, 1.3), rng.uniform(0.4, 0.7)
    elif stout < 0.2:  # a square stave
        t0 = t1 = rng.uniform(0.6, 1.5)
    thick = t0 + (min(t1, t0) - t0) * reach ** rng.uniform(0.8, 2)
    wave = 1 + rng.uniform(0, 0.06) * np.interp(away, np.linspace(0, length, 40), rng.standard_normal(40))
    thick = thick * wave
    w0, w1 = rng.uniform(1.0, 2.2), rng.uniform(0.35, 0.65)
    taper = rng.uniform(0.3, 0.7)
    half_width = 0.5 * np.where(reach < taper, w0, w0 + (w1 - w0) * (reach - taper) / (1 - taper))
    back, belly = thick / 2, thick / 2
    grip_width = rng.uniform(0.9, 1.4)
    if handle > 2:
        fade = rng.uniform(0.35, 0.7) * handle
        blend = np.clip((handle - away) / (handle - fade), 0, 1)
        blend = blend * blend * (3 - 2 * blend)
        belly = belly + blend * (rng.uniform(0.2, 1.4) if rng.random() < 0.75 else rng.uniform(1.2, 2.1))
        back = back + blend * (rng.uniform(0, 0.3) if rng.random() < 0.3 else 0)
        half_width = half_width * (1 - blend) + blend * grip_width / 2
        if rng.random() < 0.3:  # a waist shaped for the hand
            belly = belly - 0.35 * rng.random() * np.exp(-((away / 1.6) ** 2))
    for side in (0, -1):  # tips: overlays, horn, or just pared thin
        d = np.abs(s_signed - s_signed[side])
        bump = rng.uniform(-0.3, 1.0) * 0.12 * np.exp(-(((d - 0.6) / 0.45) ** 2))
        back = back + bump
        round_off = np.sqrt(np.clip(d / rng.uniform(0.1, 0.6), 0.04, 1))
        back, belly, half_width = back * round_off, belly * round_off, half_width * round_off
    twist = rng.normal(0, 0.05) * s_signed / 30

    nock_in = rng.uniform(0.2, 1.6)
    where = [
        np.searchsorted(s_signed, s_signed[0] + nock_in),
        np.searchsorted(s_signed, s_signed[-1] - nock_in),
    ]
    side_of_string = 1.0 if rng.random() < 0.5 else -1.0
    nocks = [centre[k] + normal[k] * back[k] * side_of_string for k in where]
    strings: list[Array] = []
    hook: Array | None = None
    apart = float(np.linalg.norm(nocks[1] - nocks[0]))
    if state == "braced":
        strings.append(np.array([nocks[0], nocks[1]]))
    elif state == "drawn":
        string_length = max(apart * 1.004, length * rng.uniform(0.9, 1.12))
        x = rng.normal(0, 0.6)
        low, high = 0.0, 60.0
        base = min(nocks[0][1], nocks[1][1])
        for _ in range(40):
            mid_y = 0.5 * (low + high)
            h = np.array([x, base - mid_y])
            total = np.linalg.norm(h - nocks[0]) + np.linalg.norm(h - nocks[1])
            low, high = (mid_y, high) if total < string_length else (low, mid_y)
        hook = np.array([x, base - low])
        strings += [np.array([nocks[0], hook]), np.array([hook, nocks[1]])]
    elif rng.random() < 0.35:  # a slack string left hanging
        u = np.linspace(0, 1, 60)
        sag = rng.uniform(1, 14)
        line = nocks[0] * (1 - u)[:, None] + nocks[1] * u[:, None]
        line[:, 1] -= sag * 4 * u * (1 - u) * (1 + 0.3 * np.sin(6 * u + rng.uniform(0, 6)))
        strings.append(line)
    if strings and rng.random() < 0.3:  # the loose end of a long string
        u = np.linspace(0, 1, 30)[:, None]
        end = nocks[int(rng.integers(2))]
        drop = np.array([rng.normal(0, 1.5), -rng.uniform(2, 14)])
        strings.append(end + u * drop + np.array([1.0, 0]) * np.sin(u * rng.uniform(2, 7)) * rng.uniform(0, 1.2))
    return Bow(
        centre, normal, back, belly, half_width, twist,
        radius=float(rng.choice([0.1, 0.25, 0.5, 0.9])) * rng.uniform(0.6, 1.1),
        crown=float(rng.choice([0.0, 0.15, 0.5])) * rng.uniform(0.5, 1.2),
        belly_round=float(rng.choice([0.0, 0.0, 0.5, 0.9])) * rng.uniform(0.6, 1.1),
        strings=strings, hook=hook, s=s_signed - s_signed[0], state=state, handle_half=float(handle),
    )  # fmt: skip


def section(bow: Bow) -> tuple[Array, Array, Array]:
    """The section's outline: offsets toward the back (n, m), across the width (n, m), and facet normals
    (m, 2).
    """
    m = SECTION_POINTS
    angle = (np.arange(m) + 0.5) * 2 * np.pi / m
    # A super-ellipse: a large exponent is a box with small corners, 2 is an oval.
    power = 2.0 / (2.0 + 10.0 * (1 - min(bow.radius, 0.99)) ** 2)
    a = np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** power
    b = np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** power
    bulge = 1 - b**2
    up = np.where(a > 0, a * (1 - 0.5 * bow.crown) + 0.5 * bow.crown * bulge * (a > 0.3), a)
    up = np.where(a < 0, a * (1 - 0.5 * bow.belly_round * b**2), up)
    offset = np.where(up[None] > 0, up[None] * bow.back[:, None], up[None] * bow.belly[:, None])
    across = b[None] * bow.half_width[:, None]
    c, s = np.cos(bow.twist)[:, None], np.sin(bow.twist)[:, None]
    facets = np.stack([np.roll(a, -1) + a, np.roll(b, -1) + b], 1)
    return offset * c - across * s, offset * s + across * c, facets

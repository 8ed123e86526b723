"""What was followed, told over draw length: the hold, the pulls, which tip leads, and where nothing was seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Reason
from tillerlens.core.measurement import LIMBS, Measurement, Value
from tillerlens.core.robust import mad_u
from tillerlens.core.stretches import stretches_of
from tillerlens.film.follow import Seen

Array = NDArray[np.float64]
Phase = Literal["pull", "hold", "let-down"]
Row = tuple[int, float, Seen]  # a frame by its index, its time (s), and what was seen in it

# An arm has mass: it is not three times as fast between two frames as between those before and after.
SUDDEN, SUDDEN_MM_S = 3.0, 300.0
HIDDEN_S = 0.3  # of nothing seen, that is told
LEAST_PULL_MM = 50.0
HELD_MM, HELD_S = 8.0, 0.25  # a hold stays within so much of the longest draw, so long (common practice, no source)
SMOOTH_S = 0.35  # before and after, that a handle's rocking is smoothed over: it and the arm behind it have mass
# The largest less the smallest of many values that do not differ is some four of their standard uncertainties: it is told from
# twice this on.
ROCK_EXTREMES = 2.5
COARSE_PX = 0.1  # by which a film's coding moves an edge and leaves it there for a while
DOWN, UP = 0.4, 0.7  # of the way from the shortest draw to the longest: a pull comes from below the one to above the other
# Of a frame's standard uncertainty, what frames have in common at the least: a few frames' scatter may by chance seem to be all.
LEAST_SHARED = 0.5
# Of what one frame's hook may be off by its string, what all frames of a clip share. On the clips of 21 rendered bows the draw's
# common error left nothing to it (likelihood; below 0.8 in 95 of 100), and all 21 lay within 1.1 u.
STRING_SHARED = 0.5
LED_SHARES = (0.25, 0.5, 0.75)
TRACKED = ("draw_length_back", "tip_height_upper", "tip_height_lower", "tip_height_difference", "string_angle_upper",
           "string_angle_lower")  # fmt: skip


@dataclass(frozen=True, eq=False)
class Track:
    """What was followed, a row a frame, NaN where not seen. ``values`` and ``u``: by name, as of a measurement (mm, degrees);
    ``rock_deg``: how far the handle has turned since the first frame; ``seen``: what all of it was made from."""

    frame: NDArray[np.intp]
    time_s: Array
    values: dict[str, Array]
    u: dict[str, Array]
    rock_deg: Array
    u_rock_deg: float
    seen: tuple[Seen, ...]
    laid_on: int = 0  # measured frames
    scatter: dict[str, float] = field(default_factory=dict)  # of those about the track, by name

    @property
    def draw_mm(self) -> Array:
        """Of each row, from the handle's back."""
        return self.values["draw_length_back"]

    @property
    def lost(self) -> tuple[str, ...]:
        """Of each row, why nothing was seen, or empty."""
        return tuple(s.lost for s in self.seen)


@dataclass(frozen=True)
class Hold:
    """The hold: rows of the track, first and last, and its draw."""

    first: int
    last: int
    draw: Value


@dataclass(frozen=True)
class Lead:
    """How far one tip is ahead of the other when each has made ``share`` of its way: + the upper one. On the pull in mm of
    draw, on the let-down in mm of draw too: by how much earlier it comes back."""

    phase: Phase
    share: float
    ahead: Value


def raw_track(rows: Sequence[Row], back_mm: float, u_turn: float) -> Track:
    """What was followed, by itself.

    ``back_mm``: of the handle's back above its middle line; ``u_turn``: standard uncertainty (rad) of the handle's direction that
    is common to neighbouring frames.
    """
    time = np.array([t for _, t, _ in rows])
    seen = tuple(s for *_, s in rows)
    rock = np.array([s.rock for s in seen])
    smooth, u_rock = smoothed(time, rock)
    tips = np.array([s.tips for s in seen])
    # a handle's rocking is seen less sharply than the tips: they are turned back by its noise
    height = tips[:, :, 1] + tips[:, :, 0] * (rock - smooth)[:, None]
    hooks = np.array([s.hook for s in seen])
    draw = back_mm - (hooks[:, 1] + hooks[:, 0] * (rock - smooth))
    angles = np.degrees([s.string_angle for s in seen])
    columns = (draw, height[:, 0], height[:, 1], height[:, 0] - height[:, 1], angles[:, 0], angles[:, 1])
    values = dict(zip(TRACKED, columns, strict=True))
    nan = np.full(len(time), np.nan)
    frame = np.array([i for i, *_ in rows], np.intp)
    u_rock_deg = float(np.degrees(np.hypot(u_rock, u_turn)))
    return Track(frame, time, values, {k: nan for k in TRACKED}, np.degrees(smooth), u_rock_deg, seen)


def smoothed(time: Array, y: Array) -> tuple[Array, float]:
    """A straight line through each place's neighbours, and the standard uncertainty of its own scatter."""
    ok = np.isfinite(y)
    out, worth = np.full(len(y), np.nan), []
    others = ok.copy()
    others[np.argmax(ok)] = False  # the first frame seen: what is followed was taken from it, noise and all, and fits it too well
    rows = np.nonzero(others)[0]
    for i in np.nonzero(ok)[0]:
        # a few on either side, or all of the time that is smoothed over: a long clip has thousands more
        first, last = np.searchsorted(time[rows], [time[i] - SMOOTH_S, time[i] + SMOOTH_S])
        beside = rows[max(0, first - 5) : last + 5]
        away = np.abs(time[beside] - time[i])
        near = beside[np.argsort(away, kind="stable")[: max(5, int((away <= SMOOTH_S).sum()))]]
        if len(near) < 5:
            out[i] = y[i]
            continue
        out[i] = np.polyval(np.polyfit(time[near] - time[i], y[near], 1), 0.0)
        worth.append(len(near))
    if not worth:
        return out, float("nan")
    n = float(np.median(worth))
    return out, 1.4826 * float(np.nanmedian(np.abs(y - out))) / np.sqrt(n - 2)


def hidden(track: Track) -> list[Reason]:
    """The stretches in which nothing was seen, told."""
    out = []
    for a, b in stretches_of(np.array([bool(x) for x in track.lost])):
        from_s, to_s = track.time_s[a], track.time_s[min(b + 1, len(track.lost) - 1)]
        if to_s - from_s >= HIDDEN_S:
            what = {"string": "string", "tip": "limb tips", "handle": "handle"}.get(track.lost[a], "bow")
            text = f"From {from_s:.1f} to {to_s:.1f} s the {what} can't be seen, so that time is left out."
            out.append(Reason("hidden", text, "Keep hands, arms and people out from between the phone and the bow."))
    return out


def sudden(track: Track) -> list[Reason]:
    """Where the draw goes further between two frames than a hand could, told."""
    rows = np.nonzero(np.isfinite(track.draw_mm))[0]
    if len(rows) < 6:
        return []
    speed = np.abs(np.diff(track.draw_mm[rows]) / np.diff(track.time_s[rows]))
    around = np.array([np.r_[speed[max(0, i - 2) : i], speed[i + 1 : i + 3]].max() for i in range(len(speed))])
    out = []
    for i in np.nonzero(speed > SUDDEN * around + SUDDEN_MM_S)[0]:
        at = track.time_s[rows[i + 1]]
        text = f"The draw jumps at {at:.1f} s: the clip was cut there, or the string was let go."
        out.append(Reason("jumps", text, "Film one pull, hold and let-down in one piece."))
    return out


def pulls(track: Track) -> list[int]:
    """The row of each pull's longest draw."""
    d = track.draw_mm
    low, high = float(np.nanmin(d)), float(np.nanmax(d))
    out: list[int] = []
    best: int | None = None
    for i in np.nonzero(np.isfinite(d))[0]:
        share = (d[i] - low) / (high - low)
        if share < DOWN and best is not None:
            out.append(best)
            best = None
        elif share > UP and (best is None or d[i] > d[best]):
            best = int(i)
    return out if best is None else [*out, best]


def held_rows(track: Track) -> tuple[int, int] | None:
    """First and last row of the longest stretch that stays at the longest draw; None where it is not held."""
    d = track.draw_mm
    near = np.nan_to_num(d, nan=-np.inf) > np.nanmax(d) - HELD_MM
    t = track.time_s.tolist()
    a, b = max(stretches_of(near), key=lambda r: t[r[1]] - t[r[0]])
    middle = float(np.median(d[a : b + 1]))
    off = max(2.0, 4 * mad_u(d[a : b + 1]))
    while a < b and abs(d[a] - middle) > off:
        a += 1
    while b > a and abs(d[b] - middle) > off:
        b -= 1
    return (a, b) if t[b] - t[a] >= HELD_S else None


def laid(raw: Track, keys: list[tuple[int, Measurement]]) -> Track:
    """The track laid onto the frames that were measured."""
    values, u, scatters = {}, {}, {}
    at = raw.draw_mm
    for name in TRACKED:
        own = raw.values[name]
        pairs = []
        for row, m in keys:
            v = m.values.get("brace_height_back" if name == "draw_length_back" and m.state == "braced" else name)
            if v is not None and np.isfinite(v.u) and np.isfinite(own[row]):
                pairs.append((at[row], v.value - own[row], _shared_u(name, v)))
        if not pairs:
            values[name] = u[name] = np.full(len(own), np.nan)
            scatters[name] = float("nan")
            continue
        x, off, frame_u = (np.array(c) for c in zip(*pairs, strict=True))
        line, scatter, weight = _line(x, off)
        scatters[name] = scatter
        values[name] = own + np.polyval(line, at)
        order = np.argsort(x)
        told = np.interp(at, x[order], frame_u[order])
        u[name] = np.where(
            np.isfinite(own), _track_u(told, scatter, min(_noise(own), scatter), _led_by(x, off, line, weight)(at)), np.nan
        )
    return replace(raw, values=values, u=u, laid_on=len(keys), scatter=scatters)


def _shared_u(name: str, v: Value) -> float:
    """Standard uncertainty of one frame's value, with of its string's part what all frames share."""
    string = v.budget.get("string", 0.0) if name == "draw_length_back" else 0.0
    return float(np.sqrt(max(v.u**2 - (1 - STRING_SHARED**2) * string**2, 0.0)))


def _track_u(frame_u: Array, scatter: float, noise: float, led: Array) -> Array:
    """Standard uncertainty of the track, of what single frames tell by themselves.

    ``frame_u`` (N,): of one measured frame at each draw. ``scatter``: of the frames about the line that the track is laid by, and
    ``noise`` of what was followed, frame by frame. What is left of the scatter is the measured frames' own, and the line averages
    it down to ``led`` (N,) of its variance. It is part of what each frame told: all else is light, lens, marks and rulers, the
    same in all frames, which nothing averages.
    """
    own2 = max(scatter**2 - noise**2, 0.0)
    shared2 = np.maximum(frame_u**2 - own2, (LEAST_SHARED * frame_u) ** 2)
    return np.asarray(np.sqrt(shared2 + own2 * np.minimum(led, 1.0) + noise**2))


def _noise(own: Array) -> float:
    """How far what was followed strays from frame to frame by itself: each from the mean of those beside it, robustly."""
    away = own[1:-1] - (own[:-2] + own[2:]) / 2
    away = away[np.isfinite(away)]
    return mad_u(away, 0.0) / np.sqrt(1.5) if len(away) else 0.0


def _led_by(x: Array, y: Array, line: Array, weight: Array) -> Callable[[Array], Array]:
    """For a line through points with independent errors of variance 1, the variance of the line at any place.

    Neighbours that stray the same way tell less than their number: n of them as much as n (1 - r) / (1 + r) that don't (Bartlett
    1946, of a first-order series with correlation r).
    """
    order = np.argsort(x)
    left = (y - np.polyval(line, x))[order]
    r = float(left[1:] @ left[:-1] / max(left @ left, 1e-12)) if len(x) > 2 else 0.0
    alike = (1 + max(r, 0.0)) / (1 - min(max(r, 0.0), 0.9))
    design = np.vander(x - x.mean(), len(line))
    inverse = np.linalg.pinv(design.T @ (weight[:, None] * design))

    def variance(at: Array) -> Array:
        here = np.vander(np.nan_to_num(at, nan=float(x.mean())) - x.mean(), len(line))
        return np.asarray(alike * np.einsum("ij,jk,ik->i", here, inverse, here))

    return variance


def _line(x: Array, y: Array) -> tuple[Array, float, Array]:
    """A straight line through differences, robustly, how far they scatter about it, and what each weighs; level where they lie
    too close."""
    degree = 1 if len(x) >= 4 and np.ptp(x) > LEAST_PULL_MM else 0
    w = np.ones(len(x))
    fit = np.zeros(degree + 1)
    for _ in range(10):
        fit = np.polyfit(x, y, degree, w=np.sqrt(w))
        away = np.abs(y - np.polyval(fit, x))
        w = 1 / (1 + (away / (2 * 1.4826 * float(np.median(away)) + 1e-3)) ** 2)
    free = max(len(x) - degree - 1, 1)
    return fit, float(np.sqrt((w * (y - np.polyval(fit, x)) ** 2).sum() / w.sum() * len(x) / free)), w


def leads(
    track: Track, held: tuple[int, int] | None, peak: int, coarse_mm: float, coarse_deg: float, chord_mm: float
) -> tuple[Lead, ...]:
    """Which tip is ahead on its way, on the pull and on the let-down.

    ``coarse_mm``, ``coarse_deg``: how coarsely a tip's place and the handle's direction are coded, which many frames share;
    ``chord_mm``: from tip to tip, over which the handle's direction tells on their heights.
    """
    a, b = held or (peak, peak)
    out: list[Lead] = []
    draw = track.draw_mm
    for phase, rows in (("pull", np.arange(0, a + 1)), ("let-down", np.arange(b, len(draw)))):
        rows = rows[np.isfinite(draw[rows])]
        if len(rows) < 5 or np.ptp(draw[rows]) < LEAST_PULL_MM:
            continue
        d = draw[rows]
        # a quartic over draw follows a tip's way to a fraction of a mm and leaves its noise behind
        at = np.linspace(d.min(), d.max(), 200)
        mid, half = float(at.mean()), float(np.ptp(at)) / 2
        heights = [track.values[f"tip_height_{limb}"][rows] for limb in LIMBS]
        fits = [np.polynomial.Polynomial.fit(d, h, min(4, len(d) - 2), domain=[mid - half, mid + half]) for h in heights]
        moved = [np.abs(f(at) - f(at[0])) for f in fits]
        way = [m / m[-1] for m in moved]
        mean = (way[0] + way[1]) / 2
        noise = float(np.std(heights[0] - fits[0](d) - heights[1] + fits[1](d))) / np.sqrt(len(d)) * 2
        # a smoothed turn is known half as well at the clip's ends as amid it, and both ends of the way count
        rocked_mm = 2 * np.sqrt(2) * np.radians(np.sqrt(max(track.u_rock_deg**2 - coarse_deg**2, 0.0))) * chord_mm
        # the line that lays the track onto the measured frames is known at its ends to 2/sqrt(n) of their scatter, and both count
        laid = np.sqrt(2) * 2 / np.sqrt(max(track.laid_on, 1)) * track.scatter["tip_height_difference"]
        u_mm = float(np.sqrt(noise**2 + laid**2 + 2 * coarse_mm**2 + rocked_mm**2))
        travel = float(moved[0][-1] + moved[1][-1]) / 2
        for share in LED_SHARES:
            here = int(np.argmin(np.abs(mean - share)))
            per_mm = float(np.gradient(mean, at)[here])  # of the way, for each mm of draw
            sign = 1.0 if phase == "pull" else -1.0
            ahead = Value(sign * float(way[0][here] - way[1][here]) / per_mm, u_mm / travel / per_mm, "mm")
            out.append(Lead(phase, share, ahead))  # type: ignore[arg-type]
    return tuple(out)

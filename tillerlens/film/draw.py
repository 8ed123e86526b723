"""A draw on film: pull, hold and let-down followed from frame to frame, and the sharpest frame at each wished draw measured.

The frames chosen are measured like photographs. What is followed between them is laid onto those measurements: a straight line
over draw length takes off what the following alone has wrong, and what is left of it goes into the uncertainty.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tillerlens import __version__
from tillerlens.core.errors import Reason, TillerLensError
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.measurement import LIMBS, Measurement, Value
from tillerlens.core.reading import shown
from tillerlens.core.shot import Shot
from tillerlens.core.unforeseen import net
from tillerlens.film.clip import Frame, read_frames
from tillerlens.film.follow import Follower, FollowError, Seen, nothing
from tillerlens.measure import measure_photo
from tillerlens.mechanics.finding import find, with_finding
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo
from tillerlens.photo.scale import fit_scale
from tillerlens.trace.reading import Prepared, prepare
from tillerlens.trace.self_scale import fit_to_bow

Array = NDArray[np.float64]
Phase = Literal["pull", "hold", "let-down"]
Status = Literal["measured", "needs_help", "refused"]
Progress = Callable[[float, str], None]  # seconds of the clip done, and what is being done

EVERY_MM, LEAST_EVERY_MM = 25.4, 6.0
LOOKED_FOR, FIRST_APART_S = (
    6,
    0.5,
)  # frames in which the bow is looked for, the second so long after the first, each twice as long
# A hand lets a bow down in half a second from half a metre and more; a loosed string is twenty times as fast. An arm has mass: it
# is not three times as fast between two frames as between those before and after.
FASTEST_MM_S, SUDDEN, SUDDEN_MM_S = 2500.0, 3.0, 300.0
HIDDEN_S = 0.3  # of nothing seen, that is told
LEAST_PULL_MM = 50.0
HELD_MM, HELD_S = 8.0, 0.25  # a hold stays within so much of the longest draw, so long (common practice, no source)
SMOOTH_S = 0.35  # before and after, that a handle's rocking is smoothed over: it and the arm behind it have mass
# The largest less the smallest of many values that do not differ is some four of their standard uncertainties: it is told from
# twice this on.
ROCK_EXTREMES = 2.5
COARSE_PX = 0.1  # by which a film's coding moves an edge and leaves it there for a while
DOWN, UP = 0.4, 0.7  # of the way from the shortest draw to the longest: a pull comes from below the one to above the other
FOUND_ON = 8  # frames at the most, that hinges and stiff places are found on together
LED_SHARES = (0.25, 0.5, 0.75)
TRACKED = ("draw_length_back", "tip_height_upper", "tip_height_lower", "tip_height_difference", "string_angle_upper",
           "string_angle_lower")  # fmt: skip


class DrawError(TillerLensError):
    """No draw can be told from the clip."""

    code = "draw"


@dataclass(frozen=True, eq=False)
class Stage:
    """One frame of the clip, measured like a photograph; ``draw_mm`` as it was followed, from the handle's back."""

    frame: int
    time_s: float
    phase: Phase
    draw_mm: float
    measurement: Measurement


@dataclass(frozen=True, eq=False)
class Track:
    """What was followed, a row a frame, NaN where not seen. ``values`` and ``u``: by name, as of a measurement (mm, degrees);
    ``rock_deg``: how far the handle has turned since the first frame; ``lost``: why nothing was seen, or empty."""

    frame: NDArray[np.intp]
    time_s: Array
    values: dict[str, Array]
    u: dict[str, Array]
    rock_deg: Array
    u_rock_deg: float
    lost: tuple[str, ...]
    laid_on: int = 0  # measured frames
    scatter: dict[str, float] = field(default_factory=dict)  # of those about the track, by name

    @property
    def draw_mm(self) -> Array:
        return self.values["draw_length_back"]


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


@dataclass(frozen=True, eq=False)
class DrawFilm:
    """A draw on film. ``reasons``: doubts (measured) or what is missing."""

    status: Status
    name: str
    reasons: tuple[Reason, ...] = ()
    track: Track | None = None
    hold: Hold | None = None
    stages: tuple[Stage, ...] = ()
    leads: tuple[Lead, ...] = ()
    evidence: Mapping[str, int] = field(default_factory=dict)  # frames followed, seen, measured and not

    def rock(self) -> Value | None:
        """How far the handle turns at the most between two moments, degrees; None where it was not seen."""
        t = self.track
        if t is None or not np.isfinite(t.u_rock_deg):
            return None
        return Value(float(np.nanmax(t.rock_deg) - np.nanmin(t.rock_deg)), t.u_rock_deg * ROCK_EXTREMES, "deg")

    def as_document(self) -> JsonDocument:
        """The JSON form; NaN becomes null."""
        t = self.track
        return {
            "format": "tillerlens-draw",
            "format_version": 1,
            "made_by": __version__,
            "status": self.status,
            "clip": self.name,
            "reasons": [r.as_dict() for r in self.reasons],
            "hold": None if self.hold is None or t is None else {
                "first_frame": int(t.frame[self.hold.first]),
                "last_frame": int(t.frame[self.hold.last]),
                "from_s": round(float(t.time_s[self.hold.first]), 4),
                "to_s": round(float(t.time_s[self.hold.last]), 4),
                "draw_length_back": self.hold.draw.as_dict(),
            },
            "track": None if t is None else {
                "frame": [int(i) for i in t.frame],
                "time_s": _listed(t.time_s),
                "values": {k: _listed(v) for k, v in t.values.items()},
                "u": {k: _listed(v) for k, v in t.u.items()},
                "handle_rock_deg": _listed(t.rock_deg),
                "u_handle_rock_deg": _listed(np.array([t.u_rock_deg]))[0],
                "lost": list(t.lost),
            },
            "leads": [{"phase": x.phase, "share": x.share, "upper_ahead": x.ahead.as_dict()} for x in self.leads],
            "stages": [
                {"frame": s.frame, "time_s": round(s.time_s, 4), "phase": s.phase, "draw_mm": round(s.draw_mm, 2),
                 "measurement": s.measurement.as_document()}
                for s in self.stages
            ],
            "evidence": dict(self.evidence),
        }  # fmt: skip


def _listed(a: Array) -> list[float | None]:
    return [round(float(x), 4) if np.isfinite(x) else None for x in a]


@dataclass(frozen=True, eq=False)
class _Kept:
    """A frame that may be measured: whole, with what was seen in it."""

    frame: Frame
    row: int
    seen: Seen
    worth: float
    marks_px: Array


def measure_draw(
    source: Path | bytes,
    shot: Shot,
    every_mm: float = EVERY_MM,
    rest: Measurement | None = None,
    name: str | None = None,
    progress: Progress = lambda done_s, doing: None,
) -> DrawFilm:
    """Follow a draw through a clip and measure its best frames. What a clip can hold, foreseen or not, is told by the status.

    Parameters
    ----------
    source : Path or bytes
        The clip.
    shot : Shot
        What is known of the bow and the marks; clicks and clicked marks belong to the clip's first frame.
    every_mm : float
        From one measured draw to the next.
    rest : Measurement, optional
        Of the bow unstrung, for its spots.
    name : str, optional
        What people call the clip.
    progress : callable, optional
        Told how far it is; may raise to stop the work.

    Raises
    ------
    ClipError
        The file cannot be used.
    ShotError
        ``every_mm`` is too short.
    """
    from tillerlens.core.errors import ShotError

    if not every_mm >= LEAST_EVERY_MM:
        raise ShotError("The measured draws are too close together.", "Measure every 1/4 in (6 mm) or more.", every_mm=every_mm)
    name = shown(name or (source.name if isinstance(source, Path) else "this clip"))
    work = _Work(shot, every_mm, rest, name, progress)
    try:
        with net("following", name):
            return work.run(source)
    except (DrawError, FollowError) as error:
        return DrawFilm("needs_help", name, (error.reason,))


class _Work:
    """One clip being worked through: holds a few frames at a time, however long it is."""

    def __init__(self, shot: Shot, every_mm: float, rest: Measurement | None, name: str, progress: Progress) -> None:
        self.shot, self.every, self.rest, self.name, self.progress = shot, every_mm, rest, name, progress
        self.follower: Follower | None = None
        self.back_mm = 0.0  # the handle's back above its middle line
        self.rows: list[tuple[int, float, Seen]] = []
        self.bin: tuple[Phase, int] | None = None
        self.best: _Kept | None = None  # of the draw that is passed just now
        self.top: _Kept | None = None  # of the longest draw so far
        self.longest = -np.inf
        self.done: dict[tuple[Phase, int], tuple[int, Measurement]] = {}  # with the row of its frame
        self.failed: list[Reason] = []
        self.attempts, self.next_try_s, self.apart_s = 0, 0.0, FIRST_APART_S
        self.stopped: Reason | None = None

    def run(self, source: Path | bytes) -> DrawFilm:
        for frame in read_frames(source, self.name):
            self.progress(frame.time_s, "following")
            if self.follower is None:
                self._start(frame)
            else:
                self._follow(frame)
            if self.stopped is not None:
                break
        if self.follower is None:
            raise self._not_found()
        self._measure_best()
        return self._film()

    # -- finding it --------------------------------------------------------------------------------------------------------

    def _start(self, frame: Frame) -> None:
        self.rows.append((frame.index, frame.time_s, nothing("background")))
        if frame.time_s < self.next_try_s or self.attempts >= LOOKED_FOR:
            return
        self.attempts += 1
        self.next_try_s, self.apart_s = frame.time_s + self.apart_s, 2 * self.apart_s
        self.progress(frame.time_s, "looking for the bow")
        photo = self._photo(frame)
        try:
            fit, prepared = self._camera(photo)
        except TillerLensError as error:
            self.failed.append(error.reason)
            return
        found = self._measured(photo, self.shot, fit, prepared)
        if found.status != "measured" or found.trace is None or (found.state == "drawn" and found.trace.hook_mm is None):
            self.failed += found.reasons[:1]
            return
        shot = self.shot
        self.follower = Follower(frame.grey, frame.shrunk, found, fit.camera, shot.standoff_mm, shot.handle_mm)
        key = "draw_length_back" if found.state == "drawn" else "brace_height_back"
        hook_y = found.trace.hook_mm[1] if found.trace.hook_mm is not None else self.follower.hook_own()[1]
        self.back_mm = found.values[key].value + float(hook_y)
        self.rows.pop()
        self._follow(frame)

    def _not_found(self) -> DrawError:
        first = self.failed[0] if self.failed else None
        why = "" if first is None else f" {first.text}"
        return DrawError(
            f"The bow was not found in {self.name}.{why}",
            "Film the whole bow from the side with its marks, from before the pull on. "
            + ("" if first is None else first.remedy),
        )

    def _camera(self, photo: Photo) -> tuple[CameraFit, Prepared]:
        if self.shot.scale.kind == "bow_length" and not {"nock_upper", "nock_lower"} <= set(self.shot.clicks):
            prepared = prepare(photo)
            return fit_to_bow(photo, prepared.maps, self.shot), prepared
        fit = fit_scale(photo, self.shot)  # first: without a scale the rest would be in vain
        return fit, prepare(photo)

    def _photo(self, frame: Frame) -> Photo:
        rgb = frame.rgb()
        rgb.flags.writeable = False
        digest = hashlib.sha256(rgb.tobytes()).hexdigest()
        return Photo(rgb, digest, f"{self.name} at {frame.time_s:.2f} s", None, None, 1, "PNG")

    def _measured(
        self, photo: Photo, shot: Shot, fit: CameraFit | None = None, prepared: Prepared | None = None, flat: bool = False
    ) -> Measurement:
        """Measured as drawn; where its string is straight, as braced."""
        states: tuple[Literal["drawn", "braced"], ...] = ("braced", "drawn") if flat else ("drawn", "braced")
        prepared = prepared or prepare(photo)
        first: Measurement | None = None
        for state in states:
            found = measure_photo(photo, replace(shot, state=state, photo_name=None), self.rest, prepared, fit)
            if found.status == "measured":
                return found
            first = first or found
            if found.evidence.get("state_shown") is None and not flat:
                break
        assert first is not None
        return first

    # -- following it ------------------------------------------------------------------------------------------------------

    def _follow(self, frame: Frame) -> None:
        assert self.follower is not None
        seen = self.follower.step(frame.grey, frame.time_s)
        row = len(self.rows)
        last = next(((t, s) for _, t, s in reversed(self.rows) if not s.lost), None)
        if not seen.lost and last is not None and abs(seen.draw_mm - last[1].draw_mm) > FASTEST_MM_S * (frame.time_s - last[0]):
            self.stopped = Reason(
                "jumps",
                f"The draw jumps at {frame.time_s:.1f} s: the clip was cut there, or the string was let go.",
                "Film one pull, hold and let-down in one piece.",
            )
            return
        if seen.lost == "background":
            self.stopped = Reason(
                "another_scene",
                f"At {frame.time_s:.1f} s the clip shows something else, or the phone moved too far.",
                "Hold the phone still, best on a stand, and film one pull in one piece.",
            )
            return
        self.rows.append((frame.index, frame.time_s, seen))
        if not seen.lost:
            self._consider(frame, row, seen)

    def _consider(self, frame: Frame, row: int, seen: Seen) -> None:
        """Keep the frame if it is the best yet of its draw, or of the longest; measure the best of a draw once it is passed."""
        assert self.follower is not None
        draw = seen.draw_mm + self.back_mm
        self.longest = max(self.longest, draw)
        nearest = round(draw / self.every)
        phase: Phase = "let-down" if draw < self.longest - max(self.every, LEAST_PULL_MM) * 0.75 else "pull"
        if (phase, nearest) != self.bin:
            self._measure_best()
            self.bin = (phase, nearest)
        off = 2 * (draw / self.every - nearest)  # -1 ... 1 over its draw's share
        marks = self.follower.moved(np.array(self.shot.marks_px, float).reshape(-1, 2))
        kept = _Kept(frame, row, seen, seen.sharp * (1 - 0.5 * off**2), marks)
        if self.bin not in self.done and (self.best is None or kept.worth > self.best.worth):
            self.best = kept
        held = self.top is None or self.top.seen.draw_mm + self.back_mm < self.longest - HELD_MM / 2
        if draw > self.longest - HELD_MM / 2 and (held or self.top is None or seen.sharp > self.top.seen.sharp):
            self.top = kept

    def _measure_best(self) -> None:
        if self.best is not None and self.bin is not None and self.bin not in self.done:
            self.done[self.bin] = (self.best.row, self._measure_kept(self.best))
        self.best = None

    def _measure_kept(self, kept: _Kept) -> Measurement:
        self.progress(kept.frame.time_s, "measuring")
        photo, px = self._photo(kept.frame), kept.seen.px
        marks = tuple((float(x), float(y)) for x, y in kept.marks_px)
        shot = replace(self.shot, marks_px=marks, clicks={}, set_by_hand=(), edges_px={})
        to = px[:2] - px[2]
        bent = abs(float(np.linalg.det(to))) / float(np.prod(np.linalg.norm(to, axis=1)))
        prepared = prepare(photo)
        found = self._measured(photo, shot, None, prepared, bent < np.sin(np.radians(4.0)))
        if found.status != "measured":  # once more, pointed at by what was followed
            names = ("nock_upper", "nock_lower", "hook")
            clicks = {n: (float(x), float(y)) for n, (x, y) in zip(names, px[:3], strict=True)}
            found = self._measured(photo, replace(shot, clicks=clicks), None, prepared)
        return found

    # -- what it comes to --------------------------------------------------------------------------------------------------

    def _film(self) -> DrawFilm:
        assert self.follower is not None
        coarse_mm = COARSE_PX * self.follower.handle.mm
        raw = _raw_track(self.rows, self.back_mm, coarse_mm / self.shot.handle_mm)
        reasons = [] if self.stopped is None else [self.stopped]
        reasons += _hidden(raw) + _sudden(raw)
        draw = raw.draw_mm
        if np.isfinite(draw).sum() < 5 or np.nanmax(draw) - np.nanmin(draw) < LEAST_PULL_MM:
            reasons.append(
                Reason(
                    "no_pull", f"No pull is seen in {self.name}.", "Film the bow from brace to full draw and back, in one piece."
                )
            )
            return DrawFilm("needs_help", self.name, tuple(reasons), raw)
        pulls = _pulls(raw)
        if len(pulls) > 1:
            at = " and ".join(f"{raw.time_s[p]:.1f} s" for p in pulls)
            reasons.append(
                Reason(
                    "several_pulls", f"The clip shows {len(pulls)} pulls, the longest draws at {at}.", "Cut the clip to one pull."
                )
            )
        held = _held(raw)
        inside = [] if held is None else [row for row, _ in self.done.values() if held[0] <= row <= held[1]]
        if held is not None and not inside and self.top is not None and held[0] <= self.top.row <= held[1]:
            self.done[("hold", 0)] = (self.top.row, self._measure_kept(self.top))
        peak = int(np.nanargmax(draw))
        measured = sorted(((row, m) for row, m in self.done.values() if m.status == "measured"), key=lambda rm: rm[0])
        failed = [m.reasons[0] for k, m in self.done.values() if m.status != "measured" and m.reasons]
        if not measured:
            return DrawFilm("needs_help", self.name, (*reasons, *failed[:1]), raw)
        track = _laid(raw, measured)
        stages = []
        for row, m in measured:
            phase: Phase = "hold" if held is not None and held[0] <= row <= held[1] else "pull" if row <= peak else "let-down"
            stages.append(Stage(int(track.frame[row]), float(track.time_s[row]), phase, float(track.draw_mm[row]), m))
        stages, doubts = _found_together(stages, self.rest)
        reasons += doubts
        hold = None
        if held is not None:
            rows_held = slice(held[0], held[1] + 1)
            u = float(np.nanmedian(track.u["draw_length_back"][rows_held]))
            hold = Hold(held[0], held[1], Value(float(np.nanmedian(track.draw_mm[rows_held])), u, "mm"))
        else:
            reasons.append(Reason("no_hold", "The pull is not held at full draw.", "Hold the full draw for a second, once."))
        stop = any(r.code in ("jumps", "another_scene", "hidden", "several_pulls") for r in reasons)
        leads = (
            ()
            if len(pulls) > 1
            else _leads(
                track, held, peak, coarse_mm, float(np.degrees(coarse_mm / self.shot.handle_mm)), self.shot.nock_to_nock_mm
            )
        )
        evidence = {
            "frames_followed": len(self.rows),
            "frames_seen": int(np.isfinite(draw).sum()),
            "frames_measured": len(measured),
            "frames_not_measured": len(failed),
        }
        status: Status = "needs_help" if stop else "measured"
        return DrawFilm(status, self.name, tuple(reasons), track, hold, tuple(stages), leads, evidence)


def over_the_pull(stages: Sequence[Stage]) -> list[Stage]:
    """The few drawn stages of the pull, evenly up to the longest draw, that the film's hinges and stiff places stand on."""
    drawn = sorted((s for s in stages if s.phase != "let-down" and s.measurement.state == "drawn"), key=lambda s: s.draw_mm)
    if not drawn:
        return []
    return [drawn[i] for i in np.unique(np.linspace(0, len(drawn) - 1, FOUND_ON + 1).round().astype(int)[1:])]


def _found_together(stages: list[Stage], rest: Measurement | None) -> tuple[list[Stage], list[Reason]]:
    """The stages with the hinges and stiff places that those of the pull show together, and why not where they can't.

    Frames of one film share light, place and lens, so that more of them than a few well apart would only seem to make it surer.
    """
    picked = over_the_pull(stages)
    if not picked:
        return stages, []
    try:
        finding = find([s.measurement.as_printed() for s in picked], rest)
    except MechanicsError as error:
        return stages, [error.reason]
    return [replace(s, measurement=with_finding(s.measurement, finding)) for s in stages], list(finding.doubts)


def _raw_track(rows: list[tuple[int, float, Seen]], back_mm: float, u_turn: float) -> Track:
    """``u_turn``: standard uncertainty (rad) of the handle's direction that is common to neighbouring frames."""
    time = np.array([t for _, t, _ in rows])
    seen = [s for *_, s in rows]
    rock = np.array([s.rock for s in seen])
    smooth, u_rock = _smoothed(time, rock)
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
    lost = tuple(s.lost for s in seen)
    return Track(
        frame, time, values, {k: nan for k in TRACKED}, np.degrees(smooth), float(np.degrees(np.hypot(u_rock, u_turn))), lost
    )


def _smoothed(time: Array, y: Array) -> tuple[Array, float]:
    """A straight line through each place's neighbours, and the standard uncertainty of its own scatter."""
    ok = np.isfinite(y)
    out, worth = np.full(len(y), np.nan), []
    others = ok.copy()
    others[np.argmax(ok)] = False  # the first frame seen: what is followed was taken from it, noise and all, and fits it too well
    for i in np.nonzero(ok)[0]:
        away = np.where(others, np.abs(time - time[i]), np.inf)
        near = np.argsort(away, kind="stable")[: max(5, int((away <= SMOOTH_S).sum()))]
        near = near[np.isfinite(away[near])]
        if len(near) < 5:
            out[i] = y[i]
            continue
        out[i] = np.polyval(np.polyfit(time[near] - time[i], y[near], 1), 0.0)
        worth.append(len(near))
    if not worth:
        return out, float("nan")
    n = float(np.median(worth))
    return out, 1.4826 * float(np.nanmedian(np.abs(y - out))) / np.sqrt(n - 2)


def _hidden(track: Track) -> list[Reason]:
    """The stretches in which nothing was seen, told."""
    lost = np.array([bool(x) for x in track.lost])
    ends = np.diff(np.r_[0, lost.astype(int), 0])
    out = []
    for a, b in zip(np.nonzero(ends == 1)[0].tolist(), np.nonzero(ends == -1)[0].tolist(), strict=True):
        from_s, to_s = track.time_s[a], track.time_s[min(b, len(lost) - 1)]
        if to_s - from_s >= HIDDEN_S:
            what = {"string": "string", "tip": "limb tips", "handle": "handle"}.get(track.lost[a], "bow")
            text = f"From {from_s:.1f} to {to_s:.1f} s the {what} can't be seen, so that time is left out."
            out.append(Reason("hidden", text, "Keep hands, arms and people out from between the phone and the bow."))
    return out


def _sudden(track: Track) -> list[Reason]:
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


def _pulls(track: Track) -> list[int]:
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


def _held(track: Track) -> tuple[int, int] | None:
    """First and last row of the longest stretch that stays at the longest draw; None where it is not held."""
    d = track.draw_mm
    near = np.nan_to_num(d, nan=-np.inf) > np.nanmax(d) - HELD_MM
    ends = np.diff(np.r_[0, near.astype(int), 0])
    runs = zip(np.nonzero(ends == 1)[0].tolist(), (np.nonzero(ends == -1)[0] - 1).tolist(), strict=True)
    t = track.time_s.tolist()
    a, b = max(runs, key=lambda r: t[r[1]] - t[r[0]])
    middle = float(np.median(d[a : b + 1]))
    off = max(2.0, 4 * 1.4826 * float(np.median(np.abs(d[a : b + 1] - middle))))
    while a < b and abs(d[a] - middle) > off:
        a += 1
    while b > a and abs(d[b] - middle) > off:
        b -= 1
    return (a, b) if t[b] - t[a] >= HELD_S else None


def _laid(raw: Track, keys: list[tuple[int, Measurement]]) -> Track:
    """The track laid onto the frames that were measured."""
    values, u, scatters = {}, {}, {}
    at = raw.draw_mm
    for name in TRACKED:
        own = raw.values[name]
        pairs = []
        for row, m in keys:
            v = m.values.get("brace_height_back" if name == "draw_length_back" and m.state == "braced" else name)
            if v is not None and np.isfinite(v.u) and np.isfinite(own[row]):
                pairs.append((at[row], v.value - own[row], v.u))
        if not pairs:
            values[name] = u[name] = np.full(len(own), np.nan)
            scatters[name] = float("nan")
            continue
        x, off, own_u = (np.array(c) for c in zip(*pairs, strict=True))
        line, scatter = _line(x, off)
        scatters[name] = scatter
        values[name] = own + np.polyval(line, at)
        order = np.argsort(x)
        u[name] = np.where(np.isfinite(own), np.hypot(np.interp(at, x[order], own_u[order]), scatter), np.nan)
    return replace(raw, values=values, u=u, laid_on=len(keys), scatter=scatters)


def _line(x: Array, y: Array) -> tuple[Array, float]:
    """A straight line through differences, robustly, and how far they scatter about it; level where they lie too close."""
    degree = 1 if len(x) >= 4 and np.ptp(x) > LEAST_PULL_MM else 0
    w = np.ones(len(x))
    fit = np.zeros(degree + 1)
    for _ in range(10):
        fit = np.polyfit(x, y, degree, w=np.sqrt(w))
        away = np.abs(y - np.polyval(fit, x))
        w = 1 / (1 + (away / (2 * 1.4826 * float(np.median(away)) + 1e-3)) ** 2)
    free = max(len(x) - degree - 1, 1)
    return fit, float(np.sqrt((w * (y - np.polyval(fit, x)) ** 2).sum() / w.sum() * len(x) / free))


def _leads(
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

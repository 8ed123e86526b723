"""A draw on film: pull, hold and let-down followed from frame to frame, and the sharpest frame at each wished draw measured.

First the whole clip is followed, then the frames chosen are measured like photographs. What is followed between them is laid onto
those measurements: a straight line over draw length takes off what the following alone has wrong, and what is left of it goes
into the uncertainty.
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
from tillerlens.core.errors import Reason, ShotError, TillerLensError
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.measurement import Measurement, Value, measurement_of
from tillerlens.core.reading import shown
from tillerlens.core.shot import Shot
from tillerlens.core.unforeseen import net
from tillerlens.film.clip import Frame, glances, length_s, read_frames
from tillerlens.film.follow import Anchor, Follower, FollowError, nothing
from tillerlens.film.glance import LOOKS, carried, most_drawn
from tillerlens.film.joint import GapChange, GapTogether, at_one_handle, gap_changes, gaps_together
from tillerlens.film.journal import Journal, clip_key
from tillerlens.film.track import (
    COARSE_PX,
    LEAST_PULL_MM,
    ROCK_EXTREMES,
    Hold,
    Lead,
    Phase,
    Row,
    Track,
    held_rows,
    hidden,
    laid,
    leads,
    pulls,
    raw_track,
    sudden,
)
from tillerlens.measure import measure_photo
from tillerlens.mechanics.finding import find, with_finding
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.photo.camera import CameraFit
from tillerlens.photo.intake import Photo
from tillerlens.photo.scale import fit_scale
from tillerlens.trace.reading import Prepared, prepare
from tillerlens.trace.self_scale import fit_to_bow

Array = NDArray[np.float64]
Status = Literal["measured", "needs_help", "refused"]
Progress = Callable[[float, str], None]  # the share of the work done, and what is being done

EVERY_MM, LEAST_EVERY_MM = 25.4, 6.0
# On the way down the frames only tell how the track lies, which a few do as well; all that is judged stands on the pull.
LET_DOWN_EVERY = 4
LOOKED_FOR, FIRST_APART_S = (
    6,
    0.5,
)  # frames in which the bow is looked for, the second so long after the first, each twice as long
FASTEST_MM_S = (
    2500.0  # a hand lets a bow down in half a second from half a metre and more; a loosed string is twenty times as fast
)
FLAT_STRING_RAD = np.radians(4.0)  # between a string's halves, below which it may be braced
FOUND_ON = 8  # frames at the most, that hinges and stiff places are found on together
FOLLOWING = 0.4  # of the whole work's time, on a usual clip
CHECKED = 30  # frames followed, after which the journal can go on from there


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
class FirstLook:
    """One frame near full draw, measured before the clip was followed."""

    time_s: float
    measurement: Measurement


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
    gap_changes: tuple[GapChange, ...] = ()
    gaps_together: tuple[GapTogether, ...] = ()
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
            "gap_changes": [
                {
                    "from_handle_mm": round(g.from_handle_mm, 3),
                    "from_draw_mm": round(g.from_draw_mm, 2),
                    "to_draw_mm": round(g.to_draw_mm, 2),
                    "upper_more": g.change.as_dict(),
                }
                for g in self.gap_changes
            ],
            "gaps_together": [
                {
                    "from_handle_mm": round(g.from_handle_mm, 3),
                    "draw_mm": round(g.draw_mm, 2),
                    "difference": g.difference.as_dict(),
                }
                for g in self.gaps_together
            ],
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
class _Pick:
    """A frame that is to be measured: its row, its index, and how good it is for its draw."""

    row: int
    frame: int
    worth: float


def measure_draw(
    source: Path | bytes,
    shot: Shot,
    every_mm: float = EVERY_MM,
    rest: Measurement | None = None,
    name: str | None = None,
    progress: Progress = lambda share, doing: None,
    first: Callable[[FirstLook], None] | None = None,
    journals: Path | None = None,
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
    first : callable, optional
        Told what a frame near full draw shows, within seconds; not called where none could be measured.
    journals : Path, optional
        The folder that what is done is kept in until all is done; a clip that was stopped goes on from there.

    Raises
    ------
    ClipError
        The file cannot be used.
    ShotError
        ``every_mm`` is too short.
    """
    if not every_mm >= LEAST_EVERY_MM:
        raise ShotError("The measured draws are too close together.", "Measure every 1/4 in (6 mm) or more.", every_mm=every_mm)
    name = shown(name or (source.name if isinstance(source, Path) else "this clip"))
    length = length_s(source, name)
    asked = (name, shot.as_dict(), every_mm, None if rest is None else rest.as_document())
    journal = Journal(journals, clip_key(source, *asked) if journals is not None else "")
    clip, stopped = _Clip(source, name, shot, rest), False
    try:
        with net("following", name):
            if first is not None and not journal.followed:
                progress(0.0, "Looking for the longest draw")
                _look_first(clip, first)
            following = _Following(clip, journal, lambda at_s, doing: progress(_followed_share(at_s, length), doing))
            anchor = following.run()
            film = _told(clip, anchor, following.rows, following.stopped, every_mm, journal, progress)
        return film
    except (DrawError, FollowError) as error:
        return DrawFilm("needs_help", name, (error.reason,))
    except BaseException as error:
        stopped = not isinstance(error, TillerLensError)  # else it would go the same way once more
        raise
    finally:
        journal.close(done=not stopped)


def _followed_share(at_s: float, length_s: float) -> float:
    return FOLLOWING * min(1.0, at_s / length_s) if length_s > 0 else 0.0


@dataclass(frozen=True, eq=False)
class _Clip:
    """A clip and what is known of the bow in it."""

    source: Path | bytes
    name: str
    shot: Shot
    rest: Measurement | None

    def photo(self, frame: Frame) -> Photo:
        """A frame as a photograph."""
        rgb = frame.rgb()
        rgb.flags.writeable = False
        digest = hashlib.sha256(rgb.tobytes()).hexdigest()
        return Photo(rgb, digest, f"{self.name} at {frame.time_s:.2f} s", None, None, 1, "PNG")

    def measured(
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


def _look_first(clip: _Clip, first: Callable[[FirstLook], None]) -> None:
    """Measure a frame near full draw and tell it. Where that comes to nothing, the whole clip still may."""
    found = most_drawn(glances(clip.source, LOOKS, clip.name))
    if found is None:
        return
    begin, frame = found
    marks = carried(begin, frame, clip.shot.marks_px)
    if marks is None:
        return
    shot = replace(clip.shot, marks_px=marks, clicks={}, set_by_hand=(), edges_px={})
    measurement = clip.measured(clip.photo(frame), shot)
    if measurement.status == "measured":
        first(FirstLook(frame.time_s, measurement))


class _Following:
    """One clip being followed: holds one frame at a time, however long it is."""

    def __init__(self, clip: _Clip, journal: Journal, progress: Progress) -> None:
        self.clip, self.shot, self.journal, self.progress = clip, clip.shot, journal, progress
        self.follower: Follower | None = None
        self.rows = list(journal.rows)
        self.last: Row | None = None  # in which the bow was seen
        self.failed: list[Reason] = []
        self.attempts, self.next_try_s, self.apart_s = 0, 0.0, FIRST_APART_S
        self.stopped: Reason | None = None

    def run(self) -> Anchor:
        """Follow the clip to its end, or to where it can't be followed further.

        Raises
        ------
        DrawError
            The bow was not found.
        """
        if self.journal.followed and self.journal.anchor is not None:
            self.stopped = None if self.journal.stopped is None else Reason.from_dict(self.journal.stopped)
            return self.journal.anchor
        known = self.rows[-1][0] if self.rows else -1
        for frame in read_frames(self.clip.source, self.clip.name):
            self.progress(frame.time_s, f"Following at {frame.time_s:.1f} s")
            if self.follower is None:
                self._start(frame)
            elif frame.index > known:
                self._follow(frame)
            if self.stopped is not None:
                break
        if self.follower is None:
            raise self._not_found()
        self.journal.ended(None if self.stopped is None else self.stopped.as_dict())
        return self.follower.anchor

    # -- finding it --------------------------------------------------------------------------------------------------------

    def _start(self, frame: Frame) -> None:
        found_before = self.journal.start
        if found_before is not None and frame.index < found_before:
            return
        if found_before is None:
            if frame.time_s < self.next_try_s or self.attempts >= LOOKED_FOR:
                self._put((frame.index, frame.time_s, nothing("background")))
                return
            self.attempts += 1
            self.next_try_s, self.apart_s = frame.time_s + self.apart_s, 2 * self.apart_s
        self.progress(frame.time_s, "Looking for the bow")
        photo = self.clip.photo(frame)
        found: Measurement | None = None
        try:
            fit, prepared = self._camera(photo)
            found = self.clip.measured(photo, self.shot, fit, prepared)
        except TillerLensError as error:
            self.failed.append(error.reason)
        shows = found is not None and found.status == "measured" and found.trace is not None
        if found is None or not shows or (found.state == "drawn" and found.trace is not None and found.trace.hook_mm is None):
            reasons = () if found is None else found.reasons
            faint = [r for r in reasons if r.code == "string_faint"]  # a bow that was measured otherwise: this is what lacks
            self.failed += (faint or list(reasons))[:1]
            self._put((frame.index, frame.time_s, nothing("background")))
            return
        shot = self.shot
        self.follower = Follower(frame.grey, frame.shrunk, found, fit.camera, shot.standoff_mm, shot.handle_mm)
        self.journal.begun(frame.index, self.follower.anchor)
        if self.journal.state is not None:
            self.follower.restore(self.journal.state)
            self.last = next((r for r in reversed(self.rows) if not r[2].lost), None)
        else:
            self._follow(frame)

    def _put(self, row: Row) -> None:
        self.rows.append(row)
        self.journal.row(row)

    def _not_found(self) -> DrawError:
        first = self.failed[0] if self.failed else None
        if first is not None and first.code == "string_faint":
            return DrawError(
                f"The draw can't be followed in {self.clip.name}: its string can't be told from what is behind it.",
                "Film it against a ground that it stands out from, closer, or with a string of another colour.",
            )
        why = "" if first is None else f" {first.text}"
        return DrawError(
            f"The bow was not found in {self.clip.name}.{why}",
            "Film the whole bow from the side with its marks, from before the pull on. "
            + ("" if first is None else first.remedy),
        )

    def _camera(self, photo: Photo) -> tuple[CameraFit, Prepared]:
        if self.shot.scale.kind == "bow_length" and not {"nock_upper", "nock_lower"} <= set(self.shot.clicks):
            prepared = prepare(photo)
            return fit_to_bow(photo, prepared.maps, self.shot), prepared
        fit = fit_scale(photo, self.shot)  # first: without a scale the rest would be in vain
        return fit, prepare(photo)

    # -- following it ------------------------------------------------------------------------------------------------------

    def _follow(self, frame: Frame) -> None:
        assert self.follower is not None
        seen = self.follower.step(frame.grey, frame.time_s)
        if seen.lost == "background":
            self.stopped = Reason(
                "another_scene",
                f"At {frame.time_s:.1f} s the clip shows something else, or the phone moved too far.",
                "Hold the phone still, best on a stand, and film one pull in one piece.",
            )
            return
        if not seen.lost and self.last is not None:
            _, last_s, last = self.last
            if abs(seen.draw_mm - last.draw_mm) > FASTEST_MM_S * (frame.time_s - last_s):
                self.stopped = Reason(
                    "jumps",
                    f"The draw jumps at {frame.time_s:.1f} s: the clip was cut there, or the string was let go.",
                    "Film one pull, hold and let-down in one piece.",
                )
                return
        row = (frame.index, frame.time_s, seen)
        self._put(row)
        if len(self.rows) % CHECKED == 0:
            self.journal.checked(self.follower.state())
        if not seen.lost:
            self.last = row


# -- choosing and measuring frames -----------------------------------------------------------------------------------------


def _chosen(rows: Sequence[Row], back_mm: float, every_mm: float, held: tuple[int, int] | None) -> list[_Pick]:
    """The frames that are to be measured, in their order: the sharpest near each wished draw, and one of the hold."""
    best: dict[tuple[Phase, int], _Pick] = {}
    longest = -np.inf
    for row, (frame, _, seen) in enumerate(rows):
        if seen.lost:
            continue
        draw = seen.draw_mm + back_mm
        longest = max(longest, draw)
        phase: Phase = "let-down" if draw < longest - max(every_mm, LEAST_PULL_MM) * 0.75 else "pull"
        step = every_mm * (LET_DOWN_EVERY if phase == "let-down" else 1)
        nearest = round(draw / step)
        off = 2 * (draw / step - nearest)  # -1 ... 1 over its draw's share
        pick = _Pick(row, frame, seen.sharp * (1 - 0.5 * off**2))
        if (phase, nearest) not in best or pick.worth > best[phase, nearest].worth:
            best[phase, nearest] = pick
    picks = {p.row: p for p in best.values()}
    if held is not None and not any(held[0] <= row <= held[1] for row in picks):
        row = max(range(held[0], held[1] + 1), key=lambda r: -np.inf if rows[r][2].lost else rows[r][2].sharp)
        picks[row] = _Pick(row, rows[row][0], rows[row][2].sharp)
    return [picks[row] for row in sorted(picks)]


def _measured_frames(
    clip: _Clip, anchor: Anchor, rows: Sequence[Row], picks: Sequence[_Pick], journal: Journal, progress: Progress
) -> list[tuple[int, Measurement]]:
    """The chosen frames measured, each with its row; to the figures of its document, so that one read back is the same."""
    open_still = {p.frame: p for p in picks if p.frame not in journal.documents}
    done = len(picks) - len(open_still)
    for frame in read_frames(clip.source, clip.name, only=list(open_still)) if open_still else ():
        done += 1
        progress(FOLLOWING + (1 - FOLLOWING) * (done - 1) / len(picks), f"Measuring frame {done} of {len(picks)}")
        found = _measured_frame(clip, anchor, frame, rows[open_still[frame.index].row])
        journal.measured(frame.index, found.as_document())
    return [(p.row, measurement_of(journal.documents[p.frame])) for p in picks]


def _measured_frame(clip: _Clip, anchor: Anchor, frame: Frame, row: Row) -> Measurement:
    photo, px = clip.photo(frame), row[2].px
    marks = anchor.moved(np.array(clip.shot.marks_px, float).reshape(-1, 2), row[2].theta)
    shot = replace(clip.shot, marks_px=tuple((float(x), float(y)) for x, y in marks), clicks={}, set_by_hand=(), edges_px={})
    to = px[:2] - px[2]
    bent = abs(float(np.linalg.det(to))) / float(np.prod(np.linalg.norm(to, axis=1)))
    prepared = prepare(photo)
    found = clip.measured(photo, shot, None, prepared, bent < np.sin(FLAT_STRING_RAD))
    if found.status != "measured":  # once more, pointed at by what was followed
        names = ("nock_upper", "nock_lower", "hook")
        clicks = {n: (float(x), float(y)) for n, (x, y) in zip(names, px[:3], strict=True)}
        found = clip.measured(photo, replace(shot, clicks=clicks), None, prepared)
    return found


# -- what it comes to ------------------------------------------------------------------------------------------------------


def _told(
    clip: _Clip, anchor: Anchor, rows: list[Row], stopped: Reason | None, every_mm: float, journal: Journal, progress: Progress
) -> DrawFilm:
    """All that the followed clip tells, its frames measured."""
    coarse_mm = COARSE_PX * anchor.pixel_mm
    raw = raw_track(rows, anchor.back_mm, coarse_mm / clip.shot.handle_mm)
    reasons = [] if stopped is None else [stopped]
    reasons += hidden(raw) + sudden(raw)
    draw = raw.draw_mm
    if np.isfinite(draw).sum() < 5 or np.nanmax(draw) - np.nanmin(draw) < LEAST_PULL_MM:
        remedy = "Film the bow from brace to full draw and back, in one piece."
        return DrawFilm("needs_help", clip.name, (*reasons, Reason("no_pull", f"No pull is seen in {clip.name}.", remedy)), raw)
    tops, held = pulls(raw), held_rows(raw)
    if len(tops) > 1:
        at = " and ".join(f"{raw.time_s[p]:.1f} s" for p in tops)
        text = f"The clip shows {len(tops)} pulls, the longest draws at {at}."
        reasons.append(Reason("several_pulls", text, "Cut the clip to one pull."))
    picks = _chosen(rows, anchor.back_mm, every_mm, held)
    every = _measured_frames(clip, anchor, rows, picks, journal, progress)
    measured = [(row, m) for row, m in every if m.status == "measured"]
    failed = [m.reasons[0] for _, m in every if m.status != "measured" and m.reasons]
    if not measured:
        return DrawFilm("needs_help", clip.name, (*reasons, *failed[:1]), raw)
    track, peak = laid(raw, measured), int(np.nanargmax(draw))
    stages, doubts = _found_together(_stages(track, measured, held, peak), clip.rest)
    reasons += doubts
    if held is None:
        reasons.append(Reason("no_hold", "The pull is not held at full draw.", "Hold the full draw for a second, once."))
    stop = any(r.code in ("jumps", "another_scene", "hidden", "several_pulls") for r in reasons)
    coarse_deg = float(np.degrees(coarse_mm / clip.shot.handle_mm))
    ahead = () if len(tops) > 1 else leads(track, held, peak, coarse_mm, coarse_deg, clip.shot.nock_to_nock_mm)
    evidence = {
        "frames_followed": len(rows),
        "frames_seen": int(np.isfinite(draw).sum()),
        "frames_measured": len(measured),
        "frames_not_measured": len(failed),
    }
    hold = None if held is None else _hold(track, held)
    of_pull = [] if len(tops) > 1 else [(s.draw_mm, s.measurement) for s in stages if s.phase != "let-down"]
    parted, together = gap_changes(of_pull), gaps_together(of_pull)
    status: Status = "needs_help" if stop else "measured"
    return DrawFilm(status, clip.name, tuple(reasons), track, hold, tuple(stages), ahead, parted, together, evidence)


def _stages(track: Track, measured: Sequence[tuple[int, Measurement]], held: tuple[int, int] | None, peak: int) -> list[Stage]:
    stages = []
    for (row, _), m in zip(measured, at_one_handle([m for _, m in measured]), strict=True):
        phase: Phase = "hold" if held is not None and held[0] <= row <= held[1] else "pull" if row <= peak else "let-down"
        stages.append(Stage(int(track.frame[row]), float(track.time_s[row]), phase, float(track.draw_mm[row]), m))
    return stages


def _hold(track: Track, held: tuple[int, int]) -> Hold:
    rows = slice(held[0], held[1] + 1)
    u = float(np.nanmedian(track.u["draw_length_back"][rows]))
    return Hold(held[0], held[1], Value(float(np.nanmedian(track.draw_mm[rows])), u, "mm"))


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

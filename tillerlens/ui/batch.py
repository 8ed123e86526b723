"""Photos on the bench before they are kept: what is guessed of each, its whole shot, its measurement, and keeping it.

A photo's own notes hold only what is its own: state, weight, time, places pointed at. The bow's sizes come from the bow and the
scale from its board each time they are asked for, so that neither is ever typed twice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial

import streamlit as st

from tillerlens.core.document import as_json
from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import Measurement
from tillerlens.core.shot import Form
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import MM_PER_INCH
from tillerlens.history.as_now import CHANGES
from tillerlens.record import Bow, Event, Stage, originals, store
from tillerlens.record.entries import now, say_time
from tillerlens.ui import cache, workspace
from tillerlens.ui.context import PageContext
from tillerlens.ui.fields import SCALE_FIELDS, SCALES, view_fields
from tillerlens.ui.workspace import OF_A_BOARD, Board, OnBench

NEXT = {"unstrung": "braced", "braced": "drawn", "drawn": "drawn"}
# (a shot's field, a bow's): asked once, of the bow
SIZES = (
    ("bow_length_nock_to_nock_in", "length_mm"),
    ("handle_in", "handle_mm"),
    ("limb_width_in", "limb_width_mm"),
    ("handle_thickness_in", "handle_thickness_mm"),
    ("upper_limb_length_in", "upper_limb_length_mm"),
)
BARE: Form = {"kind": "bow_length"}
STATE_DOUBTED = ("state_unlikely", "no_braced_string")  # codes of the doubts that the bow stands as was said
LOOKED_FOR = ("aruco", "grid")  # marks that are found without anybody pointing at them
BRACE_SHARP_MM = 3.0  # standard uncertainty up to which a brace height from the side stands in for a ruler's
STANDOFF_BY_BOARD_U_IN = 0.5  # a bow turned with its belly or back to the board stands so much nearer or further off it
MOST_LOOKED_AT = 4  # boards, for one photo


@dataclass(frozen=True)
class BenchContext:
    """What holds for every photo of a bow on the bench. last: the newest stage."""

    place: PageContext
    bow: Bow
    stages: tuple[Stage, ...]
    boards: tuple[Board, ...]
    changed: Event | None = None  # the last scrape or heating

    @staticmethod
    def of(place: PageContext, bow: Bow) -> BenchContext:
        stages = tuple(store.list_stages(place.record, bow.id))
        changes = [e for kind in CHANGES for e in store.list_events(place.record, bow.id, kind)]
        last = max(changes, key=lambda e: e.happened_at, default=None)
        return BenchContext(place, bow, stages, tuple(workspace.boards(place.record.folder)), last)

    def before_change(self, picture: OnBench) -> Event | None:
        """The last change of the bow, where this photo's time puts it before that, or nobody knows the photo's time."""
        changed = self.changed
        return changed if changed is not None and (not picture.taken_by or time_of(picture) <= changed.happened_at) else None

    def heated_by(self, when: datetime) -> bool:
        """Whether the bow was heated before."""
        return any(e.happened_at <= when for e in store.list_events(self.place.record, self.bow.id, "heat"))

    def board(self, picture: OnBench) -> Board | None:
        return next((b for b in self.boards if b.id == picture.board_id), None)


# --- guessed


def guess(known: BenchContext, data: bytes, name: str) -> OnBench:
    """A photo as it is likely meant, by the order of photos, the marks that it shows and the boards that are known."""
    folder, bow = known.place.record.folder, known.bow
    photo = cache.decoded(data, name)
    by_file = originals.taken_at(data)
    when = by_file or now()
    state, why = _next_state(known, when)
    board, form, scale_why = _scale(known, data, name, photo.sha256)
    laid = workspace.lay_down(folder, data, name, bow.id, {"version": 1, "state": state, **form})
    if laid.guessed:
        return laid  # it lay there before
    said = (f"Guess: {state}, {why}.", f"Scale: {scale_why}.")
    told_of = replace(
        laid, guessed=said, board_id=None if board is None else board.id, state_guessed=state, taken_at=say_time(when),
        taken_by="" if by_file is None else "file",
    )  # fmt: skip
    workspace.note(folder, told_of)
    return told_of


def _next_state(known: BenchContext, when: datetime) -> tuple[str, str]:
    before = [(s.taken_at, s.state) for s in known.stages if s.taken_at <= when and not s.from_front]
    waiting = [w for w in workspace.on_bench(known.place.record.folder, known.bow.id) if w.form.get("view") != "front"]
    before += [(time_of(w), w.form.get("state", "unstrung")) for w in waiting if time_of(w) <= when]
    if not before:
        return "unstrung", "the bow's first photo"
    last = max(before, key=lambda entry: entry[0])[1]
    return NEXT.get(last, "drawn"), f"the photo before is {last}"


def _scale(known: BenchContext, data: bytes, name: str, sha256: str) -> tuple[Board | None, Form, str]:
    """The board that the photo shows; else the last one, where only a person could point at its marks; else the bow itself."""
    for k, board in enumerate(known.boards[:MOST_LOOKED_AT]):
        if board.scale["kind"] in LOOKED_FOR:
            if cache.shows(sha256, name, data, _any_bow(board)):
                return board, {}, f"{board.name}, its marks show"
        elif k == 0:
            return board, {}, f"{board.name}, the board last used"
    last = known.stages[-1] if known.stages else None
    if last is not None and not known.boards and last.shot["scale"]["kind"] != BARE["kind"]:
        form: Form = {k: last.shot[k] for k in ("scale", "standoff_in", "standoff_u_in") if k in last.shot}
        return None, form, "as in the photo before"
    none = "no board shows" if known.boards else "no board yet"
    return None, {"scale": BARE}, f"the bow's own length, {none}"


def _any_bow(board: Board) -> Form:
    bow = {"version": 1, "state": "braced", "bow_length_nock_to_nock_in": 66, "handle_in": 8, "upper_limb": "left", "back": "up"}
    return workspace.hanging({**bow, **board.form()})


def time_of(picture: OnBench) -> datetime:
    try:
        return datetime.fromisoformat(picture.taken_at or "").astimezone()
    except ValueError:
        return now().astimezone()  # laid down by an earlier version, which did not note it


# --- the whole shot, and what was measured


def form_of(known: BenchContext, picture: OnBench) -> Form:
    """The shot's form: the photo's own fields with the bow's sizes and the board's scale."""
    bow, board = known.bow, known.board(picture)
    last = known.stages[-1].shot if known.stages else {}
    usual = {"upper_limb": known.place.settings.upper_limb, "back": known.place.settings.back}
    hangs = {k: last[k] for k in usual if k in last and (board is None or board.upper_limb is None)}
    own = {k: v for k, v in picture.form.items() if v is not None}
    sizes = {name: round(mm / MM_PER_INCH, 9) for name, of in SIZES if (mm := getattr(bow, of)) is not None}
    if own.get("facing") == "belly" and "belly_heated" not in own and known.heated_by(time_of(picture)):
        own["belly_heated"] = True
    if own.get("view") == "front" and own.get("state") == "braced" and "brace_height_in" not in own:
        own |= _brace_measured(known)
    if bow.length_mm is None or bow.handle_mm is None:  # of an older record, where they stand with the photos only
        own = {**{name: last[name] for name, _ in SIZES[:2] if name in last}, **own}
    if board is None:
        return workspace.hanging({**usual, **hangs, "scale": BARE, **own, **sizes})
    if own.get("view") == "front":  # it hangs otherwise before the same board, and how far may have been measured for this photo
        apart = {k: own[k] for k in ("standoff_in",) if k in own} or {"standoff_u_in": STANDOFF_BY_BOARD_U_IN}
        sizes = {**apart, **sizes}
    mine = {k: v for k, v in own.items() if k not in OF_A_BOARD or k in ("marks_px", "upper_limb", "back")}
    return workspace.hanging({**usual, **hangs, **board.form(), **mine, **sizes})


def _brace_measured(known: BenchContext) -> Form:
    """The brace height of the last braced picture from the side, where it was read as well as a ruler would."""
    values = [s.value("brace_height_belly") for s in known.stages if s.state == "braced" and s.status == "measured"]
    sharp = [v for v in values if v is not None and 0 < v.u < BRACE_SHARP_MM]
    return {"brace_height_in": round(sharp[-1].value / MM_PER_INCH, 4)} if sharp else {}


def as_seen_from(known: BenchContext, picture: OnBench, seen: str) -> Form:
    """The fields of a photo that shows its bow from there; one that is higher than wide has its upper limb at the top, unless
    something else was said."""
    board, fields = known.board(picture), view_fields(seen)
    if not fields or "upper_limb" in picture.form or (board is not None and board.upper_limb is not None):
        return fields
    photo = cache.decoded(workspace.picture_of(known.place.record.folder, picture), picture.name)
    return {**fields, "upper_limb": "top"} if photo.height > photo.width else fields


def on_board(picture: OnBench, board_id: str | None, scale: Form | None = None) -> OnBench:
    """The photo on another board, or on none with a scale of its own; nothing of the board before stays."""
    own = {k: v for k, v in picture.form.items() if k not in OF_A_BOARD}
    form = own if board_id is not None else {**own, "scale": scale or BARE}
    return replace(picture, board_id=board_id, form=form, guessed=(*picture.guessed[:1], ""))


def lacking(known: BenchContext, form: Form) -> str | None:
    """What must be typed before this photo can be measured, in a sentence; None where nothing."""
    if "bow_length_nock_to_nock_in" not in form or "handle_in" not in form:
        return "Fill in the bow's length and its stiff handle first, at the top."
    kind = form["scale"]["kind"]
    needed = [(name, label) for name, label in SCALE_FIELDS[kind] if (kind, name) != ("stick", "spacing_in")]
    missing = [label for name, label in needed if name not in form["scale"]]
    if kind == "aruco" and "centres_in" not in form["scale"]:
        missing.append("where the tags hang")
    if kind != BARE["kind"] and "standoff_in" not in form:
        missing.append("standoff")
    if missing:
        return f"The scale, {SCALES[kind]}, still needs: {', '.join(missing).lower()}."
    return None


@dataclass(frozen=True)
class MeasuredPhoto:
    """A photo with its measurement and the picture at rest that it was judged against: a stage, or another photo on the bench."""

    picture: OnBench
    form: Form
    measurement: Measurement
    rest_json: str | None = None
    rest: Stage | MeasuredPhoto | None = None


class Rests:
    """The bow at rest, for strung photos: one rule for a photo kept alone and for many kept at once, by time and not by the order
    in which they are kept."""

    def __init__(self, known: BenchContext) -> None:
        self._record = known.place.record
        heated = store.list_events(self._record, known.bow.id, "heat")
        self._heated = [e.happened_at for e in heated]
        self._all: list[tuple[datetime, Stage | MeasuredPhoto]] = [
            (s.taken_at, s) for s in known.stages if s.state == "unstrung" and s.status == "measured" and not s.from_front
        ]

    def take(self, found: MeasuredPhoto) -> None:
        """One on the bench too, once it is measured."""
        m = found.measurement
        if m.status == "measured" and m.state == "unstrung" and m.front is None:
            self._all.append((time_of(found.picture), found))

    def of(self, picture: OnBench) -> Stage | MeasuredPhoto | None:
        """The last one at rest before this photo, else the first one after it; heat between the two bends the bow anew."""
        when = time_of(picture)
        if picture.form.get("state") == "unstrung" or picture.form.get("view") == "front":
            return None
        alike = [q for q in self._all if not any(min(q[0], when) < t <= max(q[0], when) for t in self._heated)]
        before = [q for q in alike if q[0] <= when]
        one = max(before, key=lambda q: q[0]) if before else min(alike, key=lambda q: q[0], default=None)
        return None if one is None else one[1]

    def document(self, rest: Stage | MeasuredPhoto | None) -> str | None:
        """Its measurement as JSON."""
        if rest is None:
            return None
        found = rest.measurement if isinstance(rest, MeasuredPhoto) else store.measurement(self._record, rest.id)
        return None if found is None else as_json(found)


def measure(known: BenchContext, picture: OnBench, rests: Rests) -> MeasuredPhoto:
    """Measure a photo as it stands; where its state was only guessed and the photo shows another, as that. Raises
    TillerLensError."""
    found = _measure(known, picture, rests)
    if picture.form.get("state") == picture.state_guessed:
        shows = _state_shown(known, picture, rests, found.measurement)
        if shows is not None:
            pose = f"{shows['state']}, seen from its belly" if "facing" in shows else shows["state"]
            said = (f"{pose.capitalize()}, as the photo shows.", *picture.guessed[1:])
            changed = replace(picture, form={**picture.form, **shows}, guessed=said, state_guessed=None)
            workspace.note(known.place.record.folder, changed)
            found = _measure(known, changed, rests)
    rests.take(found)
    return found


def doubts_state(measurement: Measurement) -> bool:
    """Whether the photo looks as if the bow were in another state than was said."""
    return any(reason.code in STATE_DOUBTED for reason in measurement.reasons)


def _state_shown(known: BenchContext, picture: OnBench, rests: Rests, measurement: Measurement) -> Form | None:
    """The state that the photo shows, and the view, where those are others than were guessed."""
    turned = any(reason.code == "view_unlikely" for reason in measurement.reasons)
    if turned:
        return _face_shown(known, picture, rests, straight=True)
    shows = measurement.evidence.get("state_shown")
    if shows is not None:
        return {"state": str(shows)}
    if measurement.status == "measured" and not doubts_state(measurement):
        return None
    others = [s for s in ("drawn", "braced", "unstrung") if s != picture.form["state"]]
    for state in others:  # one of them is measured without doubt of the state, or the guess stands with what was said of it
        as_other = replace(picture, form={**picture.form, "state": state})
        m = _measure(known, as_other, rests).measurement
        if m.status == "measured" and not doubts_state(m):
            turned = any(reason.code == "view_unlikely" for reason in m.reasons)
            return _face_shown(known, picture, rests, straight=True) if turned else {"state": state}
    return _face_shown(known, picture, rests, straight=False)


def _face_shown(known: BenchContext, picture: OnBench, rests: Rests, straight: bool) -> Form | None:
    """Whether the photo shows the bow's belly: with its string along the limbs, or, where what was followed is ``straight`` and
    broad, without one."""
    for state in ("braced", "unstrung") if straight else ("braced",):
        shows: Form = {"state": state, **as_seen_from(known, picture, "belly")}
        m = _measure(known, replace(picture, form={**picture.form, **shows}), rests).measurement
        if m.status == "measured" and not any(reason.code == "no_string" for reason in m.reasons):
            return shows
    return None


def _measure(known: BenchContext, picture: OnBench, rests: Rests) -> MeasuredPhoto:
    form = form_of(known, picture)
    at_rest = rests.of(picture)
    rest = rests.document(at_rest)
    read = partial(workspace.picture_of, known.place.record.folder, picture)
    measurement = cache.measured_by_hash(picture.sha256, picture.name, json.dumps(form, sort_keys=True), rest, read)
    return MeasuredPhoto(picture, form, measurement, rest, at_rest)


# --- kept


def keep(known: BenchContext, found: MeasuredPhoto, stage_of: dict[str, str]) -> Stage:
    """Put a photo on the timeline with what was measured, whatever that says. stage_of: stages of the photos kept with it, by
    hash. Raises TillerLensError; then the photo is still on the bench."""
    place, picture = known.place, found.picture
    of, rest = found.rest, None
    if of is not None:
        rest = of.id if isinstance(of, Stage) else stage_of.get(of.picture.sha256)
    with workspace.ALONE:  # another session may be keeping the same picture
        data = workspace.picture_of(place.record.folder, picture)
        stage = store.add_stage(
            place.record, known.bow.id, data, read_shot(found.form).as_dict(), name=picture.name,
            document=found.measurement, taken_at=time_of(picture), rest_stage_id=rest,
        )  # fmt: skip
        workspace.clear_away(place.record.folder, picture)
    stage_of[picture.sha256] = stage.id
    return stage


def board_of(known: BenchContext, picture: OnBench) -> tuple[BenchContext, OnBench]:
    """The photo's own scale kept as a board, so that it is never described again; unchanged where it has one or needs none."""
    scale = picture.form.get("scale", BARE)
    if picture.board_id is not None or scale["kind"] == BARE["kind"]:
        return known, picture
    fresh = Board("", scale, picture.form.get("standoff_in"), picture.form.get("standoff_u_in"))
    same = next((b for b in known.boards if (b.scale, b.standoff_in) == (fresh.scale, fresh.standoff_in)), None)
    if same is None:
        names = {b.name for b in known.boards}
        usual = SCALES[scale["kind"]].removeprefix("a ")
        name = next(n for k in range(1, len(names) + 2) if (n := usual if k == 1 else f"{usual} {k}") not in names)
        same = replace(fresh, name=name)
        workspace.keep_board(known.place.record.folder, same)
    own = {k: v for k, v in picture.form.items() if k not in ("scale", "standoff_in", "standoff_u_in")}
    changed = replace(picture, board_id=same.id, form=own)
    workspace.note(known.place.record.folder, changed)
    return replace(known, boards=tuple(workspace.boards(known.place.record.folder))), changed


def keep_all(
    known: BenchContext,
    pictures: Sequence[OnBench],
    tell: Callable[[float, str], object] | None = None,
    others: Sequence[OnBench] = (),
) -> tuple[list[Stage], list[tuple[OnBench, TillerLensError]]]:
    """Measure and keep these photos; those that could not be kept stay, with why.

    others: what else waits on the bench. A photo at rest among them that one of these is judged against is kept with it, so that
    the timeline holds what the verdict stands on.
    """
    done: list[Stage] = []
    troubles: list[tuple[OnBench, TillerLensError]] = []
    stage_of: dict[str, str] = {}
    rests = Rests(known)
    wanted = {p.sha256 for p in pictures}
    every = at_rest_first([*pictures, *(o for o in others if o.sha256 not in wanted and o.form.get("state") == "unstrung")])
    waiting: dict[str, MeasuredPhoto] = {}
    for k, picture in enumerate(every):
        if tell is not None:
            tell(k / len(every), f"{k + 1} of {len(every)}")
        try:
            why = lacking(known, form_of(known, picture))
            if why is not None:
                raise workspace.AppFileError(f"{picture.name} is not kept yet.", why)
            if picture.sha256 not in wanted:
                found = measure(known, picture, rests)
                waiting[picture.sha256] = found
                continue
            known, picture = board_of(known, picture)
            found = measure(known, picture, rests)
            rest = found.rest.picture.sha256 if isinstance(found.rest, MeasuredPhoto) else ""
            if rest in waiting:
                known, leaned_on = board_of(known, waiting[rest].picture)
                done.append(keep(known, replace(waiting.pop(rest), picture=leaned_on), stage_of))
            done.append(keep(known, found, stage_of))
        except TillerLensError as error:
            if picture.sha256 in wanted:  # another one's trouble is said beside that one
                troubles.append((picture, error))
    return done, troubles


def at_rest_first(pictures: Sequence[OnBench]) -> list[OnBench]:
    """In order of time, but the bow at rest first: strung photos are judged against it."""
    return sorted(pictures, key=lambda p: (p.form.get("state") != "unstrung", time_of(p)))


def in_order(pictures: Sequence[OnBench]) -> list[OnBench]:
    """By the time they were taken."""
    return sorted(pictures, key=time_of)


def thumbnail(known: BenchContext, picture: OnBench) -> bytes:
    """Raises PhotoError and AppFileError."""
    return cache.small(picture.sha256, picture.name, partial(workspace.picture_of, known.place.record.folder, picture))


def say_kept(stages: Sequence[Stage]) -> None:
    """Remember for the next run what was just kept."""
    st.session_state["just_kept"] = [s.id for s in stages]

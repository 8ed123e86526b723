"""Adding photos of a bow: dropped or taken, many at once, each with what is guessed of it, kept in one press."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import streamlit as st

from tillerlens.core.errors import PhotoError, ShotError, TillerLensError
from tillerlens.core.shot import Form
from tillerlens.core.units import MM_PER_INCH, newtons_from_pounds
from tillerlens.record import Bow, Event, store
from tillerlens.record.entries import say_time
from tillerlens.report.words.verdict import verdict
from tillerlens.server.uploads import MOST_MB
from tillerlens.ui import batch, cache, error_net, workspace
from tillerlens.ui.batch import BARE, BenchContext, MeasuredPhoto, Rests
from tillerlens.ui.context import PageContext, errors_in_place, go, link, long_work, pick_bow, say_error, was_stopped
from tillerlens.ui.fields import (
    BRACE,
    DEEP,
    HEATED,
    PICTURES,
    SCALE_FIELDS,
    SCALES,
    SEEN_FROM,
    STANDOFF_HELP,
    STATES,
    in_words,
    inches,
    put,
    read_pounds,
    seen_from,
)
from tillerlens.ui.page.photo import Picked, point_at
from tillerlens.ui.page.stage import earlier_reflex_of
from tillerlens.ui.result import Shown, show_details
from tillerlens.ui.stages import line_of
from tillerlens.ui.text import distinct_labels, plain
from tillerlens.ui.typed import (
    follow,
    followed,
    in_length,
    in_weight,
    length_text,
    read_length,
    read_minutes,
    said,
    start,
    weight_text,
)
from tillerlens.ui.workspace import OnBench

_NEW = "new:"
_PLACES = {"left": "on the left", "right": "on the right", "top": "at the top", "bottom": "at the bottom"}


def show(place: PageContext) -> None:
    head = st.empty()
    head.title("Add photos")
    bow = pick_bow(place, quiet=True)
    head.title(f"Add photos: {plain(bow.name)}")
    place = replace(place, bow=bow)
    with st.container():  # what stands below keeps its place, and stays open, when a trouble goes
        for trouble in _refused(bow):
            st.error(plain(trouble))
    known = BenchContext.of(place, bow)
    waiting = batch.in_order(workspace.on_bench(place.record.folder, bow.id))
    if waiting:
        _kept_just_now(place, bow)
        _bench(known, waiting)
        with st.expander("Add more photos"):
            hand_over(place, bow)
    else:
        hand_over(place, bow)
        _kept_just_now(place, bow)
        st.caption(
            "Use the phone's own files, not copies that a messenger has shrunk. The whole bow must be in the photo. "
            "Marks on a board behind it make the numbers sharper; without them the bow's own length is the scale."
        )
        with st.container(horizontal=True):
            link("guide", "How to take a photo that can be measured")
            link("bow", "To the timeline", bow)


# --- onto the bench


def hand_over(place: PageContext, bow: Bow) -> None:
    """The field that takes photos; what was handed over lies on the bench, and the page that shows it is opened."""
    count = st.session_state.get("handed", 0)
    uploads = st.file_uploader(
        "Drop photos here, or take them with the phone: one or many (JPEG, PNG, HEIC)",
        PICTURES,
        accept_multiple_files=True,
        key=f"hand_over_{bow.id}_{count}",
        max_upload_size=MOST_MB,
    )
    if not uploads:
        return
    refused: list[str] = []
    st.session_state.pop("just_kept", None)
    if was_stopped("laying"):
        refused.append("Stopped. The photos not shown below were not taken in; add them again.")
    else:
        bar = st.empty()
        with bar.container():
            tell = long_work("Taking them in", "laying")
            for i, upload in enumerate(uploads):
                tell(i / len(uploads), f"Looking at {plain(upload.name)}")
                trouble = _lay(place, bow, upload.getvalue(), upload.name)
                if trouble is not None:
                    refused.append(trouble)
        bar.empty()  # else it would stand there, faded, until the last photo is measured
    st.session_state["refused_pictures"] = (bow.id, refused)
    st.session_state["handed"] = count + 1  # an empty field, so that they are not handed over twice
    go("picture", bow)


def _refused(bow: Bow) -> Sequence[str]:
    """The troubles with what was last handed over; they stand until more is handed over, or another bow is looked at."""
    of, troubles = st.session_state.get("refused_pictures", (None, ()))
    return troubles if of == bow.id else ()


def _lay(place: PageContext, bow: Bow, data: bytes, name: str) -> str | None:
    """Put one picture on the bench; the trouble in words when it is none, or is on the timeline already."""
    try:
        photo = cache.decoded(data, name)
        known = BenchContext.of(place, bow)
        if any(s.sha256 == photo.sha256 for s in known.stages):
            return f"{name} is on this bow's timeline already."
        batch.guess(known, data, name)
    except PhotoError as error:
        return f"{name}: {said(error)}"
    except TillerLensError as error:
        return said(error)
    return None


def _kept_just_now(place: PageContext, bow: Bow) -> None:
    """What was kept last, with the way to each."""
    ids = st.session_state.get("just_kept")
    if not ids:
        return
    stages = [s for s in store.list_stages(place.record, bow.id) if s.id in ids]
    if not stages:
        return
    leant_on = [s for s in stages if s.id not in st.session_state.get("asked_to_keep", ids)]
    more = " One of them is the bow at rest that the other is judged against." if leant_on else ""
    st.success(f"Kept {len(stages)} {'photo' if len(stages) == 1 else 'photos'} on the timeline.{more}")
    with st.expander("See what they say", expanded=len(stages) == 1):
        for stage in stages:
            line = line_of(place.record, stage, place.units, place.wish)
            st.markdown(f"**{stage.pose.capitalize()}:** {plain(line.text)}")
            if st.button("Open this photo", key=f"open_{stage.id}"):
                go("stage", bow, stage)


# --- on the bench


def _bench(known: BenchContext, waiting: list[OnBench]) -> None:
    alone = len(waiting) == 1
    wanted = st.query_params.get("picture")
    close = waiting[0].sha256 if alone else next((w.sha256 for w in waiting if w.sha256 == wanted), None)
    top = st.container()  # what is said of keeping stands above everything
    known = _sizes(known)
    all_pressed = False
    if not alone:
        all_pressed = st.button(f"Keep all {len(waiting)}", type="primary", key="keep_all", width="stretch")
        waiting = _ask_scale(known, waiting, f"all_{known.bow.id}", "Scale for all of them")
    cards: list[_Card] = []
    for number, picture in enumerate(waiting, start=1):
        with error_net.net("a photo on the bench"):  # one photo's trouble must not hide the others
            cards.append(_Card(known, picture, number, waiting, close == picture.sha256))
    pressed = [c for c in cards if c.pressed]
    if all_pressed or pressed:
        with top:
            _keep(known, cards if all_pressed else pressed, [c.picture for c in cards if c.usable])
    _measure(known, cards)


def _sizes(known: BenchContext) -> BenchContext:
    """The two lengths that every photo of a bow needs, asked of the bow once; whatever is typed is kept with it at once."""
    if known.bow.length_mm is not None and known.bow.handle_mm is not None:
        return known
    if known.stages and {"bow_length_nock_to_nock_in", "handle_in"} <= set(known.stages[-1].shot):
        return known  # an older record, where they stand with the photos
    bow, units = known.bow, known.place.units
    with st.container(border=True, key="sizes"):
        st.markdown("**The bow itself.** Asked once.")
        for column, (name, label) in zip(
            st.columns(2), (("length_mm", "Length along the back, nock to nock"), ("handle_mm", "Stiff handle with its fades")),
            strict=True,
        ):  # fmt: skip
            with column:
                key = start(f"bow_{name}_{bow.id}", length_text(getattr(bow, name), units))
                text = st.text_input(f"{in_length(label)}, needed", key=key)
                if not text.strip():
                    continue
                try:
                    mm = read_length(text)
                    if mm != getattr(bow, name):
                        sized = replace(bow, length_mm=mm) if name == "length_mm" else replace(bow, handle_mm=mm)
                        bow = store.update_bow(known.place.record, sized)
                except TillerLensError as error:
                    say_error(error)
    return replace(known, bow=bow)


# --- what it hangs on


def _scales(known: BenchContext) -> dict[str, str]:
    """What a photo's scale may come from: boards by their identity, the bow itself, or one that is described here."""
    names = {b.id: f"{b.name} ({SCALES[b.scale['kind']]})" for b in known.boards}
    names |= {BARE["kind"]: "no board: the bow's own length"}
    return distinct_labels(names | {f"{_NEW}{kind}": f"new: {words}" for kind, words in SCALES.items() if kind != BARE["kind"]})


def _scale_of(known: BenchContext, picture: OnBench) -> str:
    if known.board(picture) is not None:
        return str(picture.board_id)
    kind = picture.form.get("scale", BARE)["kind"]
    return kind if kind == BARE["kind"] else f"{_NEW}{kind}"


def _put_scale(known: BenchContext, picture: OnBench, chosen: str) -> None:
    if chosen.startswith(_NEW):
        changed = batch.on_board(picture, None, {"kind": chosen.removeprefix(_NEW)})
    else:
        changed = batch.on_board(picture, None if chosen == BARE["kind"] else chosen)
    with errors_in_place():
        workspace.note(known.place.record.folder, changed)


def _ask_scale(known: BenchContext, pictures: list[OnBench], key: str, label: str) -> list[OnBench]:
    """One choice for these photos, and the fields of what is described anew; the photos as they then are."""
    names = _scales(known)
    now = {_scale_of(known, p) for p in pictures}
    at = next(iter(now)) if len(now) == 1 else None
    widget = f"scale_{key}"
    differs = "differs from photo to photo"
    follow(widget, at)  # guessed anew, or changed for one of them
    chosen = followed(widget, st.selectbox(label, list(names), format_func=names.__getitem__, key=widget, placeholder=differs))
    if chosen is not None and chosen != at:
        for p in pictures:
            if _scale_of(known, p) != chosen:
                _put_scale(known, p, chosen)
        st.rerun()  # what stands above says the scale too
    if at is not None and at.startswith(_NEW):
        pictures = _describe(known, pictures, at.removeprefix(_NEW), key)
    return pictures


def _describe(known: BenchContext, pictures: list[OnBench], kind: str, key: str) -> list[OnBench]:
    """The fields of a scale that is not on the list of boards yet."""
    from tillerlens.ui.rows import ask_centres  # number rows for tags

    form, bad = pictures[0].form, list[str]()
    scale: Form = {"kind": kind}
    more: Form = {}
    had = form.get("scale", {}) if form.get("scale", {}).get("kind") == kind else {}
    for name, label in SCALE_FIELDS[kind]:
        start(f"new_{name}_{key}", _text(had.get(name)))
        put(scale, name, label, bad, f"new_{name}_{key}", needed=(kind, name) != ("stick", "spacing_in"))
    if kind == "aruco":
        centres = ask_centres(f"new_{key}", had.get("centres_in"), bad)
        if centres:
            scale["centres_in"] = centres
    start(f"new_standoff_{key}", _text(form.get("standoff_in")))
    put(more, "standoff_in", "Standoff, marks to bow", bad, f"new_standoff_{key}", needed=True, note=STANDOFF_HELP)
    st.caption("Kept as a board, and used for the next photo.")
    new = {"scale": scale, **more}
    out = []
    for p in pictures:
        changed = replace(p, form={**{k: v for k, v in p.form.items() if k not in ("scale", "standoff_in")}, **new})
        if changed != p:
            with errors_in_place():
                workspace.note(known.place.record.folder, changed)
        out.append(changed)
    return out


def _text(inches: Any) -> str:
    return length_text(inches * MM_PER_INCH) if isinstance(inches, int | float) else ""


# --- one photo


class _Card:
    """One photo beside its fields. What they say is kept as it is typed; the verdict's place is filled once it is measured."""

    def __init__(self, known: BenchContext, picture: OnBench, number: int, others: list[OnBench], close: bool) -> None:
        self.known, self.picture, self.alone, self.close = known, picture, len(others) == 1, close
        self.pressed, self.usable, self.others = False, True, others
        self.bad: TillerLensError | None = None
        self.edit: Callable[..., None] | None = None
        self.data = b""
        with st.container(border=True, key=f"card_{picture.sha256[:12]}"):
            left, right = st.columns([2, 3], gap="medium")
            with left:
                self._picture(number)
            with right:
                self.verdict = st.container()
                if self.usable:
                    self._fields()
                self._below()
        if close and self.usable:
            self._point()
        self.after = st.container()

    @property
    def sha(self) -> str:
        return self.picture.sha256

    def _picture(self, number: int) -> None:
        try:
            data = batch.thumbnail(self.known, self.picture)
        except TillerLensError as error:
            self.usable = False
            say_error(error)
            return
        st.image(data, width="stretch", alt=f"Photo {number}: {self.picture.name}")

    def _note(self, changed: OnBench) -> None:
        if changed != self.picture:
            with errors_in_place():
                workspace.note(self.known.place.record.folder, changed)
            self.picture = changed

    def _put(self, name: str, value: Any) -> None:
        form = {k: v for k, v in self.picture.form.items() if k != name}
        self._note(replace(self.picture, form=form if value is None else {**form, name: value}))

    def _fields(self) -> None:
        """Weight on top where it is drawn; state; then Keep, which stands still whatever is typed."""
        state = self.picture.form.get("state", "unstrung")
        key = f"state_{self.sha}"
        if state == "drawn":
            pounds = self.picture.form.get("scale_reading_lb")
            text = weight_text(newtons_from_pounds(pounds)) if isinstance(pounds, int | float) else ""
            self._typed("scale_reading_lb", in_weight("Weight on the scale"), f"weight_{self.sha}", text, read_pounds)
        seen = seen_from(self.picture.form)
        states = [s for s in STATES if seen == "side" or s != "drawn"]
        follow(key, state)
        chosen = followed(key, st.segmented_control("The bow is", states, key=key, required=True)) or state
        if chosen != state:
            by_hand = (f"{chosen.capitalize()}, as you say.", *self.picture.guessed[1:])
            self._note(replace(self.picture, form={**self.picture.form, "state": chosen}, guessed=by_hand, state_guessed=None))
            st.rerun()  # other fields belong to it
        self._seen_from(seen)
        if seen != "side":
            self._front_sizes(state)
        elif state == "unstrung" and self._was_strung():
            minutes = self.picture.form.get("minutes_since_unstrung")
            text = f"{minutes:g} min" if isinstance(minutes, int | float) else ""
            label = "How long unstrung (like 5 min, 2 h, 3 days)"
            self._typed("minutes_since_unstrung", label, f"rested_{self.sha}", text, read_minutes)
        label = "Keep" if self.alone else "Keep this one"
        self.pressed = st.button(label, type="primary" if self.alone else "secondary", key=f"keep_{self.sha}", width="stretch")
        if self.bad is not None:
            st.error(plain(said(self.bad)))
        _say_guesses(self.known, self.picture)

    def _seen_from(self, seen: str) -> None:
        key = follow(f"seen_{self.sha}", seen)
        chosen = followed(key, st.segmented_control("Seen from", SEEN_FROM, key=key, required=True)) or seen
        if chosen == seen:
            return
        form = {k: v for k, v in self.picture.form.items() if k not in ("view", "facing")}
        with errors_in_place():
            form |= batch.as_seen_from(self.known, self.picture, chosen)
        if chosen != "side" and form.get("state") == "drawn":
            form["state"] = "braced"
        by_hand = (f"{form['state'].capitalize()}, seen from its {chosen}, as you say.", *self.picture.guessed[1:])
        self._note(replace(self.picture, form=form, guessed=by_hand, state_guessed=None))
        st.rerun()  # other fields belong to it

    def _front_sizes(self, state: str) -> None:
        """What tells how far before the board the limbs and the string stand, so that the camera's place can be allowed for."""
        form = batch.form_of(self.known, self.picture)
        if state == "braced":
            self._typed(BRACE[0], in_length(BRACE[1]), f"brace_{self.sha}", _text(form.get(BRACE[0])), inches)
        if self.known.bow.handle_thickness_mm is None:
            self._typed(DEEP[0], in_length(DEEP[1]), f"deep_{self.sha}", _text(form.get(DEEP[0])), inches)
        if form["facing"] == "belly":
            asked = st.checkbox(HEATED, bool(form.get("belly_heated")), key=f"heated_{self.sha}")
            if asked != bool(form.get("belly_heated")):
                self._put("belly_heated", asked)
                st.rerun()  # what is pointed at differs
        if self.known.board(self.picture) is not None:
            label = in_length("Standoff, marks to the middle of the handle")
            self._typed("standoff_in", label, f"apart_{self.sha}", _text(self.picture.form.get("standoff_in")), inches)

    def _typed(self, name: str, label: str, key: str, text: str, read: Callable[[str], float]) -> None:
        """A field whose trouble is said below the button to keep, so that this stands still under a finger."""
        given = st.text_input(label, key=start(key, text))
        try:
            value = round(read(given), 9) if given.strip() else None
        except ShotError as error:
            self.bad = error
            return
        self._put(name, value)

    def _was_strung(self) -> bool:
        when = batch.time_of(self.picture)
        before = [s.state for s in self.known.stages if s.taken_at <= when]
        before += [o.form.get("state", "unstrung") for o in self.others if batch.time_of(o) < when]
        return any(state != "unstrung" for state in before)

    def _below(self) -> None:
        changed = self.known.before_change(self.picture) if self.usable else None
        if changed is not None:
            why = st.empty()
            self._time()
            if self.known.before_change(self.picture) is not None:  # and not just said to be later
                why.caption(self._when_asked(changed))
        if self.usable and self.alone:
            self._scale("Scale")
        more = "How it hangs" if changed is not None else "Time, and how it hangs"
        more = more if self.alone else f"Scale, {more[0].lower()}{more[1:]}"
        with st.expander(more if self.usable else "Take it off"):
            if self.usable:
                if not self.alone:
                    self._scale("Scale for this photo")
                if changed is None:
                    self._time()
                self._hang()
            if st.button("Take this photo off the bench", key=f"off_bench_{self.sha}"):
                _clear(self.known.place, self.picture)
        if self.alone or self.close or not self.usable:
            return
        if st.button("Look closer", key=f"closer_{self.sha}", width="stretch"):
            st.query_params["picture"] = self.sha
            st.rerun()

    def _when_asked(self, changed: Event) -> str:
        did = "wood came off" if changed.kind == "scrape" else "it was heated"
        when = f"{changed.happened_at.astimezone():%d %b %Y, %H:%M}"
        if self.picture.taken_by:
            return f"By its time this photo shows the bow before {did} ({when}). If it doesn't, set the time."
        return f"The file doesn't say when this was taken. Was it before or after {did} ({when})?"

    def _scale(self, label: str) -> None:
        (self.picture,) = _ask_scale(self.known, [self.picture], self.sha, label)

    def _time(self) -> None:
        when = batch.time_of(self.picture).replace(tzinfo=None)
        by = {"file": "Taken", "hand": "Taken"}.get(self.picture.taken_by, "Taken (a guess: the file does not say when)")
        given = st.datetime_input(by, when, key=f"taken_{self.sha}", step=60)
        if isinstance(given, datetime) and given.replace(second=0, microsecond=0) != when.replace(second=0, microsecond=0):
            self._note(replace(self.picture, taken_at=say_time(given.astimezone()), taken_by="hand"))

    def _hang(self) -> None:
        form = batch.form_of(self.known, self.picture)
        key = follow(f"upper_{self.sha}", form["upper_limb"])
        upper = followed(
            key, st.segmented_control("Upper limb", _PLACES, format_func=_PLACES.__getitem__, key=key, required=True)
        )
        if seen_from(form) != "side":
            if upper != form["upper_limb"] and upper:
                self._note(replace(self.picture, form={**self.picture.form, "upper_limb": upper}))
            return
        level = upper in ("left", "right")
        faces = ("up", "down") if level else ("left", "right")
        key = follow(f"back_of_{self.sha}_{level}", form["back"] if form["back"] in faces else faces[0])
        back = followed(key, st.segmented_control("The back looks", faces, key=key, required=True))
        if (upper, back) != (form["upper_limb"], form["back"]) and upper and back:
            self._note(replace(self.picture, form={**self.picture.form, "upper_limb": upper, "back": back}))

    def _point(self) -> None:
        """The photograph to point at, below the card; what was pointed at is the photo's own."""
        self.data = workspace.picture_of(self.known.place.record.folder, self.picture)
        form = batch.form_of(self.known, self.picture)
        picked = Picked(self.data, self.picture.name, form, None, f"bench {self.known.bow.id} {self.sha}")
        pointed, self.edit = point_at(picked, form)
        own = {k: v for k, v in self.picture.form.items() if k not in _POINTED}
        self._note(replace(self.picture, form={**own, **{k: pointed[k] for k in _POINTED if k in pointed}}))

    def say(self, found: MeasuredPhoto) -> None:
        """The verdict, what was guessed, and, looked at closely, everything else."""
        place, measurement = self.known.place, found.measurement
        earlier = earlier_reflex_of(self.known.stages, measurement.state)
        spoken = verdict(measurement, place.units, place.wish, earlier)
        with self.verdict:
            st.subheader(in_words(spoken.first.text), anchor=False)
            if batch.doubts_state(measurement):
                doubt = next(r for r in measurement.reasons if r.code in batch.STATE_DOUBTED)
                st.warning(in_words(f"{doubt.text} {doubt.remedy}"))
            elif spoken.doubts and not self.close and measurement.status == "measured":
                st.caption(in_words(f"Doubt: {spoken.doubts[0].text}"))
        if self.close:
            shot = json.dumps(found.form, sort_keys=True)
            if self.edit is not None:
                self.edit(measurement, place.units)
            with self.after:
                shown = Shown(self.data, self.picture.name, shot, found.rest_json, measurement, place.units, place.wish, earlier)
                show_details(shown)


_POINTED = ("marks_px", "clicks", "set_by_hand", "edges_px")


def _say_guesses(known: BenchContext, picture: OnBench) -> None:
    state, scale = (*picture.guessed, "", "")[:2]
    board = known.board(picture)
    own = SCALES[picture.form.get("scale", BARE)["kind"]]
    scale = scale or f"Scale: {own if board is None else board.name}."
    st.caption(plain(f"{state} {scale}".strip()))


def _measure(known: BenchContext, cards: list[_Card]) -> None:
    """Measure them one by one into their places; the fields can be used meanwhile."""
    rests = Rests(known)
    of = {c.sha: c for c in cards if c.usable}
    for card in (of[p.sha256] for p in batch.at_rest_first([c.picture for c in of.values()])):
        why = batch.lacking(known, batch.form_of(known, card.picture))
        if why is not None:
            with card.verdict:
                st.info(plain(why))
                _say_quality(known, card.picture)
            if card.edit is not None:
                card.edit(None, known.place.units)
            continue
        with error_net.net("a photo on the bench"):
            try:
                with card.verdict, st.spinner("Measuring: marks, bow, edges, bend", show_time=True):
                    found = batch.measure(known, card.picture, rests)
            except TillerLensError as error:
                with card.verdict:
                    if isinstance(error, ShotError):  # of what was said or pointed at, and is put right on this page
                        st.warning(plain(said(error)))
                    else:
                        say_error(error)
                if card.edit is not None:
                    card.edit(None, known.place.units)
                continue
            if found.picture != card.picture:
                st.rerun()  # it is another state than was guessed: its fields are others
            card.say(found)


def _say_quality(known: BenchContext, picture: OnBench) -> None:
    """What to do better with the next photo, one thing at a time, while this one cannot be measured yet."""
    with errors_in_place(), st.spinner("Looking at the photo"):
        doubts = cache.doubts(workspace.picture_of(known.place.record.folder, picture), picture.name)
        if doubts:
            st.warning(plain(f"{doubts[0].text} {doubts[0].remedy}".strip()))


def _keep(known: BenchContext, cards: list[_Card], waiting: list[OnBench]) -> None:
    """Measure and keep; what cannot be kept stays on the bench, and it is said why."""
    pictures = [c.picture for c in cards if c.usable and c.bad is None]
    if was_stopped("keeping"):
        st.info("Stopped. The photos below are not kept yet.")
        return
    bar = st.empty()
    with bar.container(), st.spinner("Keeping"):
        tell = long_work(f"Measuring and keeping {len(pictures)} photos", "keeping") if len(pictures) > 1 else None
        done, troubles = batch.keep_all(known, pictures, tell, waiting)
    bar.empty()
    troubles += [(c.picture, c.bad) for c in cards if c.bad is not None]
    if not done:
        for _, error in troubles:
            say_error(error)
        return
    batch.say_kept(done)
    asked = {p.sha256 for p in pictures}
    st.session_state["asked_to_keep"] = [s.id for s in done if s.sha256 in asked]
    st.session_state["refused_pictures"] = (known.bow.id, [f"{p.name} is not kept yet: {said(e)}" for p, e in troubles])
    st.query_params.pop("picture", None)
    st.session_state.pop("filled", None)
    go("picture", known.bow)


def _clear(place: PageContext, picture: OnBench) -> None:
    workspace.clear_away(place.record.folder, picture)
    st.query_params.pop("picture", None)
    st.rerun()

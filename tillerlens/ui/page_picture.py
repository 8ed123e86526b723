"""New pictures of a bow: handed over, laid on the bench, measured with what earlier ones tell, and kept on the timeline."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import streamlit as st

from tillerlens.errors import PhotoError, TillerLensError
from tillerlens.record import Bow, Stage, originals, store
from tillerlens.record.entries import now
from tillerlens.ui import caught, kept, work
from tillerlens.ui.fields import SCALES, plain, told_apart
from tillerlens.ui.kept import Board, OnBench
from tillerlens.ui.photo_page import Picked, look_at
from tillerlens.ui.place import Place, go, link, long_work, pick_bow, say_error, told, was_stopped
from tillerlens.ui.result import Shown, show_result
from tillerlens.units import MM_PER_INCH

_KINDS = ["jpg", "jpeg", "png", "heic", "heif", "webp"]
MOST_MB = 64
_NEXT = {"unstrung": "braced", "braced": "drawn", "drawn": "drawn"}
_FROM_EARLIER = ("upper_limb", "back", "standoff_u_in", "limb_width_in", "handle_thickness_in", "upper_limb_length_in")


def show(place: Place) -> None:
    st.title("New picture")
    bow = pick_bow(place)
    folder = place.record.folder
    _hand_over(place, bow)
    with st.container():  # what stands below keeps its place, and stays open, when a trouble goes
        for trouble in _refused(bow):
            st.error(plain(trouble))
    waiting = kept.on_bench(folder, bow.id)
    if not waiting:
        st.info(
            "Use the phone's own file, not one that a messenger has shrunk. The whole bow must be in it, with the marks "
            "that give the scale."
        )
        link("guide", "How to take a picture that can be measured")
        return
    picture = _choose(waiting)
    try:
        data = kept.picture_of(folder, picture)
        work.decoded(data, picture.name)
    except TillerLensError as error:
        say_error(error)
        if st.button("Take it off the bench", key="off_bench"):
            _clear(place, picture)
        return
    picture = _on_a_board(place, picture)
    for guess in picture.guessed:
        st.caption(plain(guess))
    _work_on(place, bow, picture, data)


# --- onto the bench


def _hand_over(place: Place, bow: Bow) -> None:
    count = st.session_state.get("handed", 0)
    with st.expander("Add pictures", expanded=not kept.on_bench(place.record.folder, bow.id)):
        uploads = st.file_uploader(
            "Photographs (JPEG, PNG or HEIC), one or many; a phone offers its camera here",
            _KINDS,
            accept_multiple_files=True,
            key=f"hand_over_{bow.id}_{count}",
            max_upload_size=MOST_MB,
        )
        if not uploads:
            return
        refused: list[str] = []
        if was_stopped("laying"):
            refused.append("Stopped. What is not on the bench below was not laid there; hand it over again.")
        else:
            tell = long_work("Laying them on the bench", "laying")
            for i, upload in enumerate(uploads):
                tell(i / len(uploads), f"Looking at {plain(upload.name)}")
                trouble = _lay(place, bow, upload.getvalue(), upload.name)
                if trouble is not None:
                    refused.append(trouble)
    st.session_state["refused_pictures"] = (bow.id, refused)
    st.session_state["handed"] = count + 1  # an empty field, so that they are not handed over twice
    st.rerun()


def _refused(bow: Bow) -> Sequence[str]:
    """The troubles with what was last handed over; they stand until more is handed over, or another bow is looked at."""
    of, troubles = st.session_state.get("refused_pictures", (None, ()))
    return troubles if of == bow.id else ()


def _lay(place: Place, bow: Bow, data: bytes, name: str) -> str | None:
    """Put one picture on the bench; the trouble in words when it is none, or is on the timeline already."""
    try:
        photo = work.decoded(data, name)
        if any(s.sha256 == photo.sha256 for s in store.list_stages(place.record, bow.id)):
            return f"{name} is on this bow's timeline already."
        form, guessed, board = guess(place, bow, data)
        laid = kept.lay_down(place.record.folder, data, name, bow.id, form)
        if not laid.guessed:
            told_of = replace(laid, guessed=guessed, board_id=None if board is None else board.id, state_guessed=form["state"])
            kept.note(place.record.folder, told_of)
    except PhotoError as error:
        return f"{name}: {error.text} {error.remedy}"
    except TillerLensError as error:
        return str(error)
    return None


def guess(place: Place, bow: Bow, data: bytes) -> tuple[dict[str, Any], tuple[str, ...], Board | None]:
    """What is likely known of a new picture by the bow, its earlier pictures and the board last used, and where from."""
    when = originals.taken_at(data) or now()
    earlier = [s for s in store.list_stages(place.record, bow.id) if s.taken_at <= when]
    last = earlier[-1] if earlier else None
    form: dict[str, Any] = {"version": 1, "upper_limb": place.settings.upper_limb, "back": place.settings.back}
    form["state"] = "unstrung" if last is None else _NEXT[last.state]
    why = "the first of all" if last is None else f"since the one before is {last.state}"
    said = [f"Taken to be {form['state']}, {why}."]
    if last is not None:
        form |= {k: last.shot[k] for k in _FROM_EARLIER if k in last.shot}
    sizes = {"bow_length_nock_to_nock_in": bow.length_mm, "handle_in": bow.handle_mm, "limb_width_in": bow.limb_width_mm}
    sizes |= {"handle_thickness_in": bow.handle_thickness_mm, "upper_limb_length_in": bow.upper_limb_length_mm}
    form |= {k: round(mm / MM_PER_INCH, 9) for k, mm in sizes.items() if mm is not None}
    for name in ("bow_length_nock_to_nock_in", "handle_in"):
        if name not in form and last is not None:
            form[name] = last.shot[name]
    boards = kept.boards(place.record.folder)
    board = boards[0] if boards else None
    if board is not None:
        form |= board.form()
        said.append(f"Scale and standoff are those of the board {board.name}.")
    elif last is not None:
        form |= {k: last.shot[k] for k in ("scale", "standoff_in") if k in last.shot}
        said.append("Scale and standoff are those of the picture before.")
    return form, tuple(said), board


# --- on the bench


def _choose(waiting: Sequence[OnBench]) -> OnBench:
    ids = [w.sha256 for w in waiting]
    wanted = st.query_params.get("picture")
    at = ids.index(wanted) if wanted in ids else 0
    names = {w.sha256: f"{i}. {w.name}" for i, w in enumerate(waiting, start=1)}
    chosen = ids[at]
    if len(ids) > 1:
        label = f"On the bench: {len(ids)} pictures"
        chosen = st.selectbox(label, ids, at, format_func=names.__getitem__, key=f"bench_{ids[at]}")
    else:
        st.markdown(f"On the bench: **{plain(waiting[at].name)}**")
    if st.query_params.get("picture") != chosen:
        st.query_params["picture"] = chosen
        if chosen != ids[at]:
            st.rerun()  # the field that takes the next choice is named for the picture
    return next(w for w in waiting if w.sha256 == chosen)


def _on_a_board(place: Place, picture: OnBench) -> OnBench:
    """Offer the boards that were described; the chosen one's scale and standoff go into the fields."""
    boards = kept.boards(place.record.folder)
    if not boards:
        return picture
    names = told_apart({"": "Other (fill in below)"} | {b.id: f"{b.name} ({SCALES[b.scale['kind']]})" for b in boards})
    ids = list(names)
    at = ids.index(picture.board_id) if picture.board_id in names else 0
    chosen = st.selectbox("Board", ids, at, format_func=names.__getitem__, key=f"board_{picture.sha256}") or None
    if chosen == picture.board_id:
        return picture
    board = next((b for b in boards if b.id == chosen), None)
    form = {k: v for k, v in picture.form.items() if k != "marks_px"} | ({} if board is None else board.form())
    changed = replace(picture, board_id=chosen, form=form)
    with told():
        kept.note(place.record.folder, changed)
        if board is not None:
            kept.keep_board(place.record.folder, board)  # now the one last used
    st.session_state.pop("filled", None)
    return changed


def _work_on(place: Place, bow: Bow, picture: OnBench, data: bytes) -> None:
    stages = store.list_stages(place.record, bow.id)
    rests = [s for s in stages if s.state == "unstrung" and s.status == "measured"]
    rest = rests[-1] if rests else None

    def at_rest() -> dict[str, Any] | None:
        if rest is None or st.session_state.get("shot_state") == "unstrung":
            return None
        label = f"Judge the bend against the bow at rest ({rest.taken_at.astimezone():%d %b %Y})"
        if not st.checkbox(label, True, key="use_rest"):
            return None
        return store.measurement(place.record, rest.id)

    with caught.net("a picture on the bench"):  # whatever comes, the picture can be taken off the bench
        _measure(place, bow, picture, data, rest, at_rest)
    with st.expander("Take this picture off the bench"):
        if st.button("Take it off; it is not on the timeline", key="off_bench"):
            _clear(place, picture)


def _measure(
    place: Place, bow: Bow, picture: OnBench, data: bytes, rest: Stage | None, at_rest: Callable[[], dict[str, Any] | None]
) -> None:
    top, quality = st.container(), st.empty()
    with quality.container():
        _say_quality(data, picture.name)
    picked = Picked(data, picture.name, picture.form, None, f"bench {bow.id} {picture.sha256}")
    form, shown = look_at(picked, at_rest, lambda: (place.units, place.wish), open_fields=not _complete(picture.form))
    if form is not None and shown is not None:
        _as_it_shows(place, picture, form, shown)
    if form is not None and form != picture.form:
        with told():
            kept.note(place.record.folder, replace(picture, form=form))
    if shown is not None:
        quality.empty()  # its doubts stand beneath the verdict now
        used = rest if shown.rest is not None else None
        _offer_to_keep(place, bow, picture, data, shown, used)
        show_result(shown, top=top)


def _as_it_shows(place: Place, picture: OnBench, form: dict[str, Any], shown: Shown) -> None:
    """Where the state was only guessed and the picture shows another, that one is taken and the picture measured again."""
    shows = shown.measurement.evidence.get("state_shown")
    if shows is None or form["state"] != picture.state_guessed or shown.measurement.state != form["state"]:
        return
    seen = f"Taken to be {shows}: so the picture shows it."
    guessed = (seen, *picture.guessed[1:])  # the state's is the first
    with told():
        changed = replace(picture, form={**form, "state": shows}, guessed=guessed, state_guessed=None)
        kept.note(place.record.folder, changed)
        st.session_state.pop("filled", None)
        st.rerun()


def _say_quality(data: bytes, name: str) -> None:
    """What to do better with the next picture, one thing at a time, before it is measured."""
    with st.spinner("Looking at the picture"):
        doubts = work.doubts(data, name)
    if doubts:
        st.warning(plain(f"{doubts[0].text} {doubts[0].remedy}".strip()))
    else:
        st.caption("Sharp enough, bright enough, large enough.")


def _complete(form: dict[str, Any]) -> bool:
    return all(k in form for k in ("bow_length_nock_to_nock_in", "handle_in", "scale"))


def _offer_to_keep(place: Place, bow: Bow, picture: OnBench, data: bytes, shown: Shown, rest: Stage | None) -> None:
    when = originals.taken_at(data)
    with st.container(border=True):
        left, right = st.columns([2, 1], vertical_alignment="bottom")
        taken = left.datetime_input(
            "Taken" if when is not None else "Taken (the file does not say when)",
            (when or now()).astimezone().replace(tzinfo=None),
            key=f"taken_{picture.sha256}",
            step=60,
        )
        state = shown.measurement.state
        if not right.button(f"Keep on the timeline as {state}", type="primary", key="keep", width="stretch"):
            return
        with told(), st.spinner("Keeping it"):
            stage = _keep(place, bow, picture, data, shown, rest, taken)
            st.query_params.pop("picture", None)
            go("stage" if len(kept.on_bench(place.record.folder, bow.id)) == 0 else None, bow, stage)


def _keep(
    place: Place, bow: Bow, picture: OnBench, data: bytes, shown: Shown, rest: Stage | None, taken: datetime | None
) -> Stage:
    document = shown.measurement.as_document()
    with kept.ALONE:  # another session may be keeping the same picture
        kept.picture_of(place.record.folder, picture)
        stage = store.add_stage(
            place.record,
            bow.id,
            data,
            json.loads(shown.shot),
            name=picture.name,
            document=document,
            taken_at=None if taken is None else taken.astimezone(),
            rest_stage_id=None if rest is None else rest.id,
        )
        kept.clear_away(place.record.folder, picture)
    return stage


def _clear(place: Place, picture: OnBench) -> None:
    kept.clear_away(place.record.folder, picture)
    st.query_params.pop("picture", None)
    st.rerun()

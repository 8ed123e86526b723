"""A draw on film: a clip handed over, followed and measured, told over draw length."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import streamlit as st

from tillerlens.core.document import check_same_bow, from_json
from tillerlens.core.errors import TillerLensError
from tillerlens.core.shot import Form
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import MM_PER_INCH
from tillerlens.film.draw import DrawFilm, FirstLook, measure_draw, over_the_pull
from tillerlens.film.journal import usual_folder
from tillerlens.film.weight import weigh_pull
from tillerlens.history.bench import given_of, on_hand
from tillerlens.history.of_film import keep_draw
from tillerlens.mechanics.bench import Bench
from tillerlens.mechanics.force_draw import ForceCurve, Reading
from tillerlens.record import Stage, store
from tillerlens.report.charts.bench import force_draw_chart
from tillerlens.report.charts.film import draw_figure
from tillerlens.report.film_frames import DrawnFrame, drawn_frames
from tillerlens.report.words.film import draw_rows, draw_words, first_words, frame_words, weight_words
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Sentence
from tillerlens.ui import batch, chart_view, error_net, widgets
from tillerlens.ui.batch import BenchContext, Rests
from tillerlens.ui.context import PageContext, errors_in_place, link, long_work, pick_bow, say_error, was_stopped
from tillerlens.ui.fields import in_words
from tillerlens.ui.queue import MEASURING, in_turn
from tillerlens.ui.text import distinct_labels, plain
from tillerlens.ui.workspace import OnBench

_KINDS = ["mp4", "mov", "m4v", "3gp", "mkv", "webm"]
MOST_MB = 64  # as for photos; ten seconds in HD
_NONE = ""
# The pull's first verdict comes sooner with fewer frames measured.
_EVERY = {2.0: "every 2 in (5 cm) of draw", 1.0: "every inch (2.5 cm) of draw", 4.0: "every 4 in (10 cm) of draw"}
_REMEMBERED, _KEPT, _PLAYED, _WEIGHED = "draw_film", "draw_film_kept", "draw_film_played", "draw_film_weighed"


def show(place: PageContext) -> None:
    head = st.empty()
    head.title("Draw on film")
    bow = pick_bow(place, quiet=True)
    head.title(f"Draw on film: {plain(bow.name)}")
    known = BenchContext.of(replace(place, bow=bow), bow)
    form = _form(known)
    why = batch.lacking(known, form)
    if why is not None:
        st.info(plain(why))
        link("picture", "To the bow's photos and sizes", bow)
        return
    count = st.session_state.get("clips", 0)
    upload = st.file_uploader(
        "Drop a clip of one pull, hold and let-down, or record it with the phone", _KINDS, key=f"hand_over_clip_{bow.id}_{count}",
        max_upload_size=MOST_MB,
    )  # fmt: skip
    every = st.selectbox("Measure a frame", list(_EVERY), format_func=_EVERY.__getitem__, key="film_every")
    st.caption(
        "Film from the side with the phone held still. The whole bow stays in the picture from brace to full draw and back."
    )
    if upload is None:
        link("guide", "How to take a picture that can be measured")
        return
    data = upload.getvalue()
    key = (hashlib.sha256(data).hexdigest(), json.dumps(form, sort_keys=True), every)
    held = st.session_state.get(_REMEMBERED)
    film = held[1] if held is not None and held[0] == key else None
    if film is None:
        if was_stopped("film"):
            st.info("Stopped. Press the button to go on from there.")
        if not st.button("Follow the draw", type="primary", key="measure_film"):
            return
        film = _followed(known, data, upload.name, form, every)
        if film is None:
            return
        st.session_state[_REMEMBERED] = key, film
    _tell(known, film)
    if film.stages:
        with errors_in_place():
            _play(film, _to_play(data, film, key), known.place.units)
        with errors_in_place():
            bench, readings = _weighed(known, film, key)
            _weight(known, bench, readings, key)
            _numbers(film, known.place.units, None if bench is None else bench.curve)
        widgets.cautions()
    if film.status == "measured":
        _offer_to_keep(known, data, film, key)


def _offer_to_keep(known: BenchContext, data: bytes, film: DrawFilm, key: object) -> None:
    """Frames of the pull for the timeline, where everything else about the bow stands."""
    count = len(over_the_pull(film.stages))
    if st.session_state.get(_KEPT) == key:
        st.success("The pull's frames are on the bow's timeline.")
        link("bow", "To the timeline", known.bow)
    elif count and st.button(f"Keep {count} frame{'s' if count > 1 else ''} of the pull with the bow", key="keep_film"):
        rest = Rests(known).of(_on_bench(known, film.name))
        with errors_in_place(), st.spinner("Keeping the frames"):
            keep_draw(known.place.record, known.bow.id, data, film, rest.id if isinstance(rest, Stage) else None)
            st.session_state[_KEPT] = key
            st.rerun()


def _on_bench(known: BenchContext, name: str) -> OnBench:
    return OnBench("", name, known.bow.id, {"state": "drawn"})


def _form(known: BenchContext) -> Form:
    """The shot's form: the bow's sizes with the scale of the board that is chosen."""
    names = distinct_labels({b.id: b.name for b in known.boards})
    board = None
    if names:
        board = st.selectbox(
            "Board", [*names, _NONE], format_func=lambda i: names.get(i, "none: the bow's own length"), key="film_board"
        )
    return batch.form_of(known, OnBench("", "clip", known.bow.id, {"state": "drawn"}, board_id=board or None))


def _followed(known: BenchContext, data: bytes, name: str, form: Form, every_in: float) -> DrawFilm | None:
    bar = st.empty()
    with bar.container():
        tell = long_work("Looking for the bow", "film")
        try:
            shot = read_shot(form)
            rests, clip = Rests(known), _on_bench(known, name)
            rest = from_json(rests.document(rests.of(clip)))
            if rest is not None:
                check_same_bow(rest, shot)
            looked = st.container()

            def first(look: FirstLook) -> None:
                with looked:
                    _say(first_words(look, known.place.units, known.place.wish))
                    st.caption("The whole clip follows.")

            with MEASURING.one(lambda before: tell(0.0, "Others are measuring, and this waits its turn.")):
                film = measure_draw(data, shot, every_in * MM_PER_INCH, rest, name, tell, first, usual_folder())
        except TillerLensError as error:
            say_error(error)
            film = None
    bar.empty()
    return film


def _tell(known: BenchContext, film: DrawFilm) -> None:
    units = known.place.units
    if film.status != "measured":
        _reasons(film)
    said = draw_words(film, units)
    if not said:
        return
    _say(said)
    if len([s for s in film.stages if s.phase != "let-down"]) > 1:
        for on_phone in (False, True):  # its letters are drawn to size; the style sheet shows the one that suits
            with st.container(key="only_on_phone" if on_phone else "only_on_wide"):
                figure = draw_figure(film, units, on_phone=on_phone)
                st.image(figure, width="stretch", alt="How far each place of the bow has bent, draw upward")
        st.caption("Each row is one draw, the longest at the top. The darker a place, the more it has bent.")
    if film.status == "measured":
        _reasons(film)


def _weighed(known: BenchContext, film: DrawFilm, key: object) -> tuple[Bench | None, Sequence[Reading]]:
    """What the bow weighs along the pull by its weighings since wood last came off, and those; worked out once."""
    record, bow = known.place.record, known.bow
    events = store.list_events(record, bow.id)
    now = key, bow, known.stages, tuple(events)

    def work() -> Any:
        held = st.session_state.get(_WEIGHED)
        if held is None or held[0] != now:
            MEASURING.require()
            kept = {s.id: m for s in known.stages if (m := store.measurement(record, s.id)) is not None}
            given = given_of(bow, on_hand(known.stages, events), lambda s: kept[s.id], None)
            held = st.session_state[_WEIGHED] = now, (weigh_pull(film, given), given.readings)
        return held[1]

    with st.spinner("Reading the weights"):
        bench, readings = in_turn(work)
    return bench, readings


def _weight(known: BenchContext, bench: Bench | None, readings: Sequence[Reading], key: object) -> None:
    if bench is None:
        st.caption("Weigh the bow at two draws, and the weight along this pull and its energy stand here.")
        link("weights", "Type in weighings", known.bow)
        return
    units = known.place.units
    st.subheader("Weight along the pull", anchor=False)
    for sentence in weight_words(bench, units):
        st.markdown(plain(sentence.text))
    if bench.curve is not None:
        make, alt = partial(force_draw_chart, bench.curve, readings, units), "Draw weight over the draw with its interval"
        chart_view.chart("", make, "film_force", alt, f"{key!r} {readings!r} {units!r}")


def _numbers(film: DrawFilm, units: Units, curve: ForceCurve | None) -> None:
    head, *rows = draw_rows(film, units, curve)
    st.dataframe([dict(zip(head, row, strict=True)) for row in rows], hide_index=True, width="stretch")
    text = json.dumps(film.as_document(), allow_nan=False)
    st.download_button("Download all numbers (JSON)", text, "draw.json", "application/json", on_click="ignore", key="backup_film")


def _say(said: Sequence[Sentence]) -> None:
    st.subheader(plain(said[0].text), anchor=False)
    for sentence in said[1:]:
        st.markdown(plain(sentence.text))


def _to_play(data: bytes, film: DrawFilm, key: object) -> Sequence[DrawnFrame]:
    """The clip's frames with the bow over them, made once."""
    held = st.session_state.get(_PLAYED)
    if held is None or held[0] != key:
        with st.spinner("Drawing the bow over the film"):
            held = st.session_state[_PLAYED] = key, list(drawn_frames(data, film))
    return held[1]


@error_net.fragment
def _play(film: DrawFilm, frames: Sequence[DrawnFrame], units: Units) -> None:
    """The draw frame by frame with the traced bow over it, at the reader's pace."""
    st.subheader("The draw, frame by frame", anchor=False)
    names = {i: frame_words(film, frame.row, units) for i, frame in enumerate(frames)}
    at = st.select_slider("Time and draw", list(names), format_func=names.__getitem__, key="film_frame")
    st.image(frames[at].jpeg, width="stretch", alt=f"The film at {names[at]}, with the traced limbs and string over it")


def _reasons(film: DrawFilm) -> None:
    for reason in film.reasons:
        (st.warning if film.status == "measured" else st.error)(in_words(f"{reason.text} {reason.remedy}"))

"""Any two stages of a bow against each other: what changed, the two pictures laid over each other, gaps, bend, set."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import streamlit as st
from PIL import Image

from tillerlens.core.document import as_json
from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import Measurement, Value
from tillerlens.history.as_now import at_rest_of
from tillerlens.history.of_record import reflexes_of, scrapes_between
from tillerlens.history.trends import sessions
from tillerlens.measures.compare import NEAR_BRACE_MM, NEAR_DRAW_MM, Comparison, compare, judge_scrapes
from tillerlens.measures.pair import Picture, read_picture
from tillerlens.measures.set import Recovery, RestReading, SetFound, fit_recovery, set_between
from tillerlens.photo.intake import read_photo
from tillerlens.record import Stage, store
from tillerlens.record.thumbnails import thumbnail
from tillerlens.report import superposed
from tillerlens.report.charts.bench import bend_from_rest_chart, shape_pair_chart
from tillerlens.report.charts.bow import bend_pair_chart, gap_pair_chart, recovery_chart, set_map_chart
from tillerlens.report.words.bench import moved_sentence
from tillerlens.report.words.compare import comparison_sentences, recovery_sentence, set_sentences
from tillerlens.report.words.names import in_order, name_of
from tillerlens.report.words.quantities import is_plain, is_significant, say_interval, say_place, say_two_limbs, say_value
from tillerlens.report.words.verdict import Sentence
from tillerlens.ui import error_net, widgets
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.text import distinct_labels
from tillerlens.ui.typed import read_minutes
from tillerlens.ui.widgets import BowContext

VIEWS = ("laid over each other", "side by side")


def show(place: PageContext) -> None:
    known = widgets.open_page(place, "Compare")
    measured = known.measured()
    if len(measured) < 2:
        st.subheader("Two measured pictures from the side are needed to compare.", anchor=False)
        have = "One picture" if measured else "No picture"
        more = "Add pictures of it; any two can be compared, at rest or drawn."
        if any(s.from_front for s in known.stages):
            more += " How a heat-treated belly's colour changed stands with its newest picture."
        widgets.missing(f"{have} of this bow from the side is measured so far.", more, known, "picture", "Add a picture")
        return
    then, now = _choose(known, measured)
    if then.id == now.id:
        st.subheader("This is one and the same picture.", anchor=False)
        widgets.missing("Nothing can have changed between them.", "Choose another stage as the earlier or the later one.")
        return
    a, b = known.document(then), known.document(now)
    try:
        if a.state == b.state == "unstrung":
            _at_rest(known, then, now, set_between(a, b))
        else:
            _strung(known, then, now, compare(a, b, at_rest_of(then, now, known.stages, known.events, known.document)))
    except TillerLensError as error:
        st.subheader("These two pictures cannot be compared.", anchor=False)
        say_error(error)


def _choose(known: BowContext, measured: list[Stage]) -> tuple[Stage, Stage]:
    """The two stages, by default the newest pair that can be compared; the address keeps them."""
    by_id = {s.id: s for s in measured}
    usual_then, usual_now = newest_alike(measured)
    names = distinct_labels({i: known.title(s) for i, s in by_id.items()})
    chosen = []
    for column, name, usual in zip(st.columns(2), ("earlier", "later"), (usual_then, usual_now), strict=True):
        wanted = st.query_params.get(name)
        key, told = f"{name}_{known.bow.id}", f"{name}_{known.bow.id}_told"
        if wanted in by_id and wanted != st.session_state.get(told):  # opened, or gone back to
            st.session_state[key] = wanted
        elif st.session_state.get(key) not in by_id:
            st.session_state[key] = usual.id
        found = column.selectbox(name.capitalize(), list(by_id), format_func=names.__getitem__, key=key)
        st.session_state[told] = found
        if wanted != found:
            st.query_params[name] = found
        chosen.append(by_id[found])
    return chosen[0], chosen[1]


def newest_alike(measured: Sequence[Stage]) -> tuple[Stage, Stage]:
    """The newest picture that has an earlier one in its state at a like draw or brace, and that one; else the last two."""
    for k in range(len(measured) - 1, 0, -1):
        for then in reversed(measured[:k]):
            if _alike(then, measured[k]):
                return then, measured[k]
    last, before = measured[-1], measured[:-1]
    like = [s for s in before if s.state == last.state] or [s for s in before if s.state == "unstrung"] or list(before)
    return like[-1], last


def weighs_otherwise(found: Comparison) -> bool:
    return found.weight is not None and is_significant(found.weight)


def _alike(then: Stage, now: Stage) -> bool:
    if then.state != now.state:
        return False
    if then.state == "unstrung":
        return True
    name, near = ("draw_length_back", NEAR_DRAW_MM) if then.state == "drawn" else ("brace_height_back", NEAR_BRACE_MM)
    a, b = then.value(name), now.value(name)
    return a is not None and b is not None and abs(a.value - b.value) <= near


def weightiest_first(said: Sequence[Sentence], fine_too: bool = True) -> list[Sentence]:
    """What changed by more than its interval before what did not. fine_too: a change for the better counts as one."""
    leads = ("finding", "changed", *(("fine",) if fine_too else ()))
    return sorted(said, key=lambda s: s.tone not in leads)


# --- both at rest, or not


def _at_rest(known: BowContext, then: Stage, now: Stage, found: SetFound) -> None:
    first, *more = weightiest_first(set_sentences(found, known.units), fine_too=False)
    pair = (then.id, now.id)
    widgets.say_first(first)
    readings, fitted = _recovery(known, now)
    _picture(known, then, now)
    widgets.say_rest([*more, *([] if fitted is None else [recovery_sentence(fitted, known.units)])])
    for which, stage in (("earlier", then), ("later", now)):
        if stage.minutes_since_unstrung is None:
            _ask_minutes(known, stage, which)
    _shapes(known, read_picture(known.document(then)), read_picture(known.document(now)), pair)
    alt = "Both limbs' outlines, darker where the wood took more set, bare where none shows; below, the change of bend"
    widgets.chart(known, "Where the wood gave", partial(set_map_chart, found, known.units), "set", alt, pair)
    st.caption("Darker: more set. Bare: none shows there, since the limb's band below includes zero.")
    if len(readings) >= 2:
        alt = "Reflex over the hours since the last unstringing, with the curve that it follows"
        widgets.chart(known, "How it springs back", partial(recovery_chart, readings, fitted, known.units), "recovery", alt, pair)
    else:
        widgets.missing(
            "The pictures don't show yet how the bow springs back.",
            "Photograph it unstrung several times after one unstringing, and note the minutes with each picture.",
        )
    values = {f"set of the {k} limb at its tip": s.at_tip for k, s in found.limbs.items()}
    values |= {"set, handle from the line through the tips": found.overall, "upper minus lower": found.difference}
    _numbers(values, known)


def _ask_minutes(known: BowContext, stage: Stage, which: str) -> None:
    """How long the bow had been unstrung, asked where it is missing; the measurement stays as it is."""
    key = f"rested_{stage.id}"
    label = f"How long had it been unstrung in the {which} picture? (like 5 min, 2 h, 3 days)"
    minutes, fit = widgets.field(label, read_minutes, key)
    if minutes is None or not fit:
        return
    found = store.measurement(known.record, stage.id)
    assert found is not None  # it is measured
    told = replace(found, shot=replace(found.facts, minutes_since_unstrung=minutes))
    try:
        form = told.facts.as_dict()
        store.correct_stage(known.record, stage, form, known.settings.who, document=told, reason="noted on Compare")
    except TillerLensError as error:
        say_error(error)
        return
    st.rerun()


def _recovery(known: BowContext, now: Stage) -> tuple[list[RestReading], Recovery | None]:
    """The readings of the unstringing that the later picture belongs to, and their curve."""
    of_now = now.values["reflex"]["value"] if "reflex" in now.values else None
    for session in sessions(reflexes_of(known.stages, known.events)):
        if any(r.minutes == now.minutes_since_unstrung and r.reflex.value == of_now for r in session):
            return session, fit_recovery(session)
    return [], None


def _strung(known: BowContext, then: Stage, now: Stage, found: Comparison) -> None:
    pair = (then.id, now.id)
    outcomes = judge_scrapes(found, scrapes_between(known.record, then, now))
    said = comparison_sentences(found, outcomes, known.units)
    if "unstrung" in (found.then.state, found.now.state):
        said = [moved_sentence(found)]
    said = weightiest_first([replace(s, tone="changed") if s.about == "weight" and weighs_otherwise(found) else s for s in said])
    widgets.say_first(said[0])
    _picture(known, then, now)
    widgets.say_rest(said[1:])
    if "unstrung" in (found.then.state, found.now.state):
        rest, bent = (found.then, found.now) if found.then.state == "unstrung" else (found.now, found.then)
        alt = "How much each limb moved from its shape at rest, with its interval, over the way an even arc would share it out"
        widgets.chart(known, "Bend from rest", partial(bend_from_rest_chart, rest, bent, known.units), "rest", alt, pair)
        st.caption("The broad pale line is the same bend spread evenly: a plain arc.")
        return
    if found.then.state == found.now.state:
        _shapes(known, found.then, found.now, pair)
    if found.bend:
        alt = "Bend of both stages along each limb; stretches that changed for certain stand on a grey ground"
        widgets.chart(known, "Bend, earlier and now", partial(bend_pair_chart, found, known.units), "bend", alt, pair)
        what = "Both from the shape at rest." if found.from_rest else "Both as they stand, natural bend included."
        st.caption(f"{what} Dashed: earlier. Solid: now. On grey: changed by more than its interval.")
    if found.gaps:
        alt = "Gaps of both stages back to back, upper limb to the left and lower to the right"
        widgets.chart(known, "Gaps, earlier and now", partial(gap_pair_chart, found, known.units), "gaps", alt, pair)
        if found.doubts:
            st.caption("The draws or brace heights differ, and the gaps with them.")
        _gaps(found, known)
    _numbers({name_of(n): found.values[n] for n in in_order(found.values)}, known)


def _shapes(known: BowContext, then: Picture, now: Picture, pair: tuple[str, str]) -> None:
    alt = "The centrelines of both stages laid on the handle, the earlier dashed; heights are enlarged"
    widgets.chart(
        known, "The two shapes, heights enlarged", partial(shape_pair_chart, then, now, known.units), "shapes", alt, pair
    )


# --- the pictures


def _picture(known: BowContext, then: Stage, now: Stage) -> None:
    view = st.segmented_control("The two pictures", VIEWS, default=VIEWS[0], key="compare_view", required=True)
    if view == VIEWS[1]:
        for column, stage, which in zip(st.columns(2), (then, now), ("Earlier", "Later"), strict=True):
            try:
                small = thumbnail(known.record, stage, 1000)
            except TillerLensError as error:
                with column:
                    say_error(error)
                continue
            alt = f"{which}: the bow {stage.state} with its limbs traced"
            column.image(small, caption=f"{which}: {known.title(stage)}", width="stretch", alt=alt)
        return
    _fade(known, then, now)


@error_net.fragment
def _fade(known: BowContext, then: Stage, now: Stage) -> None:
    try:
        with st.spinner("Laying the two pictures over each other"):
            a, b, frame = _laid(known, then, now)
    except TillerLensError as error:
        say_error(error)
        return
    part = st.slider("Fade from the earlier picture (0) to the later (100)", 0, 100, 50, 5, key="fade")
    lined = st.toggle("Draw both bows' lines", True, key="fade_lines")
    picture = superposed.faded(a, b, part / 100)
    if lined:
        picture = superposed.with_lines(picture, frame, *(known.document(s) for s in (then, now)))
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=85)
    alt = f"The earlier and the later picture laid over each other on the handle, {part} parts in 100 of the later"
    st.image(out.getvalue(), width="stretch", alt=alt)
    st.caption("Lined up on the handle, back up, upper limb to the left. Dashed blue: earlier; amber: later.")


def _laid(known: BowContext, then: Stage, now: Stage) -> tuple[Any, Any, superposed.BowFrame]:
    a, b = known.document(then), known.document(now)
    frame = superposed.frame_for((a, b))
    pictures = [
        _warped(known.record.folder.as_posix(), s.sha256, s.photo_name, as_json(m), frame, m, _store=(known, s))
        for s, m in ((then, a), (now, b))
    ]
    return pictures[0], pictures[1], frame


@st.cache_data(max_entries=6, show_spinner=False)
def _warped(
    folder: str,
    sha256: str,
    name: str,
    mark: str,
    frame: superposed.BowFrame,
    _found: Measurement,
    _store: tuple[BowContext, Stage],
) -> Any:
    """The original warped into the frame; ``mark`` tells measurements apart. Raises RecordError and PhotoError."""
    known, stage = _store
    return superposed.lay(read_photo(store.original(known.record, stage), name).rgb, _found, frame)


# --- numbers


def _gaps(found: Comparison, known: BowContext) -> None:
    lines = ["| from handle | upper | lower | upper − lower |", "|---|---|---|---|"]
    for at, changes in sorted(found.gaps.items()):
        two = say_two_limbs(*changes, known.units)
        printed = (two.upper, two.reach_upper), (two.lower, two.reach_lower), (two.difference, two.reach_difference)
        cells = [f"{text} {reach}" for text, reach in printed]
        cells = [f"**{c}**" if is_plain(v, known.units) else c for c, v in zip(cells, changes, strict=True)]
        lines.append(f"| {say_place(at, known.units)} | " + " | ".join(c.replace(" ", "\u00a0") for c in cells) + " |")
    with st.expander("Change of every gap, now minus earlier"):
        st.markdown("\n".join(lines))
        st.caption("Bold: more than its interval.")


def _numbers(values: dict[str, Value], known: BowContext) -> None:
    lines = ["| change | now minus earlier | interval |", "|---|---|---|"]
    for name, v in values.items():
        told = "**" if is_significant(v) else ""
        interval = say_interval(v, known.units).replace(" ", "\u00a0")
        lines.append(f"| {name} | {told}{say_value(v, known.units)}{told} | {interval} |")
    with st.expander("All numbers"):
        st.markdown("\n".join(lines))
        st.caption("Bold: more than its interval.")

"""Without scale or chronograph: an arrow's speed by the sound of the shot, the draw weight by a weight on the string."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.json_form import JsonObject
from tillerlens.core.unforeseen import net
from tillerlens.core.units import KG_PER_GRAIN, pounds_from_newtons
from tillerlens.film.heard import Heard, HeardError, hear
from tillerlens.film.sound import Sound, read_sound
from tillerlens.history import bench as of
from tillerlens.mechanics.bench import Bench, tell, usual
from tillerlens.mechanics.evidence import check_draw
from tillerlens.mechanics.flight import Flight, Range, Shots, check_range, fly, together
from tillerlens.mechanics.force_draw import Reading
from tillerlens.mechanics.hung import Hung, read_hung
from tillerlens.record import Stage
from tillerlens.record.typed import read_arrow_mass, read_part, read_range
from tillerlens.report.charts.speed import sound_spec
from tillerlens.report.words.mechanics import force_words, hung_words, usual_words
from tillerlens.report.words.quantities import in_words
from tillerlens.report.words.speed import speed_words
from tillerlens.report.words.verdict import Sentence
from tillerlens.ui import widgets
from tillerlens.ui.chart_view import drawn
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.drawings import drawing
from tillerlens.ui.fields import FACES
from tillerlens.ui.page.weights import bench_of
from tillerlens.ui.queue import MEASURING, in_turn
from tillerlens.ui.text import plain
from tillerlens.ui.typed import in_length, in_units, is_bare, read_length, units_now
from tillerlens.ui.widgets import BowContext

CLIPS = ["m4a", "mp4", "mov", "wav", "mp3", "aac", "3gp", "webm", "ogg", "flac", "caf", "amr"]
MOST_CLIPS = 12
GRAINS_PER_POUND = 10.0  # the arrow whose speed is expected where none is named (common practice)


@dataclass(frozen=True, eq=False)
class HeardShots:
    """What the last shots said, with a chart of each clip's sound, which itself is not held on to. ``draw_mm`` and ``draw_to``
    go into the record with it; None: not typed."""

    names: tuple[str, ...]
    charts: tuple[JsonObject, ...]
    heard: tuple[Heard, ...]
    flights: tuple[Flight, ...]
    shots: Shots
    at: Range
    draw_mm: float | None
    draw_to: str


def show(place: PageContext) -> None:
    known = widgets.open_page(place, "Without scale or chronograph")
    top = st.container()
    said = _speed(known)
    weighed = _hung(known, alone=said is None)
    said = said or weighed
    with top:
        if said is None:
            st.subheader(
                "A phone hears how fast an arrow flies. A known weight on the string tells what the bow draws.", anchor=False
            )
        else:
            widgets.say_first(said)
    widgets.cautions()


# --- speed by ear


def _speed(known: BowContext) -> Sentence | None:
    st.markdown("#### Speed by ear")
    st.markdown(
        "Let the phone record one shot, string and thump. Measure from the bow's handle to the target's face, and say where the "
        "phone lay. Half way is best: there both sounds are clear."
    )
    key = f"ear_{known.bow.id}"
    _ask_shot(known, key)
    told: HeardShots | None = st.session_state.get(f"{key}_told")
    if told is None:
        _expected(known)
        return None
    said = speed_words(list(zip(told.names, told.heard, strict=True)), told.flights, told.shots, told.at, known.units)
    made_of = [s for s in said[1:] if s.about in ("drag", "taken")]
    widgets.say_rest([s for s in said[1:] if s not in made_of])
    for k, (name, spec) in enumerate(zip(told.names, told.charts, strict=True)):
        drawn(spec, f"{key}_sound_{k}", f"Loudness over time in {name}, with the beginnings of string and thump marked")
    st.caption(
        "The red lines must stand where string and thump begin. If one doesn't, the speed is wrong: say which part to hear."
    )
    with st.expander("What was taken for what wasn't given, and how the air brakes an arrow"):
        widgets.say_rest(made_of)
    if told.draw_mm is None:
        st.caption("Say at what draw it was shot, and listen again: then it can be kept with the bow.")
    elif st.button("Keep this speed", key="keep_speed"):
        r = told.shots.reading()
        heard = {"arrow_mass_kg": r.arrow_kg, "speed_m_s": r.speed_m_s, "u_speed_m_s": r.u_speed_m_s}
        shot = {**heard, "draw_mm": told.draw_mm, "draw_to": told.draw_to}
        note = "By ear, from 1 clip." if told.shots.count == 1 else f"By ear, mean of {told.shots.count} clips."
        if widgets.keep_events(known, [("arrow_speed", shot, note)], datetime.now(UTC)):
            st.session_state.pop(f"{key}_told")
            widgets.flash("Kept: the arrow's speed. What it says of the bow stands under Weights and cast.")
            st.rerun()
    return said[0]


def _ask_shot(known: BowContext, key: str) -> None:
    metric = known.units.length == "cm"
    far, mass = ("m" if metric else "yd"), ("g" if known.units.weight == "kg" else "gr")
    with st.form(f"{key}_form", border=True):
        files = st.file_uploader(
            "Clips of one shot each, sound or video", CLIPS, accept_multiple_files=True, key=f"hand_over_clips_{known.bow.id}"
        )  # fmt: skip
        hints = {"phone": "left empty: beside the archer", "part": "left empty: all of it"}
        labels = {
            "distance": f"Bow to target ({far})",
            "arrow": f"Arrow ({mass})",
            "phone": f"Phone to bow ({far})",
            "to_target": f"Phone to target ({far})",
            "air": f"Air ({'°C' if metric else '°F'})",
            "length": in_length("Arrow's length"),
            "shaft": in_length("Shaft's thickness"),
            "brace": in_length("Brace height"),
            "draw": in_length("Shot at a draw of"),
            "part": "Only this part of the clip (seconds)",
        }
        texts = {}
        for first in range(0, len(labels), 2):  # in pairs, so that they keep their order on a phone
            for column, name in zip(st.columns(2), list(labels)[first : first + 2], strict=True):
                hint = hints.get(name)
                texts[name] = column.text_input(labels[name], key=f"{key}_{name}", placeholder=hint)
        usual_to = known.settings.draw_to
        to = st.segmented_control(
            "Draw measured", FACES, format_func=FACES.__getitem__, default=usual_to, key=f"{key}_to", required=True
        )
        if not st.form_submit_button("Listen", type="primary"):
            return
    st.session_state.pop(f"{key}_told", None)
    try:
        st.session_state[f"{key}_told"] = _listen([(f.name, f.getvalue()) for f in files or []], texts, str(to))
    except TillerLensError as error:
        say_error(error)


def _listen(files: Sequence[tuple[str, bytes]], texts: dict[str, str], to: str) -> HeardShots:
    """All that the clips say. Raises TillerLensError for what is missing or cannot be heard."""
    metric = units_now().length == "cm"
    if not files or len(files) > MOST_CLIPS:
        what = "No clip was given." if not files else f"These are more than {MOST_CLIPS} clips."
        raise HeardError(what, "Choose the clips of one arrow's shots.")
    if not texts["distance"].strip() or not texts["arrow"].strip():
        raise HeardError("Distance or arrow is missing.", "Measure from bow to target, weigh the arrow, and type both.")

    def unit(name: str, bare: str) -> str:
        text = texts[name].strip()
        return f"{text} {bare}" if text and is_bare(text) else text

    far, small = ("m", "cm") if metric else ("yd", "in")
    at = read_range(
        unit("distance", far), unit("phone", far), unit("to_target", far), unit("air", "C" if metric else "F"),
        unit("length", small), unit("shaft", small), unit("brace", small),
    )  # fmt: skip
    kg = in_units(read_arrow_mass)(texts["arrow"])
    check_range(at, kg)
    draw = read_length(texts["draw"]) if texts["draw"].strip() else None
    check_draw(draw)
    part = read_part(texts["part"]) if texts["part"].strip() else None
    names, charts, heard = [], [], []
    for name, data in files:
        with net("listening to", name), st.spinner(f"Listening to {plain(name)}"):
            sound = in_turn(_decoded(data, name))
            try:
                heard.append(hear(sound, at, part))
            except HeardError as error:
                raise HeardError(f"{sound.name}: {error.text}", error.remedy, **error.fields) from error
            names.append(sound.name)
            charts.append(sound_spec(sound, heard[-1]))
    flights = tuple(fly(h.between_s, at, kg) for h in heard)
    return HeardShots(tuple(names), tuple(charts), tuple(heard), flights, together(flights), at, draw, to)


def _decoded(data: bytes, name: str) -> Callable[[], Sound]:
    return lambda: read_sound(data, name)


def _expected(known: BowContext) -> None:
    """Where no arrow's speed is known, what wooden bows usually give of the energy that the weighings tell."""
    if known.of_kind("arrow_speed"):
        return
    bench = _bench_of(known)
    if bench is None or bench.curve is None:
        return
    weight = bench.curve.weight_at(bench.full_draw_mm)
    kg = GRAINS_PER_POUND * pounds_from_newtons(weight.value) * KG_PER_GRAIN
    speeds = usual(bench, kg)
    if speeds is not None:
        widgets.say_rest([usual_words(speeds, kg, known.units)])


def _bench_of(known: BowContext) -> Bench | None:
    hand = of.on_hand(known.stages, known.events)
    if not hand.weighings and not any(s.state == "drawn" for s in hand.strung):
        return None
    found: Bench = in_turn(lambda: bench_of(known.mark, 1.0, (known, hand, None)))[1]
    return found


# --- weight without a scale


def _hung(known: BowContext, alone: bool) -> Sentence | None:
    """alone: whether what is found is the page's first sentence, so that it need not be said here."""
    st.markdown("#### Weight without a scale")
    words, picture = st.columns([3, 2], gap="medium")
    picture.image(drawing("hung_weight"), width="stretch", alt="A bow on its tree with jugs on the string and a rope as a stop")
    with words:
        st.markdown(
            "Hang a known weight from the string and take the photo as for any draw: that is one weighing. With a photo of the "
            "bow unstrung, its own bend tells the rest of the curve."
        )
        widgets.say_rest([s for s in hung_words(read_hung("1 lb"), known.units) if s.about == "care"])
        stages = [s for s in of.on_hand(known.stages, known.events).strung if s.state == "drawn"]
        bare = [s for s in stages if s.scale_reading_n is None]
        key = f"hung_{known.bow.id}"
        if not bare:
            widgets.missing(
                "No photo shows the bow drawn without a scale's reading.", "Add the one with the weight on the string.", known,
                "picture", "Add photos",
            )  # fmt: skip
            return None
        with st.form(f"{key}_form", border=True):
            example = "8 l water + 5 kg plate" if known.units.weight == "kg" else "2 gal water + 10 lb plate"
            text = st.text_input("What hangs from the string", key=f"{key}_text", placeholder=example)
            names = {s.id: known.title(s) for s in bare}
            chosen = st.selectbox(
                "In which photo", list(names), len(names) - 1, format_func=names.__getitem__, key=f"{key}_stage"
            )
            if st.form_submit_button("Weigh it", type="primary"):
                st.session_state[f"{key}_asked"] = (text, chosen)
    asked = st.session_state.get(f"{key}_asked")
    if asked is None or asked[1] not in names:
        return None
    try:
        hung = read_hung(asked[0])
    except TillerLensError as error:
        say_error(error)
        return None
    stage = next(s for s in bare if s.id == asked[1])
    return _weighed(known, hung, asked[0], stage, (key, alone))


def _weighed(known: BowContext, hung: Hung, text: str, stage: Stage, how: tuple[str, bool]) -> Sentence | None:
    """The sum, what it makes of the curve, and the way into the record."""
    key, alone = how
    draw = stage.values.get("draw_length_back", {})
    bench = in_turn(lambda: _with_hung(f"{known.mark} {text} {stage.id}", (known, hung, draw)))
    said = [s for s in hung_words(hung, known.units) if s.about == "hung"]
    first = None
    if bench.curve is not None:
        told = force_words(bench.curve, bench.full_draw_mm, bench.stacking, known.units)
        first, said = (told[0] if told else None), said + told[alone:]
    said += [Sentence(r.code, in_words(r, known.units), "open") for r in bench.reasons]
    widgets.say_rest(said)
    if known.full_draw_mm is None:
        st.caption("Note the target draw with the bow, and the curve is carried on to it.")
    if st.button("Keep this weighing", key="keep_hung"):
        weight = hung.weight
        details = {"draw_mm": draw["value"], "draw_to": "back", "weight_n": weight.value, "u_weight_n": weight.u}
        if widgets.keep_events(known, [("weighing", details, f"Hung from the string: {text}")], datetime.now(UTC)):
            st.session_state.pop(f"{key}_asked")
            widgets.flash("Kept: the hung weight, as a weighing.")
            st.rerun()
    return first


@st.cache_resource(max_entries=8, show_spinner="Reading the bend and the weight")
def _with_hung(mark: str, _of: tuple[Any, ...]) -> Bench:
    """All that the mechanics tell with the hung weight as one weighing more, once for each state of the record."""
    MEASURING.require()
    known, hung, draw = _of
    given = of.given_of(known.bow, of.on_hand(known.stages, known.events), known.document, known.full_draw_mm)
    weight = hung.weight
    reading = Reading(float(draw["value"]), weight.value, weight.u, by_scale=False)
    known.unchanged()
    return tell(replace(given, readings=[*given.readings, reading]))

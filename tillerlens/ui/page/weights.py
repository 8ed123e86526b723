"""Weights and cast: readings typed in quickly; what they say of full draw, stored energy, the wood's strain and arrows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.events import ArrowSpeedDetails, WeighingDetails
from tillerlens.core.measurement import LimbName
from tillerlens.history import bench as of
from tillerlens.measures.set import EarlyDraw
from tillerlens.mechanics.bench import Bench, Given, tell
from tillerlens.mechanics.evidence import check_arrow, check_arrow_mass, check_brace, check_draw, check_reading
from tillerlens.mechanics.force_draw import Reading
from tillerlens.mechanics.section import LimbSections
from tillerlens.record.typed import read_arrow_mass, read_mass, read_speed
from tillerlens.report.charts.bench import arrows_chart, force_draw_chart, strain_chart
from tillerlens.report.words.bench import headline, number_rows
from tillerlens.report.words.compare import early_draw_sentence
from tillerlens.report.words.mechanics import bench_words
from tillerlens.report.words.quantities import in_words, say_length
from tillerlens.report.words.verdict import Sentence
from tillerlens.ui import widgets
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.fields import FACES
from tillerlens.ui.queue import MEASURING, in_turn
from tillerlens.ui.rows import field_rows, more_rows, pairs_of, row_keys
from tillerlens.ui.typed import in_length, in_units, in_weight, length_text, read_length, read_weight, say_in
from tillerlens.ui.widgets import BowContext


@dataclass(frozen=True)
class Typed:
    """What is typed on the page and not kept: the own factor for a heated belly, other arrows' masses (kg)."""

    heat_factor: float
    others: tuple[float, ...]


def show(place: PageContext) -> None:
    known = widgets.open_page(place, "Weights and cast")
    top = st.container()
    _quick_entry(known)
    below = st.container()
    typed = _beside(known)
    sections = widgets.sections(known)
    _told(known, typed, sections, top, below)
    widgets.take_back(known, ("weighing", "brace", "arrow_speed", "mass"), "weights")
    widgets.cautions()


# --- what is told


def _told(known: BowContext, typed: Typed, sections: dict[LimbName, LimbSections] | None, top: Any, below: Any) -> None:
    """The verdict and its picture into top, all else into below."""
    hand = of.on_hand(known.stages, known.events)
    drawn = [s for s in hand.strung if s.state == "drawn"]
    early = of.early_draw_of(known.bow, known.stages, known.events)
    if not hand.weighings and not drawn:
        since = " since wood last came off or heat changed it" if hand.scraped and known.measured("drawn") else ""
        with top:
            st.subheader(f"Nothing is weighed yet{since}.", anchor=False)
            widgets.missing(
                "Two or three readings are enough to expect the weight at full draw.",
                "Type draws and weights below, or measure a picture of the bow drawn with the scale's reading noted.",
            )
            widgets.say_rest([] if early is None else [early_draw_sentence(early, known.units)])
        return
    with top:
        with st.spinner("Reading the bends and the weights"):
            given, bench = in_turn(lambda: bench_of(known.mark, typed.heat_factor, (known, hand, sections)))
        widgets.say_first(headline(bench, early, known.units))
        if bench.curve is not None:
            _force(known, bench, given, typed)
    with below:
        _say(known, bench, given, typed, early)


def _say(known: BowContext, bench: Bench, given: Given, typed: Typed, early: EarlyDraw | None) -> None:
    rows = number_rows(bench, known.units)
    if rows:
        st.markdown("#### Numbers")
        cells = "\n".join(f"| {say_in(what)} | {value} | {reach} |" for what, value, reach in rows)
        st.markdown(f"| what | value | interval |\n|---|---|---|\n{cells}")
    said = [s for s in bench_words(bench, known.units, typed.others) if s.about != "care"]
    said += [] if early is None else [early_draw_sentence(early, known.units)]
    said += _left_out(known)
    said.sort(key=lambda s: (s.tone != "finding", s.about not in ("speed", "early_draw"), s.tone == "plain"))
    shown = [s for s in said if s.tone != "plain" or s.about == "speed"]
    widgets.say_rest(shown)
    if bench.risk_full is not None or bench.risk_seen is not None:
        _strain(known, bench, typed)
    if bench.cast is not None and given.arrows:
        alt = "Speed expected of arrows by their mass, with its interval, and the arrows that were shot"
        make = partial(arrows_chart, bench.cast, given.arrows, known.units)
        widgets.chart(known, "Speed of other arrows", make, "arrows", alt, typed)
    with st.expander("What else the readings show, and where the limits come from"):
        widgets.say_rest([s for s in said if s not in shown])


def _left_out(known: BowContext) -> list[Sentence]:
    """Readings that are kept but do not count, and why."""
    hand, bow = of.on_hand(known.stages, known.events), known.bow
    out = [Sentence(r.code, in_words(r, known.units), "open") for r in hand.left_out]
    shots = [e.details for e in hand.arrows if isinstance(e.details, ArrowSpeedDetails)]
    draws: list[WeighingDetails | ArrowSpeedDetails] = [*shots]
    draws += [e.details for e in hand.weighings if isinstance(e.details, WeighingDetails)]
    if any(of.to_back(bow, d) is None for d in draws):
        text = "Readings to the belly do not count: the handle's thickness is not noted. Note it with the bow."
        out.append(Sentence("left_out", text, "open"))
    far = [d for d in shots if (draw := of.to_back(bow, d)) is not None and not of.is_full(draw, known.full_draw_mm)]
    if far:
        text = f"{len(far)} of the arrows were shot at another draw than the target, so they are left out: their energy differs."
        out.append(Sentence("left_out", text, "open"))
    old = [e for e in known.of_kind("weighing") if e not in hand.weighings]
    if old:
        text = f"{len(old)} weighings from before the last scraping or heating are left out: the bow has changed since."
        out.append(Sentence("left_out", text, "plain"))
    return out


def _force(known: BowContext, bench: Bench, given: Given, typed: Typed) -> None:
    assert bench.curve is not None
    drawn = [s for s in of.on_hand(known.stages, known.events).strung if s.state == "drawn"]
    seen, _ = of.pulls_of(known.bow, drawn, ())
    readings = [*given.readings, *(Reading(p.draw_mm, p.weight_n) for p in seen)]
    full, weight = known.full_draw_mm, known.bow.wish_weight_n
    wish = None if full is None or weight is None else (full, weight)
    stacks = float("nan") if bench.stacking is None else bench.stacking.onset_mm
    alt = "Draw weight over draw length with its interval: as read, and carried on to full draw; the target as a diamond"
    widgets.chart(known, "", partial(force_draw_chart, bench.curve, readings, known.units, wish, stacks), "force", alt, typed)
    if full is None:
        st.caption("Note the target draw and weight with the bow, and the curve is carried on to it.")


def _strain(known: BowContext, bench: Bench, typed: Typed) -> None:
    ahead = bench.risk_full is not None and bench.full_draw_mm > bench.draw_seen_mm + 1
    strains, risk = (bench.strain_full, bench.risk_full) if ahead else (bench.strain_seen, bench.risk_seen)
    if strains is None:
        return
    draw = bench.full_draw_mm if ahead else bench.draw_seen_mm
    alt = "How much the belly of each limb is pressed along its length, with its interval, under what the wood is said to take"
    title = f"Strain on the belly at {say_length(draw, known.units)}{', expected' if ahead else ''}"
    on_belly = risk if risk is not None and risk.side == "belly" else None
    widgets.chart(known, title, partial(strain_chart, strains, on_belly, known.units), "strain", alt, (typed, draw))
    if not bench.sections_known:
        st.caption("Worked out from the thickness seen from the side. Caliper readings, below, make it sharper.")


@st.cache_resource(max_entries=8, show_spinner=False)
def bench_of(mark: str, heat_factor: float, _of: tuple[Any, ...]) -> tuple[Given, Bench]:
    """All that the mechanics tell, once for each state of the record."""
    MEASURING.require()
    known, hand, sections = _of
    given = of.given_of(known.bow, hand, known.document, known.full_draw_mm, sections, heat_factor)
    known.unchanged()
    return given, tell(given)


# --- what is typed in


def _quick_entry(known: BowContext) -> None:
    st.markdown("#### Type in readings")
    left, right = st.columns(2)
    metric = known.units.weight == "kg"
    with left:
        with st.form("weighings", clear_on_submit=False, border=True):
            rows = field_rows("weigh", (in_length("Draw"), in_weight("Weight")), [["", ""]] * 4)
            to = _to(known, "weigh_to")
            if st.form_submit_button("Keep these weighings", type="primary"):
                _keep_weighings(known, rows, str(to))
        more_rows("weigh", 4)
    with right:
        with st.form("arrows", clear_on_submit=False, border=True):
            speed = "m/s" if known.units.length == "cm" else "fps"
            rows = field_rows("arrow", (f"Arrow ({'g' if metric else 'gr'})", f"Speed ({speed})"), [["", ""]] * 3)
            draw = st.text_input(in_length("Shot at a draw of"), key="arrow_draw")
            to = _to(known, "arrow_to")
            if st.form_submit_button("Keep these arrows"):
                _keep_arrows(known, rows, draw, str(to))
        more_rows("arrow", 3)
    if known.settings.draw_to == "belly" and known.bow.handle_thickness_mm is None:
        st.caption("Draws to the belly count once the handle's thickness is noted with the bow.")


def _to(known: BowContext, key: str) -> Any:
    usual = known.settings.draw_to
    return st.segmented_control("Draw measured", FACES, format_func=FACES.__getitem__, default=usual, key=key, required=True)


def _keep_weighings(known: BowContext, rows: list[list[str]], to: str) -> None:
    try:
        pairs = pairs_of(rows, read_length, read_weight, "a draw and a weight")
        for reading in pairs:
            check_reading(*reading)
    except TillerLensError as error:
        say_error(error)
        return
    entries = [("weighing", {"draw_mm": d, "draw_to": to, "weight_n": w}, "") for d, w in pairs]
    if widgets.keep_events(known, entries, datetime.now(UTC)):
        widgets.clear(row_keys("weigh", 2), f"Kept: {len(pairs)} weighing{'s' if len(pairs) > 1 else ''}.")


def _keep_arrows(known: BowContext, rows: list[list[str]], draw: str, to: str) -> None:
    try:
        pairs = pairs_of(rows, in_units(read_arrow_mass), in_units(read_speed), "an arrow and its speed")
        at = read_length(draw)
        check_draw(at)
        for shot in pairs:
            check_arrow(*shot)
    except TillerLensError as error:
        say_error(error)
        return
    entries = [("arrow_speed", {"arrow_mass_kg": m, "speed_m_s": v, "draw_mm": at, "draw_to": to}, "") for m, v in pairs]
    if widgets.keep_events(known, entries, datetime.now(UTC)):
        widgets.clear(row_keys("arrow", 2), f"Kept: {len(pairs)} arrow{'s' if len(pairs) > 1 else ''}.")


def _beside(known: BowContext) -> Typed:
    with st.expander("Brace height, other arrows, the bow's own mass, a heated belly"):
        had = of.on_hand(known.stages, known.events).brace_back_mm
        brace, fit = widgets.field(
            in_length("Brace height, from the handle's back to the string"),
            _brace,
            f"brace_text_{known.bow.id}",
            value=length_text(had),
        )
        kept = st.button("Keep the brace height", key="keep_brace", help="The plan and 'Try before you cut' go by it too.")
        if kept and brace is None and fit:
            st.error("Type the brace height first.")
        if kept and brace is not None and widgets.keep_events(known, [("brace", {"from_back_mm": brace}, "")], datetime.now(UTC)):
            widgets.flash("Kept: the brace height.")
            st.rerun()
        some = "26, 30" if known.units.weight == "kg" else "400, 450 gr, 30 g"
        others, _ = widgets.field("Speed wanted for arrows of", _masses, "others_text", placeholder=some)
        factor = st.number_input(
            "How much more a heat-hardened belly takes, in your own experience", 0.5, 2.0, 1.0, 0.05, key="heat_factor",
        )  # fmt: skip
        mass, fit = widgets.field(
            f"The bow weighs ({'g' if known.units.weight == 'kg' else 'oz'})", in_units(read_mass), "mass_text"
        )
        kept = st.button("Keep its mass", key="keep_mass")
        if kept and mass is None and fit:
            st.error("Type what the bow weighs first.")
        if kept and mass is not None and widgets.keep_events(known, [("mass", {"mass_kg": mass}, "")], datetime.now(UTC)):
            widgets.clear(["mass_text"], "Kept: the bow's mass.")
    return Typed(float(factor), tuple(others or ()))


def _masses(text: str) -> list[float]:
    masses = [in_units(read_arrow_mass)(part) for part in filter(str.strip, text.split(","))]
    for mass in masses:
        check_arrow_mass(mass)
    return masses


def _brace(text: str) -> float:
    brace = read_length(text)
    check_brace(brace)
    return brace

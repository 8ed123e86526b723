"""Try before you cut: controls for what a bowyer might do next, and what it would do to this bow, at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import LimbName
from tillerlens.core.units import MM_PER_INCH
from tillerlens.history import bench as of
from tillerlens.mechanics.section import LimbSections
from tillerlens.mechanics.what_if import Change, Standing, Where, compare, heat_gain, standing_from_documents
from tillerlens.record import Record, store
from tillerlens.record.views import timeline
from tillerlens.report.charts.what_if import shape_spec
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.what_if import HEAD, table, what_if_words
from tillerlens.ui import chart_view, widgets
from tillerlens.ui.context import say_error
from tillerlens.ui.text import plain
from tillerlens.ui.widgets import BowContext

WHERES: tuple[Where, ...] = ("upper", "lower", "both")
NBSP = "\u00a0"
ALT = "The drawn bow and its string today, dashed, and after the change, solid"


def show(known: BowContext, sections: dict[LimbName, LimbSections] | None) -> None:
    """The controls and the answer; nothing where the page above says what the bow lacks, or that its weighings disagree."""
    hand, full = of.on_hand(known.stages, known.events), known.full_draw_mm
    weighed = any(s.state == "drawn" and "scale_reading_lb" in s.shot for s in hand.strung)
    if hand.rest is None or full is None or not weighed:
        return
    try:
        of.check_weighings(of.given_of(known.bow, hand, known.document, full, sections))
    except TillerLensError:
        return  # no weight is given above, so none is promised here
    st.markdown("#### Try before you cut")
    try:
        standing = _standing(known.mark, full, _mark(sections), (known, hand, sections))
    except TillerLensError as error:
        say_error(error)
        return
    _try(known, standing)


@st.fragment
def _try(known: BowContext, standing: Standing) -> None:
    changes, own_heat = _with_own_heat(known, _controls(known.units, standing))
    try:
        tried = compare(standing, changes)
    except TillerLensError as error:
        say_error(error)
        return
    first, *more = what_if_words(tried, known.units, own_heat)
    st.markdown(f"**{plain(first.text)}**")
    rows = table(tried, known.units)
    chart_view.drawn(shape_spec(tried, known.units), "what_if", ALT)
    cells = [f"| {' | '.join([plain(what), *map(_in_cell, values)])} |" for what, *values in rows]
    st.markdown("\n".join([f"| {' | '.join(HEAD)} |", "|---|---|---|---|", *cells]))
    widgets.say_rest(more)


def _with_own_heat(known: BowContext, changes: list[Change]) -> tuple[list[Change], bool]:
    """Heating by what the user's own bows gained, where the record has such, and whether it has."""
    if not any(c.kind == "heat" for c in changes):
        return changes, False
    gains = _gains(known.record.address, known.record)
    gain = heat_gain(gains)
    return [replace(c, amount=gain.value, u=gain.u) if gains and c.kind == "heat" else c for c in changes], bool(gains)


@st.cache_data(ttl=60, max_entries=4, show_spinner=False)
def _gains(address: str, _record: Record) -> list[tuple[float, float]]:
    """What every bow of the record that was heated gained by it; asked again each minute at most."""
    out: list[tuple[float, float]] = []
    for bow in store.list_bows(_record):
        if store.list_events(_record, bow.id, "heat"):
            line = timeline(_record, bow.id)
            out += of.heat_gains_of(line.bow, line.stages, line.events)
    return out


def _in_cell(value: str) -> str:
    """A value that breaks before its interval and nowhere else, so that a phone shows all four columns."""
    return plain(value).replace(" ", NBSP).replace(f"{NBSP}(", " (")


def _controls(units: Units, standing: Standing) -> list[Change]:
    """What is asked for, in the order in which it is done."""
    mm, step = (10.0, 0.5) if units.length == "cm" else (MM_PER_INCH, 0.25)
    name = "cm" if units.length == "cm" else "in"
    # to a whole step, and within the limb
    most = step * int(min(standing.bow.upper.length, standing.bow.lower.length) / mm / step)
    left, right = st.columns(2)
    changes: list[Change] = []
    with left:
        where = st.segmented_control(
            "Take wood off the belly", ("nowhere", *WHERES), default="nowhere", key="try_where", required=True
        )
        limb = next((w for w in WHERES if w == where), None)
        if limb is not None:
            ends = st.slider(f"From where to where, {name} from the nock", 0.0, most, (most / 4, most / 2), step, key="try_ends")
            share = st.slider("How much of the thickness, %", 0.5, 15.0, 3.0, 0.5, key="try_share")
            if ends[1] > ends[0]:
                changes.append(Change("take", share / 100, limb, (ends[0] * mm, ends[1] * mm)))
            else:
                st.caption("Both ends are the same place: nothing comes off.")
        narrow = st.slider("Narrow the tips, % at the nock", 0, 40, 0, 5, key="try_narrow")
    with right:
        shorten = st.slider(f"Shorten each end, {name}", 0.0, 2.0 if name == "in" else 5.0, 0.0, step, key="try_shorten")
        far = 1.0 if name == "in" else 2.5
        brace = st.slider(f"Raise the brace, {name}", -far, far, 0.0, step / 2, key="try_brace")
        reflex = st.slider(f"Add reflex at the tips, {name}", -far, 3 * far, 0.0, step, key="try_reflex")
        if st.checkbox("Heat-treat the belly", key="try_heat"):
            changes.append(Change("heat"))
    amounts = (("narrow", narrow / 100), ("shorten", shorten * mm), ("brace", brace * mm), ("reflex", reflex * mm))
    return [*changes, *(Change(kind, amount) for kind, amount in amounts if amount)]  # type: ignore[arg-type]


def _mark(sections: dict[LimbName, LimbSections] | None) -> str:
    """Tells one set of caliper readings from another."""
    return "" if sections is None else repr([(k, v.thickness_mm.tolist(), v.width_mm.tolist()) for k, v in sections.items()])


@st.cache_resource(max_entries=8, show_spinner="Reading the bow as it stands")
def _standing(mark: str, full_mm: float, calipers: str, _of: tuple[Any, ...]) -> Standing:
    """The bow as it stands, once for each state of the record."""
    known, hand, sections = _of
    documents = [known.document(s) for s in hand.strung]
    beside = of.given_of(known.bow, hand, known.document, full_mm, sections).unpictured
    standing = standing_from_documents(documents, known.document(hand.rest), full_mm, sections, beside)
    _ = standing.today  # made here, so that the first touch of a control is as quick as the next
    return standing

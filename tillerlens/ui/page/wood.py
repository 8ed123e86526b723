"""Wood and heat: dry enough or not, what was heated and how, how much of the form's reflex is kept, the table of woods."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

import streamlit as st

from tillerlens.core.events import HeatDetails, MoistureDetails
from tillerlens.core.measurement import Value
from tillerlens.history.bench import found_wood, moisture_of
from tillerlens.history.of_record import form_reflex, reflexes_of
from tillerlens.measures.set import share_of_reflex_left
from tillerlens.mechanics.wood import (
    DRYNESS_WORDS,
    DryBand,
    Dryness,
    WoodError,
    dryness,
    moisture_of_air,
    read_humidity,
    read_moisture,
    species_table,
)
from tillerlens.record import Event
from tillerlens.record.typed import read_number, read_temperature
from tillerlens.report.charts.bench import moisture_chart
from tillerlens.report.charts.bow import reflex_chart
from tillerlens.report.words.compare import reflex_left_sentence
from tillerlens.report.words.quantities import say_interval, say_length, say_place
from tillerlens.report.words.verdict import Sentence, Tone
from tillerlens.ui import widgets
from tillerlens.ui.context import PageContext
from tillerlens.ui.page.next_bow import show_next_bow
from tillerlens.ui.text import plain
from tillerlens.ui.typed import in_length, read_length
from tillerlens.ui.widgets import BowContext

METER_U = 1.0  # %: a pin meter is good to 1 or 2, and reads shallow (common practice, no source)
REST_HOURS = 48.0  # after heating (common practice, no source)
BROWNINGS = ("none", "straw", "tan", "brown", "dark")
_TONES: dict[Dryness, Tone] = {
    "too_wet": "finding", "perhaps_too_wet": "finding", "within": "fine", "perhaps_too_dry": "finding", "too_dry": "finding",
    "unknown": "open",
}  # fmt: skip


@dataclass(frozen=True)
class Moisture:
    """The last reading of each kind: by the meter, and what the air brings wood to; None where not read."""

    meter: Value | None
    air: Value | None
    when: datetime | None
    trouble: str = ""  # why the last reading of the air tells nothing


def show(place: PageContext) -> None:
    known = widgets.open_page(place, "Wood and heat")
    own = found_wood(known.bow.wood)
    band, found = DryBand.of(known.bow.wood if own is None else own.species.name), _moisture(known)
    top = st.container()
    band = _moisture_entry(known, band)
    _heat(known)
    _reflex(known)
    _woods(known, found)
    show_next_bow(known, moisture_of(known.events))
    with top:
        _dry(found, band, known)
    widgets.take_back(known, ("moisture", "heat", "rest"), "wood")
    widgets.cautions(heat=True)


# --- dry enough?


def _moisture(known: BowContext) -> Moisture:
    meter = air = when = None
    trouble = ""
    for e in known.of_kind("moisture"):
        d, when = e.details, e.happened_at
        assert isinstance(d, MoistureDetails)
        if d.reading_percent is not None:
            meter = Value(float(d.reading_percent), METER_U, "%", {"the meter": METER_U})
        if d.air is not None:
            try:
                air = moisture_of_air(*d.air)
                trouble = ""
            except WoodError as error:
                air, trouble = None, str(error)
    return Moisture(meter, air, when, trouble)


def _dry(found: Moisture, band: DryBand, known: BowContext) -> None:
    judged = found.meter or found.air
    if found.trouble:
        st.error(plain(found.trouble))
    if judged is None:
        st.subheader(plain(DRYNESS_WORDS["unknown"]), anchor=False)
        widgets.missing("No moisture is noted yet.", "Type in the shop's temperature and humidity, or a meter's reading, below.")
        return
    verdict = dryness(judged, band)
    widgets.say_first(Sentence("dry", DRYNESS_WORDS[verdict], _TONES[verdict]))
    rows = [(n, v) for n, v in (("by the meter", found.meter), ("what this air brings it to", found.air)) if v is not None]
    alt = "Moisture readings with their intervals over the band in which the wood is bent"
    widgets.chart(known, "", partial(moisture_chart, rows, band), "moisture", alt, band)
    said = []
    if found.meter is not None:
        said.append(Sentence("meter", f"The meter read {found.meter.value:.1f} % (±{2 * METER_U:.0f} %); meters read shallow."))
    if found.air is not None:
        reach = f"{say_interval(found.air, known.units)}, half way between the two equations of the Wood Handbook"
        text = f"Wood left in this air comes to {found.air.value:.1f} % ({reach})."
        said.append(Sentence("air", f"{text} It takes weeks, so a stave brought in lately is damper."))
    if found.when is not None:
        said.append(Sentence("when", f"Last noted {found.when.astimezone():%Y-%m-%d}."))
    said.append(Sentence("band", f"The band of {band.low:g} to {band.high:g} % is common practice; makers disagree."))
    widgets.say_rest(said)


def _moisture_entry(known: BowContext, usual: DryBand) -> DryBand:
    st.markdown("#### Moisture")
    left, right = st.columns(2)
    with left, st.form("moisture", border=True):
        air, fit_air = widgets.field("Temperature in the shop", read_temperature, "temperature", placeholder="70F or 21C")
        wet, fit_wet = widgets.field("Humidity there", read_humidity, "humidity", placeholder="45 %")
        meter, fit_meter = widgets.field("By a moisture meter", read_moisture, "meter", placeholder="9.5 %")
        where = st.text_input("Where it was read", key="meter_place", placeholder="mid-limb, belly")
        if st.form_submit_button("Keep this moisture", type="primary"):
            details = {"temperature_c": air, "humidity_percent": wet, "reading_percent": meter, "place": where.strip() or None}
            if fit_air and fit_wet and fit_meter and widgets.keep_events(known, [("moisture", details, "")], datetime.now(UTC)):
                widgets.clear(("temperature", "humidity", "meter", "meter_place"), "Kept: the moisture.")
    with right, st.container(border=True):
        st.markdown("**Dry enough, by your own rule**")
        low = st.number_input("Driest at which you bend this wood, %", 1.0, 30.0, usual.low, 0.5, key=f"dry_low_{known.bow.id}")
        high = st.number_input("Dampest at which you bend it, %", 1.0, 30.0, usual.high, 0.5, key=f"dry_high_{known.bow.id}")
        if low >= high:
            st.error("The driest has to be below the dampest. The usual band is taken.")
            return usual
    return DryBand(low, high)


# --- heat


def _heat(known: BowContext) -> None:
    st.markdown("#### Heat")
    sessions = known.of_kind("heat")
    if sessions:
        ago = (datetime.now(UTC) - sessions[-1].happened_at).total_seconds() / 3600
        if ago < REST_HOURS:
            text = f"The belly was heated {ago:.0f} hours ago: let it rest two days before it is strung (common practice)."
            widgets.say_rest([Sentence("rest", text, "finding")])
        lines = ["| when | minutes | limb | distance | browning | form's reflex |", "|---|---|---|---|---|---|"]
        lines += [f"| {' | '.join(_heat_cells(e, known))} |" for e in reversed(sessions)]
        st.markdown("\n".join(lines))
    else:
        st.caption("No heating is noted yet.")
    with st.expander("Note a heating"), st.form("heat", border=False):
        left, right = st.columns(2)
        with left:
            minutes, fit_1 = widgets.field("Minutes over the heat", read_number, "heat_minutes", placeholder="45")
            limb = st.segmented_control("Limb", ("both", "upper", "lower"), default="both", key="heat_limb", required=True)
            away, fit_2 = widgets.field(in_length("Distance from the coals"), read_length, "heat_distance")
            browned = st.selectbox("Browning of the belly", BROWNINGS, None, key="heat_browning", placeholder="not noted")
        with right:
            deep, fit_3 = widgets.field(in_length("Depth of browning"), read_length, "heat_depth", placeholder="3 mm")
            hot, fit_4 = widgets.field(
                "The wood's surface was at", read_temperature, "heat_temperature", placeholder="280F or 138C"
            )
            form, fit_5 = widgets.field(in_length("Reflex of the form it was bent on"), read_length, "heat_form")
            notes = st.text_input("Notes", key="heat_notes")
        if st.form_submit_button("Keep this heating", type="primary") and all((fit_1, fit_2, fit_3, fit_4, fit_5)):
            details = {
                "minutes": minutes, "limb": limb, "distance_mm": away, "browning": browned, "browning_depth_mm": deep,
                "temperature_c": hot, "form_reflex_mm": form,
            }  # fmt: skip
            if widgets.keep_events(known, [("heat", details, notes)], datetime.now(UTC)):
                names = ("minutes", "distance", "depth", "temperature", "form", "notes")
                widgets.clear([f"heat_{n}" for n in names], "Kept: the heating.")


def _heat_cells(e: Event, known: BowContext) -> list[str]:
    d = e.details
    assert isinstance(d, HeatDetails)
    return [
        f"{e.happened_at.astimezone():%Y-%m-%d}",
        f"{d.minutes:g}",
        d.limb or "",
        "" if d.distance_mm is None else say_place(d.distance_mm, known.units),
        (d.browning or "") + ("" if d.browning_depth_mm is None else f", {d.browning_depth_mm:g} mm deep"),
        "" if d.form_reflex_mm is None else say_length(d.form_reflex_mm, known.units),
    ]


def _reflex(known: BowContext) -> None:
    st.markdown("#### How much of the form's reflex is kept")
    read = [r for r in reflexes_of(known.stages, known.events) if math.isfinite(r.reflex.value)]
    form = form_reflex(known.bow, known.events)
    if not read:
        more = "Measure a picture of the bow unstrung; each later one shows what is left."
        widgets.missing("No reflex is measured yet.", more, known, "picture", "Add a picture")
        return
    if form is None or form <= 0:
        widgets.missing("The reflex of the form is not noted.", "Note it with a heating above, or with the bow.")
    else:
        kept = reflex_left_sentence(share_of_reflex_left(form, read[-1].reflex))
        text = f"By the last reading, {read[-1].when.astimezone():%Y-%m-%d}, {read[-1].kind}: {kept.text}"
        widgets.say_rest([Sentence("kept", text, kept.tone)])
    alt = "Reflex over the bow's life, each reading with its interval and how long the bow had been unstrung"
    widgets.chart(known, "", partial(reflex_chart, read, known.units), "reflex", alt)


# --- woods


def _woods(known: BowContext, found: Moisture) -> None:
    own = found_wood(known.bow.wood)
    at = found.meter or found.air
    if own is not None and at is not None:
        likely = own.strength(at.value)
        stiff = f"At {at.value:.0f} % moisture {own.species.name} is about {likely.strength.elasticity / 1000:.1f} GPa stiff"
        text = f"{stiff} and breaks in bending at about {likely.strength.rupture:.0f} MPa ({own.species.source}); staves differ"
        text += f" by {100 * likely.spread:.0f} %."
        widgets.say_rest([Sentence("strength", text), *([Sentence("wood", likely.said, "open")] if likely.said else [])])
    with st.expander("The table of woods, with its sources"):
        st.dataframe(wood_rows(), hide_index=True, width="stretch")
        st.caption(
            "Means of clear, straight-grained samples at 12 % moisture (green where it says so); a single stave may differ by a "
            "fifth and more either way."
        )
        if known.bow.wood and own is None:
            st.caption(plain(f"This bow's wood, '{known.bow.wood}', is not in the table, and nothing like it is."))


def wood_rows() -> list[dict[str, str | float | None]]:
    rows: list[dict[str, str | float | None]] = []
    for wood in species_table().values():
        side = wood.dry or wood.green
        assert side is not None  # every wood of the table has one
        rows.append(
            {
                "wood": wood.name,
                "stiffness (GPa)": _round(side.elasticity / 1000, 1),
                "breaks in bending (MPa)": _round(side.rupture, 0),
                "crushes along the grain (MPa)": _round(side.crushing, 0),
                "specific gravity": _round(side.gravity, 2),
                "at": "12 %" if wood.dry else "green",
                "source": wood.source if wood.verified or "unverified" in wood.source else f"{wood.source}, unverified",
            }
        )
    return rows


def _round(x: float, places: int) -> float | None:
    return round(x, places) if math.isfinite(x) else None

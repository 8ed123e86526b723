"""The lower half of the page: the verdict, the picture, tables, charts, doubts and downloads."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from pathlib import PurePath

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from tillerlens.core.document import from_json
from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import COVER, Measurement, Value
from tillerlens.core.unforeseen import net
from tillerlens.report.charts.picture import belly_chart, bend_chart, difference_chart, gap_chart
from tillerlens.report.words.from_rest import bend_of
from tillerlens.report.words.front import width_rows
from tillerlens.report.words.names import cause_of, in_order, name_of
from tillerlens.report.words.quantities import Units, is_plain, say_all, say_place, say_two_limbs
from tillerlens.report.words.verdict import Sentence, Verdict, Wish, verdict
from tillerlens.ui import cache, chart_view
from tillerlens.ui.fields import in_words
from tillerlens.ui.style import badge
from tillerlens.ui.text import plain

POINTED_AT = frozenset({"nock_upper", "nock_lower", "handle", "hook", "edge_back", "edge_belly"})


@dataclass(frozen=True)
class Shown:
    """A measurement with what made it and how it is to be said."""

    data: bytes
    name: str
    shot: str
    rest: str | None
    measurement: Measurement
    units: Units
    wish: Wish
    earlier_reflex: Value | None
    also: tuple[str, ...] = ()  # what else is said of it, in sentences

    def overlay(self, close: bool, form: str) -> bytes:
        return cache.overlay(self.data, self.name, self.shot, self.rest, self.units, close, form)


def show_result(shown: Shown, picture: Callable[[], None] | None = None, top: DeltaGenerator | None = None) -> None:
    """The verdict with its picture, and all below it. picture: shows the photograph where it is kept drawn; there is nothing to
    take along then. top: a place further up the page for the verdict, so that it comes before what it was made from.
    """
    measurement = shown.measurement
    spoken = verdict(measurement, shown.units, shown.wish, shown.earlier_reflex)
    with st.container() if top is None else top:
        pointing = _pointing(measurement)
        _say_first(spoken.first, measurement, pointing)
        cache.let_it_show()
        left, right = st.columns([3, 2], gap="medium")
        with left:
            if picture is None and not (can_be_pointed_at(measurement) and pointing):  # else it stands there to be pointed at
                _show_picture(shown)
            elif picture is not None:
                picture()
        with right:
            _say_more(spoken, shown.also)
    _show_rest(shown, spoken, downloads=picture is None)


def show_details(shown: Shown) -> None:
    """All of a result but its first sentence, which stands elsewhere on the page."""
    measurement = shown.measurement
    spoken = verdict(measurement, shown.units, shown.wish, shown.earlier_reflex)
    pointing = _pointing(measurement)
    _say_how(measurement, pointing)
    left, right = st.columns([3, 2], gap="medium")
    with left:
        if not (can_be_pointed_at(measurement) and pointing):
            _show_picture(shown)
    with right:
        _say_more(spoken, shown.also)
    _show_rest(shown, spoken)


def _show_rest(shown: Shown, spoken: Verdict, downloads: bool = True) -> None:
    """Numbers, what can be taken along, and the cautions."""
    if shown.measurement.front is not None:
        _show_front(shown)
    elif shown.measurement.status == "measured":
        _show_numbers(shown)
    if downloads:
        _show_downloads(shown)
    with st.container(border=True):
        for care in spoken.care:
            st.markdown(care)


def _pointing(measurement: Measurement) -> bool:
    """Whether the photograph stands on the page to be pointed at."""
    return bool(st.session_state.get(f"pointing_{(measurement.photo.sha256 or '')[:16]}"))


def can_be_pointed_at(measurement: Measurement) -> bool:
    """Whether what the measurement asks for can be shown on the photograph by a person."""
    if measurement.status == "measured" or not measurement.reasons:
        return False
    ask = measurement.reasons[0].asks
    return measurement.status == "needs_help" if ask is None else ask.wants in POINTED_AT


def _say_first(first: Sentence, measurement: Measurement, pointing: bool) -> None:
    st.subheader(in_words(first.text), anchor=False)
    _say_how(measurement, pointing)


def _say_how(measurement: Measurement, pointing: bool) -> None:
    if not can_be_pointed_at(measurement):
        return
    ask = measurement.reasons[0].asks
    if not pointing:
        st.info("Switch on 'Point at the marks and the bow' to help.")
    elif ask is not None and ask.place_px is not None:
        st.info("The place is enlarged on the photograph below: tap it there.")
    else:
        st.info("Tap the photograph below.")


def _say_more(spoken: Verdict, also: tuple[str, ...]) -> None:
    for sentence in spoken.more:
        st.markdown(f"{badge(sentence)} {in_words(sentence.text)}".strip())
    for text in also:
        st.markdown(plain(text))
    if spoken.first.about in ("needs_help", "refused"):
        return  # the reasons are the first sentence
    for doubt in spoken.doubts:
        st.warning(in_words(f"{doubt.text} {doubt.remedy}".strip()))


def _show_picture(shown: Shown) -> None:
    close = False
    if shown.measurement.trace is not None or shown.measurement.front is not None:
        close = st.toggle("Only the bow", True, key="close")
    try:
        with net("drawing", shown.name):
            picture = shown.overlay(close, "JPEG")
    except TillerLensError as error:  # the numbers stand all the same
        st.error(f"{plain(error.text)} {plain(error.remedy)}")
        return
    st.image(picture, width="stretch", alt="The photograph with limbs, centreline, string, gaps and spots drawn over it")


# --- tables and charts


def _show_numbers(shown: Shown) -> None:
    measurement, units = shown.measurement, shown.units
    rest = from_json(shown.rest)
    mark = hashlib.sha256(repr((json.dumps(measurement.as_document()), units, shown.wish, shown.rest)).encode()).hexdigest()
    left, right = st.columns(2, gap="medium")
    with left:
        words = "Curves of how much the upper and the lower limb bend along their length, each in its band"
        strung = measurement.state != "unstrung"
        title = "How much each limb bends" if strung else "The limbs' natural shape"
        chart_view.chart(title, partial(bend_chart, measurement, units, rest), "bend", words, mark)
        even = "Higher is tighter. An even bend need not be a circle; look" if strung else "Look"
        st.caption(
            f"{bend_of(measurement, rest).caption} The shaded bands are the intervals. "
            f"{even} for a limb unlike the other, or a bump."
        )
    with right:
        if measurement.gaps:
            st.markdown("#### Gaps, belly to the line between the nocks")
            st.markdown(gap_table(measurement, units))
    if measurement.gaps:
        left, right = st.columns(2, gap="medium")
        with left:
            words = "Bars of the upper limb's gaps to the left and the lower limb's to the right, station by station"
            chart_view.chart("The limbs' gaps side by side", partial(gap_chart, measurement, units), "gaps", words, mark)
        with right:
            words = "The upper gap less the lower one at each station, with its interval, and the target tiller"
            chart_view.chart(
                "Upper minus lower", partial(difference_chart, measurement, units, shown.wish), "difference", words, mark
            )
            st.caption("A bar clear of zero is a difference that shows for sure. Shaded: your target at the fades.")
    _show_values(measurement, units)


def _show_front(shown: Shown) -> None:
    """The widths along both limbs, and all numbers."""
    measurement, units = shown.measurement, shown.units
    if measurement.belly is not None:
        mark = hashlib.sha256(repr((json.dumps(measurement.as_document()), units)).encode()).hexdigest()
        words = "Curves of the belly's lightness along the upper and the lower limb, each in its band"
        chart_view.chart("How dark the belly is", partial(belly_chart, measurement, units), "belly", words, mark)
    head, *rows = width_rows(measurement, units)
    if rows:
        st.markdown("#### Width along the limbs")
        lines = [f"| {' | '.join(_unbroken(cell) for cell in row)} |" for row in (head, *rows)]
        st.markdown("\n".join([lines[0], "|---|---|---|", *lines[1:]]))
        st.caption("Edge to edge, square to the limb's middle, as seen from here. A twisted limb looks a little wider.")
    _show_values(measurement, units)


def _show_values(measurement: Measurement, units: Units) -> None:
    st.markdown("#### All numbers")
    st.markdown(value_table(measurement, units))
    with st.expander("How sure is each number, and why"):
        st.caption(
            "Half the width of each number's interval (two standard uncertainties), and what each cause "
            f"alone would make it; lengths in {units.axis}, angles in degrees. Causes add up as squares."
        )
        st.dataframe(budget_rows(measurement, units), hide_index=True, width="stretch")


def gap_table(measurement: Measurement, units: Units) -> str:
    """The gaps as a table in Markdown; a difference beyond its interval is bold."""
    lines = ["| from handle | upper | lower | upper − lower |", "|---|---|---|---|"]
    reaches: list[str] = []
    for row in measurement.gaps:
        two = say_two_limbs(row.upper, row.lower, row.difference, units)
        reaches += [two.reach_upper, two.reach_lower]
        difference = f"{_signed(two.difference)} {_bare(two.reach_difference)}"
        if is_plain(row.difference, units):
            difference = f"**{difference}**"
        cells = [
            say_place(row.from_handle_mm, units),
            _bare(two.upper),
            _bare(two.lower),
        ]
        lines.append(f"| {' | '.join(_unbroken(cell) for cell in (*cells, difference))} |")
    each = max(reaches, key=_width)
    lines += ["", f"In {units.axis}. Each gap by itself {each} or better. Bold: more than its interval."]
    return "\n".join(lines)


def value_table(measurement: Measurement, units: Units) -> str:
    """Every value with its interval as a table in Markdown."""
    lines = ["| what | measured | interval |", "|---|---|---|"]
    said = say_all(measurement.values, units)
    for name in in_order(measurement.values):
        text, interval = said[name]
        lines.append(f"| {name_of(name)} | {_unbroken(text)} | {_unbroken(interval)} |")
    return "\n".join(lines)


def budget_rows(measurement: Measurement, units: Units) -> list[dict[str, str | float | None]]:
    """A row for each value and each difference of gaps: half its interval and each cause's part, biggest
    cause first.
    """
    named = {name_of(name): measurement.values[name] for name in in_order(measurement.values)}
    for row in measurement.gaps:
        named[f"gap difference at {say_place(row.from_handle_mm, units)}"] = row.difference
    total: dict[str, float] = {}
    for value in named.values():
        for cause, part in value.budget.items():
            if math.isfinite(part) and value.unit == "mm":
                total[cause] = total.get(cause, 0.0) + part**2
    causes = sorted({c for v in named.values() for c in v.budget}, key=lambda c: -total.get(c, 0.0))
    rows = []
    for name, value in named.items():
        entry: dict[str, str | float | None] = {"what": name, "interval ±": _reach(value.u, value, units)}
        for cause in causes:
            entry[cause_of(cause)] = _reach(value.budget.get(cause, math.nan), value, units)
        rows.append(entry)
    return rows


def _reach(u: float, value: Value, units: Units) -> float | None:
    """2u as a plain number, None where it is not known."""
    if not math.isfinite(u):
        return None
    return round(COVER * (units.on_axis(u) if value.unit == "mm" else u), 3)


def _signed(length: str) -> str:
    text = _bare(length)
    positive = text[:1].isdigit() and text.strip("0.") != ""
    return ("+" if positive else "") + text.replace("-", "−")


def _bare(text: str) -> str:
    return text.removesuffix(" in").removesuffix(" cm")


def _unbroken(text: str) -> str:
    return text.replace(" ", "\u00a0")


def _width(interval: str) -> float:
    """How wide a printed interval is; unknown is the widest."""
    whole = interval.removeprefix("±").rpartition(" ")[0].split()
    return float(sum(Fraction(part) for part in whole)) if interval.startswith("±") else math.inf


# --- to take along


def _show_downloads(shown: Shown) -> None:
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", PurePath(shown.name).stem).strip("-") or "bow"
    first, second, third = st.columns(3)
    document = json.dumps(shown.measurement.as_document(), indent=1)
    first.download_button(
        "Download the numbers (JSON)",
        document,
        f"{stem}.measurement.json",
        "application/json",
        on_click="ignore",
        width="stretch",
    )
    second.download_button(
        "Download the picture (PNG)",
        partial(shown.overlay, False, "PNG"),
        f"{stem}.overlay.png",
        "image/png",
        on_click="ignore",
        width="stretch",
    )
    third.download_button(
        "Download the shot file (JSON)",
        json.dumps({"photo": PurePath(shown.name).name, **json.loads(shown.shot)}, indent=1),
        f"{stem}.shot.json",
        "application/json",
        on_click="ignore",
        width="stretch",
    )

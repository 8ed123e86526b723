"""The scraping plan: where to take wood off next, what to leave, what to expect after it, with the cautions beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import LIMBS, LimbName
from tillerlens.history import bench as of
from tillerlens.history.as_now import CHANGES
from tillerlens.measures.pair import read_picture
from tillerlens.mechanics.plan import plan_from_documents
from tillerlens.mechanics.scraping import Plan, Stretch
from tillerlens.mechanics.scraping.target import KEEP_N, Bend, ScrapeTarget
from tillerlens.mechanics.section import LimbSections
from tillerlens.record import Event, store
from tillerlens.record.entries import now
from tillerlens.record.typed import read_whole
from tillerlens.report.charts.bench import bend_from_rest_chart
from tillerlens.report.charts.plan import plan_chart
from tillerlens.report.pdf_plan import plan_pdf
from tillerlens.report.words.plan import PlanWords, evidence_in_words, plan_in_words, say_where
from tillerlens.report.words.plan_tables import plan_tables, scraped
from tillerlens.report.words.quantities import Units, say_interval, say_place, say_value
from tillerlens.report.words.verdict import Sentence
from tillerlens.ui import widgets
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.page import what_if
from tillerlens.ui.queue import MEASURING, in_turn
from tillerlens.ui.text import plain
from tillerlens.ui.typed import in_length, in_weight, length_text, read_length, read_weight, say_in, weight_text
from tillerlens.ui.widgets import BowContext

CLOCKS_APART = timedelta(minutes=10)  # by which a phone's clock may be ahead of the shop's
BEND_WORDS: dict[Bend, str] = {
    "arc": "an even arc",
    "even_strain": "the wood strained evenly (needs calipers or a front picture)",
    "more_outer": "more in the outer limb",
    "more_inner": "more in the inner limb",
    "like_upper": "the lower limb like the upper",
    "like_lower": "the upper limb like the lower",
}


def show(place: PageContext) -> None:
    known = widgets.open_page(place, "Scraping plan")
    _undo(known)
    top = st.container()
    wish = _wish(known)
    sections = widgets.sections(known)
    with top:
        _planned(known, wish, sections)
    what_if.show(known, sections)
    widgets.take_back(known, ("scrape",), "plan")


def _undo(known: BowContext) -> None:
    """The scrape that was just noted, taken back in one press."""
    when = st.session_state.get("just_scraped")
    part = next((e for e in known.events if e.kind == "scrape" and e.happened_at == when), None)
    if part is None:
        st.session_state.pop("just_scraped", None)
    elif st.button("Undo: I did not scrape", key="off_scrape_just"):
        try:
            for event in widgets.scrape_of(known.events, part):
                store.remove_event(known.record, event.id)
        except TillerLensError as error:
            say_error(error)
            return
        widgets.flash("The scrape is taken back.")
        st.rerun()


# --- what is wished


def _wish(known: BowContext) -> ScrapeTarget | None:
    """The wish that the bow carries, with the fields to change it; weight and draw are kept with the bow."""
    bow, full = known.bow, known.full_draw_mm
    with st.expander("Target", expanded=bow.wish_weight_n is None or full is None):
        left, right = st.columns(2)
        words = list(BEND_WORDS)
        bend = left.selectbox("How the bend should be spread", words, format_func=BEND_WORDS.__getitem__, key="wish_bend")
        with right:
            had = f"{float(weight_text(KEEP_N)):.4g}"
            or_none = partial(read_weight, or_none=True)
            keep, fit_keep = widgets.field(in_weight("Kept for shooting in"), or_none, f"wish_keep_{bow.id}", value=had)
        with left:
            low, fit_low = widgets.field(
                in_length("Tiller (upper minus lower gap), lowest"), read_length, f"wish_tiller_low_{bow.id}",
                value=length_text(known.wish.low_mm),
            )  # fmt: skip
        with right:
            high, fit_high = widgets.field(
                in_length("Tiller, highest"), read_length, f"wish_tiller_high_{bow.id}", value=length_text(known.wish.high_mm),
            )  # fmt: skip
        with st.form("wish", border=False):
            had = "" if bow.wish_weight_n is None else f"{float(weight_text(bow.wish_weight_n)):.4g}"
            weight, fit_1 = widgets.field(in_weight("Draw weight"), read_weight, f"wish_weight_{bow.id}", value=had)
            draw, fit_2 = widgets.field(
                in_length("At a draw to the back of"), read_length, f"wish_draw_{bow.id}", value=length_text(full)
            )
            if st.form_submit_button("Keep this target with the bow") and fit_1 and fit_2:
                _keep_wish(known, weight, draw)
    if bow.wish_weight_n is None or full is None:
        return None
    usual = (known.wish.low_mm, known.wish.high_mm)
    tiller = (float(low), float(high)) if fit_low and fit_high and low is not None and high is not None else usual
    kept = float(keep) if fit_keep and keep is not None else KEEP_N
    try:
        return ScrapeTarget(bow.wish_weight_n, full, bend, tiller, kept)
    except TillerLensError as error:
        say_error(error)
        return ScrapeTarget(bow.wish_weight_n, full, bend, usual, kept)


def _keep_wish(known: BowContext, weight: float | None, draw: float | None) -> None:
    if weight is None or draw is None:
        st.error("Weight and draw are both needed.")
        return
    try:
        store.update_bow(known.record, replace(known.bow, wish_weight_n=weight, wish_draw_mm=draw, wish_draw_to="back"))
    except TillerLensError as error:
        say_error(error)
        return
    widgets.flash("Target kept.")
    st.rerun()


# --- the plan


def _planned(known: BowContext, wish: ScrapeTarget | None, sections: dict[LimbName, LimbSections] | None) -> None:
    hand = of.on_hand(known.stages, known.events)
    drawn = [s for s in hand.strung if s.state == "drawn"]
    lacking = _out_of_time(known) or _lacking(known, hand, wish)
    if lacking is not None:
        st.subheader(plain(lacking[0]), anchor=False)
        widgets.missing(lacking[1], lacking[2], known, lacking[3], _WAYS.get(lacking[3], ""))
        st.caption(plain(evidence_of(known, hand)))
        widgets.cautions()
        return
    assert wish is not None and hand.rest is not None  # else something were lacking
    try:
        with st.spinner("Working out the next step", show_time=True):
            plan = in_turn(lambda: _plan(known.mark, wish, (known, hand, sections)))
    except TillerLensError as error:
        st.subheader(plain(say_in(error.text, known.units)), anchor=False)
        widgets.missing("So no step can be planned.", error.remedy)
        st.caption(plain(evidence_of(known, hand)))
        widgets.cautions()
        return
    said = plan_in_words(plan, known.units)
    _say(known, plan, said)
    st.caption(plain(evidence_of(known, hand)))
    deepest = max(drawn, key=lambda s: v.value if (v := s.value("draw_length_back")) else 0.0)
    alt = "How much each limb moved from its shape at rest, with its interval, over the target way to share the same bend out"
    rest = hand.rest
    make = lambda: bend_from_rest_chart(  # noqa: E731
        read_picture(known.document(rest)), read_picture(known.document(deepest)), known.units, wish.bend, sections
    )
    widgets.chart(known, "How it bends from rest now", make, "moved", alt, wish)
    st.caption(plain(f"{known.title(deepest)}. The broad pale line is the target: {BEND_WORDS[wish.bend]}."))


@st.cache_resource(max_entries=8, show_spinner=False)
def _plan(mark: str, wish: ScrapeTarget, _of: tuple[Any, ...]) -> Plan:
    """The next step, once for each state of the record and wish. Raises MechanicsError, WishError, NoEquilibrium."""
    MEASURING.require()
    known, hand, sections = _of
    history, last = of.history_of(known.bow, known.stages, known.events), of.foretold_of(known.events)
    documents = [known.document(s) for s in hand.strung]
    rest = known.document(hand.rest)
    beside = of.given_of(known.bow, hand, known.document, known.full_draw_mm, sections).unpictured
    known.unchanged()
    return plan_from_documents(documents, rest, wish, sections, history=history, last=last, beside=beside)


_WAYS = {"picture": "Add a picture", "bow": "To the timeline"}


def _out_of_time(known: BowContext) -> tuple[str, str, str, str] | None:
    """As ``_lacking``, of the first time that is still to come: it would count as newer than whatever is done next."""
    latest = now() + CLOCKS_APART
    for number, stage in enumerate(known.stages, start=1):
        if stage.taken_at > latest:
            text = f"Picture {number} says it was taken on {_when(stage.taken_at)}, which is still to come."
            return text, "A plan goes by what was done last.", "Open that picture and set when it was taken.", "bow"
    ahead = next((e for e in known.events if e.kind in CHANGES and e.happened_at > latest), None)
    if ahead is None:
        return None
    text = f"The timeline says {_did(ahead)} on {_when(ahead.happened_at)}, which is still to come."
    return text, "A plan goes by what was done last.", "Set the time of that entry on the timeline.", "bow"


def evidence_of(known: BowContext, hand: of.OnHand) -> str:
    """Which pictures the plan goes by, and which it leaves out and why, in sentences."""
    number = {s.id: k for k, s in enumerate(known.stages, start=1)}
    used = {s.id for s in hand.strung}
    left_out = [number[s.id] for s in known.measured("braced", "drawn") if s.id not in used]
    last = max((e for e in known.events if e.kind in CHANGES), key=lambda e: e.happened_at, default=None)
    what, when = ("", "") if last is None else (_did(last), _when(last.happened_at))
    rest = None if hand.rest is None else number[hand.rest.id]
    return evidence_in_words([number[s.id] for s in hand.strung], rest, left_out, what, when)


def _did(event: Event) -> str:
    return "wood came off" if event.kind == "scrape" else "it was heated"


def _when(at: datetime) -> str:
    return f"{at.astimezone():%d %b %Y, %H:%M}"


def _lacking(known: BowContext, hand: of.OnHand, wish: ScrapeTarget | None) -> tuple[str, str, str, str] | None:
    """(sentence, why, what to do, where) of the first thing a plan lacks."""
    drawn = [s for s in hand.strung if s.state == "drawn"]
    if wish is None:
        why = "A plan goes from the bow as it is to the bow you want."
        wanted = {"weight": known.bow.wish_weight_n, "draw": known.full_draw_mm}
        missing = [name for name, value in wanted.items() if value is None]
        noted, them = ("isn't noted", "it") if len(missing) == 1 else ("aren't noted", "them")
        return f"Your target {' and '.join(missing)} {noted}.", why, f"Note {them} under 'Target', below.", ""
    if hand.rest is None and hand.left_out:
        why = "Without its shape at rest as it is now, a natural bend looks like a weak place."
        return hand.left_out[0].text, why, hand.left_out[0].remedy, "picture"
    if hand.rest is None:
        why = "Without its shape at rest a natural bend looks like a weak place, so no wood should come off."
        return "No picture of the bow unstrung is measured.", why, "Add a picture of it unstrung.", "picture"
    if not drawn and hand.scraped is not None and known.measured("drawn"):
        last = max((e for e in known.events if e.kind in CHANGES), key=lambda e: e.happened_at)
        did = _did(last).capitalize()
        why = "Earlier pictures show the bow as it was before."
        what = "Exercise it with 20 to 30 part draws (common practice), photograph it drawn with the scale's reading, measure it."
        return f"{did} since the last drawn picture.", why, what, "picture"
    if not drawn:
        why, what = "A plan needs to see how it bends drawn.", "Add one, drawn on the scale."
        return "No picture of the bow drawn is measured.", why, what, "picture"
    if not any("scale_reading_lb" in s.shot for s in drawn):
        why = "Without a weight there's no telling how much wood can still come off."
        return "No drawn picture was weighed.", why, "Note the scale's reading with a drawn picture, then measure it.", "picture"
    return None


def _say(known: BowContext, plan: Plan, said: PlanWords) -> None:
    lead = _lead(plan, said)
    widgets.say_first(lead)
    alt = "Both limbs' outlines, handle to handle, with the wood to take off hanging from the belly and what to leave in boxes"
    widgets.chart(known, "", partial(plan_chart, plan, known.units), "plan", alt, plan.wish)
    pale = "Pale: all that seems needed, with its interval. Filled: this step."
    if plan.stop is not None:
        pale = "Dashed: what seems needed. Pale: its interval. No wood comes off now."
    st.caption(f"Depth is much enlarged. {pale}")
    left, right = st.columns([3, 2], gap="medium")
    with left:
        st.markdown("#### This step" if plan.stop is None else "#### As it is now")
        for line in [line for line in (*said.first, *said.steps) if line.text != lead.text]:
            st.markdown(f"- {plain(line.text)}")
        st.markdown("#### What to expect")
        for line in said.expect:
            st.markdown(f"- {plain(line.text)}")
        _gaps(known, plan)
    with right, st.container(border=True):
        st.markdown("#### With every step")
        for text in (*(line.text for line in said.care), *said.always):
            st.markdown(plain(text))
        for doubt in said.doubts:
            st.warning(plain(doubt))
    if plan.stop is None:
        _tables(known, plan)
        _did_it(known, plan)


def _tables(known: BowContext, plan: Plan) -> None:
    """Both limbs by station, and the whole on one page for the bench."""
    st.markdown("#### By station")
    for column, table in zip(st.columns(2, gap="medium"), plan_tables(plan, known.units), strict=True):
        lines = [f"| {' | '.join(table.head)} |", f"|{'---|' * len(table.head)}"]
        lines += [f"| {' | '.join(row)} |" for row in table.rows]
        column.markdown(f"**{plain(table.caption)}**\n\n" + "\n".join(lines))
    st.download_button(
        "Print it for the bench (PDF)",
        partial(_printed, plan, f"{known.bow.name}: scraping plan", known.units),
        file_name="scraping-plan.pdf",
        mime="application/pdf",
        on_click="ignore",
    )


def _printed(plan: Plan, title: str, units: Units) -> bytes:
    return plan_pdf(plan, title, units)


def _lead(plan: Plan, said: PlanWords) -> Sentence:
    """What forbids or ends the work, if anything does; else the stretch where this step takes the most."""
    if plan.stop is not None or plan.holds:
        wanted = "stop_" if plan.stop is not None else f"hold_{plan.holds[0].code}"
        line = next(line for line in said.first if line.pattern.startswith(wanted))
        return Sentence("plan", line.text, "fine" if line.pattern == "stop_there" else "finding")
    places = [line for line in said.steps if line.pattern.startswith("stretch")]
    order = [s for limb in LIMBS for s in plan.stretches if s.limb == limb]
    most, line = max(zip(order, places, strict=True), key=lambda q: q[0].share)
    where = line.text.partition(":")[0]
    count = f"; {len(places)} stretches in all" if len(places) > 1 else ""
    return Sentence("plan", f"Take the most off here: {where[0].lower()}{where[1:]}{count}.", "finding")


def _gaps(known: BowContext, plan: Plan) -> None:
    if not plan.now.gaps or plan.stop is not None:
        return
    lines = ["| from handle | upper − lower now | after |", "|---|---|---|"]
    for a, b in zip(plan.now.gaps, plan.after.gaps, strict=True):
        both = (a.difference, b.difference)
        cells = [f"{say_value(v, known.units)} {say_interval(v, known.units)}".replace(" ", "\u00a0") for v in both]
        lines.append(f"| {say_place(a.from_handle_mm, known.units)} | {' | '.join(cells)} |")
    with st.expander("Gaps expected at the target draw"):
        st.markdown("\n".join(lines))


# --- done


def _did_it(known: BowContext, plan: Plan) -> None:
    """Strokes, if they were counted, and one button that notes every stretch as scraped."""
    st.markdown("#### When it is done")
    with st.form("did_it", border=True):
        st.caption("One press notes every stretch of this step on the bow's timeline.")
        with st.expander("Strokes, if you counted them, and the tool"):
            st.caption("Scrape one stretch alone between two weighings, and later plans know what a stroke of yours takes off.")
            columns, counted = st.columns(2), []
            for k, s in enumerate(plan.stretches):
                with columns[LIMBS.index(s.limb)]:
                    label, key = _said_stretch(s, plan, known), f"strokes_{k}_{_mark(plan)}"
                    counted.append(widgets.field(label, read_whole, key, placeholder="if counted"))
            tool = st.text_input("Tool", key="scrape_tool", placeholder="scraper")
        given = st.datetime_input("When, if not just now", None, key=f"scraped_at_{_mark(plan)}", step=60)
        if st.form_submit_button("I did this", type="primary") and all(fit for _, fit in counted):
            entries: list[tuple[str, Mapping[str, object], str]] = []
            for s, (strokes, _) in zip(plan.stretches, counted, strict=True):
                for a, b in scraped(s, plan.leave, known.units):  # what was told is what was done
                    ends = {"start_from_nock_mm": round(a, 1), "end_from_nock_mm": round(b, 1)}
                    done = {"limb": s.limb, **ends, "strokes": strokes, "tool": tool.strip() or None}
                    entries.append(("scrape", done, f"As planned: about {100 * s.share:g} % of the thickness."))
            taken = of.taken_step(plan)
            entries.append((taken.kind, taken.as_dict(), ""))
            when = now() if given is None else given.astimezone()
            newest = max(s.taken_at for s in of.on_hand(known.stages, known.events).strung)
            if not newest < when <= now() + CLOCKS_APART:
                st.error(
                    f"The scrape is not noted. Set a time after this plan's newest picture ({_when(newest)}), and none that is "
                    "still to come."
                )
            elif widgets.keep_events(known, entries, when):
                st.session_state["just_scraped"] = when
                widgets.flash("Noted. Now exercise the bow with part draws, photograph it, measure again, and make a new plan.")
                st.rerun()


def _mark(plan: Plan) -> str:
    """Tells one plan's fields from another's."""
    return "_".join(f"{s.limb[0]}{s.from_nock_mm[0]:.0f}" for s in plan.stretches)


def _said_stretch(s: Stretch, plan: Plan, known: BowContext) -> str:
    return f"Strokes on the {s.limb} limb, {say_where(s, plan.leave, known.units)} from the nock"

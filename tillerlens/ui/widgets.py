"""What the bench's pages share: the bow as the record knows it, the first sentence, charts, lines typed in quickly."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import streamlit as st

from tillerlens.core.errors import TillerLensError
from tillerlens.core.events import CaliperReading, CalipersDetails
from tillerlens.core.measurement import LIMBS, LimbName, Measurement
from tillerlens.history import bench as of
from tillerlens.mechanics.section import LimbSections
from tillerlens.record import Bow, Event, Record, Stage, store
from tillerlens.record.entries import check_entry, read_details
from tillerlens.record.typed import read_calipers
from tillerlens.record.views import timeline
from tillerlens.report.words.quantities import Units, say_length
from tillerlens.report.words.record import event_in_words
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_AT_HEAT, CARE_UNDER_TENSION, Sentence, Wish
from tillerlens.ui import chart_view
from tillerlens.ui import context as places
from tillerlens.ui.context import PageContext, say_error
from tillerlens.ui.documents import documents_of
from tillerlens.ui.fields import in_words
from tillerlens.ui.rows import field_rows, more_rows
from tillerlens.ui.style import badge
from tillerlens.ui.text import distinct_labels, plain
from tillerlens.ui.typed import in_length, is_bare, length_text, length_unit, units_now
from tillerlens.ui.workspace import Settings


@dataclass(frozen=True, eq=False)
class BowContext:
    """A bow with its stages and events, oldest first, and how the reader wants it said."""

    record: Record
    bow: Bow
    stages: tuple[Stage, ...]
    events: tuple[Event, ...]
    units: Units
    wish: Wish
    settings: Settings

    @cached_property
    def mark(self) -> str:
        """Tells everything that is shown of the bow from what was shown before a change: the key of what is made once."""
        stages = [(s.id, s.version, s.made_by, s.status) for s in self.stages]
        events = [(e.id, e.version) for e in self.events]
        text = repr((self.bow.id, self.bow.version, stages, events, self.units, self.wish, self.record.address))
        return hashlib.sha256(text.encode()).hexdigest()

    def measured(self, *states: str) -> list[Stage]:
        """Those from the side, in these states."""
        return [s for s in self.stages if s.status == "measured" and not s.from_front and (not states or s.state in states)]

    @cached_property
    def _documents(self) -> dict[str, Measurement]:
        return documents_of(self.record, self.stages, self.events)

    def document(self, stage: Stage) -> Measurement:
        """A measured stage's measurement, with the one finding of the bow as it was then."""
        return self._documents[stage.id]

    def unchanged(self) -> None:
        """Begin the page anew where somebody has changed a picture since it was read: what was made of both is not to be kept."""
        now = {s.id: s.version for s in store.list_stages(self.record, self.bow.id)}
        if any(now.get(s.id) != s.version for s in self.stages):
            st.rerun()

    def of_kind(self, kind: str) -> list[Event]:
        return [e for e in self.events if e.kind == kind]

    @cached_property
    def last_scraped(self) -> datetime | None:
        """When wood last came off: pictures and weighings before it are of a stronger bow."""
        return max((e.happened_at for e in self.of_kind("scrape")), default=None)

    def title(self, stage: Stage) -> str:
        """``3 · drawn · 2026-03-02``: what a stage is called where one is chosen."""
        draw = stage.value("draw_length_back")
        more = "" if draw is None else f" to {say_length(draw.value, self.units)}"
        return f"{self.stages.index(stage) + 1} · {stage.pose}{more} · {stage.taken_at.astimezone():%Y-%m-%d}"

    @property
    def full_draw_mm(self) -> float | None:
        """The wished draw, to the back; None where nobody noted it."""
        return of.full_draw_of(self.bow)


def open_page(place: PageContext, title: str) -> BowContext:
    """The page's head with the bow it is about, and all that is known of it."""
    for key in st.session_state.pop("bench_clear", []):
        st.session_state[key] = ""
    st.title(title, anchor=False)
    bow = places.pick_bow(place)
    found = timeline(place.record, bow.id)
    say_flash()
    return BowContext(
        place.record, found.bow, found.stages, found.events, place.units, replace(place, bow=bow).wish, place.settings
    )


# --- words


def say_first(sentence: Sentence) -> None:
    """The one sentence of a page, before anything else."""
    st.subheader(in_words(sentence.text), anchor=False)


def say_rest(sentences: Sequence[Sentence]) -> None:
    for s in sentences:
        st.markdown(f"{badge(s)} {in_words(s.text)}".strip())


def missing(text: str, remedy: str, known: BowContext | None = None, room: str = "", label: str = "") -> None:
    """One sentence for what is not there yet, and one for what to add and where, with the way there."""
    st.info(f"{in_words(text)} {in_words(remedy)}")
    if known is not None and places.has_room(room):
        places.link(room, label, known.bow)


def cautions(heat: bool = False) -> None:
    """What to take care of: with a strung bow, or at the ``heat``."""
    with st.container(border=True):
        for care in (*CARE_ALWAYS, *(CARE_AT_HEAT if heat else CARE_UNDER_TENSION)):
            st.markdown(plain(care))


# --- charts


def chart(known: BowContext, title: str, make: Callable[[], Any], key: str, alt: str, more: object = "") -> None:
    """A chart on its own sheet of paper. alt: what it shows, in words. more: what it depends on besides the bow's record."""

    def made() -> Any:
        drawn = make()
        known.unchanged()
        return drawn

    chart_view.chart(title, made, key, alt, f"{known.mark} {more!r}")


# --- what is typed


def field(label: str, read: Callable[[str], Any], key: str, **more: Any) -> tuple[Any, bool]:
    """One text field and whether it is fit: its value, None where empty; the trouble stands beneath it."""
    text = st.text_input(label, key=key, **more)
    if not text.strip():
        return None, True
    try:
        return read(text), True
    except TillerLensError as error:
        say_error(error)
        return None, False


def keep_events(known: BowContext, entries: Sequence[tuple[str, Mapping[str, object], str]], when: datetime) -> bool:
    """Write (kind, what was typed by its fields' names, notes) into the record; False, with the reason said, where one cannot be
    kept. None: not typed."""
    try:
        who = known.settings.who
        read = [(read_details(kind, typed), notes) for kind, typed, notes in entries]
        events = [Event(known.bow.id, details.kind, when, details, notes, who) for details, notes in read]
        for event in events:
            check_entry(event)
        for event in events:
            store.add_event(known.record, event)
    except TillerLensError as error:
        say_error(error)
        return False
    return True


def scrape_of(events: Sequence[Event], event: Event) -> list[Event]:
    """All that was noted with this entry as one scrape: its stretches and what was expected of it. The entry alone where it was
    not part of one."""
    planned = [e for e in events if e.happened_at == event.happened_at and e.kind in ("scrape", "plan")]
    return planned if event in planned and any(e.kind == "scrape" for e in planned) else [event]


def flash(text: str) -> None:
    """Said once, on the run after this one."""
    st.session_state["bench_flash"] = text


def say_flash() -> None:
    text = st.session_state.pop("bench_flash", None)
    if text:
        st.success(plain(text))


def take_back(known: BowContext, kinds: Sequence[str], key: str) -> None:
    """Choose one of the entries of these kinds and take it out of the record again."""
    entries: dict[str, Event] = {}
    for e in reversed(known.events):
        if e.kind in kinds and not any(q.id in entries for q in scrape_of(known.events, e)):
            entries[e.id] = e
    if not entries:
        return
    with st.expander("Take back an entry"):
        parts = {i: [q for q in scrape_of(known.events, e) if q.kind in kinds] for i, e in entries.items()}
        said = {i: "; ".join(event_in_words(e.details, known.units) for e in every) for i, every in parts.items()}
        names = distinct_labels(
            {i: f"{entries[i].happened_at.astimezone():%Y-%m-%d %H:%M}: {words}" for i, words in said.items()}
        )
        chosen = st.selectbox("Entry", list(entries), format_func=names.__getitem__, key=f"back_{key}")
        sure = st.checkbox("Yes, remove it from the record", key=f"back_sure_{key}_{chosen}")
        if st.button("Remove this entry", disabled=not sure, key=f"back_do_{key}"):
            try:
                for part in scrape_of(known.events, entries[chosen]):
                    store.remove_event(known.record, part.id)
            except TillerLensError as error:
                say_error(error)
                return
            flash("The entry was taken out of the record.")
            st.rerun()


def clear(keys: Sequence[str], text: str) -> None:
    """Empty fields on the next run, say what was done, and run again."""
    st.session_state["bench_clear"] = list(keys)
    flash(text)
    st.rerun()


def sections(known: BowContext) -> dict[LimbName, LimbSections] | None:
    """The limbs' sections by the calipers, else by the last picture of the belly or back and those from the side."""
    read = _calipers(known)
    hand = of.on_hand(known.stages, known.events)
    found, doubt = of.sections_of(hand, known.document, read)
    if doubt is not None:
        st.warning(in_words(f"{doubt.text} {doubt.remedy}"))
    if read is None and found is not None and hand.front is not None:
        st.caption(f"Widths from the {hand.front.shot['facing']} view of {hand.front.taken_at.astimezone():%d %b %Y}.")
        if known.last_scraped is not None and hand.front.taken_at < known.last_scraped:
            st.caption("Wood came off since. If the edges were worked too, take that picture again.")
    return found


def _calipers(known: BowContext) -> dict[LimbName, LimbSections] | None:
    """The sections of the last caliper readings that were kept, and the fields to type new ones."""
    kept = next((e for e in reversed(known.events) if e.kind == "calipers"), None)
    found = kept.details if kept is not None and isinstance(kept.details, CalipersDetails) else None
    sections = None
    with st.expander("Caliper readings of both limbs: width and thickness by place"):
        if kept is not None and found is not None:
            try:
                sections = of.sections_by(found)
            except TillerLensError as error:
                say_error(error)
            if known.last_scraped is not None and kept.happened_at < known.last_scraped:
                st.warning("Wood came off since these were read: measure again where it did.")
        labels = (in_length("Place from nock"), in_length("Width"), in_length("Thickness"), in_length("Crown"))
        typed: list[str] = []
        for limb in LIMBS:
            st.markdown(f"**{limb.capitalize()} limb**")
            had: tuple[CaliperReading, ...] = () if found is None else getattr(found, limb)
            first = [[*map(_as_typed, (r.from_nock_mm, r.width_mm, r.thickness_mm, r.crown_mm or None))] for r in had]
            first = first or [[""] * 4] * 5
            key = f"calipers_{limb}_{known.bow.id}"
            typed += [", ".join([limb, *(_with_unit(c) for c in row if c.strip())]) for row in field_rows(key, labels, first)]
            more_rows(key, len(first))
        st.caption("Five places on each limb, or more, from the nock inward. The back's crown may stay empty.")
        if st.button("Keep these caliper readings", key="keep_calipers"):
            try:
                readings = read_calipers("\n".join(typed))
                of.sections_by(readings)
            except TillerLensError as error:
                say_error(error)
            else:
                if keep_events(known, [(readings.kind, readings.as_dict(), "")], datetime.now(UTC)):
                    flash("Kept: the caliper readings, on the timeline.")
                    st.rerun()
    return sections


def _as_typed(mm: float | None) -> str:
    """A kept reading for its field, as short as it can be said with nothing lost; empty for None."""
    in_unit = length_text(mm)
    if mm is None or length_unit(units_now()) == "cm":
        return in_unit
    return min(in_unit, f"{mm:.9g} mm", key=len)


def _with_unit(cell: str) -> str:
    """A reading as it is kept: a bare one is inches there."""
    cell = " ".join(cell.replace(",", ".").split())
    return f"{cell} cm" if is_bare(cell) and length_unit(units_now()) == "cm" else cell

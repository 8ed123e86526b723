"""A bow of the record as the plain inputs of report, charts and comparison."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from tillerlens.core.errors import TillerLensError
from tillerlens.core.events import ArrowSpeedDetails, FindingDetails, HeatDetails, MassDetails, ScrapeDetails, WeighingDetails
from tillerlens.core.measurement import Measurement, Value
from tillerlens.history.as_now import judged_together
from tillerlens.history.story import MOST_PICTURES, ArrowShot, Done, NotedFinding, StageShown, Story, spread
from tillerlens.history.trends import ReflexAt, ShelfLine, TrendPoint, shelf_line, weight_at
from tillerlens.measures.compare import SCALE_U_N, Scraped
from tillerlens.measures.set import WeighedDraw
from tillerlens.record import Bow, Event, Record, Stage, store
from tillerlens.record.entries import as_document
from tillerlens.record.thumbnails import thumbnail
from tillerlens.record.views import ShelfRow, Timeline, shelf, timeline


def story_of(record: Record, bow_id: str, pictures: bool = True, found: Timeline | None = None) -> Story:
    """Everything that the report needs of one bow. found: its timeline where it was read before. Raises RecordError when there is
    no such bow."""
    found = found or timeline(record, bow_id)
    kept = {s.id: store.measurement(record, s.id) for s in found.stages}
    kept |= judged_together(found.stages, found.events, lambda stage: kept[stage.id])
    findings = [e for e in found.events if e.kind == "finding"]
    shown = spread(len(found.stages), MOST_PICTURES) if pictures else set()
    pinned = {e.stage_id for e in findings}
    left_out: list[str] = []
    stages = []
    for k, s in enumerate(found.stages):
        picture = None
        if k in shown or (pictures and s.id in pinned):
            try:
                picture = thumbnail(record, s)
            except TillerLensError as error:
                left_out.append(f"stage {k + 1}: {error}")
        title = f"Stage {k + 1}, {s.pose}"
        stages.append(StageShown(title, s.taken_at, kept[s.id], picture, _pins(s.id, kept[s.id], findings), s.notes))
    pulls, without = pulls_of(found.bow, found.stages, found.events)
    return Story(
        found.bow.name,
        as_document(found.bow),
        found.bow.notes,
        tuple(stages),
        tuple(Done(e.happened_at, e.details, _noted(e)) for e in found.events if e.kind not in _ELSEWHERE),
        tuple(NotedFinding(e.happened_at, _where(e, found.stages), e.notes) for e in findings),
        tuple(reflexes_of(found.stages, found.events)),
        tuple(pulls),
        tuple(_shots(found.bow, found.events, pulls)),
        tuple(_scrapes(found.events)),
        form_reflex(found.bow, found.events),
        tuple(left_out),
        without,
        tuple(e.happened_at for e in found.events if e.kind == "heat"),
    )


def scrapes_between(record: Record, then: Stage, now: Stage) -> list[Scraped]:
    """The scrapings noted between two stages."""
    events = store.list_events(record, now.bow_id, "scrape")
    return [scraped for when, scraped in _scrapes(events) if then.taken_at < when <= now.taken_at]


def reflexes_of(stages: Sequence[Stage], events: Sequence[Event] = ()) -> list[ReflexAt]:
    """Readings of reflex in order; readings between two strings belong to one unstringing."""
    strung = [s.taken_at for s in stages if s.state != "unstrung"]
    strung += [e.happened_at for e in events if e.kind in ("weighing", "arrow_speed")]
    return [
        ReflexAt(s.taken_at, reflex, s.minutes_since_unstrung, sum(t <= s.taken_at for t in strung))
        for s in stages
        if s.state == "unstrung" and s.status == "measured" and (reflex := s.value("reflex")) is not None
    ]


def pulls_of(bow: Bow, stages: Sequence[Stage], events: Sequence[Event]) -> tuple[list[WeighedDraw], int]:
    """Weights by draw to the back, in order of time, and how many to the belly cannot be turned into such."""
    out, without = [], 0
    for s in stages:
        weight, at = s.scale_reading_n, s.value("draw_length_back")
        if s.status == "measured" and weight is not None and at is not None:
            out.append(WeighedDraw(s.taken_at, at.value, weight, SCALE_U_N))
    for e in events:
        if isinstance(d := e.details, WeighingDetails):
            draw = to_back(bow, d)
            if draw is None:
                without += 1
            else:
                u = float(d.u_weight_n or SCALE_U_N)
                out.append(WeighedDraw(e.happened_at, draw, float(d.weight_n), u))
    return sorted(out, key=lambda p: p.when), without


def trends_of(record: Record, bow_id: str, draw_mm: float | None = None) -> list[TrendPoint]:
    """Tiller, reflex, weight at one draw (given, else the wished, else the deepest weighed twice) and mass over time."""
    found = timeline(record, bow_id)
    out = [
        TrendPoint(s.taken_at, "tiller", tiller)
        for s in found.stages
        if s.status == "measured" and s.state == "drawn" and (tiller := s.value("tiller_at_fades")) is not None
    ]
    out += [TrendPoint(r.when, "reflex", r.reflex) for r in reflexes_of(found.stages)]
    pulls, _ = pulls_of(found.bow, found.stages, found.events)
    days: dict[Any, list[WeighedDraw]] = {}  # no pull stands for another day's, nor for the bow before a scraping
    scraped = [e.happened_at for e in found.events if e.kind == "scrape"]
    for p in pulls:
        days.setdefault((p.when.date(), sum(t <= p.when for t in scraped)), []).append(p)
    at = draw_mm or found.bow.wish_draw_mm
    if at is None and pulls:
        told = {d: sum(weight_at(day, d) is not None for day in days.values()) for d in {p.draw_mm for p in pulls}}
        at = max(told, key=lambda d: (told[d], d))
    if at is not None:
        read = [(day[-1].when, weight_at(day, at)) for day in days.values()]
        out += [TrendPoint(when, "weight", v) for when, v in read if v is not None]
    for e in found.events:
        if isinstance(e.details, MassDetails):
            grams = 0.5 / 1000  # a kitchen scale's gram, as a rectangle
            out.append(TrendPoint(e.happened_at, "mass", Value(e.details.mass_kg, grams / 3**0.5, "kg")))
    return sorted(out, key=lambda p: p.when)


def shelf_lines(record: Record) -> list[ShelfLine]:
    """Every bow in one line, by what was last measured and noted of it."""
    return [_line(row) for row in shelf(record)]


def _line(row: ShelfRow) -> ShelfLine:
    bow, drawn, rest = row.bow, row.latest.get("drawn"), row.latest.get("unstrung")
    noted = [e for e in (row.events.get("weighing"), row.events.get("heat")) if e is not None]
    pulls, _ = pulls_of(bow, [drawn] if drawn else [], noted)
    speed, mass = (e and e.details for e in (row.events.get("arrow_speed"), row.events.get("mass")))
    reflex = rest.value("reflex") if rest else None
    return shelf_line(
        bow.name,
        wood=bow.wood,
        length_mm=bow.length_mm,
        width_mm=bow.limb_width_mm,
        reflex_mm=None if reflex is None else reflex.value,
        form_reflex_mm=form_reflex(bow, noted),
        pull=(pulls[-1].draw_mm, pulls[-1].weight_n) if pulls else None,
        mass_kg=mass.mass_kg if isinstance(mass, MassDetails) else None,
        shot=(speed.arrow_mass_kg, speed.speed_m_s) if isinstance(speed, ArrowSpeedDetails) else None,
        stages=row.stages,
    )


def form_reflex(bow: Bow, events: Sequence[Event]) -> float | None:
    """Of the form that the bow was last bent on: from the last heating that notes one, else from the bow."""
    heated = [e.details.form_reflex_mm for e in events if isinstance(e.details, HeatDetails)]
    noted = [reflex for reflex in heated if reflex is not None]
    return float(noted[-1]) if noted else bow.form_reflex_mm


# --- parts of a story

_ELSEWHERE = ("finding", "weighing", "arrow_speed")  # events that have a table of their own


def _noted(e: Event) -> str:
    return e.notes if not e.who else f"{e.notes} (by {e.who})".strip()


def _where(e: Event, stages: Sequence[Stage]) -> str:
    number = next((k for k, s in enumerate(stages, start=1) if s.id == e.stage_id), None)
    limb = f", {e.details.limb} limb" if isinstance(e.details, FindingDetails) and e.details.limb else ""
    return f"stage {number}{limb}"


def _pins(stage_id: str, found: Measurement | None, findings: Sequence[Event]) -> tuple[tuple[int, float, float], ...]:
    """Findings on one picture, numbered as in their table, in parts of its width and height."""
    if found is None or found.photo.size is None:
        return ()
    size = found.photo.size
    here = [(k, e.details) for k, e in enumerate(findings, start=1) if e.stage_id == stage_id]
    places = [(k, d.at_px) for k, d in here if isinstance(d, FindingDetails)]
    return tuple((k, (x + 0.5) / size[0], (y + 0.5) / size[1]) for k, (x, y) in places)


def _shots(bow: Bow, events: Sequence[Event], pulls: Sequence[WeighedDraw]) -> list[ArrowShot]:
    out = []
    for e in events:
        if isinstance(d := e.details, ArrowSpeedDetails):
            draw = to_back(bow, d)
            near = None if draw is None else weight_at([p for p in pulls if p.when <= e.happened_at][-12:], draw)
            weight = None if near is None else near.value
            out.append(ArrowShot(e.happened_at, d.arrow_mass_kg, d.speed_m_s, float(draw or d.draw_mm), weight))
    return out


def to_back(bow: Bow, noted: WeighingDetails | ArrowSpeedDetails) -> float | None:
    """A noted draw as measured to the handle's back, mm; None where it was to the belly and the handle's thickness is unknown."""
    if noted.draw_to == "back":
        return float(noted.draw_mm)
    return None if bow.handle_thickness_mm is None else float(noted.draw_mm) + bow.handle_thickness_mm


def _scrapes(events: Sequence[Event]) -> list[tuple[datetime, Scraped]]:
    return [(e.happened_at, Scraped(d.limb, *d.from_nock_mm)) for e in events if isinstance(d := e.details, ScrapeDetails)]

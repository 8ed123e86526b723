"""The demo bow: an invented one with computed pictures, put on the shelf as a walk from the stave at rest to the report."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from tillerlens.core.events import Details, HeatDetails, MoistureDetails, RestDetails, ScrapeDetails, WeighingDetails
from tillerlens.core.shot import Form
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import MM_PER_INCH, newtons_from_pounds
from tillerlens.record import Bow, Event, Record, Stage, store
from tillerlens.record.entries import now
from tillerlens.ui.queue import MEASURING

NAME = "Linnet (demo, invented)"
_ABOUT = "Invented for the demo: neither the bow nor its maker exists, and its pictures are made up."
FOLDER = "walk"  # in the samples
_DAY_S, _INCH = 86400.0, MM_PER_INCH
_ONE = threading.Lock()  # puts it up at a time


@dataclass(frozen=True)
class Step:
    """One stop of the walk. room: where it is looked at; state and pick: the stage shown there, the pick-th of its state."""

    title: str
    says: str
    room: str
    state: str | None = None
    pick: int = 0


STEPS = (
    Step("Unstrung", "The bow as it hangs at rest. All bending is judged against this picture.", "stage", "unstrung"),
    Step("Braced", "Strung: the gaps between string and belly say whether one limb leads.", "stage", "braced"),
    Step("Drawn", "Drawn on the board: how each limb bends, against how it stood at rest.", "stage", "drawn", -1),
    Step("Scrape", "Where to take wood off next, and what to leave alone. What you took off is noted on the timeline.", "plan"),
    Step("Rested", "Unstrung again after two days. What didn't spring back is set.", "stage", "unstrung", -1),
    Step("Report", "One bow's whole story, on paper or as a page, to keep or to pass on with the bow.", "report"),
)
# picture, day of the story, minutes since unstringing, weight on the scale; all invented
_PICTURES: tuple[tuple[str, float, float | None, float | None], ...] = (
    ("linnet-unstrung", 0.0, None, None),
    ("linnet-braced", 1.0, None, None),
    ("linnet-drawn-18", 1.02, None, 23.0),
    ("linnet-drawn-26", 1.04, None, 38.0),
    ("linnet-rested", 4.0, 2880.0, None),
)


def demo_bow(record: Record) -> Bow | None:
    return next((b for b in store.list_bows(record) if b.name == NAME), None)


def can_be_put_up(samples: Path) -> bool:
    return all((samples / FOLDER / f"{name}.jpg").is_file() for name, *_ in _PICTURES)


def put_up(record: Record, samples: Path, progress: Callable[[float, str], object]) -> Bow:
    """Measure the demo's pictures and put bow, stages and events on the shelf. progress: part done, and what comes next.

    Where another session is at it already, its bow is waited for.
    """
    while not _ONE.acquire(timeout=0.25):
        progress(0.0, "them for somebody else")
    try:
        there = demo_bow(record)
        return _put_up(record, samples, progress) if there is None else there
    finally:
        _ONE.release()


def _put_up(record: Record, samples: Path, progress: Callable[[float, str], object]) -> Bow:
    begin = now() - timedelta(days=5)
    bow = store.add_bow(
        record,
        Bow(
            NAME,
            wood="hazel",
            made="invented",
            length_mm=64 * _INCH,
            handle_mm=8 * _INCH,
            limb_width_mm=42.0,
            handle_thickness_mm=1.5 * _INCH,
            form_reflex_mm=1 * _INCH,
            wish_weight_n=newtons_from_pounds(36),
            wish_draw_mm=26 * _INCH,
            wish_draw_to="back",
            notes=_ABOUT,
        ),
    )
    try:
        rest: Stage | None = None
        left_out: list[str] = []
        for k, (name, day, minutes, pounds) in enumerate(_PICTURES):
            progress(k / len(_PICTURES), name.replace("-", " "))
            picture = samples / FOLDER / f"{name}.jpg"
            form = json.loads(picture.with_suffix(".shot.json").read_text(encoding="utf-8"))
            extra = {"minutes_since_unstrung": minutes, "scale_reading_lb": pounds}
            form = {**form, **{key: value for key, value in extra.items() if value is not None}}
            stage = _keep(record, bow, picture, form, begin + timedelta(seconds=day * _DAY_S), rest)
            if stage is None:
                left_out.append(name.replace("-", " "))
            elif stage.state == "unstrung" and rest is None:
                rest = stage
        for day, details, notes in _EVENTS:
            store.add_event(record, Event(bow.id, details.kind, begin + timedelta(days=day), details, notes, "the demo"))
        if left_out:
            notes = f"{_ABOUT} Left out, since the bow was not found on them with certainty: {', '.join(left_out)}."
            bow = store.update_bow(record, replace(bow, notes=notes))
    except BaseException:
        store.remove_bow(record, bow.id)
        raise
    progress(1.0, "done")
    return bow


def _keep(record: Record, bow: Bow, picture: Path, form: Form, when: Any, rest: Stage | None) -> Stage | None:
    """One of the demo's pictures on the timeline; None where it asks for help: a walk is no place to begin with that."""
    from tillerlens.measure import measure_photo  # not before it is wanted: the walk's bar stands on every page
    from tillerlens.photo.intake import read_photo

    photo = read_photo(picture.read_bytes(), picture.name)
    shot = read_shot(form, photo_size=(photo.width, photo.height))
    at_rest = None if rest is None or shot.state == "unstrung" else store.measurement(record, rest.id)
    with MEASURING.one():
        found = measure_photo(photo, shot, at_rest)
    if found.status != "measured":
        return None
    return store.add_stage(
        record,
        bow.id,
        picture,
        shot.as_dict(),
        document=found,
        taken_at=when,
        rest_stage_id=None if at_rest is None or rest is None else rest.id,
        notes=_ABOUT,
    )


_EVENTS: tuple[tuple[float, Details, str], ...] = (
    (-1.0, HeatDetails(45.0, distance_mm=12 * _INCH, browning="brown"), "Over coals."),
    (0.5, MoistureDetails(temperature_c=20.0, humidity_percent=48.0), "In the barn."),
    (1.05, WeighingDetails(26 * _INCH, "back", newtons_from_pounds(38)), ""),
    (1.01, ScrapeDetails("upper", 8 * _INCH, 16 * _INCH, strokes=8, tool="scraper"), "Few strokes, then exercised."),
    (3.9, RestDetails(48.0), "Lying flat in the barn."),
)


def steps_of(record: Record, bow: Bow) -> list[Step]:
    """The steps that there is something to show for."""
    return [s for s in STEPS if s.state is None or _fits(record, bow, s)]


def _fits(record: Record, bow: Bow, step: Step) -> list[Stage]:
    fits = [s for s in store.list_stages(record, bow.id) if s.state == step.state]
    return fits if step.title != "Rested" or len(fits) > 1 else []


def stage_of(record: Record, bow: Bow, step: Step) -> Stage | None:
    """The stage that a step of the walk shows; None where it shows none, or where that one was taken away."""
    fits = _fits(record, bow, step)
    return fits[step.pick] if fits else None

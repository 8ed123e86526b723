"""Old stages measured anew by this program, from their originals and shots, and what that changed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tillerlens.core.errors import TillerLensError
from tillerlens.core.measurement import COVER, Measurement, Value
from tillerlens.core.reading import shown
from tillerlens.core.shot import Shot
from tillerlens.core.shot_file import read_shot
from tillerlens.core.unforeseen import Unforeseen, net
from tillerlens.record import store
from tillerlens.record.connection import Record
from tillerlens.record.entries import RecordError, Stage, canonical

Progress = Callable[[int, int, Stage], None]
"""Called before each stage: how many are done, of how many, and the next one."""
Measure = Callable[[Any, Shot, Measurement | None], Measurement]
_RECORD_OF = ("made_by", "photo")  # says who measured what, not what came out


@dataclass(frozen=True)
class ValueChange:
    """A value before and after in its own unit; None: not known, or not there. beyond: outside the interval it had."""

    name: str
    unit: str
    before: float | None
    after: float | None
    u_before: float | None
    beyond: bool


@dataclass(frozen=True)
class Remeasured:
    """What measuring one stage anew changed. failed: why it could not be; its old measurement then stays."""

    stage: Stage  # as it was
    status: str = ""
    values: tuple[ValueChange, ...] = ()
    saved: bool = False
    failed: str = ""

    @property
    def tells(self) -> bool:
        """Whether a bowyer should look: another status, a value beyond its old interval, or a failure."""
        return bool(self.failed) or self.status != self.stage.status or any(v.beyond for v in self.values)


def remeasure(
    record: Record, stage_ids: Iterable[str] | None = None, progress: Progress | None = None, measure: Measure | None = None
) -> list[Remeasured]:
    """Measure stages anew, all when none are named: the unstrung first, since others are judged against them.

    A measurement that says the same as the stage's present one is not kept again. One stage's failure stops no other.
    measure: what measures a picture; else the pipeline.
    """
    stages = store.list_stages(record) if stage_ids is None else [store.get_stage(record, i) for i in dict.fromkeys(stage_ids)]
    stages.sort(key=lambda s: (s.state != "unstrung", s.bow_id, s.taken_at, s.sequence))
    changes = []
    for done, stage in enumerate(stages):
        if progress is not None:
            progress(done, len(stages), stage)
        try:
            with net("measuring", shown(stage.photo_name)):
                changes.append(_remeasure_one(record, stage, measure))
        except TillerLensError as error:
            changes.append(Remeasured(stage, stage.status, failed=str(error)))
    return changes


def measure_original(
    record: Record,
    photo: Path | bytes,
    shot: Mapping[str, Any],
    rest_stage_id: str | None,
    name: str,
    measure: Measure | None = None,
) -> Measurement:
    """The measurement of a picture under a shot, judged against a stage at rest of the record.

    Raises PhotoError, ShotError, DocumentError or RecordError for what cannot be measured at all.
    """
    from tillerlens.core.document import check_same_bow
    from tillerlens.measure import measure_photo
    from tillerlens.photo.intake import read_photo

    picture = read_photo(photo, name)
    facts = read_shot(shot, photo_size=(picture.width, picture.height))
    rest = None if rest_stage_id is None else store.measurement(record, rest_stage_id)
    if rest is not None and (rest.status != "measured" or rest.state != "unstrung"):
        rest = None
    if rest_stage_id is not None and rest is None:
        raise RecordError("The stage at rest that this one is judged against is not measured.", "Measure that one first.")
    if rest is not None:
        check_same_bow(rest, facts)
    return (measure or measure_photo)(picture, facts, rest)


def _remeasure_one(record: Record, stage: Stage, measure: Measure | None) -> Remeasured:
    if stage.video_time_s is not None or stage.media.startswith("video/"):
        raise RecordError(
            "A moment of a video is measured from the video's own page.", "Open the video again and keep the moment."
        )
    before = store.measurement(record, stage.id)
    after = measure_original(record, store.original(record, stage), stage.shot, stage.rest_stage_id, stage.photo_name, measure)
    fault = next((r for r in after.reasons if r.code == Unforeseen.code), None)
    if fault is not None:  # says nothing of the bow: what was measured before stays
        raise Unforeseen(fault.text, fault.remedy)
    values = compare_values(before, after)
    if before is not None and _said(before) == _said(after):
        return Remeasured(stage, after.status, values)
    store.save_measurement(record, stage.id, after)
    return Remeasured(stage, after.status, values, saved=True)


def compare_values(before: Measurement | None, after: Measurement) -> tuple[ValueChange, ...]:
    """Every value and gap that two measurements of one picture say differently, to the figures that are kept of them.

    Beyond: outside the older one's interval. Two measurements of one picture share its errors, so the interval is the older
    one's alone and not wider; where it was not known, any change counts.
    """
    old, new = ({} if before is None else _numbers(before)), _numbers(after.as_printed())
    out = []
    for name in sorted({*old, *new}):
        a, b = old.get(name), new.get(name)
        (was, u), (is_, _) = _known(a), _known(b)
        if was == is_:
            continue
        beyond = was is None or is_ is None or u is None or abs(is_ - was) > COVER * u
        unit = (a or b or Value(math.nan, math.nan, "")).unit
        out.append(ValueChange(name, unit, was, is_, u, beyond))
    return tuple(out)


def _known(v: Value | None) -> tuple[float | None, float | None]:
    """Value and standard uncertainty, each None where it is not known."""
    value, u = (None if v is None or math.isnan(x := getattr(v, name)) else x for name in ("value", "u"))
    return value, u


def _numbers(found: Measurement) -> dict[str, Value]:
    gaps = {
        f"gap_{name}_at_{row.from_handle_mm:g}_mm": value
        for row in found.gaps
        for name, value in (("upper", row.upper), ("lower", row.lower), ("difference", row.difference))
    }
    return {**found.values, **gaps}


def _said(found: Measurement) -> str:
    return canonical({k: v for k, v in found.as_document().items() if k not in _RECORD_OF})

"""A draw on film, kept: a few frames of its pull on the bow's timeline, measured as they were seen."""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta
from pathlib import Path

from tillerlens.film.clip import read_pictures, recorded_at
from tillerlens.film.draw import DrawFilm, over_the_pull
from tillerlens.record import Record, Stage, store
from tillerlens.record.entries import now


def keep_draw(
    record: Record,
    bow_id: str,
    source: Path | bytes,
    film: DrawFilm,
    rest_stage_id: str | None = None,
    when: datetime | None = None,
) -> list[Stage]:
    """Put the frames that a film's hinges and stiff places stand on into the record, so that the bow's pages tell the same.

    Parameters
    ----------
    record, bow_id : where.
    source : the clip that ``film`` was made from.
    film : what was measured.
    rest_stage_id : the unstrung stage that it was judged against.
    when : the clip's beginning; else as its head says, else now.

    Returns
    -------
    list of Stage
        Those kept now; a frame that lies on the timeline already stays as it is.

    Raises
    ------
    ClipError, RecordError
    """
    picked = {s.frame: s for s in over_the_pull(film.stages)}
    begun = when or recorded_at(source, film.name) or now()
    there = {s.sha256 for s in store.list_stages(record, bow_id)}
    kept: list[Stage] = []
    for frame, picture in read_pictures(source, picked, film.name):
        of = picked[frame]
        if hashlib.sha256(picture).hexdigest() in there:
            continue
        kept.append(
            store.add_stage(
                record,
                bow_id,
                picture,
                of.measurement.facts.as_dict(),
                name=f"{film.name} at {of.time_s:.2f} s.png",
                document=of.measurement,
                taken_at=begun + timedelta(seconds=of.time_s),
                video_time_s=round(of.time_s, 3),
                rest_stage_id=rest_stage_id,
            )
        )
    return kept

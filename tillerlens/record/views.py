"""What the shelf and a bow's page show, each in a handful of queries that read no measurement whole."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select

from tillerlens.record.database import Record, reading
from tillerlens.record.entries import Bow, Correction, Event, Stage
from tillerlens.record.models import CorrectionRow, EventRow, StageRow
from tillerlens.record.store import columns, many, one


@dataclass(frozen=True)
class ShelfRow:
    """A bow as the shelf shows it.

    latest: state -> the newest measured stage in that state. first_rest: the oldest measured unstrung stage. events: kind ->
    the newest event of that kind. asking: how many stages are not measured (unmeasured, asking for help, refused).
    """

    bow: Bow
    stages: int = 0
    asking: int = 0
    latest: dict[str, Stage] = field(default_factory=dict)
    first_rest: Stage | None = None
    events: dict[str, Event] = field(default_factory=dict)

    @property
    def newest(self) -> Stage | None:
        """The newest measured stage of any state."""
        return max(self.latest.values(), key=lambda s: (s.taken_at, s.sequence), default=None)


@dataclass(frozen=True)
class Timeline:
    """One bow with everything kept of it, each list in order of time; corrections by stage."""

    bow: Bow
    stages: tuple[Stage, ...]
    events: tuple[Event, ...]
    corrections: dict[str, tuple[Correction, ...]]

    def in_order(self) -> list[Stage | Event]:
        """Stages and the events between them, oldest first."""
        both: list[Stage | Event] = [*self.stages, *self.events]
        return sorted(both, key=lambda e: e.taken_at if isinstance(e, Stage) else e.happened_at)


def shelf(record: Record) -> list[ShelfRow]:
    """Every bow with what was last measured of it, by name."""
    with reading(record) as connection:
        bows = many(connection, Bow)
        counts = {row[0]: (row[1], row[1] - row[2]) for row in connection.execute(_counts())}
        stages: dict[str, dict[str, Stage]] = defaultdict(dict)
        first: dict[str, Stage] = {}
        for row in connection.execute(_ends_of_states()):
            stage = Stage(*row[:-1])
            if row[-1] == 1:
                stages[stage.bow_id][stage.state] = stage
            if stage.state == "unstrung" and stage.bow_id not in first:
                first[stage.bow_id] = stage
        events: dict[str, dict[str, Event]] = defaultdict(dict)
        for row in connection.execute(_newest_events()):
            event = Event(*row)
            events[event.bow_id][event.kind] = event
    return [
        ShelfRow(bow, *counts.get(bow.id, (0, 0)), stages[bow.id], first.get(bow.id), events[bow.id])
        for bow in sorted(bows, key=lambda b: (b.name.casefold(), b.id))
    ]


def timeline(record: Record, bow_id: str) -> Timeline:
    """One bow's page. Raises RecordError when there is no such bow."""
    with reading(record) as connection:
        bow = one(connection, Bow, bow_id)
        stages = many(connection, Stage, StageRow.bow_id == bow_id, order=(StageRow.taken_at, StageRow.sequence, StageRow.id))
        events = many(connection, Event, EventRow.bow_id == bow_id, order=(EventRow.happened_at, EventRow.added_at, EventRow.id))
        made = many(
            connection,
            Correction,
            CorrectionRow.stage_id.in_(select(StageRow.id).where(StageRow.bow_id == bow_id)),
            order=(CorrectionRow.made_at, CorrectionRow.id),
        )
    by_stage: dict[str, list[Correction]] = defaultdict(list)
    for correction in made:
        by_stage[correction.stage_id].append(correction)
    return Timeline(bow, tuple(stages), tuple(events), {k: tuple(v) for k, v in by_stage.items()})


def _measured() -> ColumnElement[bool]:
    return StageRow.status == "measured"


def _counts() -> Any:
    return select(StageRow.bow_id, func.count(), func.count().filter(_measured())).group_by(StageRow.bow_id)


def _ends_of_states() -> Any:
    """The newest measured stage of each state of each bow, and the oldest unstrung; oldest first."""
    order = (StageRow.taken_at, StageRow.sequence, StageRow.id)
    places = (StageRow.bow_id, StageRow.state)
    ranked = (
        select(
            StageRow.id,
            func.row_number().over(partition_by=places, order_by=[c.desc() for c in order]).label("newest"),
            func.row_number().over(partition_by=places, order_by=order).label("oldest"),
        )
        .where(_measured())
        .subquery()
    )
    wanted = or_(ranked.c.newest == 1, and_(ranked.c.oldest == 1, StageRow.state == "unstrung"))
    return select(*columns(Stage), ranked.c.newest).join(ranked, ranked.c.id == StageRow.id).where(wanted).order_by(*order)


def _newest_events() -> Any:
    order = (EventRow.happened_at.desc(), EventRow.added_at.desc(), EventRow.id.desc())
    number = func.row_number().over(partition_by=(EventRow.bow_id, EventRow.kind), order_by=order).label("number")
    ranked = select(EventRow.id, number).subquery()
    return select(*columns(Event)).join(ranked, ranked.c.id == EventRow.id).where(ranked.c.number == 1)

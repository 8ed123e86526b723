"""What the shelf and a bow's page show, each in a handful of queries that read no measurement whole."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Text, cast, func, not_, select

from tillerlens.record.connection import Record, reading
from tillerlens.record.entries import Bow, Correction, DamagedEntry, Event, Stage
from tillerlens.record.models import BowRow, CorrectionRow, EventRow, StageRow
from tillerlens.record.rows import OLDEST_FIRST, many, one

STATES = ("unstrung", "braced", "drawn")
SHELF_KINDS = ("weighing", "arrow_speed", "mass", "heat")  # what bows are compared by


@dataclass(frozen=True)
class ShelfRow:
    """A bow as the shelf shows it.

    latest: state -> the newest measured stage in that state. first_rest: the oldest measured unstrung stage. events: kind of
    SHELF_KINDS -> the newest event of that kind. asking: how many stages are not measured (unmeasured, asking for help, refused).
    damage: what of this bow can no longer be read, in a sentence; a bow whose own row is damaged has its name and no more.
    """

    bow: Bow
    stages: int = 0
    asking: int = 0
    latest: dict[str, Stage] = field(default_factory=dict)
    first_rest: Stage | None = None
    events: dict[str, Event] = field(default_factory=dict)
    damage: str = ""

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
    damaged: list[DamagedEntry] = []
    with reading(record) as connection:
        bows = many(connection, Bow, damaged=damaged)
        bows += [Bow(f"{d.fields['name'] or 'A bow'} (damaged)", id=d.fields["id"]) for d in damaged]
        counts = {row[0]: (row[1], row[1] - row[2]) for row in connection.execute(_counts())}
        stages: dict[str, dict[str, Stage]] = defaultdict(dict)
        for state in STATES:
            for stage in many(connection, Stage, StageRow.id.in_(_end_of(state, newest=True)), damaged=damaged):
                stages[stage.bow_id][state] = stage
        first_rest = many(connection, Stage, StageRow.id.in_(_end_of("unstrung", newest=False)), damaged=damaged)
        first = {s.bow_id: s for s in first_rest}
        events: dict[str, dict[str, Event]] = defaultdict(dict)
        for kind in SHELF_KINDS:
            for event in many(connection, Event, EventRow.id.in_(_newest_event(kind)), damaged=damaged):
                events[event.bow_id][kind] = event
    damage = {d.fields["bow_id"]: str(d) for d in reversed(damaged)}
    return [
        ShelfRow(bow, *counts.get(bow.id, (0, 0)), stages[bow.id], first.get(bow.id), events[bow.id], damage.get(bow.id, ""))
        for bow in sorted(bows, key=lambda b: (b.name.casefold(), b.id))
    ]


def timeline(record: Record, bow_id: str) -> Timeline:
    """One bow's page. Raises RecordError when there is no such bow."""
    with reading(record) as connection:
        bow = one(connection, Bow, bow_id)
        stages = many(connection, Stage, StageRow.bow_id == bow_id, order=OLDEST_FIRST[Stage])
        events = many(connection, Event, EventRow.bow_id == bow_id, order=OLDEST_FIRST[Event])
        made = many(
            connection,
            Correction,
            CorrectionRow.stage_id.in_(select(StageRow.id).where(StageRow.bow_id == bow_id)),
            order=OLDEST_FIRST[Correction],
        )
    by_stage: dict[str, list[Correction]] = defaultdict(list)
    for correction in made:
        by_stage[correction.stage_id].append(correction)
    return Timeline(bow, tuple(stages), tuple(events), {k: tuple(v) for k, v in by_stage.items()})


def _measured() -> ColumnElement[bool]:
    return StageRow.status == "measured"


def _from_side() -> ColumnElement[bool]:
    """A front view tells nothing of how the bow bends, which is what bows are compared by."""
    # by its text: a damaged shot, which no database reads as JSON, may hide no other bow
    return not_(cast(StageRow.shot, Text).regexp_match('"view": ?"front"'))


def _counts() -> Any:
    return select(StageRow.bow_id, func.count(), func.count().filter(_measured())).group_by(StageRow.bow_id)


def _end_of(state: str, newest: bool) -> Any:
    """The newest or oldest measured stage in a state of each bow: one look into the index for each."""
    order = OLDEST_FIRST[Stage]
    found = select(StageRow.id).where(StageRow.bow_id == BowRow.id, StageRow.state == state, _measured(), _from_side())
    found = found.order_by(*(c.desc() if newest else c for c in order)).limit(1)
    return select(found.correlate(BowRow).scalar_subquery()).select_from(BowRow)


def _newest_event(kind: str) -> Any:
    found = select(EventRow.id).where(EventRow.bow_id == BowRow.id, EventRow.kind == kind)
    found = found.order_by(*(c.desc() for c in OLDEST_FIRST[Event])).limit(1)
    return select(found.correlate(BowRow).scalar_subquery()).select_from(BowRow)

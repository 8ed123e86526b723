"""The record's tables. What they mean: ``entries``; how they came to be: ``migrations``."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, DateTime, Dialect, ForeignKey, Index, MetaData, String, Text, TypeDecorator
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from tillerlens.core.json_form import JsonObject

ID, HASH = String(36), String(64)


class Unreadable:
    """What the database holds where a time or JSON should be; no check of an entry lets it through."""


class UtcTime(TypeDecorator[datetime]):
    """Aware times only, in UTC, on databases that keep zones and on those that do not."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without its zone")
        return value.astimezone(UTC)

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        usual = super().result_processor(dialect, coltype)
        assert usual is not None  # there is one, since there is a process_result_value

        def read(value: Any) -> Any:
            try:
                return usual(value)
            except (ValueError, TypeError, OverflowError):
                return Unreadable()

        return read

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "pk": "pk_%(table_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        }
    )
    type_annotation_map = {datetime: UtcTime, JsonObject: JSON, list[JsonObject]: JSON}


class IdentityRow(Base):
    """One row: the identity that the folder of the originals repeats."""

    __tablename__ = "identity"

    id: Mapped[str] = mapped_column(ID, primary_key=True)


class BowRow(Base):
    __tablename__ = "bows"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    wood: Mapped[str] = mapped_column(Text)
    made: Mapped[str] = mapped_column(Text)
    length_mm: Mapped[float | None]
    handle_mm: Mapped[float | None]
    upper_limb_length_mm: Mapped[float | None]
    limb_width_mm: Mapped[float | None]
    limb_thickness_mm: Mapped[float | None]
    handle_thickness_mm: Mapped[float | None]
    form_reflex_mm: Mapped[float | None]
    wish_weight_n: Mapped[float | None]
    wish_draw_mm: Mapped[float | None]
    wish_draw_to: Mapped[str | None] = mapped_column(String(5))
    wish_tiller_low_mm: Mapped[float | None]
    wish_tiller_high_mm: Mapped[float | None]
    notes: Mapped[str] = mapped_column(Text)
    added_at: Mapped[datetime]
    version: Mapped[int]


class StageRow(Base):
    __tablename__ = "stages"
    # the shelf asks for the last stage of each state of every bow
    __table_args__ = (Index(None, "bow_id", "state", "status", "taken_at", "sequence", "id"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    bow_id: Mapped[str] = mapped_column(ID, ForeignKey("bows.id", ondelete="CASCADE"))
    sequence: Mapped[int]
    taken_at: Mapped[datetime]
    state: Mapped[str] = mapped_column(String(10))
    photo_name: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(HASH, index=True)
    media: Mapped[str] = mapped_column(String(20))
    size_bytes: Mapped[int]
    shot: Mapped[JsonObject]
    minutes_since_unstrung: Mapped[float | None]
    video_time_s: Mapped[float | None]
    # checked when the work is committed: a bow's stages come in any order
    rest_stage_id: Mapped[str | None] = mapped_column(
        ID, ForeignKey("stages.id", ondelete="SET NULL", deferrable=True, initially="DEFERRED")
    )
    notes: Mapped[str] = mapped_column(Text)
    added_at: Mapped[datetime]
    status: Mapped[str] = mapped_column(String(10))
    made_by: Mapped[str] = mapped_column(Text)
    values: Mapped[JsonObject]
    version: Mapped[int]


class MeasuredRow(Base):
    __tablename__ = "measurements"
    __table_args__ = (Index(None, "stage_id", "sequence", "made_at", "id"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    stage_id: Mapped[str] = mapped_column(ID, ForeignKey("stages.id", ondelete="CASCADE"))
    made_at: Mapped[datetime]
    made_by: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(HASH)
    document: Mapped[str] = mapped_column(Text, deferred=True)  # canonical JSON, whole
    sequence: Mapped[int]  # grows with every measurement of a stage, whatever the clock says


class CorrectionRow(Base):
    __tablename__ = "corrections"

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    stage_id: Mapped[str] = mapped_column(ID, ForeignKey("stages.id", ondelete="CASCADE"), index=True)
    who: Mapped[str] = mapped_column(Text)
    made_at: Mapped[datetime]
    changes: Mapped[list[JsonObject]]
    reason: Mapped[str] = mapped_column(Text)
    sequence: Mapped[int]


class EventRow(Base):
    __tablename__ = "events"
    __table_args__ = (Index(None, "bow_id", "kind", "happened_at", "sequence", "id"),)

    id: Mapped[str] = mapped_column(ID, primary_key=True)
    bow_id: Mapped[str] = mapped_column(ID, ForeignKey("bows.id", ondelete="CASCADE"))
    stage_id: Mapped[str | None] = mapped_column(ID, ForeignKey("stages.id", ondelete="CASCADE"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    happened_at: Mapped[datetime]
    details: Mapped[JsonObject]
    notes: Mapped[str] = mapped_column(Text)
    who: Mapped[str] = mapped_column(Text)
    added_at: Mapped[datetime]
    sequence: Mapped[int]
    version: Mapped[int]

"""What a report holds, the same on paper and as a page: sections of sentences, pictures, figures and tables."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PictureShown:
    """A photograph with its caption. pins: the finding's number, and its place as shares of width and height."""

    title: str
    caption: str
    notes: str
    data: bytes
    pins: tuple[tuple[int, float, float], ...] = ()

    @property
    def kind(self) -> str:
        return "png" if self.data.startswith(b"\x89PNG") else "jpg"


@dataclass(frozen=True)
class Figure:
    """A chart, drawn already."""

    title: str
    svg: str


@dataclass(frozen=True)
class Table:
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class ReportSection:
    title: str
    text: tuple[str, ...] = ()
    pictures: tuple[PictureShown, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()

    @property
    def empty(self) -> bool:
        return not (self.text or self.pictures or self.figures or self.tables)


@dataclass(frozen=True)
class Report:
    """A bow's whole report. facts: what is known of the bow, as label and text."""

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    notes: str
    sections: tuple[ReportSection, ...]
    foot: str

    def section(self, title: str) -> ReportSection:
        """The section of this title; an empty one where the report has none."""
        return next((s for s in self.sections if s.title == title), ReportSection(title))

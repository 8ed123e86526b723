"""What the record's commands share: their options, the record opened, errors said, answers and progress printed."""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli.say import say, say_json
from tillerlens.core.errors import TillerLensError

if TYPE_CHECKING:
    from tillerlens.record import Record, Stage
    from tillerlens.report.words.quantities import Units

DONE, UNUSABLE, ASKS = 0, 2, 3  # exit statuses; 2 is also bad usage
# What a fault in the record could still make Python raise; no known one does, which the fuzzers hold it to.
UNFORESEEN = (ValueError, TypeError, KeyError, IndexError, AttributeError, ArithmeticError, AssertionError, RecursionError)
_CHECK = "'tillerlens check' shows what is wrong with a record."
_LOG = logging.getLogger(__name__)
RecordAddress = Annotated[
    str | None,
    typer.Option(
        "--record", metavar="PLACE", help="The record's folder, or postgresql:// address; else TILLERLENS_RECORD or your own."
    ),
]
Calipers = Annotated[
    Path | None, typer.Option(help="CSV of caliper stations: limb,from_nock,width,thickness[,crown]; lengths like 1 3/8in.")
]
HeatFactor = Annotated[
    float | None, typer.Option(help="How much more a heat-hardened belly takes before set, in your experience.")
]
Metric = Annotated[bool, typer.Option("--metric", help="Show centimetres and kilograms.")]
Moisture = Annotated[str | None, typer.Option(help="The wood's moisture, like 9%; left out: 12, the handbook's.")]
UnstrungDocument = Annotated[Path, typer.Option(help="The same bow unstrung.")]
Weigh = Annotated[list[str] | None, typer.Option(help="A weighing without a picture, DRAW=WEIGHT, like 20in=33lb.")]
JsonOut = Annotated[bool, typer.Option("--json", help="Print JSON documents, in SI units.")]
BowName = Annotated[str, typer.Argument(metavar="BOW", help="The bow's name, or the beginning of its identity.")]
StageName = Annotated[
    str, typer.Argument(metavar="STAGE", help="BOW:3 for its third stage, BOW:last, or an identity's beginning.")
]
WordValues = Annotated[list[str] | None, typer.Argument(metavar="[WORD=VALUE]...", help="What is known, like length=66in.")]
When = Annotated[str | None, typer.Option("--when", help="Like 2025-03-14 or 2025-03-14T16:30.")]
By = Annotated[str | None, typer.Option("--by", help="Who did it; else your login name.")]
Originals = Annotated[
    str | None,
    typer.Option("--originals", metavar="FOLDER", help="Where a server's record keeps its pictures; else TILLERLENS_ORIGINALS."),
]
New = Annotated[bool, typer.Option("--new", help="Make a new record where there is none.")]
Yes = Annotated[bool, typer.Option("--yes", help="Don't ask.")]


@contextmanager
def opened(place: str | None, originals: str | None = None, new: bool | None = None) -> Iterator[Record]:
    """The record, open; an error is a sentence on stderr and exit status 2. new: as for ``open_place``."""
    with errors_in_words(), open_place(place, originals, new) as record:
        yield record


@contextmanager
def errors_in_words() -> Iterator[None]:
    """An error is a sentence on stderr and exit status 2; so is one that nobody foresaw."""
    try:
        with refusing():
            yield
    except UNFORESEEN as error:
        _LOG.debug("unforeseen", exc_info=True)
        say(f"That did not work: something unexpected went wrong ({type(error).__name__}). {_CHECK}", err=True)
        raise typer.Exit(UNUSABLE) from error


@contextmanager
def refusing() -> Iterator[None]:
    """An error is a sentence on stderr and exit status 2."""
    try:
        yield
    except TillerLensError as error:
        say(error, err=True)
        raise typer.Exit(UNUSABLE) from error


def units_of(metric: bool) -> Units:
    from tillerlens.report.words.quantities import Units

    return Units("cm", "kg") if metric else Units()


def open_place(place: str | None, originals: str | None = None, new: bool | None = None) -> Record:
    """Open the record of a command. A mistyped place must not become an empty shop.

    new: whether ``--new`` was given to a command that may begin a record; None for all others. Only the user's own folder is
    made unasked.
    """
    from tillerlens.record import NoRecord, open_record
    from tillerlens.record.database import PLACE_VARIABLE

    own = place is None and not os.environ.get(PLACE_VARIABLE)
    try:
        record = open_record(place, originals, new=bool(new) or own)
    except NoRecord as error:
        if new is None:
            remedy = "Check the place; 'tillerlens bow add' and 'tillerlens import' make a record there when given --new."
            raise NoRecord(error.text, remedy) from error
        if not sys.stdin.isatty() or not typer.confirm(f"{error.text} Make a new one there?", err=True):
            raise
        record = open_record(place, originals)
    if record.doubt is not None:
        say(f"{record.doubt.text} {record.doubt.remedy}", err=True)
    return record


def answer(document: Any, text: str, json_out: bool) -> None:
    if json_out:
        say_json(document)
    else:
        say(text)


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int, Any], None]]:
    """A callback (done, of how many, next) that moves a bar on stderr when somebody watches."""
    if not sys.stderr.isatty():
        yield lambda done, total, what: None
        return
    bars: list[Any] = []

    def moved(done: int, total: int, what: Any) -> None:
        if not bars:
            bars.append(typer.progressbar(length=total, label=label, file=sys.stderr).__enter__())
        bars[0].update(done - bars[0].pos)

    try:
        yield moved
    finally:
        for bar in bars:
            bar.render_finish()


def number_of(record: Record, stage: Stage) -> int:
    from tillerlens.record import store

    return 1 + [s.id for s in store.list_stages(record, stage.bow_id)].index(stage.id)


def confirm(yes: bool, question: str) -> None:
    if not yes:
        typer.confirm(question, abort=True, err=True)

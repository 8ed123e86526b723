"""Commands on two pictures or on a whole bow: compare, report, shelf. They take files or what the record holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli.shared import JsonOut, Metric, Originals, RecordAddress, answer, errors_in_words, open_place, opened, units_of
from tillerlens.core.errors import DocumentError, ShotError
from tillerlens.core.files import write_whole
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.reading import shown
from tillerlens.core.units import parse_length

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement
    from tillerlens.history.story import Story
    from tillerlens.measures.compare import AtRest, Comparison, Scraped, ScrapeOutcome
    from tillerlens.measures.set import SetFound

# Everything else is imported where it is used, so that --help answers at once.

_WHAT = "a measurement document, a photograph with its shot file beside it, or a stage of the record like BOW:3"


def compare(
    then: Annotated[str, typer.Argument(help=f"The earlier one: {_WHAT}.")],
    now: Annotated[str, typer.Argument(help="The later one.")],
    scraped: Annotated[
        list[str] | None,
        typer.Option(help="Where wood came off between the two, like 'lower 17in 23in' (from the nock); else the record's."),
    ] = None,
    place: RecordAddress = None,
    originals: Originals = None,
    metric: Metric = False,
    json_out: JsonOut = False,
) -> None:
    """What changed between two pictures of a bow: set where both are unstrung, else gaps, bend by place and weight.

    Of two pictures of a heat-treated belly: its colour.
    """
    from tillerlens.measures.belly import darker_since
    from tillerlens.measures.compare import compare as compare_pictures
    from tillerlens.measures.compare import judge_scrapes
    from tillerlens.measures.set import set_between
    from tillerlens.report.words.compare import comparison_sentences, set_sentences
    from tillerlens.report.words.front import belly_since
    from tillerlens.report.words.verdict import Sentence

    with errors_in_words():
        a, b = _given(then, place, originals), _given(now, place, originals)
        colours = [one.found.belly for one in (a, b)]
        if colours[0] is not None and colours[1] is not None:
            said = [Sentence("belly", text) for text in belly_since(colours[0], colours[1], "the earlier picture")]
            document: JsonDocument = {"darker": {limb: v.as_dict() for limb, v in darker_since(colours[0], colours[1]).items()}}
        elif a.found.state == b.found.state == "unstrung":
            found = set_between(a.found, b.found)
            said = set_sentences(found, units_of(metric))
            document = _set_document(found)
        else:
            pair = compare_pictures(a.found, b.found, _at_rest(a, b, place, originals))
            scrapes = [_read_scraped(s) for s in scraped or []] or _noted_scrapes(a, b, place, originals)
            outcomes = judge_scrapes(pair, scrapes)
            said = comparison_sentences(pair, outcomes, units_of(metric))
            document = _comparison_document(pair, outcomes)
    document["sentences"] = [{"about": s.about, "tone": s.tone, "text": s.text} for s in said]
    answer(document, "\n".join(s.text for s in said), json_out)


def report(
    of: Annotated[list[str], typer.Argument(help="A bow of the record, or one bow's documents and photographs, oldest first.")],
    out: Annotated[Path, typer.Option("--out", help="What to write: OUT.pdf or OUT.html.")],
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    name: Annotated[str, typer.Option(help="What the bow is called, for a report of files.")] = "Bow",
    place: RecordAddress = None,
    originals: Originals = None,
    metric: Metric = False,
    json_out: JsonOut = False,
) -> None:
    """Write a bow's report: summary, pictures, bend, gaps, set, weights, events, findings, cautions."""
    from tillerlens.report.page import render_page
    from tillerlens.report.pdf import render_pdf
    from tillerlens.report.story import lay_out

    kind = out.suffix.lower()
    if kind not in (".pdf", ".html"):
        raise typer.BadParameter(f"{out} is neither a PDF's nor a page's name; write it like OUT.pdf or OUT.html.")
    units = units_of(metric)
    with errors_in_words():
        files = [Path(f) for f in of]
        story = _story_of_files(files, name) if all(f.is_file() for f in files) else _story_of_bow(of, place, originals)
        content = lay_out(story, units)
        data = render_pdf(content, paper)[0] if kind == ".pdf" else render_page(content).encode()  # type: ignore[arg-type]
        write_whole(out, data)
    written = {"written": str(out), "bytes": len(data), "stages": len(story.stages)}
    answer(written, f"{out}: the report of {story.name}.", json_out)


def shelf(
    by: Annotated[str, typer.Option("--by", help="Column to sort by, like weight_lb or speed_fps.")] = "name",
    falling: Annotated[bool, typer.Option("--falling", help="The largest first.")] = False,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the table here as CSV.")] = None,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """All bows beside each other: wood, length, width, reflex kept, weight, speed at grains per pound."""
    from tillerlens.history.of_record import shelf_lines
    from tillerlens.history.trends import SHELF_HEADS, shelf_csv, sorted_shelf

    if by not in SHELF_HEADS:
        raise typer.BadParameter(f"'{by}' is no column; choose one of: {', '.join(SHELF_HEADS)}.")
    with opened(place, originals) as record:
        lines = sorted_shelf(shelf_lines(record), by, falling)
        if csv is not None:
            write_whole(csv, shelf_csv(lines).encode())
        table = [list(SHELF_HEADS.values()), *([_cell(v) for v in asdict(line).values()] for line in lines)]
        widths = [max(len(row[k]) for row in table) for k in range(len(SHELF_HEADS))]
        text = "\n".join("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in table)
        answer([asdict(line) for line in lines], text, json_out)


# --- what is given


@dataclass(frozen=True, eq=False)
class _Given:
    found: Measurement
    stage: Any = None  # of the record, where it came from there


def _given(words: str, place: str | None, originals: str | None) -> _Given:
    path = Path(words)
    if path.is_file():
        return _Given(_measured(path))
    from tillerlens.record import store

    with open_place(place, originals) as record:
        stage = store.find_stage(record, words)
        found = store.measurement(record, stage.id)
    if found is None:
        raise DocumentError(f"The stage {words} was not measured.", "Measure it first.")
    return _Given(found, stage)


def _measured(path: Path) -> Measurement:
    """A measurement from its document's file, or of a photograph measured now."""
    from tillerlens.cli.pictures import measure_one
    from tillerlens.core.document import read_one

    if path.suffix.lower() != ".json":
        found = measure_one(path, None, None).measurement
        if found.status != "measured":
            raise DocumentError(f"{path.name} was not measured: {found.reasons[0].text}", found.reasons[0].remedy)
        return found.as_printed()
    return read_one(path)


def _read_scraped(text: str) -> Scraped:
    from tillerlens.measures.compare import Scraped

    parts = text.split()
    if len(parts) != 3 or parts[0] not in ("upper", "lower"):
        raise ShotError(f"'{shown(text)}' is not a scraped place.", "Write it like 'lower 17in 23in', measured from the nock.")
    start, end = sorted(parse_length(p) for p in parts[1:])
    return Scraped("upper" if parts[0] == "upper" else "lower", start, end)


def _noted_scrapes(a: _Given, b: _Given, place: str | None, originals: str | None) -> list[Scraped]:
    if a.stage is None or b.stage is None:
        return []
    from tillerlens.history.of_record import scrapes_between

    with open_place(place, originals) as record:
        return scrapes_between(record, a.stage, b.stage)


def _at_rest(a: _Given, b: _Given, place: str | None, originals: str | None) -> AtRest | None:
    """The bow's shape at rest with two pictures of the record; of files nobody knows which it would be."""
    if a.stage is None or b.stage is None or a.stage.bow_id != b.stage.bow_id:
        return None
    from tillerlens.history.as_now import at_rest_of
    from tillerlens.record import Stage, store
    from tillerlens.record.views import timeline

    with open_place(place, originals) as record:
        line = timeline(record, a.stage.bow_id)

        def kept(stage: Stage) -> Measurement:
            found = store.measurement(record, stage.id)
            if found is None:
                raise DocumentError(f"{stage.photo_name} was not measured.", "Measure it first.")
            return found

        return at_rest_of(a.stage, b.stage, line.stages, line.events, kept)


def _story_of_bow(of: Sequence[str], place: str | None, originals: str | None) -> Story:
    from tillerlens.history.as_now import judged_together
    from tillerlens.history.bench import weighed_now
    from tillerlens.history.of_record import story_of
    from tillerlens.record import RecordError, store
    from tillerlens.record.views import timeline

    if len(of) > 1:
        raise RecordError(f"'{of[0]}' and the others are not all files.", "Give one bow of the record, or files only.")
    with open_place(place, originals) as record:
        found = timeline(record, store.find_bow(record, of[0]).id)
        kept = {s.id: m for s in found.stages if (m := store.measurement(record, s.id)) is not None}
        kept |= judged_together(found.stages, found.events, lambda stage: kept[stage.id])
        weighed = weighed_now(found.bow, found.stages, found.events, lambda stage: kept[stage.id])
        return replace(story_of(record, found.bow.id, found=found), weighed=weighed)


def _story_of_files(files: Sequence[Path], name: str) -> Story:
    """Measurement documents and photographs of one bow, in the order given; their files' times stand for the pictures'."""
    from tillerlens.history.story import StageShown, Story
    from tillerlens.history.trends import ReflexAt
    from tillerlens.measures.compare import SCALE_U_N
    from tillerlens.measures.set import WeighedDraw
    from tillerlens.mechanics.evidence import check_one_bow

    stages, reflexes, pulls, session = [], [], [], 0
    pictures = [_measured(path) for path in files]
    check_one_bow(pictures)
    for k, (path, found) in enumerate(zip(files, pictures, strict=True), start=1):
        when = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        stages.append(StageShown(f"{k}. {found.photo.name or path.name}, {found.state}", when, found))
        session += found.state != "unstrung"
        if "reflex" in found.values:
            reflexes.append(ReflexAt(when, found.values["reflex"], found.facts.minutes_since_unstrung, session))
        if "draw_length_back" in found.values and found.facts.draw_weight_n:
            pulls.append(WeighedDraw(when, found.values["draw_length_back"].value, found.facts.draw_weight_n, SCALE_U_N))
    notes = "Made of files: dates are the files' own, and events and findings are not in them."
    return Story(name, notes=notes, stages=tuple(stages), reflexes=tuple(reflexes), pulls=tuple(pulls))


# --- as JSON


def _comparison_document(found: Comparison, outcomes: Sequence[ScrapeOutcome]) -> JsonDocument:
    return {
        "format": "tillerlens-comparison",
        "state": [found.then.state, found.now.state],
        "values": {k: v.as_dict() for k, v in found.values.items()},
        "gaps": [
            {"from_handle_mm": d, **{k: v.as_dict() for k, v in zip(("upper", "lower", "difference"), g, strict=True)}}
            for d, g in found.gaps.items()
        ],
        "patches": [
            {"limb": p.limb, "start_from_nock_mm": round(p.start_mm, 1), "end_from_nock_mm": round(p.end_mm, 1)}
            | {"bend_change": p.percent.as_dict(1)}
            for p in found.patches
        ],
        "scrapes": [
            {"limb": o.scraped.limb, "outcome": o.outcome, "bend_change": o.percent.as_dict(1)}
            | {"start_from_nock_mm": o.scraped.start_from_nock_mm, "end_from_nock_mm": o.scraped.end_from_nock_mm}
            for o in outcomes
        ],
        "weight": None if found.weight is None else found.weight.as_dict(),
        "doubts": [r.as_dict() for r in found.doubts],
    }


def _set_document(found: SetFound) -> JsonDocument:
    from tillerlens.core.measurement import printed

    return {
        "format": "tillerlens-set",
        "rest": [found.then, found.now],
        "overall": found.overall.as_dict(),
        "difference": found.difference.as_dict(),
        "limbs": {
            limb: {
                "at_tip": s.at_tip.as_dict(),
                "thirds": {k: v.as_dict() for k, v in s.thirds.items()},
                "shares": {k: v.as_dict(1) for k, v in s.shares.items()},
                "from_nock_mm": printed(s.along.from_nock_mm, 1),
                "change_per_m": printed(s.smooth_per_m, 5),
                "u_change_per_m": printed(s.u_smooth_per_m, 5),
                "stretches_from_nock_mm": printed(s.stretches, 1),
            }
            for limb, s in found.limbs.items()
        },
    }


def _cell(v: Any) -> str:
    return "" if v is None else f"{v:.1f}" if isinstance(v, float) else str(v)


COMMANDS: dict[str, Callable[..., None]] = {"compare": compare, "report": report, "shelf": shelf}

"""The record's commands: parse, call, print, translate errors."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli.say import on_a_line, say
from tillerlens.cli.shared import (
    ASKS,
    UNUSABLE,
    BowName,
    By,
    JsonOut,
    New,
    Originals,
    RecordAddress,
    StageName,
    When,
    WordValues,
    Yes,
    answer,
    confirm,
    number_of,
    opened,
    progress,
)
from tillerlens.core.errors import DocumentError, PhotoError, ShotError
from tillerlens.core.reading import shown
from tillerlens.core.shot_file import read_shot
from tillerlens.core.unforeseen import Unforeseen, net

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement
    from tillerlens.core.shot import Form
    from tillerlens.record import Bow, Correction, Event, Record, Stage

# Everything else is imported where it is used, so that --help answers at once.


bow_app = typer.Typer(no_args_is_help=True, help="The bows on the shelf.")
stage_app = typer.Typer(no_args_is_help=True, help="A bow's pictures, each with its measurement.")
event_app = typer.Typer(no_args_is_help=True, help="What was done to a bow, or found out about it, between pictures.")


GROUPS = {"bow": bow_app, "stage": stage_app, "event": event_app}


# --- what all commands share; compare and report use it too ---------------------------------------------------


def say_stage(bow: Bow, number: int, stage: Stage) -> str:
    """One line of a list: number, time, state, and the value that matters most in that state."""
    from tillerlens.report.words.quantities import Units, say

    head = {"unstrung": ("reflex",), "braced": ("brace_height_belly",), "drawn": ("draw_length_back", "draw_length_belly")}
    names = ("string_line", "tip_line") if stage.from_front else head[stage.state]
    name, found = next(((n, v) for n in names if (v := stage.value(n)) is not None), (None, None))
    told = stage.status.replace("_", " ")
    if name is not None and found is not None:
        told = f"{name.replace('_', ' ')} {say(found, Units())}"
    after = "" if stage.minutes_since_unstrung is None else f" {stage.minutes_since_unstrung:g} min after unstringing"
    return f"{bow.name}:{number}  {_local(stage.taken_at)}  {stage.pose}{after}  {told}  [{stage.id[:8]}]"


def say_event(event: Event) -> str:
    from tillerlens.report.words.quantities import Units
    from tillerlens.report.words.record import event_in_words

    who = event.who and f"({event.who})"
    parts = [_local(event.happened_at), event_in_words(event.details, Units()), on_a_line(event.notes), who]
    return "  ".join(p for p in parts if p) + f"  [{event.id[:8]}]"


def _say_correction(correction: Correction) -> str:
    fields = ", ".join(change.field for change in correction.changes)
    return f"{_local(correction.made_at)}  {correction.who} changed {fields}  {on_a_line(correction.reason)}"


def _local(time: Any) -> str:
    try:
        return f"{time.astimezone():%Y-%m-%d %H:%M}"
    except (OverflowError, ValueError, OSError):  # a year that this computer's calendar does not reach
        return f"{time:%Y-%m-%d %H:%M} UTC"


def who_did(by: str | None) -> str:
    return by or getpass.getuser()


# --- bows ---------------------------------------------------------------------------------------------------


@bow_app.command("add")
def bow_add(
    name: Annotated[str, typer.Argument(help="What you call it.")],
    given: WordValues = None,
    new: New = False,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Put a bow on the shelf.

    Words: wood, made, length (nock to nock), handle, upper_limb, limb_width, limb_thickness, handle_thickness, form_reflex,
    notes; wished: weight, draw, draw_to (back or belly), tiller_low, tiller_high (upper minus lower).
    """
    from tillerlens.record import store
    from tillerlens.record.entries import as_document, bow_of
    from tillerlens.record.typed import BOW_WORDS, read_words

    with opened(place, originals, new) as record:
        bow = store.add_bow(record, bow_of({"name": name, **read_words(given or [], BOW_WORDS)}))
        answer(as_document(bow), f"{bow.name} is on the shelf [{bow.id[:8]}].", json_out)


@bow_app.command("list")
def bow_list(place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False) -> None:
    """The shelf: every bow, and what was last measured of it. Exit status 3: something of a bow is damaged."""
    from tillerlens.record.entries import as_document
    from tillerlens.record.views import shelf

    with opened(place, originals) as record:
        rows = shelf(record)
        documents = [
            {
                "bow": as_document(r.bow),
                "stages": r.stages,
                "asking": r.asking,
                "latest": {state: as_document(s, whole=True) for state, s in r.latest.items()},
                "events": {kind: as_document(e) for kind, e in r.events.items()},
                **({"damage": r.damage} if r.damage else {}),
            }
            for r in rows
        ]
        lines = [f"{r.bow.name}  {r.bow.wood}  stages {r.stages}, not measured {r.asking}  [{r.bow.id[:8]}]" for r in rows]
        answer(documents, "\n".join(lines) or "There is no bow on the shelf yet.", json_out)
        for damage in (r.damage for r in rows if r.damage):
            say(damage, err=True)
    raise typer.Exit(ASKS if any(r.damage for r in rows) else 0)


@bow_app.command("show")
def bow_show(bow: BowName, place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False) -> None:
    """A bow with its stages and events in order of time."""
    from tillerlens.record import Stage, store
    from tillerlens.record.entries import as_document
    from tillerlens.record.views import timeline
    from tillerlens.report.words.quantities import Units
    from tillerlens.report.words.record import bow_in_words

    with opened(place, originals) as record:
        found = timeline(record, store.find_bow(record, bow).id)
        numbers = {s.id: n for n, s in enumerate(found.stages, start=1)}
        facts = [f"{what} {it}" for what, it in bow_in_words(as_document(found.bow), Units())]
        lines = [f"{found.bow.name} [{found.bow.id[:8]}]", "; ".join(facts), *filter(None, [on_a_line(found.bow.notes)])]
        lines += [say_stage(found.bow, numbers[e.id], e) if isinstance(e, Stage) else say_event(e) for e in found.in_order()]
        document = {
            "bow": as_document(found.bow),
            "stages": [as_document(s, whole=True) for s in found.stages],
            "events": [as_document(e) for e in found.events],
            "corrections": [as_document(c) for made in found.corrections.values() for c in made],
        }
        answer(document, "\n".join(lines), json_out)


@bow_app.command("change")
def bow_change(
    bow: BowName, given: WordValues = None, place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False
) -> None:
    """Change what is known of a bow; WORD= with nothing after it clears. Words as for add, and name."""
    from tillerlens.record import store
    from tillerlens.record.entries import as_document, bow_of
    from tillerlens.record.typed import BOW_WORDS, read_words

    with opened(place, originals) as record:
        changed = store.update_bow(record, bow_of(read_words(given or [], BOW_WORDS), store.find_bow(record, bow)))
        answer(as_document(changed), f"{changed.name} is changed.", json_out)


@bow_app.command("remove")
def bow_remove(
    bow: BowName, yes: Yes = False, place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False
) -> None:
    """Take a bow out of the record, with everything that belongs to it."""
    from tillerlens.record import store

    with opened(place, originals) as record:
        found = store.find_bow(record, bow)
        confirm(yes, f"Remove {found.name} with all its pictures and events?")
        store.remove_bow(record, found.id)
        answer({"removed": found.id}, f"{found.name} is removed; 'tidy' frees its pictures' room.", json_out)


# --- stages -------------------------------------------------------------------------------------------------


@stage_app.command("add")
def stage_add(
    bow: BowName,
    photo: Annotated[list[Path], typer.Argument(help="Photographs, or folders of them with their shot files.")],
    shot: Annotated[Path | None, typer.Option(help="Shot file of this photograph; else NAME.shot.json beside it.")] = None,
    rest: Annotated[
        str | None, typer.Option(help="The unstrung stage to judge against; 'none', else the newest measured one before it.")
    ] = None,
    when: When = None,
    notes: Annotated[str, typer.Option(help="Plain text.")] = "",
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Measure photographs of a bow and keep them.

    Exit status: 3 kept, but at least one needs help or was refused; 2 at least one cannot be used and was left out.
    """
    from tillerlens.cli.pictures import pictures_in, shot_beside
    from tillerlens.record import store
    from tillerlens.record.entries import as_document, now
    from tillerlens.record.originals import taken_at
    from tillerlens.record.remeasure import measure_original
    from tillerlens.record.typed import read_when

    pictures = pictures_in(photo)
    if len(pictures) > 1 and shot is not None:
        raise typer.BadParameter("one shot file goes with one photograph; put each beside its photograph.")
    documents, asks, unusable = [], False, False
    with opened(place, originals) as record, progress("Measuring") as moved:
        found = store.find_bow(record, bow)
        for done, path in enumerate(pictures):
            moved(done, len(pictures), path)
            file = shot or shot_beside(path)
            try:
                with net("measuring", shown(path.name)):
                    if file is None:
                        beside = f"{shown(path.stem)}.shot.json"
                        hint = f"Write {beside} beside it, or name one with --shot."
                        raise ShotError(f"{shown(path.name)} has no shot file.", hint)
                    form = _read_shot_file(file, path.name)
                    time = taken_at(path) or now() if when is None else read_when(when)
                    at_rest = _rest_for(record, found, form["state"], rest, time)
                    measured = measure_original(record, path, form, at_rest, path.name)
            except (PhotoError, ShotError, DocumentError, Unforeseen) as error:  # the picture's own, not the record's
                typer.echo(f"{shown(path.name)}: {error}" if len(pictures) > 1 else str(error), err=True)
                unusable = True
                continue
            stage = store.add_stage(
                record, found.id, path, form, document=measured, taken_at=time, rest_stage_id=at_rest, notes=notes
            )
            asks |= stage.status != "measured"
            _tell_reasons(measured)
            documents.append(as_document(stage, whole=True))
            if not json_out:
                say(say_stage(found, number_of(record, stage), stage))
                if at_rest is not None:
                    say(f"  judged against the bow at rest, {found.name}:{number_of(record, store.get_stage(record, at_rest))}")
    if json_out:
        answer(documents, "", True)
    raise typer.Exit(UNUSABLE if unusable else ASKS if asks else 0)


def _read_shot_file(file: Path, name: str) -> Form:
    return read_shot(file, name).as_dict()


def _rest_for(record: Record, bow: Bow, state: str, rest: str | None, time: Any) -> str | None:
    """The stage at rest that a picture is judged against."""
    from tillerlens.record import store

    if rest is not None:
        return None if rest == "none" else store.find_stage(record, rest).id
    if state != "drawn":
        return None
    before = [
        s
        for s in store.list_stages(record, bow.id)
        if s.state == "unstrung" and s.status == "measured" and not s.from_front and s.taken_at <= time
    ]
    return before[-1].id if before else None


def _tell_reasons(found: Measurement) -> None:
    if found.status != "measured":
        for reason in found.reasons:
            say(f"{reason.text} {reason.remedy}".strip(), err=True)


@stage_app.command("list")
def stage_list(bow: BowName, place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False) -> None:
    """The stages of a bow in order of time."""
    from tillerlens.record import store
    from tillerlens.record.entries import as_document

    with opened(place, originals) as record:
        found = store.find_bow(record, bow)
        stages = store.list_stages(record, found.id)
        lines = [say_stage(found, n, s) for n, s in enumerate(stages, start=1)]
        answer([as_document(s, whole=True) for s in stages], "\n".join(lines) or f"{found.name} has no stage yet.", json_out)


@stage_app.command("show")
def stage_show(stage: StageName, place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False) -> None:
    """One stage with its corrections; with --json also the whole measurement document and the history of measurements."""
    from tillerlens.history.as_now import judged_together
    from tillerlens.record import store
    from tillerlens.record.entries import as_document

    with opened(place, originals) as record:
        found = store.find_stage(record, stage)
        bow, corrections = store.get_bow(record, found.bow_id), store.list_corrections(record, found.id)
        lines = [say_stage(bow, number_of(record, found), found), on_a_line(found.notes)]
        lines += [_say_correction(c) for c in corrections]
        # hinges and stiff places as all pictures of that time tell them, as the app's pages do
        stages, events = store.list_stages(record, bow.id), store.list_events(record, bow.id)
        told = judged_together(stages, events, lambda s: store.measurement(record, s.id))
        measured = told.get(found.id) or store.measurement(record, found.id)
        document = {
            "stage": as_document(found, whole=True),
            "measurement": None if measured is None else measured.as_document(),
            "measurements": [as_document(m) for m in store.list_measurements(record, found.id)],
            "corrections": [as_document(c) for c in corrections],
        }
        answer(document, "\n".join(line for line in lines if line), json_out)


@stage_app.command("correct")
def stage_correct(
    stage: StageName,
    shot: Annotated[Path, typer.Option(help="The shot file as it should be.")],
    by: By = None,
    reason: Annotated[str, typer.Option(help="Why.")] = "",
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Give a stage a corrected shot (points moved, lengths changed) and measure it again; who did it is kept."""
    from tillerlens.record import store
    from tillerlens.record.entries import as_document
    from tillerlens.record.remeasure import measure_original

    with opened(place, originals) as record:
        found = store.find_stage(record, stage)
        form = _read_shot_file(shot, found.photo_name)
        measured = measure_original(record, store.original(record, found), form, found.rest_stage_id, found.photo_name)
        changed = store.correct_stage(record, found, form, who_did(by), document=measured, reason=reason)
        _tell_reasons(measured)
        line = say_stage(store.get_bow(record, found.bow_id), number_of(record, changed), changed)
        answer(as_document(changed, whole=True), line, json_out)
    raise typer.Exit(0 if changed.status == "measured" else ASKS)


@stage_app.command("remove")
def stage_remove(
    stage: StageName, yes: Yes = False, place: RecordAddress = None, originals: Originals = None, json_out: JsonOut = False
) -> None:
    """Take a stage out of the record, with its measurements and findings."""
    from tillerlens.record import store

    with opened(place, originals) as record:
        found = store.find_stage(record, stage)
        confirm(yes, f"Remove {found.photo_name} of {store.get_bow(record, found.bow_id).name}?")
        store.remove_stage(record, found.id)
        answer({"removed": found.id}, f"{found.photo_name} is removed; 'tidy' frees its room.", json_out)


# --- events -------------------------------------------------------------------------------------------------


@event_app.command("add")
def event_add(
    bow: BowName,
    kind: Annotated[
        str,
        typer.Argument(metavar="KIND", help="Like scrape, heat, weighing or note; all are below."),
    ],
    given: WordValues = None,
    notes: Annotated[str, typer.Option(help="Plain text.")] = "",
    stage: Annotated[str | None, typer.Option(help="The stage it belongs to, like BOW:3; a finding needs one.")] = None,
    when: When = None,
    by: By = None,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Keep something done to a bow or learnt of it.

    Words: scrape: limb, from, to (both from the nock), strokes, thickness, tool. heat: minutes, limb, distance, browning (none,
    straw, tan, brown, dark), depth, temperature, form_reflex. rest: hours. moisture: reading, or temperature and humidity;
    place. weighing: draw, to (back or belly), weight. brace: height. mass: mass. arrow_speed: arrow (grains), speed (fps), draw,
    to. finding: at (x,y in the picture's pixels), limb. note: none.
    """
    from tillerlens.record import Event, RecordError, store
    from tillerlens.record.entries import as_document, read_details
    from tillerlens.record.typed import EVENT_WORDS, read_when, read_words

    with opened(place, originals) as record:
        if kind not in EVENT_WORDS:
            raise RecordError(f"'{kind}' is no kind of event.", f"Choose one of: {', '.join(EVENT_WORDS)}.")
        details = read_details(kind, read_words(given or [], EVENT_WORDS[kind]))
        stage_id = None if stage is None else store.find_stage(record, stage).id
        made = Event(store.find_bow(record, bow).id, details.kind, read_when(when), details, notes, who_did(by), stage_id)
        event = store.add_event(record, made)
        answer(as_document(event), say_event(event), json_out)


@event_app.command("list")
def event_list(
    bow: BowName,
    kind: Annotated[str | None, typer.Option(help="Only this kind.")] = None,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """The events of a bow in order of time."""
    from tillerlens.record import store
    from tillerlens.record.entries import as_document

    with opened(place, originals) as record:
        found = store.find_bow(record, bow)
        events = store.list_events(record, found.id, kind)
        answer(
            [as_document(e) for e in events],
            "\n".join(map(say_event, events)) or f"{found.name} has no such event yet.",
            json_out,
        )


@event_app.command("remove")
def event_remove(
    bow: BowName,
    event: Annotated[str, typer.Argument(help="The beginning of its identity, as list prints it.")],
    yes: Yes = False,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Take an event out of the record."""
    from tillerlens.record import RecordError, store

    with opened(place, originals) as record:
        fits = [
            e
            for e in store.list_events(record, store.find_bow(record, bow).id)
            if len(event) >= 4 and e.id.startswith(event.lower())
        ]
        if len(fits) != 1:
            raise RecordError(
                f"{len(fits) or 'No'} events of {bow} begin with '{event}'.", "Give one's identity as list prints it."
            )
        confirm(yes, f"Remove: {say_event(fits[0])}?")
        store.remove_event(record, fits[0].id)
        answer({"removed": fits[0].id}, "It is removed.", json_out)

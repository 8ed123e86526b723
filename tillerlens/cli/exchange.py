"""The commands that take a record out, in, and measure it anew."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli.say import say
from tillerlens.cli.shared import ASKS, JsonOut, New, Originals, RecordAddress, Yes, answer, confirm, number_of, opened, progress

if TYPE_CHECKING:
    from tillerlens.record import Bow, Record
    from tillerlens.record.remeasure import Remeasured
    from tillerlens.record.tidy import Sweep


def export(
    out: Annotated[Path, typer.Argument(help="The zip to write.")],
    bow: Annotated[list[str] | None, typer.Argument(help="Bows; none: the whole shop.")] = None,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Write bows, or the whole shop, with their pictures to a zip: documents, tables for spreadsheets, originals.

    What is missing or damaged is listed in the zip (gaps.json) and told; the rest is written. Exit status 3: there are gaps.
    """
    from tillerlens.record import store
    from tillerlens.record.exchange import export as write

    if not out.parent.is_dir():
        raise typer.BadParameter(f"{out.parent} is not a folder; choose one that is there.")
    with opened(place, originals) as record, progress("Exporting") as moved:
        ids = [store.find_bow(record, b).id for b in bow] if bow else None
        done = write(record, out, ids, moved)
        written = {"written": str(out), "bows": [b.id for b in done.bows], "gaps": [asdict(g) for g in done.gaps]}
        answer(written, f"{out}: {len(done.bows)} {'bow' if len(done.bows) == 1 else 'bows'}.", json_out)
        for gap in done.gaps:
            say(f"Missing in the zip: {gap.text} {gap.remedy}", err=True)
    raise typer.Exit(ASKS if done.gaps else 0)


def import_(
    zip_file: Annotated[Path, typer.Argument(metavar="ZIP", help="A zip that export wrote.")],
    differing: Annotated[
        str,
        typer.Option(
            help="A bow that is here and differs: ask (nothing is imported), skip it, or keep both.", metavar="ask|skip|both"
        ),
    ] = "ask",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be done.")] = False,
    new: New = False,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Take bows in from a zip: nothing is doubled, nothing overwritten; what is missing or damaged here is put back.

    Exit status 3: it asks what to do, or the zip lacks a picture.
    """
    from tillerlens.record.exchange import Choice, apply_import, plan_import

    if differing not in ("ask", "skip", "both"):
        raise typer.BadParameter("--differing is ask, skip or both.")
    with opened(place, originals, new) as record, progress("Importing") as moved:
        plan = plan_import(record, zip_file, progress=moved)
        asking = [b for b in plan.bows if b.asks] if differing == "ask" else []
        choices: dict[str, Choice] = {b.bow_id: "both" if differing == "both" else "skip" for b in plan.bows if b.asks}
        done = plan.bows if dry_run or asking else apply_import(record, plan, choices)
        documents = {"imported": not (dry_run or asking), "bows": [asdict(b) for b in done]}
        answer(documents, "\n".join(f"{b.name}: {_say_plan(b)}" for b in done) or "The zip holds no bow.", json_out)
        if asking:
            say("Nothing was imported. Use --differing skip, or --differing both to keep them side by side.", err=True)
        lacking = [(b.name, name) for b in done for name in b.lacking]
        for bow, name in lacking:
            say(f"{bow}: the picture {name} is neither in the zip nor here. Import another export that holds it.", err=True)
    raise typer.Exit(ASKS if asking or lacking else 0)


def _say_plan(bow: Any) -> str:
    healed = ", ".join(f"{count} {name}" for name, count in bow.heals.items())
    return _say_verdict(bow) + (f"; put back: {healed}" if healed else "")


def _say_verdict(bow: Any) -> str:
    adds = ", ".join(f"{count} {name}" for name, count in bow.adds.items())
    if bow.verdict == "conflict":
        both = "both are here" if bow.copied else f"kept beside it: {adds}" if "bows" in bow.adds else "; ".join(bow.differs)
        return f"here already, but differs: {both}"
    return {"new": f"new: {adds}", "same": "here already, the same", "adds": f"here already; added: {adds}"}[bow.verdict]


def remeasure(
    what: Annotated[list[str] | None, typer.Argument(metavar="[BOW|STAGE]...", help="None: everything.")] = None,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Measure stages anew with this version, from their originals, and show what changed. Exit status 3: something failed."""
    from tillerlens.record import store
    from tillerlens.record.remeasure import remeasure as redo

    with opened(place, originals) as record, progress("Measuring") as moved:
        ids = None if not what else [i for words in what for i in _stage_ids(record, words)]
        changes = redo(record, ids, moved)
        bows = {b.id: b for b in store.list_bows(record)}
        lines = [line for c in changes for line in _say_change(bows[c.stage.bow_id], number_of(record, c.stage), c)]
        documents = [
            {
                "stage_id": c.stage.id,
                "status_before": c.stage.status,
                "status": c.status,
                "saved": c.saved,
                "failed": c.failed,
                "values": [asdict(v) for v in c.values],
            }
            for c in changes
        ]
        told = sum(c.tells for c in changes)
        lines.append(f"Measured again: {len(changes)}. To look at: {told}.")
        answer(documents, "\n".join(lines), json_out)
    raise typer.Exit(ASKS if any(c.failed for c in changes) else 0)


def _stage_ids(record: Record, words: str) -> Sequence[str]:
    from tillerlens.record import RecordError, store

    try:
        bow = store.find_bow(record, words)
    except RecordError:  # then it names a stage, or find_stage says why not
        return [store.find_stage(record, words).id]
    return [s.id for s in store.list_stages(record, bow.id)]


def _say_change(bow: Bow, number: int, change: Remeasured) -> list[str]:
    if not change.tells:
        return []
    head = f"{bow.name}:{number}"
    if change.failed:
        return [f"{head}  {change.failed}"]
    lines = [f"{head}  {change.stage.status} -> {change.status}"] if change.status != change.stage.status else []
    beyond = [v for v in change.values if v.beyond]
    return lines + [f"{head}  {v.name.replace('_', ' ')}: {_say(v.before, v.unit)} -> {_say(v.after, v.unit)}" for v in beyond]


def _say(number: float | None, unit: str) -> str:
    from tillerlens.core.measurement import Value
    from tillerlens.report.words.quantities import Units, say_value

    return say_value(Value(math.nan if number is None else number, math.nan, unit), Units())


def tidy(
    yes: Yes = False,
    undo: Annotated[bool, typer.Option("--undo", help="Put pictures that stages need back from the bin.")] = False,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Move pictures that no stage has any more, and what interrupted work left behind, to the record's bin.

    It says what it would move and asks. The bin keeps things for 30 days; a later tidy empties it of what is older.
    """
    from tillerlens.record import tidy as care

    with opened(place, originals) as record:
        if undo:
            back = care.put_back(record)
            answer({"put_back": len(back)}, f"{_files(len(back))} put back from the bin.", json_out)
            return
        plan = care.plan_sweep(record)
        lines = _say_sweep(record, plan)
        wanted = bool(plan.files or plan.old)
        if wanted and not yes and sys.stdin.isatty():
            say("\n".join(lines), err=True)
            yes, lines = typer.confirm("Do it?", err=True), []
        moved = care.sweep(record, plan) if wanted and yes else []
        if wanted and yes:
            lines.append(f"{_files(len(moved))} moved to {plan.bin}. 'tillerlens tidy --undo' puts back what is needed.")
        elif wanted:
            lines.append("Nothing was moved. Add --yes to do it.")
        document = {
            "files": len(plan.files),
            "bytes": plan.size_bytes,
            "moved": len(moved),
            "bin": str(plan.bin),
            "emptied": [d.name for d in plan.old] if yes else [],
        }
        answer(document, "\n".join(lines), json_out)


def _say_sweep(record: Record, plan: Sweep) -> list[str]:
    if not plan.files and not plan.old:
        return ["Nothing to tidy."]
    lines = []
    if plan.files:
        names = ", ".join(str(p.relative_to(record.folder)) for p in plan.files[:3])
        more = ", ..." if len(plan.files) > 3 else ""
        lines.append(f"Not needed: {_files(len(plan.files))}, {plan.size_bytes / 1e6:.1f} MB: {names}{more}")
    if plan.old:
        days = ", ".join(d.name for d in plan.old)
        lines.append(f"In the bin for more than 30 days, to be removed for good: {days} ({plan.old_bytes / 1e6:.1f} MB)")
    return lines


def _files(count: int) -> str:
    return f"{count} {'file' if count == 1 else 'files'}"


def check(
    heal: Annotated[bool, typer.Option("--heal", help="Fix what can be fixed without losing anything.")] = False,
    claim: Annotated[
        bool,
        typer.Option("--claim", help="Take the pictures in the folder as this record's own, where they seem not to be."),
    ] = False,
    yes: Yes = False,
    place: RecordAddress = None,
    originals: Originals = None,
    json_out: JsonOut = False,
) -> None:
    """Check everything in the record: pictures, measurements, links, small pictures; one line for each fault.

    --heal puts pictures back from the bin, has damaged small pictures made again, and takes the values beside a stage from its
    measurement again. Exit status: 0 all is whole, 3 faults were found and not all could be healed.
    """
    from tillerlens.record import identity
    from tillerlens.record.check import check as look

    if claim:
        with opened(place, originals) as record:
            if record.doubt is not None:
                confirm(yes, f"Are the pictures in {record.folder} this record's own?")
                identity.claim(record)
    with opened(place, originals) as record:
        with progress("Checking") as moved:
            faults = look(record, heal, moved)
        left = [f for f in faults if not f.healed]
        lines = [f"{f.about}: {f.text} {'Healed.' if f.healed else f.remedy}".strip() for f in faults]
        lines.append(f"{len(left)} {'fault' if len(left) == 1 else 'faults'}." if left else "Everything is in order.")
        answer({"whole": not left, "faults": [asdict(f) for f in faults]}, "\n".join(lines), json_out)
    raise typer.Exit(ASKS if left else 0)


COMMANDS: dict[str, Callable[..., None]] = {
    "export": export,
    "import": import_,
    "remeasure": remeasure,
    "tidy": tidy,
    "check": check,
}

"""The commands that take a record out, in, and measure it anew."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli_record import ASKS, JsonOut, Place, answer, number_of, opened, progress

if TYPE_CHECKING:
    from tillerlens.record import Bow, Record
    from tillerlens.record.remeasure import Change


def export(
    out: Annotated[Path, typer.Argument(help="The zip to write.")],
    bow: Annotated[list[str] | None, typer.Argument(help="Bows; none: the whole shop.")] = None,
    place: Place = None,
    json_out: JsonOut = False,
) -> None:
    """Write bows, or the whole shop, with their pictures to a zip: documents, tables for spreadsheets, originals."""
    from tillerlens.record import store
    from tillerlens.record.exchange import export as write

    if not out.parent.is_dir():
        raise typer.BadParameter(f"{out.parent} is not a folder; choose one that is there.")
    with opened(place) as record, progress("Exporting") as moved:
        ids = [store.find_bow(record, b).id for b in bow] if bow else None
        bows = write(record, out, ids, moved)
        answer(
            {"written": str(out), "bows": [b.id for b in bows]},
            f"{out}: {len(bows)} {'bow' if len(bows) == 1 else 'bows'}.",
            json_out,
        )


def import_(
    zip_file: Annotated[Path, typer.Argument(metavar="ZIP", help="A zip that export wrote.")],
    differing: Annotated[
        str,
        typer.Option(
            help="A bow that is here and differs: ask (nothing is imported), skip it, or keep both.", metavar="ask|skip|both"
        ),
    ] = "ask",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be done.")] = False,
    place: Place = None,
    json_out: JsonOut = False,
) -> None:
    """Take bows in from a zip: nothing is doubled, nothing overwritten. Exit status 3: it asks what to do."""
    from dataclasses import asdict

    from tillerlens.record.exchange import Choice, apply_import, plan_import

    if differing not in ("ask", "skip", "both"):
        raise typer.BadParameter("--differing is ask, skip or both.")
    with opened(place) as record, progress("Importing") as moved:
        plan = plan_import(record, zip_file, progress=moved)
        asking = [b for b in plan.bows if b.asks] if differing == "ask" else []
        choices: dict[str, Choice] = {b.bow_id: "both" if differing == "both" else "skip" for b in plan.bows if b.asks}
        done = plan.bows if dry_run or asking else apply_import(record, plan, choices)
        documents = {"imported": not (dry_run or asking), "bows": [asdict(b) for b in done]}
        answer(documents, "\n".join(f"{b.name}: {_say_plan(b)}" for b in done) or "The zip holds no bow.", json_out)
        if asking:
            typer.echo("Nothing was imported. Say --differing skip, or --differing both to keep them side by side.", err=True)
    raise typer.Exit(ASKS if asking else 0)


def _say_plan(bow: Any) -> str:
    adds = ", ".join(f"{count} {name}" for name, count in bow.adds.items())
    if bow.verdict == "conflict":
        both = "both are here" if bow.copied else f"kept beside it: {adds}" if "bows" in bow.adds else "; ".join(bow.differs)
        return f"here already, but differs: {both}"
    return {"new": f"new: {adds}", "same": "here already, the same", "adds": f"here already; added: {adds}"}[bow.verdict]


def remeasure(
    what: Annotated[list[str] | None, typer.Argument(metavar="[BOW|STAGE]...", help="None: everything.")] = None,
    place: Place = None,
    json_out: JsonOut = False,
) -> None:
    """Measure stages anew with this version, from their originals, and show what changed. Exit status 3: something failed."""
    from dataclasses import asdict

    from tillerlens.record import store
    from tillerlens.record.remeasure import remeasure as redo

    with opened(place) as record, progress("Measuring") as moved:
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
        lines.append(f"Measured anew: {len(changes)}. To look at: {told}.")
        answer(documents, "\n".join(lines), json_out)
    raise typer.Exit(ASKS if any(c.failed for c in changes) else 0)


def _stage_ids(record: Record, words: str) -> Sequence[str]:
    from tillerlens.record import RecordError, store

    try:
        bow = store.find_bow(record, words)
    except RecordError:  # then it names a stage, or find_stage says why not
        return [store.find_stage(record, words).id]
    return [s.id for s in store.list_stages(record, bow.id)]


def _say_change(bow: Bow, number: int, change: Change) -> list[str]:
    if not change.tells:
        return []
    head = f"{bow.name}:{number}"
    if change.failed:
        return [f"{head}  {change.failed}"]
    lines = [f"{head}  {change.stage.status} -> {change.status}"] if change.status != change.stage.status else []
    beyond = [v for v in change.values if v.beyond]
    return lines + [f"{head}  {v.name.replace('_', ' ')}: {_say(v.before, v.unit)} -> {_say(v.after, v.unit)}" for v in beyond]


def _say(number: float | None, unit: str) -> str:
    from tillerlens.measurement import Value
    from tillerlens.report.lengths import Units, say_value

    return say_value(Value(math.nan if number is None else number, math.nan, unit), Units())


def tidy(place: Place = None, json_out: JsonOut = False) -> None:
    """Remove pictures that no stage has any more, and what interrupted work left behind."""
    from tillerlens.record.store import sweep

    with opened(place) as record:
        gone = sweep(record)
        answer({"removed": len(gone)}, f"{len(gone)} files removed.", json_out)


COMMANDS: dict[str, Callable[..., None]] = {"export": export, "import": import_, "remeasure": remeasure, "tidy": tidy}

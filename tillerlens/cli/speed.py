"""``tillerlens speed``: an arrow's speed from the sound of a clip. Parse, call, print, translate errors."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, get_args

import typer

from tillerlens.cli.shared import ASKS, UNUSABLE, Originals, RecordAddress, opened, units_of
from tillerlens.core.errors import ShotError, TillerLensError
from tillerlens.core.events import ArrowSpeedDetails, Face
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.unforeseen import net
from tillerlens.core.units import parse_length

if TYPE_CHECKING:
    from tillerlens.film.heard import Heard
    from tillerlens.mechanics.flight import Flight, Shots
    from tillerlens.record import Record

# Everything else is imported where it is used, so that --help answers at once.


def speed_command(
    clip: Annotated[list[Path], typer.Argument(help="Clips of one shot each, video or sound, of arrows alike.")],
    distance: Annotated[str, typer.Option(help="From the bow's handle to the target's face, like 20yd.")],
    arrow: Annotated[str, typer.Option(help="The arrow's mass, like 500gr.")],
    phone: Annotated[str | None, typer.Option(help="From the phone to the bow; left out: 2 ft, beside the archer.")] = None,
    phone_to_target: Annotated[
        str | None, typer.Option(help="From the phone to the target; needed unless it lies beside the archer.")
    ] = None,
    temperature: Annotated[str | None, typer.Option(help="Of the air, like 68F or 20C.")] = None,
    arrow_length: Annotated[str | None, typer.Option(help="From the nock to the point, like 29in.")] = None,
    shaft: Annotated[str | None, typer.Option(help="The shaft's thickness, like 11/32in.")] = None,
    brace: Annotated[str | None, typer.Option(help="Brace height, like 6in.")] = None,
    part: Annotated[str | None, typer.Option(help="The seconds of the clip to listen to, like 1.5-3.")] = None,
    keep: Annotated[str | None, typer.Option(metavar="BOW", help="Keep the speed with this bow; needs --draw.")] = None,
    draw: Annotated[str | None, typer.Option(help="The draw that was shot, like 28in.")] = None,
    draw_to: Annotated[str, typer.Option(help="The draw was measured to the handle's back or belly.")] = "back",
    place: RecordAddress = None,
    originals: Originals = None,
    metric: Annotated[bool, typer.Option("--metric", help="Say it in cm, m/s and grams.")] = False,
    json_out: Annotated[bool, typer.Option("--json", help="Print a JSON document, in SI units.")] = False,
) -> None:
    """Tell an arrow's speed from the sound of string and thump in a phone's clip.

    Exit status: 0 told, 3 no speed could be told, 2 bad usage or an unusable clip.
    """
    from tillerlens.film.heard import HeardError, hear
    from tillerlens.film.sound import read_sound
    from tillerlens.mechanics.flight import check_range, fly, together
    from tillerlens.record.typed import read_arrow_mass, read_part, read_range
    from tillerlens.report.words.speed import speed_words

    units = units_of(metric)
    try:
        at, kg = read_range(distance, phone, phone_to_target, temperature, arrow_length, shaft, brace), read_arrow_mass(arrow)
        check_range(at, kg)
        within = None if part is None else read_part(part)
        if keep is not None:
            shot_at = _draw(draw, draw_to)
        heard: list[tuple[str, Heard]] = []
        for path in clip:
            with net("listening to", path.name):
                sound = read_sound(path)
                try:
                    heard.append((sound.name, hear(sound, at, within)))
                except HeardError as error:
                    raise HeardError(f"{sound.name}: {error.text}", error.remedy, **error.fields) from error
        flights = [fly(h.between_s, at, kg) for _, h in heard]
        shots = together(flights)
    except TillerLensError as error:
        from tillerlens.report.words.quantities import in_words

        typer.echo(in_words(error.reason, units), err=True)
        raise typer.Exit(ASKS if error.code == HeardError.code else UNUSABLE) from error
    kept = ""
    if keep is not None:
        with opened(place, originals) as record:
            kept = _kept(record, keep, shots, *shot_at)
    if json_out:
        typer.echo(json.dumps(as_document(heard, flights, shots), allow_nan=False))
    else:
        said = [s.text for s in speed_words(heard, flights, shots, at, units)]
        typer.echo("\n".join([*said, *([kept] if kept else [])]))


def _draw(draw: str | None, draw_to: str) -> tuple[float, Face]:
    from tillerlens.mechanics.evidence import check_draw

    if draw is None:
        raise ShotError("To keep the speed, the draw has to be known.", "Give it with --draw, like --draw 28in.")
    face: Face | None = next((f for f in get_args(Face) if f == draw_to), None)
    if face is None:
        raise ShotError(f"A draw is measured to the back or to the belly, not to '{draw_to[:20]}'.", "Write --draw-to back.")
    mm = parse_length(draw)
    check_draw(mm)
    return mm, face


def _kept(record: Record, bow: str, shots: Shots, draw_mm: float, draw_to: Face) -> str:
    from tillerlens.cli.record import say_event, who_did
    from tillerlens.record import Event, store
    from tillerlens.record.entries import now

    r = shots.reading()
    details = ArrowSpeedDetails(r.arrow_kg, r.speed_m_s, draw_mm, draw_to, r.u_speed_m_s)
    notes = "By ear, from 1 clip." if shots.count == 1 else f"By ear, mean of {shots.count} clips."
    made = Event(store.find_bow(record, bow).id, details.kind, now(), details, notes, who_did(None))
    return f"Kept: {say_event(store.add_event(record, made))}"


def as_document(heard: list[tuple[str, Heard]], flights: list[Flight], shots: Shots) -> JsonDocument:
    """The JSON form: m/s, s, kg, J."""
    from tillerlens.mechanics.cast import kinetic_energy

    joules = kinetic_energy(shots.arrow_kg, shots.at_bow.value)
    return {
        "format": "tillerlens-speed",
        "format_version": 1,
        "arrow_kg": shots.arrow_kg,
        "shots": [
            {
                "clip": name,
                "string_s": round(h.string.at_s, 5),
                "thump_s": round(h.thump.at_s, 5),
                "between": h.between_s.as_dict(5),
                "flight": f.time_s.as_dict(5),
                "speed_at_bow": f.at_bow.as_dict(),
                "speed_at_target": f.at_target.as_dict(),
                "echoes_s": [round(t, 3) for t in h.echoes_s],
            }
            for (name, h), f in zip(heard, flights, strict=True)
        ],
        "speed_at_bow": shots.at_bow.as_dict(),
        "speed_at_target": shots.at_target.as_dict(),
        "spread_m_s": round(shots.spread, 4) if shots.count > 1 else None,
        "energy_J": {"value": round(joules, 3), "u": round(joules * 2 * shots.at_bow.u / shots.at_bow.value, 3), "unit": "J"},
    }

"""The bench's commands: what the mechanics tell from measured pictures. Parse, call, print, translate errors."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli.shared import ASKS, DONE, Calipers, HeatFactor, JsonOut, Moisture, Weigh, refusing
from tillerlens.core.errors import ShotError
from tillerlens.core.reading import shown
from tillerlens.core.units import parse_length, parse_weight

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement
    from tillerlens.mechanics.bench import Given
    from tillerlens.mechanics.force_draw import Reading
    from tillerlens.mechanics.section import LimbSections
    from tillerlens.mechanics.strain import StrainLimit

# Everything else is imported where it is used, so that --help answers at once.

bench_app = typer.Typer(
    no_args_is_help=True, help="What the bends show, where to scrape next, how dry the wood is, and the next bow."
)


@bench_app.command("tell")
def tell_command(
    measured: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[DOCUMENT]...",
            help="Measurement documents of the bow braced and drawn; one from belly or back stands in for calipers.",
        ),
    ] = None,
    rest: Annotated[Path | None, typer.Option(help="The same bow unstrung, before.")] = None,
    rest_after: Annotated[Path | None, typer.Option(help="The same bow just unstrung again, for its set.")] = None,
    weigh: Weigh = None,
    hung: Annotated[
        str | None, typer.Option(help="What hung from the string in the drawn picture, like '2 gal water + 10 lb plate'.")
    ] = None,
    full: Annotated[str | None, typer.Option(help="Full draw to the back of the handle; else the furthest seen.")] = None,
    brace: Annotated[str | None, typer.Option(help="Back of the handle to the braced string.")] = None,
    length: Annotated[str | None, typer.Option(help="Bow's length nock to nock, where no document says it.")] = None,
    calipers: Calipers = None,
    wood: Annotated[str | None, typer.Option(help="The wood, like shagbark hickory.")] = None,
    moisture: Moisture = None,
    heat_factor: HeatFactor = None,
    heated: Annotated[
        bool, typer.Option("--heated", help="The belly was heat-hardened; without your own factor a range is taken.")
    ] = False,
    arrow: Annotated[list[str] | None, typer.Option(help="A chronograph reading, MASS=SPEED, like 500gr=170fps.")] = None,
    expect: Annotated[list[str] | None, typer.Option(help="Another arrow's mass, for its expected speed.")] = None,
    json_out: JsonOut = False,
) -> None:
    """Tell stiffness, strain and the weight at full draw from measured pictures and weighings.

    Exit status: 0 told, 3 something asked for could not be told, 2 bad usage or an unusable file.
    """
    from tillerlens.core.document import read_documents, read_rest
    from tillerlens.mechanics.bench import as_document, check_given, hang, tell
    from tillerlens.mechanics.evidence import check_arrow_mass
    from tillerlens.mechanics.hung import read_hung
    from tillerlens.mechanics.strain import heat_range
    from tillerlens.record.typed import read_arrow_mass
    from tillerlens.report.words.mechanics import bench_words, hung_words

    with refusing():
        at_rest = None if rest is None else read_rest(rest)
        sides, sections = sides_and_sections([d for path in measured or [] for d in read_documents(path)], at_rest, calipers)
        given = _given(
            sides,
            at_rest,
            None if rest_after is None else read_rest(rest_after),
            weigh or [],
            (full, brace, length),
            arrow or [],
        )
        weight = None if hung is None else read_hung(hung)
        if weight is not None:
            given = hang(given, weight)
        limit, modulus, stand_in = _wood(wood, moisture)
        heat_range(heat_factor)  # one that cannot be is refused here
        given = replace(
            given, limit=limit, modulus=modulus, sections=sections, heat_factor=heat_factor or (None if heated else 1.0)
        )
        check_given(given)
        others = [read_arrow_mass(text) for text in expect or []]
        for mass in others:
            check_arrow_mass(mass)
    found = tell(given)
    if json_out:
        document = as_document(found, others) | {"wood": limit.wood or None, "wood_said": stand_in or None}
        document |= {"hung": None if weight is None else weight.weight.as_dict()}
        typer.echo(json.dumps(document, allow_nan=False))
    else:
        said = [] if weight is None else [s.text for s in hung_words(weight)]
        said += [s.text for s in bench_words(found, others=others)]
        typer.echo("\n".join(said if not stand_in or stand_in in said else [*said, stand_in]))
    raise typer.Exit(ASKS if found.reasons else DONE)


def _given(
    pictures: list[Measurement],
    rest: Measurement | None,
    rest_after: Measurement | None,
    weigh: list[str],
    lengths: tuple[str | None, str | None, str | None],
    arrows: list[str],
) -> Given:
    from tillerlens.mechanics.bench import Given
    from tillerlens.mechanics.cast import ArrowSpeed
    from tillerlens.record.typed import read_arrow_mass, read_speed

    full, brace, length = (None if text is None else read_size(text) for text in lengths)
    readings = read_weighings(weigh)
    shots = [ArrowSpeed(read_arrow_mass(a), read_speed(b)) for a, b in (_pair(text, "500gr=170fps") for text in arrows)]
    return Given(pictures, rest, rest_after, readings, length, full, brace, arrows=shots)


def read_weighings(weigh: list[str]) -> list[Reading]:
    """Weighings without a picture, written like ``20in=33lb``. Raises ShotError."""
    from tillerlens.mechanics.force_draw import Reading

    return [Reading(read_size(a), parse_weight(b)) for a, b in (_pair(text, "20in=33lb") for text in weigh)]


def read_size(text: str) -> float:
    """A length, mm, that is more than nothing. Raises ShotError."""
    mm = parse_length(text)
    if mm <= 0:
        raise ShotError(f"'{shown(text)}' is not a length for this: it must be more than zero.", "Correct it.", given=text)
    return mm


def _pair(text: str, example: str) -> tuple[str, str]:
    left, sign, right = text.partition("=")
    if not sign or not left.strip() or not right.strip():
        raise ShotError(f"'{shown(text)}' cannot be read.", f"Write it like {example}.", given=text)
    return left, right


def _wood(name: str | None, moisture: str | None) -> tuple[StrainLimit, tuple[float, float] | None, str]:
    """The strain limit and the handbook's modulus (N/mm2, spread) of a wood by name there, and what stands in for it."""
    from tillerlens.mechanics.find_wood import find_wood
    from tillerlens.mechanics.strain import strain_limit
    from tillerlens.mechanics.wood import read_moisture

    percent = None if moisture is None else read_moisture(moisture)
    if name is None:
        return strain_limit(None, percent), None, ""
    found = find_wood(name)
    likely = found.strength(percent)
    return strain_limit(found, percent), (likely.strength.elasticity, likely.spread), likely.said


def sides_and_sections(
    pictures: list[Measurement], rest: Measurement | None, calipers: Path | None
) -> tuple[list[Measurement], dict[Any, LimbSections] | None]:
    """The pictures from the side, and the limbs' sections: by calipers, else by a front view among them.

    Raises SectionError, ShotError or MechanicsError with what to do.
    """
    from tillerlens.mechanics.views import differing, sections_of_views

    sides = [m for m in pictures if not m.from_front]
    fronts = [m for m in pictures if m.from_front]
    sections = None if calipers is None else read_calipers(calipers)
    if fronts and sections is None:
        return sides, sections_of_views(fronts[-1], [*sides, *([] if rest is None else [rest])])
    doubt = differing(sections, fronts[-1]) if fronts and sections is not None else None
    if doubt is not None:
        typer.echo(f"{doubt.text} {doubt.remedy}", err=True)
    return sides, sections


def read_calipers(path: Path) -> dict[Any, LimbSections]:
    """Sections of both limbs from a CSV of caliper stations. Raises SectionError or ShotError with what to do."""
    from tillerlens.core.measurement import LIMBS
    from tillerlens.mechanics.section import SectionError, Station, sections_from_stations

    form = "Its first line is limb,from_nock,width,thickness,crown; crown may be left out."
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SectionError(f"{path.name} cannot be read as a table.", form) from error
    stations: dict[str, list[Station]] = {limb: [] for limb in LIMBS}
    for row in rows:
        limb = (row.get("limb") or "").strip().lower()
        if limb not in stations or not all(row.get(k) for k in ("from_nock", "width", "thickness")):
            raise SectionError(f"A line of {path.name} lacks its limb, place, width or thickness.", form)
        at, width, thick, crown = (parse_length(row.get(k) or "0") for k in ("from_nock", "width", "thickness", "crown"))
        stations[limb].append(Station(at, width, thick, crown))
    if any(len(s) < 2 for s in stations.values()):
        raise SectionError(f"{path.name} has fewer than two stations on a limb.", "Measure each limb at five places or more.")
    return {limb: sections_from_stations(s, limb) for limb, s in stations.items()}

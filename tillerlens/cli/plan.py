"""The bench's commands about wood coming off, and before there is a bow: scraping plan, moisture, layout."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tillerlens.cli.bench import read_size, read_weighings, sides_and_sections
from tillerlens.cli.shared import ASKS, DONE, Calipers, HeatFactor, JsonOut, Moisture, UnstrungDocument, Weigh, refusing
from tillerlens.core.errors import DocumentError, ShotError
from tillerlens.core.files import write_whole
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.reading import shown
from tillerlens.core.units import parse_length, parse_quantity, parse_weight

if TYPE_CHECKING:
    from tillerlens.mechanics.layout import Layout
    from tillerlens.mechanics.scraping import Foretold, Scrape

# Everything else is imported where it is used, so that --help answers at once.


def scrape_command(
    measured: Annotated[
        list[Path],
        typer.Argument(
            metavar="DOCUMENT...",
            help="Measurement documents of the bow drawn, one of them weighed; one from belly or back stands in for calipers.",
        ),
    ],
    rest: UnstrungDocument,
    weight: Annotated[str, typer.Option(help="Target draw weight, like 45lb.")],
    draw: Annotated[str, typer.Option(help="Target draw to the back of the handle, like 28in.")],
    bend: Annotated[
        str,
        typer.Option(
            help="even_strain (needs calipers or a belly or back picture), arc, more_outer, more_inner, like_upper, like_lower."
        ),
    ] = "arc",
    tiller: Annotated[str, typer.Option(help="Target tiller, upper minus lower gap, lowest to highest.")] = "0in to 1/4in",
    keep: Annotated[str, typer.Option(help="Weight kept for shooting in and finishing.")] = "2.5lb",
    calipers: Calipers = None,
    weigh: Weigh = None,
    brace: Annotated[str | None, typer.Option(help="Back of the handle to the braced string.")] = None,
    scraped: Annotated[
        list[str] | None,
        typer.Option(help="Strokes noted and the weight before and after at one draw: 'upper 8in-13in 20 strokes 41lb-40lb'."),
    ] = None,
    last: Annotated[
        Path | None, typer.Option(help="The plan before this one, as --json printed it; its step has been taken.")
    ] = None,
    chart: Annotated[Path | None, typer.Option(help="Write the plan's chart here, a Vega-Lite JSON file.")] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the plan here as one page for the bench, a PDF.")] = None,
    paper: Annotated[str, typer.Option(help="Of that page: letter or a4.")] = "letter",
    json_out: JsonOut = False,
) -> None:
    """Say where to take wood off next: one careful step toward the wished bend and weight, with what to expect after it.

    Exit status: 0 told, also when the advice is to take nothing off; 2 bad usage, or something needed is missing.
    """
    from tillerlens.core.document import read_documents, read_one
    from tillerlens.mechanics.bench import Unpictured
    from tillerlens.mechanics.plan import as_document, plan_from_documents
    from tillerlens.mechanics.scraping.target import BENDS, ScrapeTarget
    from tillerlens.report.charts.plan import plan_chart
    from tillerlens.report.pdf_plan import plan_pdf
    from tillerlens.report.words.plan import plan_in_words
    from tillerlens.report.words.plan_tables import plan_tables
    from tillerlens.report.words.quantities import in_columns

    if bend not in BENDS:
        raise typer.BadParameter(f"{bend} is no bend; choose one of {', '.join(BENDS)}.")
    with refusing():
        kept = parse_weight(keep, or_none=True)
        wish = ScrapeTarget(parse_weight(weight), read_size(draw), bend, _span(tiller), kept)
        at_rest = read_one(rest)
        sides, sections = sides_and_sections([d for path in measured for d in read_documents(path)], at_rest, calipers)
        plan = plan_from_documents(
            sides,
            at_rest,
            wish,
            sections,
            history=[_scraped(text) for text in scraped or []],
            last=None if last is None else _read_plan(last),
            beside=Unpictured(read_weighings(weigh or []), None if brace is None else read_size(brace)),
        )
        if chart is not None:
            write_whole(chart, plan_chart(plan).to_json().encode())
        if pdf is not None:
            write_whole(pdf, plan_pdf(plan, "Scraping plan", paper=paper))  # type: ignore[arg-type]
    said = plan_in_words(plan)
    if json_out:
        words = {part: [line.text for line in getattr(said, part)] for part in ("first", "steps", "expect", "care")}
        typer.echo(json.dumps(as_document(plan) | {"words": words | {"always": list(said.always)}}, allow_nan=False))
    else:
        typer.echo("\n".join(line.text for line in [*said.first, *said.steps]))
        for table in plan_tables(plan) if plan.stop is None else ():
            typer.echo("\n".join(["", table.caption, *in_columns([table.head, *table.rows])]))
        typer.echo("\n".join(["", *(line.text for line in [*said.expect, *said.care]), *said.doubts, *said.always]))


def moisture_command(
    temperature: Annotated[str, typer.Option(help="Of the air, like 70F or 21C.")],
    humidity: Annotated[str, typer.Option(help="Relative, like 45%.")],
    wood: Annotated[str | None, typer.Option(help="The wood, like hickory or red oak, for its strength there.")] = None,
    low: Annotated[str | None, typer.Option(help="Driest at which you bend this wood, percent.")] = None,
    high: Annotated[str | None, typer.Option(help="Dampest at which you bend this wood, percent.")] = None,
    json_out: JsonOut = False,
) -> None:
    """Tell what moisture wood comes to in this air, whether it may be bent then, and how strong it is."""
    from tillerlens.mechanics.find_wood import find_wood
    from tillerlens.mechanics.wood import (
        DRYNESS_WORDS,
        MODELS,
        DryBand,
        dryness,
        equilibrium_moisture,
        moisture_of_air,
        read_humidity,
        read_moisture,
    )
    from tillerlens.record.typed import read_celsius

    with refusing():
        celsius, share = read_celsius(temperature, ShotError), read_humidity(humidity) / 100
        found = None if wood is None else find_wood(wood)
        usual = DryBand.of("" if found is None else found.species.name)
        band = DryBand(usual.low if low is None else read_moisture(low), usual.high if high is None else read_moisture(high))
        both = {m: equilibrium_moisture(celsius, share, m).value for m in MODELS}
        told = moisture_of_air(celsius, share)
        likely = None if found is None else found.strength(told.value)
    verdict = dryness(told, band)
    if json_out:
        document: JsonDocument = {
            "moisture_percent": {k: round(v, 3) for k, v in ({"value": told.value, "u": told.u} | both).items()},
            "causes_percent": {k: round(v, 3) for k, v in told.budget.items()},
            "band_percent": [band.low, band.high],
            "dryness": verdict,
        }
        if found is not None and likely is not None:
            document |= {"wood": found.species.name, "source": found.species.source, "verified": found.species.verified}
            numbers = (("elasticity_MPa", likely.strength.elasticity), ("rupture_MPa", likely.strength.rupture))
            document |= {k: None if v != v else round(v, 1) for k, v in numbers}
            document |= {"said": likely.said or None}
        typer.echo(json.dumps(document, allow_nan=False))
        return
    first, second = (f"{v:.1f}" for v in both.values())
    typer.echo(
        f"Wood left in this air comes to {told.value:.1f} % moisture (±{_tenth_up(2 * told.u)} %). Two published equations say "
        f"{first} % (Wood Handbook, Hailwood-Horrobin) and {second} % (Glass 2014). It takes weeks, not hours."
    )
    typer.echo(f"{DRYNESS_WORDS[verdict]} (Band {band.low:g} to {band.high:g} %: common practice; makers disagree.)")
    if found is not None and likely is not None:
        typer.echo(
            f"{found.species.name}: stiffness about {likely.strength.elasticity / 1000:.1f} GPa, bending strength about "
            f"{likely.strength.rupture:.0f} MPa there ({found.species.source}). {likely.said}".strip()
        )


def layout_command(
    length: Annotated[str, typer.Option(help="Nock to nock.")],
    weight: Annotated[str, typer.Option(help="Target draw weight.")],
    draw: Annotated[str, typer.Option(help="Target draw to the back of the handle.")],
    wood: Annotated[str, typer.Option(help="The wood, like hickory, osage or red oak.")],
    handle: Annotated[str, typer.Option(help="Stiff middle with its fades.")] = "8in",
    width: Annotated[str | None, typer.Option(help="At the fades; left out: what makers usually cut of this wood.")] = None,
    tips: Annotated[str, typer.Option(help="Width at the nocks.")] = "1/2in",
    most_set: Annotated[str, typer.Option("--set", help="The most set you accept.")] = "2in",
    tree: Annotated[str | None, typer.Option(help="Tree's diameter, for the crown of the back.")] = None,
    moisture: Moisture = None,
    heat_factor: HeatFactor = None,
    heated: Annotated[
        bool, typer.Option("--heated", help="The belly will be heat-hardened; without your own factor a range is taken.")
    ] = False,
    json_out: JsonOut = False,
) -> None:
    """Lay out the next bow: width and thickness to a weight, the strain and the set to expect, and what a change would do.

    Exit status: 0 laid out, 3 the bow should not be cut so, 2 bad usage.
    """
    from tillerlens.mechanics.find_wood import find_wood
    from tillerlens.mechanics.layout import lay_out, wish_of_wood
    from tillerlens.mechanics.wood import read_moisture
    from tillerlens.report.words.layout import layout_words
    from tillerlens.report.words.quantities import Units, in_columns

    with refusing():
        found, percent = find_wood(wood), None if moisture is None else read_moisture(moisture)
        wish = replace(
            wish_of_wood(
                found, parse_length(length), parse_weight(weight), parse_length(draw), moisture=percent,
                heat_factor=heat_factor if heat_factor is not None else None if heated else 1.0,
            ),
            handle=parse_length(handle), width=None if width is None else parse_length(width),
            tree_diameter=None if tree is None else parse_length(tree), tip_width=parse_length(tips),
            most_set=parse_length(most_set),
        )  # fmt: skip
        got = lay_out(wish)
    said = layout_words(got, wish, found, percent, Units())
    if json_out:
        typer.echo(json.dumps(_layout_document(got, found.species.name), allow_nan=False))
    else:
        lines = [s.text for s in said.first]
        for table in (said.sizes, said.what_ifs):
            lines += ["", *in_columns(table), ""] if table else []
        typer.echo("\n".join([*lines, *(s.text for s in said.rest)]).replace("\n\n\n", "\n\n"))
    raise typer.Exit(DONE if got.stopped is None else ASKS)


def _layout_document(got: Layout, wood: str) -> JsonDocument:
    """Sizes are left out of a bow that should not be cut."""
    document: JsonDocument = {"format": "tillerlens-layout", "format_version": 1, "wood": wood, "verdict": got.verdict}
    document |= {"stopped": None if got.stopped is None else got.stopped.as_dict()}
    if got.stopped is None:
        names = ("from_handle", "width", "rough", "thickness", "crown")
        document |= {f"{n}_mm": [round(float(x), 2) for x in getattr(got, n)] for n in names}
    what_ifs: list[JsonDocument] = [
        {
            "wider_mm": w.wider, "longer_mm": w.longer, "weight_as_thick_N": round(w.weight_as_thick, 2),
            "thickness_mm": round(w.thickness, 2), "strain": round(w.strain, 6),
            "set_expected_mm": [round(w.set_expected.low_mm, 1), round(w.set_expected.high_mm, 1)],
        }
        for w in got.what_ifs
    ]  # fmt: skip
    return document | {
        "strain": [round(float(x), 6) for x in got.strain],
        "set_expected_mm": [round(got.set_expected.low_mm, 1), round(got.set_expected.high_mm, 1)],
        "weight_N": round(got.weight, 2),
        "string_angle_deg": round(got.string_angle_deg, 1),
        "cautions": [c.as_dict() for c in got.cautions],
        "what_ifs": what_ifs,
    }


def _tenth_up(x: float) -> str:
    return f"{math.ceil(10 * x - 1e-9) / 10:.1f}"


def _span(text: str) -> tuple[float, float]:
    """Two lengths, or one that is meant exactly."""
    ends = [parse_length(part) for part in re.split(r"\s+to\s+", text.strip())]
    if len(ends) > 2:
        raise ShotError(f"'{text}' is not a tiller.", "Write it like '0in to 1/4in'.", given=text)
    return ends[0], ends[-1]


def _read_plan(path: Path) -> Foretold:
    from tillerlens.mechanics.plan import read_foretold

    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise DocumentError(
            f"{path.name} cannot be read as a plan ({error}).", "Give what bench scrape --json printed."
        ) from error
    return read_foretold(document if isinstance(document, dict) else {})


def _scraped(text: str) -> Scrape:
    from tillerlens.mechanics.observed import READING_U_N
    from tillerlens.mechanics.scraping import Scrape

    match = re.fullmatch(r"\s*(upper|lower)\s+(\S+)-(\S+)\s+(\d+)\s*strokes\s+(\S+)-(\S+)\s*", text)
    if match is None:
        raise ShotError(f"'{shown(text)}' cannot be read.", "Write it like 'upper 8in-13in 20 strokes 41lb-40lb'.", given=text)
    limb, a, b, n, before, after = match.groups()
    ends = sorted((parse_length(a), parse_length(b)))
    strokes = parse_quantity(n, {"": 1.0}, "number of strokes", "20")
    return Scrape(limb, (ends[0], ends[1]), strokes, parse_weight(before), parse_weight(after), READING_U_N)  # type: ignore[arg-type]


COMMANDS: dict[str, Callable[..., None]] = {"scrape": scrape_command, "moisture": moisture_command, "layout": layout_command}

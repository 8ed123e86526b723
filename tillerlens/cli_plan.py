"""The bench's commands about wood coming off, and before there is a bow: scraping plan, moisture, layout."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tillerlens.cli_bench import TOLD, UNUSABLE, bench_app, read_calipers
from tillerlens.errors import ShotError, TillerLensError

if TYPE_CHECKING:
    from tillerlens.mechanics.scraping import Scrape
    from tillerlens.mechanics.wood import Species

# Everything else is imported where it is used, so that --help answers at once.

JsonOut = Annotated[bool, typer.Option("--json", help="Print a JSON document.")]


def add_plan() -> None:
    """Hang these commands on the bench's command line."""
    for name, command in (("scrape", scrape_command), ("moisture", moisture_command), ("layout", layout_command)):
        bench_app.command(name)(command)


def scrape_command(
    measured: Annotated[
        list[Path],
        typer.Argument(metavar="DOCUMENT...", help="Measurement documents of the bow drawn, one of them weighed; others help."),
    ],
    rest: Annotated[Path, typer.Option(help="The same bow unstrung.")],
    weight: Annotated[str, typer.Option(help="Wished draw weight, like 45lb.")],
    draw: Annotated[str, typer.Option(help="Wished draw to the back of the handle, like 28in.")],
    bend: Annotated[
        str, typer.Option(help="even_strain (needs --calipers), arc, more_outer, more_inner, like_upper or like_lower.")
    ] = "arc",
    tiller: Annotated[str, typer.Option(help="Wished tiller, upper minus lower gap, lowest to highest.")] = "0in to 1/4in",
    keep: Annotated[str, typer.Option(help="Weight kept for shooting in and finishing.")] = "2.5lb",
    calipers: Annotated[
        Path | None, typer.Option(help="CSV of caliper stations: limb,from_nock,width,thickness[,crown]; lengths like 1 3/8in.")
    ] = None,
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
    from tillerlens.document import read_documents
    from tillerlens.files import write_whole
    from tillerlens.mechanics.plan import as_document, plan_from_documents
    from tillerlens.mechanics.wish import BENDS, ScrapeWish
    from tillerlens.report.chart_plan import plan_chart
    from tillerlens.report.pdf_plan import plan_pdf
    from tillerlens.report.table_plan import plan_tables
    from tillerlens.report.words_plan import plan_in_words
    from tillerlens.units import parse_length, parse_weight

    if bend not in BENDS:
        raise typer.BadParameter(f"{bend} is no bend; choose one of {', '.join(BENDS)}.")
    try:
        kept = parse_weight(keep) if keep.strip().rstrip("lbkg ").strip("0.") else 0.0
        wish = ScrapeWish(parse_weight(weight), parse_length(draw), bend, _span(tiller), kept)
        plan = plan_from_documents(
            [d for path in measured for d in read_documents(path)],
            read_documents(rest)[0],
            wish,
            None if calipers is None else read_calipers(calipers),
            history=[_scraped(text) for text in scraped or []],
            last=None if last is None else _read_plan(last),
        )
        if chart is not None:
            write_whole(chart, plan_chart(plan).to_json().encode())
        if pdf is not None:
            write_whole(pdf, plan_pdf(plan, "Scraping plan", paper=paper))  # type: ignore[arg-type]
    except TillerLensError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    said = plan_in_words(plan)
    if json_out:
        words = {part: [line.text for line in getattr(said, part)] for part in ("first", "steps", "expect", "care")}
        typer.echo(json.dumps(as_document(plan) | {"words": words | {"always": list(said.always)}}, allow_nan=False))
    else:
        typer.echo("\n".join(line.text for line in [*said.first, *said.steps]))
        for table in plan_tables(plan) if plan.stop is None else ():
            typer.echo(f"\n{table.caption}\n{_in_columns([table.head, *table.rows])}")
        typer.echo("\n".join(["", *(line.text for line in [*said.expect, *said.care]), *said.doubts, *said.always]))
    raise typer.Exit(TOLD)


def moisture_command(
    temperature: Annotated[str, typer.Option(help="Of the air, like 70F or 21C.")],
    humidity: Annotated[str, typer.Option(help="Relative, like 45%.")],
    wood: Annotated[str | None, typer.Option(help="The wood, like shagbark hickory, for its strength there.")] = None,
    low: Annotated[float | None, typer.Option(help="Driest at which you bend this wood, percent.")] = None,
    high: Annotated[float | None, typer.Option(help="Dampest at which you bend this wood, percent.")] = None,
    json_out: JsonOut = False,
) -> None:
    """Tell what moisture wood comes to in this air, whether it may be bent then, and how strong it is."""
    from tillerlens.mechanics.wood import DRYNESS_WORDS, DryBand, dryness, equilibrium_moisture, strength_at

    try:
        celsius, share = _celsius(temperature), _share(humidity)
        species = None if wood is None else _species(wood)
        first, second = equilibrium_moisture(celsius, share), equilibrium_moisture(celsius, share, "glass-2014")
    except TillerLensError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    band = DryBand.of("" if species is None else species.name)
    band = DryBand(band.low if low is None else low, band.high if high is None else high)
    verdict = dryness(first, band)
    strong = None if species is None else strength_at(species, first.value)
    if json_out:
        document: dict[str, Any] = {
            "moisture_percent": {"hailwood-horrobin": round(first.value, 2), "glass-2014": round(second.value, 2), "u": first.u},
            "band_percent": [band.low, band.high],
            "dryness": verdict,
        }
        if species is not None and strong is not None:
            document |= {"wood": species.name, "source": species.source, "verified": species.verified}
            numbers = (("elasticity_MPa", strong.elasticity), ("rupture_MPa", strong.rupture))
            document |= {k: None if v != v else round(v, 1) for k, v in numbers}
        typer.echo(json.dumps(document, allow_nan=False))
        return
    typer.echo(
        f"Wood left in this air comes to {first.value:.1f} % moisture (±{2 * first.u:.0f} %; Wood Handbook, Hailwood-Horrobin); "
        f"a second model (Glass 2014) says {second.value:.1f} %. It does so over weeks, not hours."
    )
    typer.echo(f"{DRYNESS_WORDS[verdict]} (Band {band.low:g} to {band.high:g} %: common practice; makers disagree.)")
    if species is not None and strong is not None:
        known = strong.elasticity == strong.elasticity
        typer.echo(
            f"{species.name}: stiffness about {strong.elasticity / 1000:.1f} GPa, bending strength about "
            f"{strong.rupture:.0f} MPa there ({species.source})."
            if known
            else f"{species.name}: its strength at this moisture is not in the table ({species.source})."
        )


def layout_command(
    length: Annotated[str, typer.Option(help="Nock to nock.")],
    weight: Annotated[str, typer.Option(help="Wished draw weight.")],
    draw: Annotated[str, typer.Option(help="Wished draw to the back of the handle.")],
    wood: Annotated[str, typer.Option(help="The wood, like shagbark hickory.")],
    handle: Annotated[str, typer.Option(help="Stiff middle with its fades.")] = "8in",
    width: Annotated[str | None, typer.Option(help="At the fades; left out: the least the wood allows.")] = None,
    tree: Annotated[str | None, typer.Option(help="Tree's diameter, for the crown of the back.")] = None,
    json_out: JsonOut = False,
) -> None:
    """Lay out the next bow: width and thickness to a weight, as a starting point with extra wood left on."""
    from tillerlens.mechanics.layout import LayoutWish, lay_out
    from tillerlens.mechanics.strain import strain_limit
    from tillerlens.report.lengths import Units, say_length, say_weight
    from tillerlens.units import parse_length, parse_weight

    try:
        species = _species(wood)
        strength = species.dry or species.green
        assert strength is not None  # every wood of the table has one
        limit = strain_limit(species.name, strength.rupture, strength.elasticity).strain
        got = lay_out(
            LayoutWish(
                parse_length(length), parse_weight(weight), parse_length(draw), strength.elasticity, limit, parse_length(handle),
                width=None if width is None else parse_length(width), tree_diameter=None if tree is None else parse_length(tree),
            )
        )  # fmt: skip
    except TillerLensError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    names = ("from_handle", "width", "rough", "thickness", "crown")
    if json_out:
        document: dict[str, Any] = {f"{n}_mm": [round(float(x), 2) for x in getattr(got, n)] for n in names}
        document["strain"] = [round(float(x), 6) for x in got.strain]
        document["cautions"] = [c.as_dict() for c in got.cautions]
        typer.echo(json.dumps(document | {"weight_N": round(got.weight, 2)}, allow_nan=False))
        return
    units = Units()
    typer.echo("from handle  width      rough to   may end at  crown")
    for row in zip(*(getattr(got, n)[::2] for n in names), strict=True):
        typer.echo("  ".join(f"{say_length(float(x), units, 2 if i else 1):<10}" for i, x in enumerate(row)).rstrip())
    typer.echo(
        f"Finished about {say_weight(got.weight, units)}; the same sizes in a softer or stiffer stave: "
        f"{say_weight(got.weight_low, units)} to {say_weight(got.weight_high, units)}. Wood: {species.source}."
    )
    typer.echo("\n".join(f"{c.text} {c.remedy}" for c in got.cautions))


def _in_columns(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return "\n".join("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows)


def _span(text: str) -> tuple[float, float]:
    """Two lengths, or one that is meant exactly."""
    from tillerlens.units import parse_length

    ends = [parse_length(part) for part in re.split(r"\s+to\s+", text.strip())]
    if len(ends) > 2:
        raise ShotError(f"'{text}' is not a tiller.", "Write it like '0in to 1/4in'.", given=text)
    return ends[0], ends[-1]


def _read_plan(path: Path) -> dict[str, Any]:
    from tillerlens.document import DocumentError

    try:
        document = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise DocumentError(
            f"{path.name} cannot be read as a plan ({error}).", "Give what bench scrape --json printed."
        ) from error
    return document if isinstance(document, dict) else {}


def _species(name: str) -> Species:
    from tillerlens.mechanics.wood import WoodError, species_table

    table = {k.lower(): v for k, v in species_table().items()}
    found = table.get(name.strip().lower())
    if found is None:
        known = ", ".join(sorted(v.name for v in table.values()))
        raise WoodError(f"The wood '{name}' is not in the table.", f"Give one of {known}.", given=name)
    return found


def _celsius(text: str) -> float:
    match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*°?\s*([fc])\s*", text.lower())
    if match is None:
        raise ShotError(f"'{text}' is not a temperature.", "Write it like 70F or 21C.", given=text)
    value = float(match[1])
    return value if match[2] == "c" else (value - 32) / 1.8


def _share(text: str) -> float:
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*%?\s*", text)
    if match is None:
        raise ShotError(f"'{text}' is not a relative humidity.", "Write it like 45%.", given=text)
    return float(match[1]) / 100


def _scraped(text: str) -> Scrape:
    from tillerlens.mechanics.scraping import Scrape
    from tillerlens.mechanics.seen import READING_U_N
    from tillerlens.units import parse_length, parse_weight

    match = re.fullmatch(r"\s*(upper|lower)\s+(\S+)-(\S+)\s+(\d+)\s*strokes\s+(\S+)-(\S+)\s*", text)
    if match is None:
        raise ShotError(f"'{text}' cannot be read.", "Write it like 'upper 8in-13in 20 strokes 41lb-40lb'.", given=text)
    limb, a, b, n, before, after = match.groups()
    ends = sorted((parse_length(a), parse_length(b)))
    return Scrape(limb, (ends[0], ends[1]), float(n), parse_weight(before), parse_weight(after), READING_U_N)  # type: ignore[arg-type]

"""``tillerlens draw``: a draw on film, measured over its length. Parse, call, print, translate errors."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tillerlens.cli.bench import read_weighings
from tillerlens.cli.shared import ASKS, DONE, UNUSABLE, Originals, RecordAddress, Weigh, opened, units_of
from tillerlens.core.errors import TillerLensError
from tillerlens.core.files import write_whole
from tillerlens.core.shot_file import read_shot
from tillerlens.core.units import parse_length

if TYPE_CHECKING:
    from tillerlens.film.draw import DrawFilm
    from tillerlens.mechanics.bench import Bench
    from tillerlens.report.words.quantities import Units

# Everything else is imported where it is used, so that --help answers at once.


def draw_command(
    video: Annotated[Path, typer.Argument(help="A clip of one pull, hold and let-down, from the side.")],
    shot: Annotated[Path, typer.Option(help="What is known of the bow and its marks; clicks belong to the first frame.")],
    every: Annotated[str, typer.Option(help="Measure a frame at each such step of draw, like 1in or 2cm.")] = "1in",
    rest: Annotated[Path | None, typer.Option(help="Measurement document of the same bow unstrung, for judging spots.")] = None,
    weigh: Weigh = None,
    brace: Annotated[str | None, typer.Option(help="Back of the handle to the braced string, to weigh from.")] = None,
    chart: Annotated[Path | None, typer.Option(help="Write a picture of the bend over the draw here (SVG).")] = None,
    keep: Annotated[
        str | None, typer.Option(metavar="BOW", help="Keep frames of the pull on this bow's timeline: its name or identity.")
    ] = None,
    place: RecordAddress = None,
    originals: Originals = None,
    metric: Annotated[bool, typer.Option("--metric", help="Say it in cm.")] = False,
    json_out: Annotated[bool, typer.Option("--json", help="Print a JSON document, in mm and degrees.")] = False,
) -> None:
    """Follow a draw through a clip: draw length, tips, string angle and which limb moves first.

    With weighings, also the weight along the pull and the energy it stores.

    Exit status: 0 measured, 3 needs help, 2 bad usage or an unusable clip.
    """
    from tillerlens.core.document import check_same_bow, read_rest
    from tillerlens.film.draw import measure_draw
    from tillerlens.film.journal import usual_folder
    from tillerlens.film.weight import weigh_pull
    from tillerlens.mechanics.bench import Given, as_document, check_given
    from tillerlens.report.words.quantities import in_words

    units = units_of(metric)
    if chart is not None and (chart.suffix.lower() != ".svg" or not chart.parent.is_dir()):
        raise typer.BadParameter(f"{chart} is not an SVG file's name in a folder that is there; write it like OUT.svg.")
    try:
        facts = read_shot(shot, video.name)
        earlier = None if rest is None else read_rest(rest)
        if earlier is not None:
            check_same_bow(earlier, facts)
        given = Given(
            (), earlier, readings=read_weighings(weigh or []), brace_back_mm=None if brace is None else parse_length(brace)
        )
        check_given(given)
        film = measure_draw(video, facts, parse_length(every), earlier, progress=_progress, journals=usual_folder())
    except TillerLensError as error:
        typer.echo(in_words(error.reason, units), err=True)
        raise typer.Exit(UNUSABLE) from error
    finally:
        _progress(0.0, "")
    for reason in film.reasons:
        typer.echo(in_words(reason, units), err=True)
    if chart is not None and len([s for s in film.stages if s.phase != "let-down"]) > 1:
        from tillerlens.report.charts.film import draw_figure

        write_whole(chart, draw_figure(film, units, earlier).encode())
    if keep is not None and film.status == "measured":
        _keep(video, film, keep, place, originals)
    bench = weigh_pull(film, given)
    if json_out:
        weighed = {} if bench is None else {"force_draw": as_document(bench)["force_draw"]}
        typer.echo(json.dumps(film.as_document() | weighed, allow_nan=False))
    elif lines := as_text(film, units, bench):
        typer.echo("\n".join(lines))
    raise typer.Exit(DONE if film.status == "measured" else ASKS)


def _keep(video: Path, film: DrawFilm, bow: str, place: str | None, originals: str | None) -> None:
    from tillerlens.history.of_film import keep_draw
    from tillerlens.record import store

    with opened(place, originals) as record:
        of = store.find_bow(record, bow)
        kept = keep_draw(record, of.id, video, film)
        typer.echo(f"Kept {len(kept)} frame{'' if len(kept) == 1 else 's'} of the pull with {of.name}.", err=True)


def as_text(film: DrawFilm, units: Units, bench: Bench | None = None) -> list[str]:
    """What the clip tells, in lines; with a ``bench``, what the bow weighs along the pull."""
    from tillerlens.report.words.film import draw_table, draw_words, weight_words

    said = [s.text for s in [*draw_words(film, units), *([] if bench is None else weight_words(bench, units))]]
    table = draw_table(film, units, None if bench is None else bench.curve)
    return [*said, "", *table] if table else said


def _progress(share: float, doing: str) -> None:
    """One line on the terminal, written over; wiped where nothing is done any more."""
    if sys.stderr.isatty():
        line = f"{doing} ({100 * share:.0f} %)".ljust(50) if doing else " " * 50 + "\r"
        typer.echo(f"\r{line}", nl=False, err=True)

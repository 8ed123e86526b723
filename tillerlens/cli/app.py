"""The command line: parse, call, print, translate errors."""

from __future__ import annotations

import io
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tillerlens import __version__
from tillerlens.cli import bench, exchange, plan, record, report, what_if
from tillerlens.cli.draw import draw_command
from tillerlens.cli.pictures import MeasuredPicture, measure_one, pictures_in
from tillerlens.cli.serve import serve
from tillerlens.cli.shared import ASKS, DONE, UNUSABLE, refusing
from tillerlens.cli.speed import speed_command
from tillerlens.core.errors import TillerLensError
from tillerlens.core.files import write_whole
from tillerlens.core.unforeseen import net
from tillerlens.core.units import parse_length

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement
    from tillerlens.photo.intake import Photo

# Everything else is imported where it is used, so that --help answers at once.

_ABOUT = "Photographs of a wooden bow turned into numbers a bowyer can act on."

app = typer.Typer(add_completion=False, no_args_is_help=True, help=_ABOUT, pretty_exceptions_enable=False)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"tillerlens {__version__}")
        raise typer.Exit


@app.callback(help=_ABOUT)
def _about(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    from tillerlens.cli.log import log_to_file

    log_to_file()


@app.command()
def measure(
    photo: Annotated[list[Path], typer.Argument(help="Photographs, or folders of them with their shot files.")],
    shot: Annotated[
        Path | None,
        typer.Option(help="What was typed and clicked for this photograph; if left out, NAME.shot.json beside it."),
    ] = None,
    rest: Annotated[Path | None, typer.Option(help="Measurement document of the same bow unstrung, for judging spots.")] = None,
    json_out: Annotated[bool, typer.Option("--json", help="Print measurement documents.")] = False,
    overlay: Annotated[
        Path | None,
        typer.Option(help="Write the photograph with the traced bow here (PNG; a folder for several)."),
    ] = None,
) -> None:
    """Measure photographs: gaps, bend, string angle, reflex, each with its uncertainty.

    Exit status: 0 measured, 3 needs help or refused, 2 bad usage or an unusable file.
    """
    several = len(photo) > 1 or photo[0].is_dir()
    pictures = pictures_in(photo)
    if several and shot is not None:
        raise typer.BadParameter("one shot file goes with one photograph; put each beside its photograph.")
    if overlay is not None:
        _check_overlay(overlay, pictures, several)
    overlays = _overlay_places(overlay, pictures, several)
    documents, worst = [], DONE
    with _progress(pictures) as bar:
        for path, drawn in zip(bar, overlays, strict=True):
            outcome = measure_one(path, shot, rest)
            status = _finish(outcome, drawn, json_out)
            worst = status if worst == DONE or status == UNUSABLE else worst
            documents.append(outcome.measurement.as_document())
    if json_out:
        typer.echo(json.dumps(documents if several else documents[0], allow_nan=False))
    raise typer.Exit(worst)


@app.command()
def tags(
    out: Annotated[Path, typer.Argument(help="The PDF to write.")],
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    side: Annotated[str, typer.Option(help="Side of the black square, like 4in or 100mm.")] = "4in",
) -> None:
    """Print the four tags that give a board its scale."""
    from tillerlens.report.tag_sheets import render_tag_sheets

    with refusing():
        (pdf,) = render_tag_sheets(paper, parse_length(side))  # type: ignore[arg-type]  # it checks the paper
        write_whole(out, pdf)
    typer.echo(f"{out}: four sheets. Print at full size and check the length on each with a ruler.")


_OWN: dict[str, Callable[..., None]] = {"speed": speed_command, "draw": draw_command, "serve": serve}
_OF_THE_BENCH: dict[str, Callable[..., None]] = {**plan.COMMANDS, "whatif": what_if.what_if_command}
for _name, _group in {**record.GROUPS, "bench": bench.bench_app}.items():
    app.add_typer(_group, name=_name)
for _to, _commands in ((app, {**exchange.COMMANDS, **report.COMMANDS, **_OWN}), (bench.bench_app, _OF_THE_BENCH)):
    for _name, _command in _commands.items():
        _to.command(_name)(_command)


def main() -> None:
    """Entry point of the console script."""
    app()


def _finish(outcome: MeasuredPicture, overlay: Path | None, json_out: bool) -> int:
    """Print and draw one outcome; its exit status."""
    from tillerlens.report.table import as_text

    found = outcome.measurement
    if found.status != "measured":
        for reason in found.reasons:
            typer.echo(f"{reason.text} {reason.remedy}".strip(), err=True)
    if outcome.photo is None:
        return UNUSABLE
    try:
        with net("showing", outcome.photo.name):
            if not json_out:
                typer.echo(as_text(found) + "\n")
            if overlay is not None:
                _write_overlay(overlay, outcome.photo, found, outcome.rest)
    except TillerLensError as error:
        typer.echo(str(error), err=True)
        return UNUSABLE
    return DONE if found.status == "measured" else ASKS


def _check_overlay(overlay: Path, pictures: list[Path], several: bool) -> None:
    """Everything about the overlay's place that can be told before the work begins."""
    if several:
        if not overlay.is_dir():
            raise typer.BadParameter(f"{overlay} is not a folder; several photographs need one for --overlay.")
        return
    if overlay.suffix.lower() != ".png" or overlay.is_dir():
        raise typer.BadParameter(f"{overlay} is not a PNG file's name; write it like OUT.png.")
    if not overlay.parent.is_dir():
        raise typer.BadParameter(f"{overlay.parent} is not a folder; choose one that is there.")
    if overlay.exists() and any(p.exists() and overlay.samefile(p) for p in pictures):
        raise typer.BadParameter("the overlay would overwrite the photograph; choose another name.")


def _overlay_places(overlay: Path | None, pictures: list[Path], several: bool) -> list[Path | None]:
    """Where each picture's overlay goes. Of several, those that are called alike have their folder or a number in the name."""
    if overlay is None or not several:
        return [overlay] * len(pictures)
    alike = Counter(p.stem.casefold() for p in pictures)  # a.JPG and A.jpg are one name on many disks
    taken = set[str]()
    out: list[Path | None] = []
    for path in pictures:
        stem = path.stem if alike[path.stem.casefold()] == 1 else f"{path.resolve().parent.name}-{path.name}"
        name, n = stem, 1
        while name.casefold() in taken:
            n += 1
            name = f"{stem}-{n}"
        taken.add(name.casefold())
        out.append(overlay / f"{name}.overlay.png")
    return out


def _write_overlay(path: Path, photo: Photo, found: Measurement, rest: Measurement | None) -> None:
    from PIL import Image

    from tillerlens.report.overlay import draw_overlay

    png = io.BytesIO()
    Image.fromarray(draw_overlay(photo.rgb, found, rest=rest)).save(png, "PNG")
    write_whole(path, png.getvalue())


@contextmanager
def _progress(pictures: list[Path]) -> Iterator[Iterable[Path]]:
    """The pictures, with a bar on stderr when several are measured before somebody's eyes."""
    if len(pictures) < 2 or not sys.stderr.isatty():
        yield pictures
        return
    with typer.progressbar(pictures, label="Measuring", file=sys.stderr) as bar:
        yield bar

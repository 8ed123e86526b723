"""The command line: parse, call, print, translate errors."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from tillerlens.errors import TillerLensError

app = typer.Typer(add_completion=False, no_args_is_help=True, help="Photographs of a wooden bow turned into numbers a bowyer can act on.")


@app.callback()
def _about() -> None:
    """Photographs of a wooden bow turned into numbers a bowyer can act on."""


@app.command()
def measure(
    photo: Annotated[list[Path], typer.Argument(help="Photographs, or folders of them.")],
    shot: Annotated[Path | None, typer.Option(help="Shot file: what was typed and clicked about this photograph.")] = None,
    rest: Annotated[Path | None, typer.Option(help="Measurement document of the same bow unstrung.")] = None,
    json_out: Annotated[bool, typer.Option("--json", help="Print the measurement document.")] = False,
    overlay: Annotated[Path | None, typer.Option(help="Write the photograph with the traced bow here (PNG).")] = None,
) -> None:
    """Measure photographs: gaps, bend, string angle, reflex, each with its uncertainty."""
    from tillerlens.measure import measure_photo
    from tillerlens.photo.intake import read_photo
    from tillerlens.shot import read_shot

    try:
        picture = read_photo(photo[0])
        facts = read_shot(shot or photo[0].with_suffix(".shot.json"), picture.name, (picture.rgb.shape[1], picture.rgb.shape[0]))
        earlier = json.loads(rest.read_text()) if rest else None
    except TillerLensError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error
    result = measure_photo(picture, facts, earlier)
    if json_out:
        typer.echo(json.dumps(result.as_document()))
    if result.status != "measured":
        for reason in result.reasons:
            typer.echo(f"{reason.text} {reason.remedy}", err=True)
        sys.exit(3)


def main() -> None:
    """Entry point of the console script."""
    app()

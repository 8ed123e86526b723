"""Photographs named on the command line, each with the shot file beside it, and one of them measured."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tillerlens import __version__
from tillerlens.core.errors import ShotError, TillerLensError
from tillerlens.core.reading import shown
from tillerlens.core.shot_file import read_shot
from tillerlens.core.unforeseen import net

if TYPE_CHECKING:
    from tillerlens.core.measurement import Measurement
    from tillerlens.photo.intake import Photo

PICTURES = {".jpg", ".jpeg", ".jpe", ".mpo", ".png", ".heic", ".heif", ".hif", ".webp"}
SHOT_ENDINGS = (".shot.json", ".given.json")


@dataclass(frozen=True, eq=False)
class MeasuredPicture:
    """One picture's measurement, with the picture itself where it could be read and used."""

    measurement: Measurement
    photo: Photo | None
    rest: Measurement | None = None


def pictures_in(given: list[Path]) -> list[Path]:
    """The photographs themselves: of a folder, every picture with a shot file beside it."""
    out: list[Path] = []
    for path in given:
        if not path.is_dir():
            out.append(path)
            continue
        try:
            seen = sorted(p for p in path.iterdir() if p.suffix.lower() in PICTURES and p.is_file())
        except OSError as error:
            raise typer.BadParameter(f"{shown(str(path))} cannot be read: {(error.strerror or str(error)).lower()}.") from error
        ready = [p for p in seen if shot_beside(p) is not None]
        if not ready:
            raise typer.BadParameter(f"{path} holds no picture with a shot file beside it (NAME.shot.json).")
        if len(ready) < len(seen):
            typer.echo(f"{path}: {len(seen) - len(ready)} without a shot file passed over.", err=True)
        out += ready
    return out


def shot_beside(photo: Path) -> Path | None:
    return next((p for end in SHOT_ENDINGS if (p := photo.with_suffix(end)).is_file()), None)


def measure_one(path: Path, shot: Path | None, rest: Path | None) -> MeasuredPicture:
    from tillerlens.core.measurement import Measurement, PhotoId
    from tillerlens.photo.intake import read_photo

    about = PhotoId(shown(path.name))
    try:
        with net("measuring", shown(path.name)):
            picture = read_photo(path)
            about = PhotoId(about.name, picture.sha256, (picture.width, picture.height))
            return _measure_with_shot(path, picture, shot, rest)
    except TillerLensError as error:
        return MeasuredPicture(Measurement("refused", "unknown", (error.reason,), photo=about, version=__version__), None)


def _measure_with_shot(path: Path, picture: Photo, shot: Path | None, rest: Path | None) -> MeasuredPicture:
    from tillerlens.core.document import check_same_bow, read_rest
    from tillerlens.measure import measure_photo

    file = shot or shot_beside(path)
    if file is None:
        beside = shown(path.with_suffix(SHOT_ENDINGS[0]).name)
        raise ShotError(f"{shown(path.name)} has no shot file.", f"Write {beside} beside it, or name one with --shot.")
    facts = read_shot(file, picture.name, (picture.width, picture.height))
    earlier = None if rest is None else read_rest(rest)
    if earlier is not None:
        check_same_bow(earlier, facts)
    return MeasuredPicture(measure_photo(picture, facts, earlier), picture, earlier)

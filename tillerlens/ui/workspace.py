"""What the app keeps beside the record, in its folder, each file whole or not at all: settings, boards, pictures on the bench.

A picture on the bench has been handed over but is not on a bow's timeline yet. Its bytes lie under their hash and what is known
of it in a JSON file beside them, so that a locked phone, a reload or a stopped server loses nothing.
"""

from __future__ import annotations

import hashlib
import json
import re
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar

from tillerlens.core.errors import TillerLensError
from tillerlens.core.events import Face
from tillerlens.core.files import write_whole
from tillerlens.core.json_form import JsonObject
from tillerlens.core.shot import Form
from tillerlens.core.shot_file import read_shot
from tillerlens.record.entries import new_id, plain_name
from tillerlens.report.words.quantities import LengthUnit, Units, WeightUnit
from tillerlens.report.words.verdict import Wish
from tillerlens.server import refuse_if_looking

# A shot's fields that belong to what the bow hangs on; they go when another board is chosen.
OF_A_BOARD = ("scale", "standoff_in", "standoff_u_in", "upper_limb", "back", "marks_px")
ALONE = threading.RLock()  # held from reading a file to writing it changed, or two sessions undo each other's changes


class AppFileError(TillerLensError):
    """What the app keeps beside the record cannot be read; ``fields['damaged']`` is the file that can be set aside."""

    code = "kept"


@dataclass(frozen=True)
class Settings:
    """How the shop wants to be spoken to, and what is usual there. who: the name beside corrections."""

    length: LengthUnit = "sixteenths"
    weight: WeightUnit = "lb"
    upper_limb: str = "left"  # in a picture
    back: str = "up"
    draw_to: Face = "back"
    wish_low_mm: float = Wish.low_mm
    wish_high_mm: float = Wish.high_mm
    who: str = "somebody in the shop"

    @property
    def units(self) -> Units:
        return Units(self.length, self.weight)

    @property
    def wish(self) -> Wish:
        return Wish(self.wish_low_mm, self.wish_high_mm)


@dataclass(frozen=True)
class Board:
    """A board or wall described once: the shot's scale, how far before its marks a bow hangs, and how a bow usually hangs on it:
    where in a photo its upper limb lies and which way its back looks. None: as in the settings.
    """

    name: str
    scale: Form
    standoff_in: float | None = None
    standoff_u_in: float | None = None
    id: str = field(default_factory=new_id)
    upper_limb: str | None = None
    back: str | None = None

    def form(self) -> Form:
        """The fields of a shot that this board answers."""
        known = {name: getattr(self, name) for name in OF_A_BOARD if name != "marks_px"}
        return {k: v for k, v in known.items() if v is not None}


@dataclass(frozen=True)
class OnBench:
    """A picture on the bench. form: what is known of it alone; guessed: where each guess comes from, in words; state_guessed: the
    bow's state as it was guessed from the order of pictures, until the picture itself has shown another or somebody has said it.
    taken_at: when it was taken, in ISO form; taken_by: whether the file says so ("file"), a person, or nobody ("").
    """

    sha256: str
    name: str
    bow_id: str
    form: Form
    guessed: tuple[str, ...] = ()
    board_id: str | None = None
    state_guessed: str | None = None
    taken_at: str | None = None
    taken_by: str = ""


Document = TypeVar("Document", Settings, Board, OnBench)


# --- settings and boards


def settings(folder: Path) -> Settings:
    document = _load(folder / "settings.json", "The settings")
    if document is None:
        return Settings()
    known = Settings(**_known(Settings, document))
    allowed = {"length": ("sixteenths", "inches", "cm"), "weight": ("lb", "kg"), "draw_to": ("back", "belly")}
    allowed |= {"upper_limb": ("left", "right", "top", "bottom"), "back": ("left", "right", "up", "down")}
    odd = {name for name, choices in allowed.items() if getattr(known, name) not in choices}
    numbers = all(isinstance(v, int | float) for v in (known.wish_low_mm, known.wish_high_mm))
    if odd or not numbers or not isinstance(known.who, str):
        raise _damaged(folder / "settings.json", "The settings")
    return known


def keep_settings(folder: Path, new: Settings, before: Settings | None = None) -> None:
    """Keep the settings. before: as they were read; what somebody else has changed since and this change leaves alone, stays."""
    with ALONE:
        if before is not None:
            was = asdict(before)
            new = replace(settings(folder), **{k: v for k, v in asdict(new).items() if v != was[k]})
        _save(folder / "settings.json", asdict(new))


def boards(folder: Path) -> list[Board]:
    """Every board, the one last used first."""
    document = _load(folder / "boards.json", "The boards")
    if document is None:
        return []
    try:
        return [Board(**_known(Board, entry)) for entry in document["boards"]]
    except (KeyError, TypeError) as error:
        raise _damaged(folder / "boards.json", "The boards") from error


def keep_board(folder: Path, board: Board) -> None:
    """Keep a board, in place of the one of its identity, as the one last used. Raises ShotError when it makes no sense."""
    check_board(board)
    with ALONE:
        _save_boards(folder, [board, *(b for b in boards(folder) if b.id != board.id)])


def remove_board(folder: Path, board_id: str) -> None:
    with ALONE:
        _save_boards(folder, [b for b in boards(folder) if b.id != board_id])


def check_board(board: Board) -> None:
    """Raise ShotError or AppFileError when no picture could be measured by this board."""
    if not board.name.strip():
        raise AppFileError("The board has no name.", "Write what you call it.")
    marks: Form = {}
    kind = board.scale.get("kind")
    if kind in ("lines_and_two_marks", "tape", "two_marks", "stick"):
        marks = {"marks_px": [[0, 0], [900, 0]]}  # they differ from picture to picture; any will do for the check
    elif kind == "four_marks":
        across, down = (float(board.scale.get(k, 1.0)) for k in ("width_in", "height_in"))
        marks = {"marks_px": [[0, 0], [99 * across, 0], [99 * across, 99 * down], [0, 99 * down]]}
    bow = {"version": 1, "state": "braced", "bow_length_nock_to_nock_in": 66, "handle_in": 8, "upper_limb": "left", "back": "up"}
    read_shot(hanging({**bow, **board.form(), **marks}))


def hanging(form: Mapping[str, Any]) -> Form:
    """The form with a back that goes with where the upper limb lies: up or down beside left and right, else left or right."""
    level = form.get("upper_limb") in ("left", "right")
    faces = ("up", "down") if level else ("left", "right")
    return {**form, "back": form["back"] if form.get("back") in faces else faces[0]}


def _save_boards(folder: Path, every: list[Board]) -> None:
    _save(folder / "boards.json", {"boards": [asdict(b) for b in every]})


# --- the bench


def lay_down(folder: Path, data: bytes, name: str, bow_id: str, form: Form) -> OnBench:
    """Put a picture on the bench; what is already known of the same bytes is kept."""
    refuse_if_looking()
    sha256 = hashlib.sha256(data).hexdigest()
    with ALONE:
        there = pick_up(folder, bow_id, sha256)
        if there is not None:
            return there
        place = _bench(folder, bow_id)
        place.mkdir(parents=True, exist_ok=True)
        write_whole(place / f"{sha256}.picture", data)
        laid = OnBench(sha256, plain_name(name), bow_id, form)
        note(folder, laid)
        return laid


def note(folder: Path, picture: OnBench) -> None:
    """Keep what is now known of a picture on the bench. Raises AppFileError when somebody else has taken it away."""
    place = _bench(folder, picture.bow_id) / f"{picture.sha256}.json"
    with ALONE:
        if not place.with_suffix(".picture").exists():
            raise _taken_away(picture.name)
        _save(place, asdict(picture))


def pick_up(folder: Path, bow_id: str, sha256: str) -> OnBench | None:
    if not re.fullmatch("[0-9a-f]{64}", sha256):
        return None
    place = _bench(folder, bow_id) / f"{sha256}.json"
    document = _load(place, "A picture's notes on the bench")
    if document is None:
        return None
    try:
        found = OnBench(**_known(OnBench, document))
        return replace(found, guessed=tuple(found.guessed))
    except TypeError as error:
        raise _damaged(place, "A picture's notes on the bench") from error


def picture_of(folder: Path, picture: OnBench) -> bytes:
    try:
        return (_bench(folder, picture.bow_id) / f"{picture.sha256}.picture").read_bytes()
    except OSError as error:
        raise _taken_away(picture.name) from error


def _taken_away(name: str) -> AppFileError:
    return AppFileError(f"{name} is no longer on the bench.", "Check the timeline. If it is not there, add it again.")


def on_bench(folder: Path, bow_id: str) -> list[OnBench]:
    """A bow's pictures on the bench, in the order in which they came."""
    with ALONE:
        notes = sorted(_bench(folder, bow_id).glob("*.json"), key=_came)
        found = [pick_up(folder, bow_id, p.stem) for p in notes]
        return [f for f in found if f is not None]


def _came(notes: Path) -> tuple[int, str]:
    """When a picture came to the bench. Another tab may have taken it off since the folder was read: then it comes first."""
    try:
        return notes.with_suffix(".picture").stat().st_mtime_ns, notes.name
    except OSError:
        return 0, notes.name


def clear_away(folder: Path, picture: OnBench) -> None:
    """Take a picture off the bench: its notes first, since bytes without notes are never shown."""
    refuse_if_looking()
    with ALONE:
        for ending in ("json", "picture"):
            (_bench(folder, picture.bow_id) / f"{picture.sha256}.{ending}").unlink(missing_ok=True)


def _bench(folder: Path, bow_id: str) -> Path:
    if not re.fullmatch("[0-9a-f-]{36}", bow_id):
        raise AppFileError("There is no such bow.", "Choose one from the shelf.")
    return folder / "bench" / bow_id


# --- files


def _known(kind: type[Document], document: Mapping[str, Any]) -> JsonObject:
    """The fields that this program knows; a newer one's others are passed over."""
    names = {f.name for f in fields(kind)}
    return {k: v for k, v in document.items() if k in names}


def _load(place: Path, what: str) -> JsonObject | None:
    try:
        document = json.loads(place.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except OSError as error:
        cause = (error.strerror or str(error)).lower()
        raise AppFileError(f"{what} cannot be read: {cause}.", "Check the record's folder.") from error
    except ValueError as error:
        raise _damaged(place, what) from error
    if not isinstance(document, dict):
        raise _damaged(place, what)
    return document


def _damaged(place: Path, what: str) -> AppFileError:
    remedy = f"Put the file back from a backup, or set it aside and start again: {place}"
    return AppFileError(f"{what} are damaged.", remedy, damaged=place)


def set_aside(place: Path) -> Path:
    """Give a damaged file another name, so that a new one can be begun; where it lies now. Raises AppFileError."""
    refuse_if_looking()
    aside = place.with_name(f"{place.name}.damaged-{new_id()[:8]}")
    try:
        return place.rename(aside)
    except OSError as error:
        cause = (error.strerror or str(error)).lower()
        raise AppFileError(f"{place.name} cannot be set aside: {cause}.", "Check the record's folder.") from error


def _save(place: Path, document: Mapping[str, Any]) -> None:
    refuse_if_looking()
    place.parent.mkdir(parents=True, exist_ok=True)
    write_whole(place, json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1).encode())

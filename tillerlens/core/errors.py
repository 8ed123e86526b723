"""Every way TillerLens can say no, each with what the bowyer can do about it.

An error is *raised* when a value is impossible; doubt is *flagged* in the measurement instead (see ``Reason``).
The command line and the app print the same text: ``error.text`` and ``error.remedy``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from tillerlens.core.json_form import JsonDocument

PixelPoint = tuple[float, float]  # pixels of the upright full-size picture
Wants = Literal[
    "nock_upper", "nock_lower", "handle", "hook", "edge_back", "edge_belly", "scale", "length", "upper_limb", "state", "retake"
]


@dataclass(frozen=True)
class Ask:
    """The one thing that would help, and where in the picture it is wanted.

    ``wants``: a click (by its name in the shot), an edge to put right, a number to check, or another picture. ``place_px``: where
    to look; ``stretch_px``: the stretch of the line that is doubted, as a polyline.
    """

    wants: Wants
    place_px: PixelPoint | None = None
    stretch_px: tuple[PixelPoint, ...] = ()

    def as_dict(self) -> JsonDocument:
        return {
            "wants": self.wants,
            "place_px": None if self.place_px is None else _rounded(self.place_px),
            "stretch_px": [_rounded(q) for q in self.stretch_px],
        }

    @staticmethod
    def from_dict(d: Mapping[str, Any]) -> Ask:
        assert d["wants"] in get_args(Wants)  # the schema has seen to it
        place = d["place_px"]
        stretch = tuple((float(x), float(y)) for x, y in d["stretch_px"])
        return Ask(d["wants"], None if place is None else (float(place[0]), float(place[1])), stretch)


def _rounded(at: PixelPoint) -> list[float]:
    return [round(float(at[0]), 1), round(float(at[1]), 1)]


@dataclass(frozen=True)
class Reason:
    """Why a measurement is doubtful, needs help or was refused: a code, a sentence, what to do, and where."""

    code: str
    text: str
    remedy: str = ""
    asks: Ask | None = None

    def as_dict(self) -> JsonDocument:
        out: JsonDocument = {"code": self.code, "text": self.text, "remedy": self.remedy}
        return out if self.asks is None else out | {"asks": self.asks.as_dict()}

    @staticmethod
    def from_dict(d: Mapping[str, Any]) -> Reason:
        asks = d.get("asks")
        return Reason(d["code"], d["text"], d["remedy"], None if asks is None else Ask.from_dict(asks))


class TillerLensError(Exception):
    """Base of all errors a user can meet. ``code`` is stable, ``fields`` hold the numbers behind the sentence."""

    code = "error"

    def __init__(self, text: str, remedy: str = "", **fields: Any) -> None:
        self.text, self.remedy, self.fields = text, remedy, fields
        super().__init__(f"{text} {remedy}".strip())

    @property
    def reason(self) -> Reason:
        return Reason(self.code, self.text, self.remedy, self.fields.get("asks"))


class PhotoError(TillerLensError):
    """The picture file cannot be used."""

    code = "photo"


class ShotError(TillerLensError):
    """What the bowyer typed or clicked about the picture does not make sense."""

    code = "shot"


class DocumentError(TillerLensError):
    """A measurement document cannot be used."""

    code = "document"


class ScaleError(TillerLensError):
    """The marks that give the scale cannot be found or do not fit together."""

    code = "scale"


class NeedsHelp(TillerLensError):
    """The bow could not be found with certainty.

    ``fields``: ``clicks`` names the clicks that help in general. ``fault`` says what went wrong, by the names of
    ``trace.questions``, which makes of it the one thing to ask; ``limb``, ``end`` (0 upper, 1 lower), ``share`` (of the limb's
    length from its nock, from and to), ``place_px`` and ``path_px`` say where.
    """

    code = "needs_help"


class StateDiffers(TillerLensError):
    """The picture shows the bow otherwise than it was said to be; ``fields['shows']`` says how."""

    code = "state_differs"

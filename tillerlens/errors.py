"""Every way TillerLens can say no, each with what the bowyer can do about it.

An error is *raised* when a value is impossible; doubt is *flagged* in the measurement instead (see ``Reason``).
The command line and the app print the same text: ``error.text`` and ``error.remedy``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Reason:
    """Why a measurement is doubtful, needs help or was refused: a code, a sentence, and what to do."""

    code: str
    text: str
    remedy: str = ""

    def as_dict(self) -> dict[str, str]:
        return {"code": self.code, "text": self.text, "remedy": self.remedy}


class TillerLensError(Exception):
    """Base of all errors a user can meet. ``code`` is stable, ``fields`` hold the numbers behind the sentence."""

    code = "error"

    def __init__(self, text: str, remedy: str = "", **fields: Any) -> None:
        self.text, self.remedy, self.fields = text, remedy, fields
        super().__init__(f"{text} {remedy}".strip())

    @property
    def reason(self) -> Reason:
        return Reason(self.code, self.text, self.remedy)


class PhotoError(TillerLensError):
    """The picture file cannot be used."""

    code = "photo"


class ShotError(TillerLensError):
    """What the bowyer typed or clicked about the picture does not make sense."""

    code = "shot"


class ScaleError(TillerLensError):
    """The marks that give the scale cannot be found or do not fit together."""

    code = "scale"


class NeedsHelp(TillerLensError):
    """The bow could not be found with certainty; ``fields['clicks']`` names the clicks wanted."""

    code = "needs_help"


class StateDiffers(TillerLensError):
    """The picture shows the bow otherwise than it was said to be; ``fields['shows']`` says how."""

    code = "state_differs"


class RetakePhoto(TillerLensError):
    """The picture cannot carry a measurement; a better one is needed."""

    code = "retake"

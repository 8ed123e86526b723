"""One gate for evidence: which measurement documents may speak of a bow, and as what.

What does not fit is refused with a sentence: a drawn picture given as the shape at rest would halve every strain, and a
picture of another bow would tell of hinges that are not there.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tillerlens.document import SAME_BOW_MM
from tillerlens.mechanics.seen import MechanicsError
from tillerlens.units import MM_PER_INCH, format_inches


def name_of(document: dict[str, Any]) -> str:
    """What people call the picture of a measurement document."""
    return str((document.get("photo") or {}).get("name") or "this picture")


def check_strung(document: dict[str, Any]) -> None:
    """Raise MechanicsError unless the document measures the bow braced or drawn."""
    _check_measured(document)
    if document["state"] not in ("braced", "drawn"):
        raise MechanicsError(
            f"{name_of(document)} shows the bow {document['state']}, so it cannot tell how the limbs carry the string's pull.",
            "Give it as the shape at rest, or leave it out.",
            state=document["state"],
        )


def check_rest(document: dict[str, Any]) -> None:
    """Raise MechanicsError unless the document measures the bow unstrung."""
    _check_measured(document)
    if document["state"] != "unstrung":
        raise MechanicsError(
            f"{name_of(document)} shows the bow {document['state']}, so it cannot stand for its shape at rest.",
            "Give a picture of the bow unstrung.",
            state=document["state"],
        )


def check_one_bow(documents: Sequence[dict[str, Any]]) -> None:
    """Raise MechanicsError where the documents' bows differ in length by more than two tapes along one bow would."""
    lengths = [(float(d["shot"]["bow_length_nock_to_nock_in"]) * MM_PER_INCH, d) for d in documents]
    if not lengths:
        return
    (short, a), (long, b) = min(lengths, key=lambda p: p[0]), max(lengths, key=lambda p: p[0])
    if long - short > SAME_BOW_MM:
        raise MechanicsError(
            f"{name_of(a)} and {name_of(b)} show bows of different lengths, {format_inches(short)} and {format_inches(long)}.",
            "Give pictures of one bow, or put its length right where it was mistyped.",
            lengths_mm=(short, long),
        )


def check_evidence(strung: Sequence[dict[str, Any]], rest: dict[str, Any] | None) -> None:
    """Raise MechanicsError unless these documents may speak together of one bow as it is now."""
    for document in strung:
        check_strung(document)
    if rest is not None:
        check_rest(rest)
    check_one_bow([*strung, *([] if rest is None else [rest])])


def _check_measured(document: dict[str, Any]) -> None:
    if document.get("status") != "measured":
        raise MechanicsError(
            f"{name_of(document)} was not measured, so nothing can be told from it.", "Measure it first, or leave it out."
        )

"""Which measurements count as evidence of a bow, and as what.

What does not fit is refused with a sentence: a drawn picture given as the shape at rest would halve every strain, and a
picture of another bow would tell of hinges that are not there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tillerlens.core.document import SAME_BOW_MM, differing_size
from tillerlens.core.measurement import LIMBS, LimbName, Measurement
from tillerlens.core.units import (
    FOOT_M,
    MM_PER_INCH,
    format_grains,
    format_inches,
    format_pounds,
    kg_from_grains,
    newtons_from_pounds,
)
from tillerlens.mechanics.observed import MechanicsError

OFF_NOCK_MM, THROUGH_MM = 40.0, 2.0  # nearer to the nock, or by less, a line through the limb may be a nock's misplacing


def once(pictures: Sequence[Measurement]) -> list[Measurement]:
    """Of every photograph its last measurement: one picture given twice would count as two that agree."""
    return list({m.photo.sha256 or id(m): m for m in pictures}.values())


def check_strung(found: Measurement) -> None:
    """Raise MechanicsError unless the bow was measured braced or drawn."""
    _check_measured(found)
    if found.state not in ("braced", "drawn"):
        raise MechanicsError(
            f"{found.name} shows the bow {found.state}, so it cannot tell how the limbs carry the string's pull.",
            "Give it as the shape at rest, or leave it out.",
            state=found.state,
        )
    if found.facts.draw_weight_n is not None:
        check_weight(found.facts.draw_weight_n)
    limb = _through_limb(found)
    if limb is not None:
        raise MechanicsError(
            f"In {found.name} the line of the string passes through the {limb} limb near its tip, so the string lies on a "
            "recurve's belly. TillerLens can't work out how such a string loads the limb.",
            "Give a picture drawn so far that the string has left the belly, or check where the nocks were clicked.",
            limb=limb,
        )


def _through_limb(found: Measurement) -> LimbName | None:
    """The limb that the straight line from nock to hook, or to the other nock, passes through well inside the nock."""
    if found.trace is None or not len(found.trace.nocks_mm):
        return None
    nocks, hook = found.trace.nocks_mm, found.trace.hook_mm
    for k, limb in enumerate(LIMBS):
        profile, end = found.profile.get(limb), hook if found.state == "drawn" else nocks[1 - k]
        if end is None or profile is None or not len(profile.centre_mm):
            continue
        along = (end - nocks[k]) / np.linalg.norm(end - nocks[k])
        across = np.array([-along[1], along[0]]) * (1 if k else -1)  # toward the back
        lever = (profile.centre_mm - nocks[k]) @ across
        if np.any(lever[(profile.from_nock_mm > OFF_NOCK_MM) & np.isfinite(lever)] < -THROUGH_MM):
            return limb
    return None


def check_rest(found: Measurement) -> None:
    """Raise MechanicsError unless the bow was measured unstrung."""
    _check_measured(found)
    if found.state != "unstrung":
        raise MechanicsError(
            f"{found.name} shows the bow {found.state}, so it cannot stand for its shape at rest.",
            "Give a picture of the bow unstrung.",
            state=found.state,
        )


def check_one_bow(pictures: Sequence[Measurement], length_mm: float | None = None) -> None:
    """Raise MechanicsError where the pictures' bows, or a length (mm) typed beside them, differ by more than two tapes along
    one bow would.
    """
    for k, a in enumerate(pictures):
        for b in pictures[k + 1 :]:
            found = differing_size(a.shot, b.shot)
            if found is not None:
                word, one, other = found
                raise MechanicsError(
                    f"{a.name} and {b.name} show bows of different {word}s, {format_inches(one)} and {format_inches(other)}.",
                    f"Give pictures of one bow, or correct the {word} where it was mistyped.",
                    sizes_mm=(one, other),
                )
        seen_mm = a.facts.nock_to_nock_mm
        if length_mm is not None and abs(seen_mm - length_mm) > SAME_BOW_MM:
            raise MechanicsError(
                f"{a.name} shows a bow of {format_inches(seen_mm)} nock to nock, but {format_inches(length_mm)} was given.",
                "Correct the one that is wrong.",
                sizes_mm=(seen_mm, length_mm),
            )


def check_evidence(strung: Sequence[Measurement], rest: Measurement | None) -> None:
    """Raise MechanicsError unless these pictures may speak together of one bow as it is now."""
    for found in strung:
        check_strung(found)
    if rest is not None:
        check_rest(rest)
    check_one_bow([*strung, *([] if rest is None else [rest])])


def _check_measured(found: Measurement) -> None:
    if found.status != "measured":
        raise MechanicsError(
            f"{found.name} was not measured, so it says nothing about the bow.", "Measure it first, or leave it out."
        )
    if found.front is not None:
        raise MechanicsError(
            f"{found.name} shows the bow from its belly or back, so its bend doesn't show.",
            "Give a picture from the side, or leave it out.",
        )


# --- what was typed -------------------------------------------------------------------------------------------

# What a hand can have read, not what is likely; makers of bows for children and for war lie within (common practice, no source).
LENGTHS_MM = 20 * MM_PER_INCH, 110 * MM_PER_INCH
DRAWS_MM = 4 * MM_PER_INCH, 48 * MM_PER_INCH
BRACES_MM = 2 * MM_PER_INCH, 14 * MM_PER_INCH
WEIGHTS_N = newtons_from_pounds(0.5), newtons_from_pounds(250)
ARROWS_KG = kg_from_grains(50), kg_from_grains(3000)
SPEEDS_M_S = 10 * FOOT_M, 400 * FOOT_M


def check_length(length_mm: float | None) -> None:
    """Raise MechanicsError for a length nock to nock that no bow has."""
    if length_mm is not None:
        _check_size(length_mm, LENGTHS_MM, "bow's length", format_inches)


def check_draw(draw_mm: float | None) -> None:
    """Raise MechanicsError for a draw length that no arm has."""
    if draw_mm is not None:
        _check_size(draw_mm, DRAWS_MM, "draw", format_inches)


def check_brace(brace_mm: float | None, full_draw_mm: float | None = None) -> None:
    """Raise MechanicsError for a brace height that no bow has, or that the full draw does not exceed."""
    if brace_mm is None:
        return
    _check_size(brace_mm, BRACES_MM, "brace height", format_inches)
    if full_draw_mm is not None and brace_mm >= full_draw_mm:
        raise MechanicsError(
            f"The full draw of {format_inches(full_draw_mm)} is not beyond the brace height of {format_inches(brace_mm)}.",
            "Give both from the back of the handle, and correct the one that is wrong.",
            brace_mm=brace_mm,
        )


def check_reading(draw_mm: float, weight_n: float, brace_mm: float | None = None) -> None:
    """Raise MechanicsError for a weighing that no bow gives: a weight of nothing, or a draw within the brace height."""
    _check_size(draw_mm, DRAWS_MM, "draw", format_inches)
    check_weight(weight_n)
    if brace_mm is not None and draw_mm <= brace_mm:
        raise MechanicsError(
            f"The weighing at {format_inches(draw_mm)} is not beyond the brace height of {format_inches(brace_mm)}.",
            "Give both from the back of the handle, and correct the one that is wrong.",
            draw_mm=draw_mm,
        )


def check_weight(weight_n: float) -> None:
    """Raise MechanicsError for a draw weight that no bow has."""
    _check_size(weight_n, WEIGHTS_N, "weight", format_pounds)


def check_arrow(arrow_kg: float, speed_m_s: float) -> None:
    """Raise MechanicsError for an arrow that no bow shoots."""
    check_arrow_mass(arrow_kg)
    _check_size(speed_m_s, SPEEDS_M_S, "speed", lambda v: f"{v / FOOT_M:.0f} fps")


def check_arrow_mass(arrow_kg: float) -> None:
    """Raise MechanicsError for the mass of no arrow."""
    _check_size(arrow_kg, ARROWS_KG, "arrow", format_grains)


def _check_size(value: float, bounds: tuple[float, float], what: str, say: Callable[[float], str]) -> None:
    low, high = bounds
    if not low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
        article = "An" if what[0] in "aeiou" else "A"
        raise MechanicsError(
            f"{article} {what} of {say(value)} cannot be right; {say(low)} to {say(high)} is possible.",
            f"Check the {what} and its unit.",
            given=value,
        )

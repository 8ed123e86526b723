"""Brace heights, caliper readings and plans as they were kept until version 2 of the form: notes in a fixed wording.

Only older records and exports are read with this; ``core.events`` has the fields that stand for it now.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tillerlens.core.errors import TillerLensError
from tillerlens.core.json_form import JsonObject
from tillerlens.record.entries import read_details
from tillerlens.record.typed import read_calipers

_BRACE, _CALIPERS = "Brace height, from the handle's back to the string", "Calipers: limb, from the nock, width, thickness, crown"
_PLAN = "Scraping step taken as planned."
BEGINNINGS = (_BRACE, _CALIPERS, _PLAN)

_N = r"([\d.]+)"
_BRACE_SAYS = re.compile(rf"{_BRACE}: [^(]*\({_N} mm\)\.")
_EXPECTED = re.compile(rf"Expected after it at {_N} mm to the back: {_N} N, standard uncertainty {_N} N\.")
_HAND = re.compile(
    rf"Before it: {_N} N\. The hand took {_N} of what (?:it was told|was planned), standard uncertainty {_N}, "
    r"learned from (\d+) steps\."
)
_LEFT = re.compile(rf"(Hinge left|Skipped): (upper|lower) limb, {_N} to {_N} mm from the nock\.")
_IN_WORDS = re.compile(r"It expected [^()]*\(standard uncertainty [^()]*\)\.")  # the same forecast, for people


@dataclass(frozen=True)
class OldNote:
    """An event's kind and details, and what a person wrote besides."""

    kind: str
    details: JsonObject
    notes: str


def fields_of_note(notes: str) -> OldNote | None:
    """What a note in one of the fixed wordings keeps. None for any other note, and for one that a person wrote over."""
    try:
        for beginning, read in ((_BRACE, _brace), (_CALIPERS, _calipers), (_PLAN, _plan)):
            if notes.startswith(beginning):
                found = read(notes)
                if found is not None:
                    read_details(found.kind, found.details)
                return found
    except (TillerLensError, ValueError):
        return None  # it stays a note, with all its words
    return None


def _brace(notes: str) -> OldNote | None:
    found = _BRACE_SAYS.match(notes)
    return found and OldNote("brace", {"from_back_mm": float(found[1])}, notes[found.end() :].strip())


def _calipers(notes: str) -> OldNote:
    return OldNote("calipers", dict(read_calipers(notes.partition("\n")[2]).as_dict()), "")


def _plan(notes: str) -> OldNote | None:
    expected, hand = _EXPECTED.search(notes), _HAND.search(notes)
    if expected is None:
        return None
    details: JsonObject = dict(zip(("draw_mm", "weight_n", "u_weight_n"), map(float, expected.groups()), strict=True))
    if hand is not None:  # notes of the first version lack it
        before, ratio, u, steps = hand.groups()
        details |= {
            "weight_before_n": float(before),
            "hand_ratio": float(ratio),
            "u_hand_ratio": float(u),
            "hand_steps": int(steps),
        }
    places = [
        (what, {"limb": limb, "start_from_nock_mm": float(low), "end_from_nock_mm": float(high)})
        for what, limb, low, high in _LEFT.findall(notes)
    ]
    details |= {name: [p for w, p in places if w == what] for name, what in (("left", "Hinge left"), ("skipped", "Skipped"))}
    for said in (_EXPECTED, _HAND, _LEFT, _IN_WORDS):
        notes = said.sub("", notes)
    return OldNote("plan", details, " ".join(notes.removeprefix(_PLAN).split()))

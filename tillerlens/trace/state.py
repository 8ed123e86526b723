"""Does the picture show the bow in the state given: unstrung, braced or drawn?

A wrong state would give plausible numbers: a drawn bow's tips read as twelve inches of string follow. Three things distinguish
the states: how far the nocks stand toward the belly, a straight line from nock to nock,
and two lines from the nocks to a hook.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tillerlens.core.errors import Ask, NeedsHelp, Reason, StateDiffers
from tillerlens.core.shot import State
from tillerlens.core.units import MM_PER_INCH
from tillerlens.trace.network import FinderMaps
from tillerlens.trace.string import FAINT, BowPose, DrawnString, find_string, line_between

Array = NDArray[np.float64]

MOST_FOLLOW_MM = 60.0  # a bow that has taken more string follow is seldom drawn on (common practice, no source)
LEAST_BRACE_MM = 40.0  # from the handle's back: half a low brace height, the handle's own thickness counted (no source)
MOST_BRACE_MM = 230.0  # likewise: nine inches (common practice, no source)
TAUT_SEEN, TAUT_SCATTER_PX = 0.9, 0.4  # a straight line so whole and so straight is a string
BENT_SEEN = 0.85

_LOOK = "Say how the bow is in this picture, or check that it is the picture you meant."
UNSEEN = Reason("no_braced_string", "No string was seen from nock to nock.", _LOOK)  # of a braced bow


def check_state(
    light: NDArray[np.uint16], maps: FinderMaps, said: State, pose: BowPose, string: DrawnString | None
) -> list[Reason]:
    """Doubts of the state given.

    Parameters
    ----------
    light, maps : linear light, and what the finder sees.
    said : the state.
    pose : where the traced bow stands.
    string : what was found of a drawn bow's.

    Raises
    ------
    StateDiffers
        Where the picture clearly shows another state.
    NeedsHelp
        Where a line from nock to nock was taken for a drawn string.
    """
    chord_mm = pose.chord_mm
    if said == "unstrung" and chord_mm < MOST_FOLLOW_MM:
        return []
    unclear = string is None or min(string.clear) < FAINT
    if said == "drawn" and pose.is_pulled(string) and (chord_mm > LEAST_BRACE_MM or not unclear):
        return []
    if said != "drawn":  # first: a ruled line may well run from nock to nock, hardly two to a hook
        string = find_string(light, maps, pose)
        enough = FAINT if chord_mm > MOST_BRACE_MM else BENT_SEEN  # no brace is so high: less of the string will do
        if pose.is_pulled(string) and string is not None and min(string.clear) > enough:
            raise _differs("The string is seen to run from both nocks to a hook", said, "drawn")
    _, seen, scatter = line_between(light, maps, pose.nocks, pose.px_per_mm)
    # tips so far toward the belly are at odds with an unstrung bow by themselves: less of a string will do
    taut = seen > (BENT_SEEN if said == "unstrung" else TAUT_SEEN) and scatter < TAUT_SCATTER_PX
    if said == "braced" and taut and chord_mm < MOST_BRACE_MM:
        return []
    if taut and LEAST_BRACE_MM < chord_mm < MOST_BRACE_MM:
        raise _differs("The string is seen to run straight from nock to nock", said, "braced")
    if said != "unstrung" and chord_mm < LEAST_BRACE_MM and unclear:
        raise _differs("No string is seen, and the tips do not stand toward the belly", said, "unstrung")
    if said == "drawn" and string is not None:
        text = "What was taken for the string runs straight from nock to nock."
        raise NeedsHelp(text, "Click the hook.", clicks=("hook",), fault="click", wants="hook")
    if said == "unstrung" or (said == "braced" and chord_mm > MOST_BRACE_MM):
        kind = "strung" if said == "unstrung" else "drawn"
        text = f"The tips stand {chord_mm / MM_PER_INCH:.0f} in toward the belly, as on a {kind} bow."
        return [Reason("state_unlikely", text, _LOOK)]
    if said == "braced" and seen < FAINT:
        return [UNSEEN]
    return []


def _differs(seen: str, said: State, shows: State) -> StateDiffers:
    look = f"{_LOOK} If it is {said} after all, click the hook." if said == "drawn" else _LOOK
    asks = Ask("hook" if said == "drawn" else "state")
    return StateDiffers(f"{seen}: in this picture the bow is {shows}, not {said}.", look, said=said, shows=shows, asks=asks)

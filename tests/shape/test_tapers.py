"""What is as thick as a board from end to end may be one: the bow hangs elsewhere in the picture."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tillerlens.core.errors import NeedsHelp
from tillerlens.shape.checks import check_tapers


def followed(middle_mm, end_mm):
    x = np.linspace(0.0, 1600.0, 401)
    thick = np.interp(np.abs(x - 800.0), (0.0, 800.0), (middle_mm, end_mm))
    sides = [np.column_stack([x, sign * thick / 2]) for sign in (-1, 1)]
    zones = {"upper": (0, 170), "handle": (170, 231), "lower": (231, 401)}
    return SimpleNamespace(back_px=sides[0], belly_px=sides[1], px_per_mm=1.0, zones=zones, tips_px=np.array([[0, 0], [1600, 0]]))


def shot(state="unstrung", **clicks):
    return SimpleNamespace(state=state, clicks=clicks)


def test_a_board_asks_for_the_bow():
    with pytest.raises(NeedsHelp, match='1 1/8" thick from end to end') as asked:
        check_tapers(followed(28.0, 28.0), shot())
    assert asked.value.fields["wants"] == "nock_upper"
    check_tapers(followed(28.0, 28.0), shot(nock_lower=(1600.0, 0.0)))  # somebody has shown it


@pytest.mark.parametrize("thick", [(19.0, 19.0), (34.0, 22.0), (45.0, 12.0)])
def test_a_thin_blank_and_a_face_that_tapers_are_bows(thick):
    check_tapers(followed(*thick), shot())


def test_only_a_bow_at_rest_may_be_a_board():
    check_tapers(followed(28.0, 28.0), shot("braced"))


def test_ends_that_were_not_seen_tell_nothing():
    trace = followed(28.0, 28.0)
    trace.belly_px[-60:] = np.nan
    check_tapers(trace, shot())

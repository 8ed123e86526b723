"""Four tags' places from a tape, against the lengths of a figure whose corners are known."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import MultiPoint, Point

from tillerlens.core.errors import ShotError
from tillerlens.core.units import MM_PER_INCH
from tillerlens.photo.marks.taped import places_from_tape

ALL = tuple(combinations(range(4), 2))


def taped(corners, of=ALL):
    """What a tape would say, by shapely's distances."""
    points = [Point(*c) for c in corners]
    return {(a, b): points[a].distance(points[b]) for a, b in of}


def test_a_rectangle_of_three_four_and_five():
    """The carpenter's check of a square corner: sides 3 and 4, across 5 (Euclid I.47)."""
    got = places_from_tape({(0, 1): 4000.0, (2, 3): 4000.0, (0, 2): 3000.0, (1, 3): 3000.0, (0, 3): 5000.0})
    assert got == pytest.approx(np.array([[0, 0], [4000, 0], [0, 3000], [4000, 3000]]), abs=1e-4)


@pytest.mark.parametrize("left_out", [None, (0, 3), (1, 2), (0, 1)])
def test_tags_hung_out_of_square_are_found_where_they_hang(left_out):
    """Any lie and turn of the board, brought to tag 0 at the origin and tag 1 level with it."""
    hung = MultiPoint([(0, 0), (1830, 0), (25, 1060), (1790, 1101)])
    turned = affinity.translate(affinity.rotate(hung, 17, origin=(0, 0)), 300, -80)
    pairs = [pair for pair in ALL if pair != left_out]
    got = places_from_tape(taped([(p.x, p.y) for p in turned.geoms], pairs))
    assert got == pytest.approx(np.array([(p.x, p.y) for p in hung.geoms]), abs=0.01)


def test_a_tape_read_to_a_sixteenth_is_evened_out():
    corners = np.array([[0, 0], [1830, 0], [25, 1060], [1790, 1101]], float)
    sixteenth = MM_PER_INCH / 16
    read = {pair: round(mm / sixteenth) * sixteenth for pair, mm in taped(corners).items()}
    assert places_from_tape(read) == pytest.approx(corners, abs=3 * sixteenth)


def test_lengths_that_cannot_all_be_true_are_refused():
    lengths = taped([(0, 0), (1800, 0), (0, 1000), (1800, 1000)])
    with pytest.raises(ShotError, match="cannot all be true"):
        places_from_tape(lengths | {(0, 3): lengths[0, 3] + 2 * MM_PER_INCH})
    with pytest.raises(ShotError, match="are not enough to place four tags"):
        places_from_tape({k: v for k, v in lengths.items() if k not in ((0, 3), (1, 2))})
    with pytest.raises(ShotError):
        places_from_tape({(0, 1): 4000.0, (2, 3): 4000.0, (0, 2): 300.0, (1, 3): 300.0, (0, 3): 9000.0})


@pytest.mark.parametrize("length", [0.0, -5.0, math.nan, math.inf, 1e300, 5e-324])
def test_a_length_that_no_tape_gives_is_refused_by_its_place(length):
    with pytest.raises(ShotError, match="from top left to top right") as caught:
        places_from_tape({**dict.fromkeys(ALL, 1000.0), (0, 1): length})
    assert "Tape it" in caught.value.remedy

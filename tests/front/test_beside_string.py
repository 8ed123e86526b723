"""A string that runs along a limb's edge: it is taken out of the picture, and the edge is the less sure there."""

import numpy as np
import pytest

from tests.front.test_front import FRONT, picture_with_string
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.front import measure
from tillerlens.front.read import FrontTrace
from tillerlens.front.shape import GRIP, KNOTS, LEFT, RIGHT, SIZE, FrontShape
from tillerlens.front.string import find_front_string, half_band_px, taken_out
from tillerlens.photo.intake import Photo
from tillerlens.trace.reading import Prepared

NOCKS = np.array([[100.0, 200.0], [1900.0, 200.0]])
ALONG = np.column_stack([np.linspace(100, 1900, 600), np.full(600, 200.0)])


def picture(string=True):
    return (picture_with_string((0, 0), 5, seen=string) >> 8).astype(np.uint8)


def line():
    return find_front_string(picture().astype(np.uint16) << 8, NOCKS, 1.5)


def test_a_string_is_taken_out_where_it_is_to_be_and_nowhere_else():
    """On the left half only: there nothing of it is left, to 3 of 255, and on the right it stands untouched."""
    seen, out = picture(), taken_out(picture(), line(), ALONG, ALONG[:, 0] < 1000)
    bare = picture(string=False).astype(float)
    assert np.abs(ndmean(out[150:250, 120:980] - bare[150:250, 120:980])).max() < 3
    np.testing.assert_array_equal(out[:, 1020:], seen[:, 1020:])


def ndmean(v):
    return v.reshape(v.shape[0], -1, 20, 3).mean((2, 3))


def reading(upper_px, lower_px, u_px=0.5):
    """A bow that lies level, its two edges so far from a string at row 200 (px)."""
    right, left = ALONG + [0, upper_px], ALONG + [0, lower_px]
    u = np.full(len(ALONG), u_px)
    trace = FrontTrace(ALONG, right, left, u, u, ALONG[[0, -1]], (1.0, 1.0), 1.0, 1.0)
    return _judged(trace)


def _judged(trace, *_):
    right, left = trace.right_px, trace.left_px
    found = FrontShape({}, ALONG[:, 0], (right + left) / 2, right, left, 1000.0, (120.0, 1880.0))
    return trace, np.zeros(SIZE), np.zeros((SIZE, SIZE)), 0.0, found


def read_again(monkeypatch, first, fails=False, then=None):
    """What the picture was that was read again, or None, what came of it, and by how much each edge's doubt grew."""
    asked = []

    def again(prepared, *_):
        asked.append(prepared)
        if fails:
            raise NeedsHelp("Lost.", "")
        return (then or first)[0]

    monkeypatch.setattr(measure, "read_front", again)
    monkeypatch.setattr(measure, "_judged", _judged)
    photo = Photo(picture(), "", "", None, None, 1, "PNG")
    prepared = Prepared(photo, np.zeros((1, 1, 3), np.uint16), 0.0, None, ())
    out, more = measure._beside_string(prepared, line(), (None, read_shot(FRONT), None), first)
    return (asked[0].photo.rgb if asked else None), out[0], more[RIGHT:LEFT], more[LEFT:SIZE], more[GRIP]


@pytest.mark.parametrize("fails", [False, True])
def test_an_edge_along_the_string_is_read_without_it_and_doubted_over_its_whole_length(monkeypatch, fails):
    seen, _, right, left, grip = read_again(monkeypatch, reading(1.0, -40.0), fails)
    assert np.abs(seen[:, 200:1800].astype(float) - picture(string=False)[:, 200:1800]).max() < 12
    assert right == pytest.approx(np.full(len(KNOTS), measure.BESIDE_U_MM**2))
    assert not left.any()
    assert grip == (measure.BESIDE_U_MM / 2) ** 2  # about the handle its shadow may lie along either edge


def test_a_string_well_inside_the_limb_stays_and_one_just_beyond_an_edge_goes(monkeypatch):
    """Beyond an edge it would pass for the ground; the edge itself is seen."""
    seen, _, right, left, grip = read_again(monkeypatch, reading(30.0, -30.0))
    assert seen is None
    assert not (right.any() or left.any() or grip)
    seen, _, right, left, _ = read_again(monkeypatch, reading(12.0, 50.0))
    assert seen is not None
    assert not (right.any() or left.any())


def test_what_an_edge_moved_by_without_the_string_is_half_doubt(monkeypatch):
    """And it alone moves: the other edge lies far from the string, and stays; nor is either the surer for what was filled in."""
    _, out, right, *_ = read_again(monkeypatch, reading(1.0, -40.0), then=reading(9.0, -50.0, 0.2))
    assert right == pytest.approx(np.full(len(KNOTS), measure.BESIDE_U_MM**2 + 4.0**2), rel=0.02)
    assert np.median(out.right_px[:, 1]) == pytest.approx(209.0)
    assert np.median(out.left_px[:, 1]) == pytest.approx(160.0)
    assert min(out.right_u_px.min(), out.left_u_px.min()) == pytest.approx(0.5)


@pytest.mark.parametrize(("inside", "told"), [(True, False), (False, True)])
def test_a_line_on_the_limb_is_no_string_behind_it(monkeypatch, inside, told):
    trace, *_, found = reading(*((20.0, -20.0) if inside else (12.0, 40.0)))
    light, shot = picture_with_string((0, 0), 5), read_shot(FRONT | {"facing": "back"})
    monkeypatch.setattr(measure, "find_front_string", lambda *_: line())
    assert (measure._string(light, found, shot, trace) is not None) is told


def test_what_shows_a_string_is_broader_than_it_is():
    assert half_band_px(line()) > line().width_px / 2 + 1

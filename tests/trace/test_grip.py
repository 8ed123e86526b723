"""Where the handle's centre is seen, on outlines and colours made up to the pixel."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.core.test_shot import GRID, changed
from tillerlens.core.shot_file import read_shot
from tillerlens.photo.light import linear_light
from tillerlens.trace.handle import grip_station, see_grip

PX_PER_MM, LONG_PX, ABOVE_PX = 1.8, 2900, 300.0
SHOT = read_shot(changed(GRID, bow_length_nock_to_nock_in=LONG_PX / PX_PER_MM / 25.4, handle_in=8))
HANDLE_PX = SHOT.handle_mm * PX_PER_MM
MIDDLE = LONG_PX / 2
WOOD, WRAP = 30000, 9000
X = np.arange(0, LONG_PX, 4.5)
ROOTS = [int(np.searchsorted(X, MIDDLE + sign * HANDLE_PX / 2)) for sign in (-1, 1)]
ZONES = {"upper": (0, ROOTS[0]), "handle": (ROOTS[0], ROOTS[1]), "lower": (ROOTS[1], len(X))}
RNG = np.random.default_rng(4)


def traced(centre, swell_px=50.0, askew=0.0, noise_px=0.3):
    """A straight limb 30 px thick, a grip about ``centre`` with fades a quarter of it long; ``askew``: one limb is thicker."""
    thick = 30.0 * (1 + askew * np.sign(X - centre)) * (1 - 0.25 * np.abs(X - MIDDLE) / MIDDLE)
    thick = thick + swell_px * np.clip((HANDLE_PX / 2 - np.abs(X - centre)) / (HANDLE_PX / 4), 0, 1)
    back = np.column_stack([X, np.full(len(X), ABOVE_PX)])
    belly = np.column_stack([X, ABOVE_PX + thick + RNG.normal(0, noise_px, len(X))])
    path = np.column_stack([X, np.full(len(X), ABOVE_PX + 15)])
    return SimpleNamespace(path_px=path, back_px=back, belly_px=belly, px_per_mm=PX_PER_MM, zones=ZONES)


def light(wrapped=None):
    out = np.full((500, LONG_PX, 3), WOOD, np.uint16)
    if wrapped is not None:
        out[:, int(wrapped[0]) : int(wrapped[1])] = WRAP
    return np.clip(out + RNG.normal(0, 600, out.shape), 0, 65535).astype(np.uint16)


@pytest.mark.parametrize("off_mm", [0.0, 18.0, -11.0])
@pytest.mark.parametrize("askew", [0.0, 0.06])
def test_a_swell_shows_its_own_middle_not_the_bows(off_mm, askew):
    grip = see_grip(light(), traced(MIDDLE + off_mm * PX_PER_MM, askew=askew), SHOT, True)
    assert grip is not None and grip.by == "swell"
    assert (grip.px[0] - MIDDLE) / PX_PER_MM == pytest.approx(off_mm, abs=1.0)  # half of what is said of it
    assert 1.9 < grip.u_px / PX_PER_MM < 3.0


def test_a_cradle_over_the_grip_leaves_its_fades():
    seen = traced(MIDDLE + 20.0)
    seen.belly_px[np.abs(X - MIDDLE - 35.0) < 0.22 * HANDLE_PX] = np.nan
    grip = see_grip(light(), seen, SHOT, True)
    assert grip is not None and grip.px[0] == pytest.approx(MIDDLE + 20.0, abs=2.0)


def test_a_fade_that_is_lost_for_a_stretch_makes_the_middle_less_sure():
    """Seven stations, 31 px, of one fade: its place is anywhere in them, the middle half of that."""
    seen = traced(MIDDLE)
    lost = np.abs(X - (MIDDLE + 0.375 * HANDLE_PX)) < 16
    seen.belly_px[lost] = np.nan
    grip, whole = see_grip(light(), seen, SHOT, True), see_grip(light(), traced(MIDDLE), SHOT, True)
    assert grip is not None and whole is not None
    assert np.sqrt(grip.u_px**2 - whole.u_px**2) > 0.5 * lost.sum() * 4.5 / 2 / np.sqrt(12)


def test_one_fade_alone_tells_nothing():
    seen = traced(MIDDLE)
    seen.belly_px[X > MIDDLE] = np.nan
    assert see_grip(light(), seen, SHOT, True) is None


def test_a_bow_that_bends_through_a_bare_handle_shows_no_centre():
    assert see_grip(light(), traced(MIDDLE, swell_px=0.0), SHOT, True) is None


def test_a_wrap_shows_it_less_well_than_a_swell():
    centre = MIDDLE - 25.0
    half = 0.25 * HANDLE_PX
    grip = see_grip(light((centre - half, centre + half)), traced(MIDDLE, swell_px=0.0), SHOT, True)
    assert grip is not None and grip.by == "wrap"
    assert grip.px[0] == pytest.approx(centre, abs=6.0)  # a station and a bit
    assert grip.u_px / PX_PER_MM >= 4.0


def test_one_step_of_colour_is_no_wrap():
    """Heartwood that begins at the handle, a shadow across one limb."""
    assert see_grip(light((MIDDLE - 30.0, LONG_PX)), traced(MIDDLE, swell_px=0.0), SHOT, True) is None


def test_a_wrap_far_off_the_middle_tells_from_where_the_bow_was_seen():
    """Seen from beside one end, the handle's wrap lies at three fifths of the bow; a patch of another width is no grip."""
    rgb = np.full((80, 1200, 3), 180, np.uint8)
    rgb[32:48, 50:1150] = (200, 170, 110)
    rgb[32:48, 670:750] = (60, 40, 30)
    stations = np.arange(50.0, 1151.0, 4.0)
    sides = [np.column_stack([stations, np.full(len(stations), y)]) for y in (32.0, 40.0, 48.0)]
    zones = {"upper": (0, 125), "handle": (125, 150), "lower": (150, len(stations))}
    trace = SimpleNamespace(back_px=sides[0], path_px=sides[1], belly_px=sides[2], grip_column=None, px_per_mm=1.0, zones=zones)
    shot = SimpleNamespace(handle_mm=100.0)
    at = grip_station(linear_light(rgb), trace, shot)
    assert at is not None and abs(stations[at] - 710) < 8
    assert see_grip(linear_light(rgb), trace, shot, False) is None  # no centre is told from so far off: nothing squares the view
    assert grip_station(linear_light(rgb), SimpleNamespace(**{**vars(trace), "grip_column": 7}), shot) == 7
    rgb[32:48, 660:860] = (60, 40, 30)
    assert grip_station(linear_light(rgb), trace, shot) is None


def test_a_wrap_whose_edges_are_lost_in_part_is_seen_on_the_path():
    """A cradle hides the wrap's belly for a third of the handle. Where most of it is lost, a clamp may be what is seen."""
    trace = traced(MIDDLE + 40, swell_px=0.0)
    shown = light((MIDDLE + 40 - HANDLE_PX / 3, MIDDLE + 40 + HANDLE_PX / 3))
    for hidden, seen in ((0.35, True), (0.8, False)):
        lost = np.abs(X - MIDDLE) < hidden * HANDLE_PX / 2
        trace.belly_px = np.where(lost[:, None], np.nan, traced(MIDDLE + 40, swell_px=0.0).belly_px)
        grip = see_grip(shown, trace, SHOT, True)
        assert (grip is not None) == seen
        if grip is not None:
            assert grip.by == "wrap" and abs(grip.px[0] - (MIDDLE + 40)) < 5
            assert see_grip(shown, trace, SHOT, False) is None  # where nothing squares the view it would turn the camera


def test_a_path_that_has_left_the_limb_shows_no_wrap():
    """Beside a bare handle neither edge was followed: what the path crosses there is the ground, and its colour no limb's."""
    trace = traced(MIDDLE + 40, swell_px=0.0)
    shown = light((MIDDLE + 40 - HANDLE_PX / 3, MIDDLE + 40 + HANDLE_PX / 3))
    off = (np.abs(X - MIDDLE) > HANDLE_PX / 2) & (np.abs(X - MIDDLE) < 0.8 * HANDLE_PX)
    trace.belly_px = np.where(off[:, None], np.nan, trace.belly_px)
    assert see_grip(shown, trace, SHOT, True) is None

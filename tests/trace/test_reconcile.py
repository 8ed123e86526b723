"""Silhouettes that left their limb for a while: found out from both ends, looked for again along the smooth line."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.support.against_truth import SAMPLES, rows, truth_of
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.photo.light import linear_light
from tillerlens.shape.bow_shape import FADE_U_MM, _back_u
from tillerlens.shape.checks import roots_unlike, thinner_inward
from tillerlens.shape.perturbations import root_unseen_u
from tillerlens.trace import outline
from tillerlens.trace.ends import Ends
from tillerlens.trace.outline import check_scale
from tillerlens.trace.reconcile import reconcile_limb
from tillerlens.trace.second_look import without_islands
from tillerlens.trace.trace import _hold_handle

N = 240
MIDDLE = 32 + 4e-4 * (np.arange(N) - 120.0) ** 2 / 4  # rows of a limb's middle: nearly level, as in a strip
THICK = np.full(N, 18.0)


def sides():
    return MIDDLE - THICK / 2, MIDDLE + THICK / 2


def test_a_side_that_is_hidden_for_long_is_rebuilt_from_the_other():
    left, right = sides()
    right[60:180] = np.nan
    reconciled = reconcile_limb(left, right, THICK)
    assert (reconciled.how[60:180] == 1).all() and (reconciled.how[:60] == 2).all()
    assert reconciled.right[60:180] == pytest.approx((MIDDLE + THICK / 2)[60:180], abs=0.3)


def test_sides_that_lead_elsewhere_from_either_end_are_not_believed():
    """From the nock one false edge drifts away, from the handle the other: neither joins the limb at the far side."""
    left, right = sides()
    stray = np.arange(120) * 0.12
    left[60:180] = left[60:180] + stray  # an arris that leaves the edge at column 60
    right[60:180] = right[60:180] + stray[::-1]  # a ruled line that meets the edge at column 180
    reconciled = reconcile_limb(left, right, THICK)
    middle = (reconciled.left + reconciled.right) / 2
    told = without_islands((reconciled.how > 0).astype(float)) > 0  # where the two cross they lie a limb's thickness apart
    assert np.abs(middle - MIDDLE)[told].max() < 2.5  # where a drift has not shown yet
    assert not told[95:145].any()


def test_a_short_stretch_amid_longer_gaps_is_no_evidence():
    weight = np.ones(200)
    weight[60:90], weight[95:130] = 0.0, 0.0
    kept = without_islands(weight)
    assert (kept[60:130] == 0).all() and (kept[:60] == 1).all() and (kept[130:] == 1).all()
    weight[90:150] = 1.0  # and what is longer than the gap beside it stays
    assert (without_islands(weight) == weight).all()


def test_a_stretch_drawn_away_on_both_sides_is_measured_again(monkeypatch):
    """Both edges of a whole photograph's upper limb put 9 steps astray over a seventh of it: the numbers stay true."""
    name = "bramble-drawn-grid"
    photo = read_photo(SAMPLES / f"{name}.jpg")
    shot = read_shot(SAMPLES / f"{name}.shot.json", photo.name, (photo.width, photo.height))
    measure = outline.measure_edges

    def astray(light, strip, band, ends, by_flash):
        left, right = measure(light, strip, band, ends, by_flash)
        a = int(ends[0] + 0.2 * (ends[1] - ends[0]))
        stretch = slice(a, a + int(0.07 * (ends[1] - ends[0])))
        left.row[stretch] -= 9.0
        right.row[stretch] += 14.0
        return left, right

    monkeypatch.setattr(outline, "measure_edges", astray)
    found = measure_photo(photo, shot)
    assert found.status == "measured"
    gaps = [row for row in rows(found, truth_of(SAMPLES, name)) if row.name.startswith("gap upper")]
    assert gaps and all(abs(row.error) < 2 for row in gaps)  # mm; undisturbed they lie within 1.3


def limb(root):
    """A limb of 800 mm, 10 mm thick at its nock, 16 at two thirds of its length, ``root`` at its root."""
    x = np.linspace(0, 800, 161)
    return SimpleNamespace(from_nock_mm=x, thickness_mm=np.interp(x, [0, 530, 800], [10, 16, root]))


def test_a_limb_thinner_at_its_root_has_lost_wood():
    """Common practice, no source: thickness falls steadily from the handle to the nock."""
    told = thinner_inward(SimpleNamespace(upper=limb(18.0), lower=limb(12.8)))
    assert list(told) == ["lower"]
    mm, start = told["lower"]
    assert mm == pytest.approx(3.0, abs=0.3) and start == pytest.approx(0.66, abs=0.02)
    assert thinner_inward(SimpleNamespace(upper=limb(16.0), lower=limb(15.0))) == {}


def test_a_root_thicker_than_the_others_may_be_a_line_behind_it():
    """Both limbs grow by half from nock to root but for one of them, which grows twice as thick over its last quarter."""
    x = np.linspace(0, 800, 161)
    plain = np.interp(x, [0, 800], [10, 15])

    def pair(upper, lower):
        return SimpleNamespace(
            upper=SimpleNamespace(from_nock_mm=x, thickness_mm=upper, apparent_mm=upper + 1),
            lower=SimpleNamespace(from_nock_mm=x, thickness_mm=lower, apparent_mm=lower + 1),
        )

    astray = plain + np.interp(x, [0, 600, 776], [0, 0, 8])
    told = roots_unlike(pair(plain, astray))
    assert list(told) == ["lower"]
    mm, start = told["lower"]
    assert mm == pytest.approx(8.0, abs=0.8) and 0.7 < start < 0.85
    assert roots_unlike(pair(plain, plain * 1.2)) == {}  # unlike all along: one limb is the stouter
    assert roots_unlike(pair(plain, plain + np.interp(x, [0, 600, 776], [0, 0, 2]))) == {}


def test_gaps_beside_an_unseen_root_are_less_sure():
    """The upper limb's inner 130 mm show one edge only; 6 in from the handle's centre lies 50 mm into them, 10 in beyond them."""
    seen = np.ones((500, 2))
    hidden = seen.copy()
    hidden[156:200] = np.nan
    zones = {"upper": (0, 200), "handle": (200, 300), "lower": (300, 500)}
    trace = SimpleNamespace(back_px=seen, belly_px=hidden, zones=zones, step_px=1.0, px_per_mm=1.0)
    bend = SimpleNamespace(curve=SimpleNamespace(curvature=np.full(50, 1e-3)))
    shape = SimpleNamespace(upper=bend, lower=bend, numbers={"gap_difference_6": 0.0, "gap_difference_10": 0.0})
    told = root_unseen_u(trace, shape, 200.0)
    beyond = 132.0 - (152.4 - 100.0)
    assert told == {"gap_upper_6": pytest.approx(1e-3 * beyond**2 / 2), "gap_difference_6": pytest.approx(1e-3 * beyond**2 / 2)}
    trace.belly_px = seen
    assert root_unseen_u(trace, shape, 200.0) == {}


def test_an_end_that_hardly_shows_or_may_be_hidden_is_not_where_the_scale_ends():
    """The bow's length as the only scale needs both its ends. A click is one; marks on the board are another scale."""
    strip = SimpleNamespace(
        path=np.column_stack([np.arange(300.0), np.full(300, 40.0)]),
        px=lambda column, row: np.array([float(column), 40.0]),
    )
    rgb = np.full((80, 300, 3), 180, np.uint8)
    rgb[34:46, 12:280] = (150, 112, 70)
    plain, covered = linear_light(rgb), linear_light(np.where((np.arange(300) < 280)[None, :, None], rgb, 60).astype(np.uint8))

    def shot(kind, **clicks):
        return SimpleNamespace(scale=SimpleNamespace(kind=kind), clicks=clicks)

    def check(light, clear, shot):
        check_scale(light, strip, Ends((12.0, 280.0), clear, (1.0, 1.0)), shot, 12.0)

    for light, clear, limb, x, why in (
        (plain, (0.44, 0.97), "upper", 12.0, "upper limb's end doesn't show"),
        (covered, (0.6, 0.97), "lower", 280.0, "lower limb may go on behind something"),
    ):
        with pytest.raises(NeedsHelp, match=why) as asked:
            check(light, clear, shot("bow_length"))
        assert asked.value.fields["wants"] == f"nock_{limb}" and asked.value.fields["place_px"] == (x, 40.0)
        check(light, clear, shot("bow_length", **{f"nock_{limb}": (x, 40.0)}))
        check(light, clear, shot("tape"))
    check(plain, (0.6, 0.97), shot("bow_length"))


def test_a_limb_that_alone_misses_the_handle_has_strayed():
    back = np.full(120, 20.0)
    back[:50] = 26.0  # the upper limb, followed along a joint of the board
    thick = np.full(120, 10.0)
    with pytest.raises(NeedsHelp, match="upper limb does not meet the handle"):
        _hold_handle(back, thick, {"upper": (0, 50), "handle": (50, 70), "lower": (70, 120)})


def test_a_step_amid_the_handle_makes_its_direction_less_sure():
    """A wrap's end turns the line through a level back: the doubt must cover that, and the line between the fades count more."""
    x = np.linspace(0, 120, 80)
    step = np.where(x < 50, -0.5, 0.5)
    turned = float(np.arctan(np.polyfit(x, step, 1)[0]))
    u_back, u_fades = _back_u(np.column_stack([x, step]), np.ones(80)), FADE_U_MM * np.sqrt(2) / 200.0
    apart = np.hypot(u_back, u_fades)
    u, share = u_back * u_fades / apart, u_fades**2 / apart**2
    assert abs(turned) > 2.5 * 0.3 / np.std(x) / np.sqrt(20)  # what like scatter, each place for itself, would have made of it
    assert share * abs(turned) < 2 * u and share < 0.2

"""Silhouettes that left their limb for a while: found out from both ends, looked for again along the smooth line."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from against_truth import SAMPLES, rows, truth_of

from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.measure import measure_photo
from tillerlens.photo.intake import read_photo
from tillerlens.shape.bow_shape import FADE_U_MM, _back_u
from tillerlens.shape.checks import thinner_inward
from tillerlens.trace import outline
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

    def astray(light, strip, band, ends):
        left, right = measure(light, strip, band, ends)
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

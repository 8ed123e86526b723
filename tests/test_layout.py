"""The next bow's layout: closed forms of the crown and of the section, and the statics run again at another fineness."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tillerlens.mechanics.layout import EXTRA, STRAIN_SHARE, LayoutError, LayoutWish, lay_out
from tillerlens.mechanics.statics import Bow, Handle, Limb, braced, drawn
from tillerlens.units import NEWTON_PER_POUND

WISH = LayoutWish(length=1750, weight=45 * NEWTON_PER_POUND, draw_back=700, modulus=14_000, strain=0.0093)


def test_the_finished_bow_has_the_wished_weight_and_strain():
    """A flat rectangular bow: EI = E w t3 / 12 and strain = t / 2 x moment / EI by hand, and finer statics."""
    got = lay_out(WISH)
    s = got.from_handle - WISH.handle / 2
    fine = np.linspace(0, s[-1], 300)
    w, t = np.interp(fine, s, got.width), np.interp(fine, s, got.thickness)
    limb = Limb(fine, WISH.modulus * w * t**3 / 12, np.zeros(300))
    bow = Bow(limb, limb, Handle(100, 100, WISH.handle_depth))
    state = drawn(bow, braced(bow, brace_height=WISH.brace).string_length, WISH.draw_back)
    assert state.weight == pytest.approx(WISH.weight, rel=0.005)
    moment = np.interp(fine + 100, state.upper.s, state.upper.moment)
    assert (t / 2 * moment / limb.ei).max() == pytest.approx(STRAIN_SHARE * WISH.strain, rel=0.03)
    np.testing.assert_allclose(got.rough, got.thickness * (1 + EXTRA))


def test_a_crown_is_the_trees_sagitta():
    """A 100 mm tree under a 30 mm width: R - sqrt(R2 - c2 / 4) = 2.303 mm."""
    got = lay_out(replace(WISH, width=30.0, tree_diameter=100.0, strain=0.02))
    assert got.crown[0] == pytest.approx(50 - math.sqrt(50**2 - 15**2), abs=1e-9)
    flat = lay_out(replace(WISH, width=30.0, strain=0.02))
    assert got.thickness[0] > flat.thickness[0]  # a crowned back has less wood at its edges
    assert got.weight == pytest.approx(flat.weight, rel=2e-4)


def test_cautions():
    codes = {c.code for c in lay_out(WISH).cautions}
    assert codes == {"starting_point"}
    assert "strained" in {c.code for c in lay_out(replace(WISH, width=25.0)).cautions}
    assert "short" in {c.code for c in lay_out(replace(WISH, length=1500)).cautions}
    assert "crowned" in {c.code for c in lay_out(replace(WISH, width=36.0, tree_diameter=40.0, strain=0.02)).cautions}


@pytest.mark.parametrize("change", [{"length": 500}, {"weight": -1}, {"modulus": math.nan}, {"parallel": 1.0}])
def test_sizes_that_make_no_bow(change):
    with pytest.raises(LayoutError):
        lay_out(replace(WISH, **change))


def test_a_crown_deeper_than_the_limb():
    with pytest.raises(LayoutError, match="deeper"):
        lay_out(replace(WISH, width=44.0, tree_diameter=45.0, strain=0.02))

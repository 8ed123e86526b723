"""The drawn outline held against the picture: lines on edges pass, lines beside them and lines with steps are named."""

import numpy as np
import pytest

from tillerlens.photo.light import linear_light
from tillerlens.trace.verify import doubtful_stretch, prove

N, LEFT, STEP, THICK = 401, 40.0, 3.0, 20.0
HANDLE = (180, 220)


def scene(contrast=60):
    rng = np.random.default_rng(3)
    rgb = np.full((240, 1300, 3), 170.0)
    rgb[120 - int(THICK / 2) : 120 + int(THICK / 2)] -= contrast
    return linear_light(np.clip(rgb + rng.normal(0, 4, rgb.shape), 0, 255).astype(np.uint8))


def outline():
    x = LEFT + STEP * np.arange(N)
    return (np.column_stack([x, np.full(N, 119.5 + s * THICK / 2)]) for s in (-1, 1))


def test_a_line_on_the_edge_is_seen_and_raises_no_doubt():
    back, belly = outline()
    proof = prove(scene(), back, belly)
    assert proof.whole > 0.98
    assert doubtful_stretch(proof, back, belly, HANDLE) is None


@pytest.mark.parametrize("off", [-9.0, 7.0])
@pytest.mark.parametrize("side", ["back", "belly"])
def test_a_line_beside_the_edge_for_long_is_named_with_its_limb_side_and_stretch(side, off):
    """From the 40th to the 110th of the upper limb's 180 places, easing in and out so that no step shows."""
    back, belly = outline()
    line = back if side == "back" else belly
    line[:, 1] += off * np.interp(np.arange(N), [25, 40, 110, 125], [0, 1, 1, 0])
    found = doubtful_stretch(prove(scene(), back, belly), back, belly, HANDLE)
    assert (found.limb, found.side, found.why) == ("upper", side, "unseen")
    assert found.share == pytest.approx((35 / 180, 115 / 180), abs=0.06)


def test_a_step_in_a_backs_line_is_named():
    back, belly = outline()
    back[300:330, 1] += 6.0
    found = doubtful_stretch(prove(scene(), back, belly), back, belly, HANDLE)
    assert (found.limb, found.side, found.why) == ("lower", "back", "jump")
    steps = [(N - 1 - at) / 180 for at in (300, 330)]
    assert any(found.share[0] < step < found.share[1] for step in steps)


def test_an_even_ground_shows_no_edge_anywhere():
    back, belly = outline()
    assert prove(scene(contrast=0), back, belly).whole < 0.3

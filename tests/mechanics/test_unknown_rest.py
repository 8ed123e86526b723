"""Tensions that hang on an unknown shape at rest: how sure they are, against costs whose covariance is known by formula."""

import numpy as np
import pytest

from tillerlens.mechanics.unknown_rest import _covariance


@pytest.mark.parametrize("pictures", [2, 4, 8, 12])
def test_more_pictures_do_not_hide_how_unsure_their_level_is(pictures):
    """All tensions together are known to a tenth and apart to a hundredth, and nothing is quite a parabola: the cost is stiffer
    towards more. Off by 5 % of the level's own is a twentieth of what a reader would be told."""
    level, apart = 0.1, 0.01
    even = np.full((pictures, pictures), 1 / pictures)
    true = level**2 * even * pictures + apart**2 * (np.eye(pictures) - even)
    precision = np.linalg.inv(true)

    def cost(log):
        bent = log + 2.0 * log**2  # ln tension and load go together as e^x, and more so where a limb bends far
        return 0.5 * float(bent @ precision @ bent)

    found = _covariance(cost, np.zeros(pictures), np.ones(pictures))
    assert np.sqrt(np.diag(found)) == pytest.approx(np.sqrt(np.diag(true)), rel=0.05)

"""Pictures laid over each other on the bow's own frame, against rendered pictures whose places are known in both."""

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.support.made_up import SAMPLES, asking, from_truth, sample_photo
from tillerlens.core.document import DocumentError
from tillerlens.report import superposed

NAMES = ["heron-unstrung", "heron-braced-upright", "heron-drawn-27", "plover-drawn-sun"]


def truth_of(name):
    return json.loads((SAMPLES / f"{name}.truth.json").read_text())


def through(homography, points):
    to = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return to[:, :2] / to[:, 2:]


@pytest.mark.parametrize("name", NAMES)
def test_the_bow_comes_to_lie_where_it_is(name):
    """From the centreline alone, back and belly (a limb's half thickness away from it) land within half a millimetre."""
    truth, found = truth_of(name), superposed.to_bow(from_truth(name))
    for seen, true in (("back", "back"), ("belly", "belly"), ("centreline", "centre")):
        got = through(found, np.array(truth["outline_px"][seen], float))
        np.testing.assert_allclose(got, np.array(truth["outline_mm"][true], float), atol=0.5)


def test_a_straight_bow_is_not_turned_over():
    """Its places say nothing of which side is the back; what the bowyer said of the picture does."""
    line = np.array([[x, 1000.0] for x in np.linspace(100, 1900, 40)])
    found = from_truth("heron-unstrung")
    for back, sign in (("up", 1.0), ("down", -1.0)):
        for limb, part, x in (("upper", line[:20], 1.0), ("lower", line[:19:-1], -1.0)):
            mm = np.array([[x * abs(p[0] - 1000.0), 0.0] for p in part])
            found.profile[limb] = replace(found.profile[limb], centre_px=part, centre_mm=mm)
        said = replace(found, shot=replace(found.shot, upper_limb="left", back=back))
        above = through(superposed.to_bow(said), np.array([[1000.0, 900.0]]))
        np.testing.assert_allclose(above, [[0.0, sign * 100.0]], atol=0.5)


def test_two_pictures_of_one_bow_lie_on_each_other():
    """Warped into one frame, the limbs of both pictures' truth fall on the same handle: the fades differ by less than 2 px."""
    documents = tuple(from_truth(n) for n in ("heron-braced", "heron-drawn-27"))
    frame = superposed.frame_for(documents, 900)
    assert frame.size[0] == pytest.approx(900, abs=1)
    fades = []
    for name, document in zip(("heron-braced", "heron-drawn-27"), documents, strict=True):
        picture = superposed.lay(sample_photo(name).rgb, document, frame)
        assert picture.shape == (*frame.size[::-1], 3)
        inner = document.profile["upper"].centre_px[-1:]
        fades.append(through(frame.to_px() @ superposed.to_bow(document), inner))
        x, y = np.round(fades[-1][0]).astype(int)
        here, beside = picture[y, x].astype(float), picture[y - 40, x].astype(float)
        assert np.abs(here - beside).max() > 20  # wood here, board above it
    np.testing.assert_allclose(fades[0], fades[1], atol=2.0)
    both = superposed.faded(np.zeros((2, 2, 3), np.uint8), np.full((2, 2, 3), 200, np.uint8), 0.25)
    assert (both == 50).all()
    lines = superposed.with_lines(picture, frame, *documents)
    assert (lines != picture).any(axis=2).sum() > 500


def test_a_picture_that_was_not_traced_is_refused_in_words():
    with pytest.raises(DocumentError, match="Measure"):
        superposed.to_bow(asking())

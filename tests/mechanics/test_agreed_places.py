"""Places that most pictures of a bow show each by itself, where its shape at rest is not known."""

from dataclasses import replace

import pytest

from tests.support import drawn_film as df
from tillerlens.core.measurement import PhotoId, Spot
from tillerlens.mechanics import finding


def pictures(monkeypatch, spots):
    """Drawn pictures, each with the spots that its own bend shows."""
    made = [replace(df.measured(df.at_draw(400.0 + k)), photo=PhotoId(f"{k}", f"{k}", df.SIZE)) for k in range(len(spots))]
    of = {id(m.profile): tuple(s) for m, s in zip(made, spots, strict=True)}
    monkeypatch.setattr(finding, "find_spots", lambda profile: (of[id(profile)], ()))
    return made


def hinge(at_mm, percent=25.0, limb="upper"):
    return Spot(limb, "hinge", at_mm, 90.0, percent, 5.0, 0.4, (0.0, 0.0))


def test_a_place_that_most_pictures_show_is_told_and_one_that_comes_and_goes_is_not(monkeypatch):
    seen = [[hinge(500.0, 20.0)], [hinge(510.0, 25.0)], [], [hinge(505.0, 30.0), hinge(200.0)], [hinge(700.0, limb="lower")]]
    (place,) = finding.shown_by_most(pictures(monkeypatch, seen))
    assert (place.limb, place.kind, place.sure) == ("upper", "hinge", False)
    # as large and as sure as the middle one of them: light and natural crook are the same in all
    assert place.from_nock_mm.value == 505.0 and place.bend.value == 0.25 and place.bend.u == 0.05
    assert finding.shown_by_most(pictures(monkeypatch, [[hinge(500.0)], [hinge(500.0)], [], []])) == ()  # half is not most
    assert finding.shown_by_most(pictures(monkeypatch, [[hinge(500.0)], [hinge(500.0)]])) == ()  # two may err alike


def test_two_of_one_place_in_one_picture_count_once(monkeypatch):
    assert finding.shown_by_most(pictures(monkeypatch, [[hinge(500.0), hinge(540.0)], [hinge(510.0)], [], []])) == ()


@pytest.mark.parametrize(("own_at", "told"), [(520.0, 1), (600.0, 2)])
def test_a_place_told_already_is_not_told_twice(monkeypatch, own_at, told):
    (agreed,) = finding.shown_by_most(pictures(monkeypatch, [[hinge(500.0)]] * 3))
    own = replace(agreed, from_nock_mm=replace(agreed.from_nock_mm, value=own_at))
    perhaps = replace(agreed, from_nock_mm=replace(agreed.from_nock_mm, value=495.0))
    joined = finding._with_agreed(finding.Finding((own,), ("a",), None, perhaps=(perhaps,)), [agreed])
    assert len(joined.places) == told and len(joined.perhaps) == 2 - told

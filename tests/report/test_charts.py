"""The charts show the measurement's own numbers, in the reader's units, told apart without colour."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from tests.support.made_up import from_truth, gap_row, measured
from tillerlens.core.measurement import LimbProfile
from tillerlens.report.charts.parts import COLOURS
from tillerlens.report.charts.picture import bend_chart, bend_rows, difference_chart, gap_chart
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import Wish

INCHES, CM = Units(), Units("cm")


def layers(chart):
    return chart.to_dict()["layer"]


def values(chart, layer):
    """The rows behind one layer, which stand above the layers where all share them."""
    spec = chart.to_dict()
    return spec["datasets"][spec["layer"][layer].get("data", spec.get("data"))["name"]]


def test_the_bend_chart_runs_from_the_handle_with_a_band_of_two_u():
    """heron: 66 1/2 in from nock to nock, so the nock lies 33 1/4 in from the handle's centre; u was made
    0.04/m, and 1/m is 1.4553 degrees in an inch.
    """
    rows = bend_rows(from_truth(), INCHES)
    assert {row["limb"] for row in rows} == {"upper", "lower"}
    assert max(row["at"] for row in rows) == pytest.approx(33.25, abs=0.01)
    assert all(row["high"] - row["low"] == pytest.approx(0.16 * 1.4553, abs=0.001) for row in rows)
    assert bend_rows(from_truth(), CM)[0]["at"] == pytest.approx(33.25 * 2.54, abs=0.05)


def test_unknown_bends_are_left_out_and_unknown_bands_are_not_nought():
    n = np.array([0.0, 10.0, 20.0])
    profile = LimbProfile(
        n, np.array([1.0, np.nan, 1.2]), np.array([0.1, 0.1, np.nan]), n, n, np.zeros((3, 2)), np.zeros((3, 2)), n
    )
    rows = bend_rows(measured(profile={"upper": profile}), INCHES)
    assert [row["bend"] for row in rows] == [1.4553, 1.7464]  # 1.0 and 1.2 per m; 1/m x 25.4 mm is 1.4553 degrees
    assert rows[1]["low"] is None and rows[1]["high"] is None


def test_the_limbs_are_told_apart_without_colour():
    text = bend_chart(from_truth()).to_json()
    assert '"strokeDash"' in text and '"shape"' in text
    assert len(set(COLOURS.values())) == 2


def test_spots_stand_on_their_limb():
    chart = bend_chart(from_truth())
    marks = [
        (layer["mark"]["shape"], row["limb"], row["spot"])
        for k, layer in enumerate(layers(chart))
        if "shape" in layer["mark"]
        for row in values(chart, k)
    ]
    assert set(marks) == {("diamond", "lower", "hinge"), ("circle", "upper", "stiff")}
    assert {row["spot"] for row in values(chart, -1)} == {"hinge", "stiff"}
    assert len(layers(bend_chart(from_truth(spots=False)))) == 2


@pytest.mark.parametrize(("units", "word"), [(INCHES, "inches"), (CM, "cm")], ids=["in", "cm"])
@pytest.mark.parametrize("chart", [bend_chart, gap_chart, difference_chart])
def test_axes_name_their_unit(chart, units, word):
    assert word in json.dumps(chart(from_truth(), units).to_dict())


def test_the_gap_chart_mirrors_the_limbs():
    row = gap_row(355.6, 254.0, 241.3)
    bars = values(gap_chart(measured(gaps=[row])), 0)
    assert [(bar["limb"], round(bar["gap"], 6), bar["said"]) for bar in bars] == [
        ("upper", -10.0, "10 in"),
        ("lower", 9.5, "9 1/2 in"),
    ]
    assert bars[0]["station"] == "14"


def test_the_difference_chart_shows_interval_and_wish():
    row = gap_row(355.6, 254.0, 241.3, u=1.27)
    chart = difference_chart(measured(gaps=[row]), INCHES, Wish(0.0, 12.7))
    assert values(chart, 0) == [{"from": 0.0, "to": 0.5}]
    (bar,) = values(chart, 2)
    assert (bar["difference"], bar["low"], bar["high"]) == pytest.approx((0.5, 0.4, 0.6))


def test_a_difference_of_unknown_interval_is_not_drawn_as_certain():
    unknown = gap_row(355.6, 130, 100, math.nan)
    with pytest.raises(ValueError, match="no difference"):
        difference_chart(measured(gaps=[unknown]))


def test_nothing_to_chart_is_said():
    bare = replace(from_truth(), profile={}, gaps=())
    for chart in (bend_chart, gap_chart, difference_chart):
        with pytest.raises(ValueError, match="the measurement has no"):
            chart(bare)

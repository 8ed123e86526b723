"""Our own SVG: well formed, to scale, with text as text."""

import xml.etree.ElementTree as ET
from datetime import UTC, datetime, timedelta

import pytest

from tests.measures.test_compare import drawn
from tests.measures.test_set import readings
from tests.support.pairs import HALF_MM, bump, document, flat
from tillerlens.core.measurement import Value
from tillerlens.history.trends import ReflexAt
from tillerlens.measures.pair import read_picture
from tillerlens.measures.set import WeighedDraw, fit_recovery, set_between
from tillerlens.report.charts.svg import (
    bend_figure,
    profile_figure,
    recovery_figure,
    reflex_figure,
    set_figure,
    ticks,
    weight_figure,
)
from tillerlens.report.words.quantities import Units

T0 = datetime(2026, 3, 1, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"


def parsed(svg):
    return ET.fromstring(svg)


def lines(tree):
    return [[tuple(map(float, p.split(","))) for p in e.get("points").split()] for e in tree.iter(f"{SVG}polyline")]


def test_ticks_are_round_and_inside():
    assert ticks(-0.7, 2.1) == [-0.5, 0.0, 0.5, 1.0, 1.5, 2.0]
    assert ticks(0.0, 30.0) == [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0]


def test_profiles_are_drawn_to_one_scale():
    """The tip of the bent limb lies below the handle as far as the document says, by the scale of the span."""
    bow = read_picture(drawn())
    (line,) = lines(parsed(profile_figure([("now", bow)], Units())))
    upper, lower = bow.limbs["upper"].centre_mm[0], bow.limbs["lower"].centre_mm[0]
    per_mm = (line[-1][0] - line[0][0]) / (upper[0] - lower[0])
    middle = max(range(len(line)), key=lambda k: -line[k][1])
    assert line[0][0] < line[-1][0]  # the upper limb to the left
    assert (line[0][1] - line[middle][1]) / per_mm == pytest.approx(-upper[1], abs=1.0)


def test_names_are_text():
    name = '</text><script>alert(1)</script> & "'
    tree = parsed(profile_figure([(name, read_picture(drawn()))], Units()))
    assert name in [e.text for e in tree.iter(f"{SVG}text")]
    assert not list(tree.iter(f"{SVG}script"))


def test_bend_figure_tells_the_limbs_apart_by_dash():
    tree = parsed(bend_figure(read_picture(drawn()), Units(), rest=read_picture(document(flat, flat))))
    dashes = {e.get("stroke-dasharray") for e in tree.iter(f"{SVG}polyline")}
    assert dashes == {None, "7 4"}


def test_the_set_map_marks_what_is_told():
    none = parsed(set_figure(set_between(document(flat, flat), document(flat, flat)), Units()))
    some = parsed(set_figure(set_between(document(flat, flat), document(bump(0.6, 500, 60), flat)), Units()))
    bars = [[e for e in tree.iter(f"{SVG}line") if e.get("stroke-width") == "3"] for tree in (none, some)]
    assert [len(b) for b in bars] == [0, 1]
    inks = [{e.get("fill") for e in tree.iter(f"{SVG}polygon")} - {"none", "#ffffff"} for tree in (none, some)]
    assert not inks[0] and inks[1]  # no colour where nothing is told
    place = (float(bars[1][0].get("x1")) + float(bars[1][0].get("x2"))) / 2
    assert place == pytest.approx(360 - (HALF_MM - 500) * 346 / HALF_MM, abs=8)


def test_the_other_figures_are_well_formed():
    read = [ReflexAt(T0 + timedelta(days=k), Value(10.0 * k, 1.0, "mm"), m) for k, m in enumerate((None, 2, 1500))]
    three = readings(10.0, 15.0, 120.0, (1, 120, 1440), 0.3)
    for svg in (
        reflex_figure(read, Units()),
        reflex_figure(read[:1], Units("cm")),
        recovery_figure(three, fit_recovery(three), Units()),
        recovery_figure(three[:1], None, Units()),
        weight_figure([WeighedDraw(T0, 600, 200, 1), WeighedDraw(T0 + timedelta(days=1), 650, 220, 1)], Units("cm", "kg")),
    ):
        assert len(list(parsed(svg).iter(f"{SVG}text"))) > 4
    for empty in (lambda: reflex_figure([], Units()), lambda: weight_figure([], Units())):
        with pytest.raises(ValueError):
            empty()

"""Rows of a bow's history and of the shelf, against arithmetic by hand."""

import csv
import io
from datetime import UTC, datetime, timedelta

import pytest

from tillerlens.core.measurement import Value
from tillerlens.core.units import KG_PER_GRAIN, KG_PER_POUND, NEWTON_PER_POUND
from tillerlens.history.trends import SHELF_HEADS, ReflexAt, sessions, shelf_csv, shelf_line, sorted_shelf, weight_at
from tillerlens.measures.set import WeighedDraw

T0 = datetime(2026, 3, 1, tzinfo=UTC)


def pull(draw_in, pounds, u=1.0, hours=0):
    return WeighedDraw(T0 + timedelta(hours=hours), draw_in * 25.4, pounds * NEWTON_PER_POUND, u)


def test_a_shelf_line_in_the_trades_units():
    """45 lb, a 450 grain arrow: 10 grains per pound; 1.5 in of 2 in kept: 75 %; 18 oz; 150 fps is 45.72 m/s (exact)."""
    line = shelf_line(
        "Heron",
        wood="ash",
        length_mm=66 * 25.4,
        width_mm=1.5 * 25.4,
        reflex_mm=1.5 * 25.4,
        form_reflex_mm=50.8,
        pull=(26 * 25.4, 45 * NEWTON_PER_POUND),
        mass_kg=KG_PER_POUND * 18 / 16,
        shot=(450 * KG_PER_GRAIN, 45.72),
        stages=4,
    )
    assert (line.length_in, line.width_in, line.draw_in) == pytest.approx((66, 1.5, 26))
    assert (line.gr_per_lb, line.reflex_kept_percent, line.mass_oz, line.speed_fps) == pytest.approx((10, 75, 18, 150))
    bare = shelf_line("Wren")
    assert bare.gr_per_lb is None and bare.reflex_kept_percent is None and bare.stages == 0


def test_sorting_leaves_the_unknown_last():
    lines = [shelf_line("b", length_mm=1500), shelf_line("A"), shelf_line("c", length_mm=1700)]
    assert [line.name for line in sorted_shelf(lines, "length_in")] == ["b", "c", "A"]
    assert [line.name for line in sorted_shelf(lines, "length_in", falling=True)] == ["c", "b", "A"]
    assert [line.name for line in sorted_shelf(lines)] == ["A", "b", "c"]


def test_csv_is_headed_in_words_and_no_name_is_a_formula():
    rows = list(csv.DictReader(io.StringIO(shelf_csv([shelf_line("=1+1", wood='ash, "white"', length_mm=1676.4)]))))
    assert list(rows[0]) == list(SHELF_HEADS.values())
    assert rows[0]["bow"] == "'=1+1" and rows[0]["wood"] == 'ash, "white"' and rows[0]["length (in)"] == "66.0"
    assert rows[0]["speed (fps)"] == ""


def test_weight_between_two_pulls_is_on_their_line():
    """24 in 40 lb, 26 in 45 lb: 25 in 42.5 lb, u = sqrt(2) / 2 of one reading's."""
    found = weight_at([pull(26, 45), pull(24, 40)], 25 * 25.4)
    assert found.value == pytest.approx(42.5 * NEWTON_PER_POUND) and found.u == pytest.approx(2**-0.5)


def test_one_pull_counts_near_its_draw_only():
    assert weight_at([pull(24, 40)], 24.2 * 25.4).u > 1.0
    assert weight_at([pull(24, 40)], 26 * 25.4) is None
    assert weight_at([], 26 * 25.4) is None


def test_readings_are_gathered_by_unstringing():
    read = [ReflexAt(T0, Value(10.0, 0.5, "mm"), m, s) for m, s in ((None, 0), (2, 1), (60, 1), (3, 2))]
    assert [[r.minutes for r in s] for s in sessions(read)] == [[2, 60], [3]]
    assert [r.kind for r in read] == ["time not noted", "just unstrung", "resting", "just unstrung"]

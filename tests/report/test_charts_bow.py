"""Charts of a bow's history show the numbers themselves and tell stages and limbs apart without colour."""

import json
import math
from datetime import UTC, datetime, timedelta

import pytest

from tests.measures.test_compare import drawn
from tests.measures.test_set import readings
from tests.support.pairs import bump, document, flat
from tillerlens.core.measurement import Value
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.history.trends import ReflexAt, TrendPoint
from tillerlens.measures.compare import compare
from tillerlens.measures.set import fit_recovery, set_between
from tillerlens.report.charts.bow import (
    SET_RANGE,
    bend_pair_chart,
    gap_pair_chart,
    recovery_chart,
    reflex_chart,
    set_map_chart,
    set_rows,
    trends_chart,
)
from tillerlens.report.words.quantities import Units

T0 = datetime(2026, 3, 1, tzinfo=UTC)


def found_set():
    return set_between(document(flat, flat), document(bump(0.4, 500, 60), flat))


def rows_of(chart):
    return [row for rows in chart.to_dict()["datasets"].values() for row in rows]


def test_the_set_map_is_darkest_where_the_set_is():
    cells, curve = set_rows(found_set(), Units())
    darkest = max(cells, key=lambda c: c["size"])
    assert darkest["limb"] == "upper" and darkest["from"] == pytest.approx((32 * 25.4 - 500) / 25.4, abs=0.4)
    assert darkest["told"] and not all(c["told"] for c in cells)
    assert all(c["low"] < c["high"] for c in cells)
    at = next(r for r in curve if r["limb"] == "upper")
    assert at["high"] - at["low"] > 0
    json.loads(set_map_chart(found_set()).to_json())
    untold = set_between(document(flat, flat), document(flat, flat))
    assert not any(c["told"] for c in set_rows(untold, Units())[0])
    json.loads(set_map_chart(untold).to_json())


def test_the_set_colours_keep_their_order_in_grey():
    """Luma by Rec. 601 weights (value from memory), what a grey print shows: falling from each colour to the next."""
    grey = [sum(w * int(c[i : i + 2], 16) for w, i in zip((0.299, 0.587, 0.114), (1, 3, 5), strict=True)) for c in SET_RANGE]
    assert all(b < a - 15 for a, b in zip(grey, grey[1:], strict=False))


def test_gaps_of_two_stages_mirror_the_limbs():
    rows = rows_of(gap_pair_chart(compare(drawn(), drawn(lower=0.3))))
    assert {(r["stage"], r["limb"]) for r in rows} == {(s, k) for s in ("earlier", "now") for k in ("upper", "lower")}
    assert all((r["gap"] < 0) == (r["limb"] == "upper") for r in rows)
    with pytest.raises(ValueError, match="no gap"):
        gap_pair_chart(compare(document(flat, flat), document(flat, flat)))


def test_two_bends_differ_in_dash_and_the_change_stands_on_its_ground():
    chart = bend_pair_chart(compare(drawn(), drawn(lower=0.3)))
    text = chart.to_json()
    assert "strokeDash" in text and "earlier" in text
    (ground,) = [r for r in rows_of(chart) if "to" in r]
    assert ground["from"] * 25.4 == pytest.approx(32 * 25.4 - 547, abs=10)
    with pytest.raises(ValueError, match="not compared"):
        bend_pair_chart(compare(drawn(), drawn(draw_mm=700.0)))


def test_reflex_and_recovery():
    read = [ReflexAt(T0 + timedelta(days=k), Value(25.4 * k, 2.54, "mm"), m) for k, m in enumerate((None, 2, 1500))]
    rows = [r for r in rows_of(reflex_chart(read)) if "kind" in r]
    assert [r["kind"] for r in rows] == ["time not noted", "just unstrung", "rested"]
    assert (rows[1]["value"], rows[1]["low"], rows[1]["high"]) == pytest.approx((1.0, 0.8, 1.2))
    three = readings(10.0, 15.0, 120.0, (1, 120, 1440), 0.3)
    assert len(recovery_chart(three, fit_recovery(three)).to_dict()["layer"]) == 4
    assert len(recovery_chart(three[:2], None).to_dict()["layer"]) == 2
    with pytest.raises(ValueError, match="no reflex"):
        reflex_chart([])


def test_trends_have_a_panel_each_and_no_invented_interval():
    points = [
        TrendPoint(T0, "weight", Value(45 * NEWTON_PER_POUND, math.nan, "N")),
        TrendPoint(T0, "tiller", Value(2.54, 0.254, "mm")),
    ]
    chart = trends_chart(points).to_dict()
    assert len(chart["vconcat"]) == 2
    weight = next(r for r in rows_of(trends_chart(points[:1])) if "value" in r)
    assert weight["value"] == pytest.approx(45) and weight["low"] is None
    with pytest.raises(ValueError, match="nothing"):
        trends_chart([])

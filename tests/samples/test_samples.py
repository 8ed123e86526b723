"""The demo's pictures: each complete, together small, and their truth true to itself and to the pixels."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy import ndimage

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
NAMES = sorted(p.stem for p in SAMPLES.glob("*.jpg"))
IN = 25.4
Doc = dict[str, Any]


def truth(name: str) -> Doc:
    doc: Doc = json.loads((SAMPLES / f"{name}.truth.json").read_text())
    return doc


def shot(name: str) -> Doc:
    doc: Doc = json.loads((SAMPLES / f"{name}.shot.json").read_text())
    return doc


def outline(doc: Doc) -> dict[str, np.ndarray]:
    return {k: np.array(v) for k, v in doc["outline_mm"].items()}


def on_plane(camera: Doc, px: np.ndarray, z: float) -> np.ndarray:
    """Where the rays of upright pixels meet the plane at depth z, (n, 2); written apart from the studio."""
    bent = (px - np.array(camera["centre_px"])) / camera["focal_px"]
    r = np.hypot(*bent.T)
    straight = r.copy()
    for _ in range(30):
        straight = r / (1 + camera["k1"] * straight**2)
    flat = bent * (straight / r)[:, None]
    rays = np.column_stack([flat, np.ones(len(px))]) @ np.array(camera["right_down_forward"])
    at = np.array(camera["position_mm"])
    return np.asarray((at + rays * ((z - at[2]) / rays[:, 2])[:, None])[:, :2])


def test_the_set_is_there() -> None:
    kinds = {(truth(n)["kind"], truth(n)["state"]) for n in NAMES}
    assert len(NAMES) >= 9
    assert {k for k, _ in kinds} >= {"aruco", "grid", "lines_and_two_marks", "tape", "stick"}
    assert {s for _, s in kinds} == {"unstrung", "braced", "drawn"}
    assert any(truth(n)["spots"] for n in NAMES)
    draws = sorted(truth(n)["values"]["draw_length_back"] for n in NAMES if n.startswith("heron-drawn"))
    assert len(draws) == 3 and np.diff(draws).min() > 75


def test_all_together_are_small() -> None:
    assert sum(p.stat().st_size for p in SAMPLES.rglob("*") if p.is_file()) < 15_000_000


@pytest.mark.parametrize("name", NAMES)
def test_files_and_facts_agree(name: str) -> None:
    t, s = truth(name), shot(name)
    with Image.open(SAMPLES / f"{name}.jpg") as picture:
        assert picture.getexif().get_ifd(0x8769)[0xA405] == pytest.approx(
            t["camera"]["focal_px"] * 43.267 / math.hypot(*picture.size), rel=0.08
        )
        assert list(ImageOps.exif_transpose(picture).size) == t["size_px"]
    assert s["photo"] == t["picture"] == f"{name}.jpg"
    assert (s["state"], s["scale"]["kind"], s["upper_limb"], s["back"]) == (
        t["state"], t["kind"], t["upper_limb"], t["back"],
    )  # fmt: skip
    assert s["bow_length_nock_to_nock_in"] * IN == pytest.approx(t["bow"]["length_mm"], abs=4.0)
    assert s["standoff_in"] * IN == pytest.approx(t["standoff_mm"], abs=3.5)
    if "marks_px" in t:
        np.testing.assert_allclose(s["marks_px"], t["marks_px"], atol=4.0)
    if t["state"] == "drawn":
        assert s["scale_reading_lb"] * 4.4482216 == pytest.approx(t["string"]["weight_N"], abs=6.0)


def test_one_picture_lies_turned_in_its_file() -> None:
    turned = []
    for name in NAMES:
        with Image.open(SAMPLES / f"{name}.jpg") as picture:
            if picture.getexif()[0x0112] == 6:
                turned.append(name)
    assert turned and all(truth(n)["upper_limb"] == "top" for n in turned)


@pytest.mark.parametrize("name", NAMES)
def test_length_along_the_axis(name: str) -> None:
    t = truth(name)
    steps = np.hypot(*np.diff(outline(t)["centre"], axis=0).T)
    assert steps.sum() == pytest.approx(t["values"]["length_along_axis"], abs=0.05)
    assert t["values"]["length_along_axis"] == pytest.approx(t["bow"]["length_mm"], abs=1e-3)


@pytest.mark.parametrize("name", NAMES)
def test_values_follow_from_the_outline(name: str) -> None:
    t = truth(name)
    v, o = t["values"], outline(t)
    mid = int(np.hypot(*o["centre"].T).argmin())
    assert np.hypot(*o["centre"][mid]) < 1e-6
    up, low = o["centre"][0], o["centre"][-1]
    if t["state"] == "unstrung":
        a, b = o["back"][0], o["back"][-1]
        n = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
        assert abs(n @ (o["back"][mid] - a)) == pytest.approx(abs(v["reflex"]), abs=1e-3)
        assert v["reflex_upper"] == pytest.approx(a[1] - o["back"][mid][1], abs=1e-3)
        assert math.copysign(1, v["reflex"]) == math.copysign(1, v["reflex_upper"] + v["reflex_lower"])
        return
    assert v["tip_height_difference"] == pytest.approx(up[1] - low[1], abs=1e-3)
    chord = low + (up - low) * ((o["belly"][mid][0] - low[0]) / (up[0] - low[0]))
    if t["state"] == "braced":
        assert v["brace_height_belly"] == pytest.approx(o["belly"][mid][1] - chord[1], abs=1e-3)
        string = low - up
    else:
        hook = np.array([np.nan, o["back"][mid][1] - v["draw_length_back"]])
        inside = math.radians(v["string_angle_upper"])  # the hook closes the triangle of the string's length
        edge = o["centre"][1] - o["centre"][0]
        lean = math.atan2(edge[1], edge[0])
        # the tangent at the nock itself, from the last two chords
        last = o["centre"][2] - o["centre"][1]
        lean += 0.5 * (lean - math.atan2(last[1], last[0]))
        way = np.array([math.cos(lean + inside), math.sin(lean + inside)])
        other = np.array([math.cos(lean - inside), math.sin(lean - inside)])
        way = way if way[1] < other[1] else other
        hook[0] = up[0] + way[0] * (hook[1] - up[1]) / way[1]
        total = np.hypot(*(hook - up)) + np.hypot(*(hook - low))
        assert total == pytest.approx(t["string"]["length_mm"], abs=2.0)
        return
    assert np.hypot(*string) == pytest.approx(t["string"]["length_mm"], abs=1e-2)


@pytest.mark.parametrize("name", [n for n in NAMES if truth(n)["gaps"]])
def test_gaps_follow_from_the_outline(name: str) -> None:
    t = truth(name)
    o = outline(t)
    up, low = o["centre"][0], o["centre"][-1]
    mid = int(np.hypot(*o["centre"].T).argmin())
    for limb, part in (("upper", slice(mid, None, -1)), ("lower", slice(mid, None))):
        centre, belly = o["centre"][part], o["belly"][part]
        s = np.append(0, np.cumsum(np.hypot(*np.diff(centre, axis=0).T)))
        for row in t["gaps"]:
            x, y = (np.interp(row["from_handle_mm"], s, belly[:, a]) for a in (0, 1))
            string = low[1] + (up[1] - low[1]) * (x - low[0]) / (up[0] - low[0])
            assert row[limb] == pytest.approx(y - string, abs=0.05)
            assert row["difference"] == pytest.approx(row["upper"] - row["lower"], abs=2e-5)


@pytest.mark.parametrize("name", NAMES)
def test_curvature_adds_up_to_the_turn_of_the_limb(name: str) -> None:
    t = truth(name)
    o = outline(t)["centre"]
    for limb, ends in (("upper", o[:3]), ("lower", o[:-4:-1])):
        p = t["profile"][limb]
        turn = np.trapezoid(p["curvature_per_m"], -np.array(p["from_nock_mm"]) / 1000)
        a, b = ends[0] - ends[1], ends[1] - ends[2]
        angle = [math.atan2(-d[1], abs(d[0])) for d in (a, b)]
        assert turn == pytest.approx(angle[0] + 0.5 * (angle[0] - angle[1]), abs=2e-3)


@pytest.mark.parametrize("name", NAMES)
def test_pixels_are_the_outline_seen_by_the_camera(name: str) -> None:
    t = truth(name)
    px = np.array(t["outline_px"]["centreline"])
    world = on_plane(t["camera"], px, t["standoff_mm"])
    model = outline(t)["centre"]
    apart = np.hypot(*(world[:, None] - world[None]).transpose(2, 0, 1))
    want = np.hypot(*(model[:, None] - model[None]).transpose(2, 0, 1))
    np.testing.assert_allclose(apart, want, atol=5e-3)  # a rigid motion: the pixels hold 0.001 px
    assert np.all(px > 10) and np.all(px < np.array(t["size_px"]) - 10)


@pytest.mark.parametrize("name", ["bramble-drawn-grid", "plover-unstrung-tape"])
def test_the_bow_lies_where_the_truth_says(name: str) -> None:
    """The middle of a warm-coloured limb on a colder board is the truth's centreline within a pixel."""
    t = truth(name)
    with Image.open(SAMPLES / f"{name}.jpg") as picture:
        rgb = np.asarray(ImageOps.exif_transpose(picture).convert("RGB"), float)
    warmth = (rgb[..., 0] - rgb[..., 2]) / (rgb.sum(2) + 30)  # the same in light and shade
    line = np.array(t["outline_px"]["centreline"])
    off = []
    for i in range(12, len(line) - 12, 2):
        if abs(i - len(line) // 2) < 14:  # grip and cradle
            continue
        way = line[i + 1] - line[i - 1]
        across = np.array([-way[1], way[0]]) / np.hypot(*way)
        steps = np.arange(-22, 22.01, 0.1)
        at = line[i] + steps[:, None] * across
        v = ndimage.map_coordinates(warmth, [at[:, 1], at[:, 0]], order=1)
        slope = np.gradient(ndimage.gaussian_filter1d(v, 12))
        inner = np.abs(steps) < 18
        a, b = steps[inner][slope[inner].argmin()], steps[inner][slope[inner].argmax()]
        off.append((a + b) / 2)
    assert abs(np.median(off)) < 0.8, np.median(off)
    assert np.mean(np.abs(off) < 3) > 0.7


def test_the_package_never_needs_the_studio() -> None:
    for p in (SAMPLES.parent / "tillerlens").rglob("*.py"):
        text = p.read_text()
        assert (
            "from studio" not in text
            and "import studio" not in text
            and "samples.render" not in text
            and "import mitsuba" not in text
        )


@pytest.mark.slow
def test_truth_fits_the_renderer() -> None:
    """Rendered edges lie where the projection puts them, within 0.01 px on the mean; painted dots each within 0.1 px."""
    pytest.importorskip("mitsuba", reason="Mitsuba is a dev dependency: pip install mitsuba")
    done = subprocess.run([sys.executable, str(SAMPLES / "render.py"), "--check"], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stdout + done.stderr

"""The bow seen from its belly or back: parallax by hand, edges and string on drawn pictures, and what is refused."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.support.made_up import front, mm
from tillerlens.core.document import DocumentError, parse_documents
from tillerlens.core.errors import NeedsHelp, ShotError
from tillerlens.core.measurement import PhotoId
from tillerlens.core.shot_file import read_shot
from tillerlens.front import shape as front_shape
from tillerlens.front.edges import place_edge
from tillerlens.front.measure import _by_clicks, _check_alike, _check_upper, _values
from tillerlens.front.shape import DEPTH, FrontShape, Outline, prior, settled, shape
from tillerlens.front.string import find_front_string
from tillerlens.mechanics.evidence import check_rest
from tillerlens.mechanics.observed import MechanicsError
from tillerlens.photo.camera import Camera, CameraFit
from tillerlens.report.table import as_text
from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import verdict
from tillerlens.trace.network import StripMaps
from tillerlens.trace.straighten import MIDDLE_ROW, Strip, normals

FRONT = {
    "view": "front",
    "facing": "belly",
    "state": "braced",
    "bow_length_nock_to_nock_in": 1600 / 25.4,
    "handle_in": 200 / 25.4,
    "upper_limb": "top",
    "standoff_in": 0.0,
    "brace_height_in": 150 / 25.4,
    "handle_thickness_in": 40 / 25.4,
    "scale": {"kind": "grid", "spacing_in": 2.0},
}
FOCAL, FAR, ASIDE = 2000.0, 2500.0, 200.0  # px; mm before the board, and to the right of the bow


def fit_from(aside=ASIDE):
    """A camera that looks straight at the board, ``aside`` mm to the right of the bow's line X = 0."""
    theta = np.array([0, 0, 0, -aside, 0, FAR, np.log(FOCAL), 0, 1500, 2000], float)
    u = np.array([1e-5] * 3 + [0.1, 0.1, 0.5] + [1e-4, 1e-5, 0.1, 0.1])
    return CameraFit(Camera(theta, (3000, 4000)), np.diag(u**2), 0.1, 0.0, True, 40)


def drawn_outline(fit, shot, middle=lambda y: 0 * y, string_mm=3.0, width=30.0, over=20.0):
    """Both edges and the string of a braced bow in the depth that the model gives it, tips ``over`` mm past the nocks."""
    mean, _ = prior(fit, shot, np.full((2, 7), 0.1), 0.1)
    mean[[front_shape.PAST_UP, front_shape.PAST_LOW]] = over
    y = np.linspace(-800 - over, 800 + over, 700)
    # the way along the limb is longer than along the picture; the depth over the way is what the model is about
    half, root, deep, power = 100.0, mean[front_shape.ROOT], mean[DEPTH], mean[front_shape.POWER]
    d = np.abs(y)
    z = root * np.clip(d / half, 0, 1) ** 2 + (deep - root) * np.clip((d - half) / 700.0, 0, 1.1) ** power
    edges = [fit.camera.project(np.column_stack([middle(y) + way * width / 2, y, -z])) for way in (1, -1)]
    at = np.linspace(-200, 200, 9)
    string = fit.camera.project(np.column_stack([np.full(9, string_mm), at, np.full(9, -deep)]))
    length = float(np.sum(np.hypot(np.diff(y), np.diff(z))[(np.abs(y[:-1]) < 800)]))
    return Outline(edges[0], edges[1], string), mean, length


def solved(fit, shot, outline, length):
    mean, covariance = prior(fit, shot, np.full((2, 7), 0.1), 0.1)
    x, p, off = settled(mean, covariance, lambda q: shape(q, outline, fit.camera, shot).length_mm, length)
    return shape(x, outline, fit.camera, shot), off


def test_the_parallax_of_the_string_is_what_a_pencil_gives():
    """String 170 mm before the handle's middle (150 brace, half of 40 grip), camera 2500 mm off and 200 mm right: a string over
    the handle's middle is seen at 200 - 200 * 2500 / (2500 - 170) = -14.59 mm on the board, left of it. To 0.01 mm."""
    fit, shot = fit_from(), read_shot(FRONT)
    px = fit.camera.project(np.array([[0.0, 0.0, -170.0]]))
    assert fit.camera.to_plane(px, 0.0)[0, 0] == pytest.approx(200 - 200 * 2500 / 2330, abs=0.01)
    mean, _ = prior(fit, shot, np.zeros((2, 7)), 0.0)
    assert mean[DEPTH] == pytest.approx(170.0, abs=0.01)
    back = read_shot(FRONT | {"facing": "back"})
    assert prior(fit, back, np.zeros((2, 7)), 0.0)[0][DEPTH] == pytest.approx(-170.0, abs=0.01)


def test_a_width_keeps_its_uncertainty_where_columns_are_sparse():
    """Columns 9.4 mm apart: two or three of them lie within 12 mm of a station, as the nock is taken to be, which is
    doubtful by 6 mm. A station that went missing in one of these settings had no uncertainty."""
    fit, shot = fit_from(), read_shot(FRONT)
    whole, *_ = drawn_outline(fit, shot)
    outline = Outline(whole.right_px[::4], whole.left_px[::4], None)
    mean, covariance = prior(fit, shot, np.full((2, 7), 0.1), 0.1)
    for k in (front_shape.PAST_UP, front_shape.PAST_LOW):
        mean[k], covariance[k, k] = 20.0, 6.0**2

    def numbers(x):
        return shape(x, outline, fit.camera, shot).numbers

    values = _values(shape(mean, outline, fit.camera, shot), numbers, mean, covariance)
    widths = {n: v.u for n, v in values.items() if n.startswith("width")}
    assert len(widths) >= 12 and np.isfinite(list(widths.values())).all(), widths


@pytest.mark.parametrize("aside", [-230.0, 0.0, 200.0])
def test_string_tips_and_widths_are_free_of_where_the_camera_stood(aside):
    """String 3 mm right, handle in line, 30 mm wide: to 0.25 mm, where the shift by parallax is up to 17 mm. This bow has no
    thickness, so the side wall that is taken off, up to 0.6 mm, is expected to be missing."""
    fit, shot = fit_from(aside), read_shot(FRONT)
    outline, _, length = drawn_outline(fit, shot)
    found, off = solved(fit, shot, outline, length)
    assert abs(off) < 1.0
    assert found.numbers["string_line"] == pytest.approx(3.0, abs=0.25)
    assert found.numbers["tip_line"] == pytest.approx(0.0, abs=0.25)
    wall = abs(aside) / FAR * front_shape.WALL_MM
    assert found.numbers["width_upper_300"] == pytest.approx(30.0 - wall, abs=0.15)


def test_a_limb_bent_sideways_is_told_with_its_sign():
    """The upper limb bows 6 mm to the right in its middle, as a half sine from the stiff handle's end to the nock: to 0.3 mm,
    what smoothing and the fit at the nock leave; the straight one has none to 0.4 mm."""
    fit, shot = fit_from(), read_shot(FRONT)

    def bent(y):
        return np.where(y < 0, 6.0 * np.sin(np.pi * np.clip((-y - 100) / 700, 0, 1)), 0.0)

    outline, _, length = drawn_outline(fit, shot, bent)
    found, _ = solved(fit, shot, outline, length)
    assert found.numbers["side_bend_upper"] == pytest.approx(6.0, abs=0.3)
    assert abs(found.numbers["side_bend_lower"]) < 0.4
    assert 300 < found.numbers["bend_at_upper"] < 500


def test_clicked_nocks_are_where_they_were_clicked():
    """Tips 45 mm past the nocks, though 20 are usual: the upper nock to 2 mm, 2.5 px of a hand at 0.8 px a mm."""
    fit, shot = fit_from(), read_shot(FRONT)
    outline, mean, _ = drawn_outline(fit, shot, over=45.0)
    bare = shape(mean, outline, fit.camera, shot)
    k = int(np.argmin(np.abs(bare.way_mm - 45.0)))
    clicked = read_shot(FRONT | {"clicks": {"nock_upper": list(bare.middle_px[k])}})
    mean, covariance = prior(fit, clicked, np.full((2, 7), 0.1), 0.1)
    _by_clicks(mean, covariance, outline, fit, clicked, 0.8)
    assert mean[front_shape.PAST_UP] == pytest.approx(45.0, abs=2.0)
    assert np.sqrt(covariance[front_shape.PAST_UP, front_shape.PAST_UP]) == pytest.approx(2.5 / 0.8, abs=0.01)
    x, y = bare.middle_px[k]  # 20 mm to one side of it something else was followed
    aside = replace(clicked, clicks={"nock_upper": (x + 20 * 0.8, y)})
    with pytest.raises(NeedsHelp, match="beside the clicked nock"):
        _by_clicks(mean, covariance, outline, fit, aside, 0.8)


def wood_on_wall(wall_px=2.0, size=(300, 1600)):
    """A limb 60 px broad across the picture: a bright face, below it a darker strip ``wall_px`` wide of the same hue, on grey.
    Linear light, blurred by 0.8 px."""
    big = 8
    rows = np.arange(size[0] * big) / big
    tone = np.tile(np.array([0.45, 0.45, 0.45]), (len(rows), 1))
    tone[(rows > 120) & (rows < 180)] = [0.6, 0.42, 0.22]
    tone[(rows > 180) & (rows < 180 + wall_px)] = [0.33, 0.231, 0.121]
    tone = cv2.GaussianBlur(tone, (1, 0), sigmaX=0.1, sigmaY=0.8 * big)
    tone = tone.reshape(size[0], big, 3).mean(1)
    noise = np.random.default_rng(3).normal(0, 0.01, (*size, 3))
    return np.clip((tone[:, None] + noise) * 65535, 0, 65535).astype(np.uint16)


def level_strip(step=3.0, row=150.0, width=1600):
    path = np.column_stack([np.arange(60.0, width - 60.0, step), np.full(len(np.arange(60.0, width - 60.0, step)), row)])
    nothing = np.zeros((64, len(path)), np.float32)
    return Strip(path, normals(path), step, StripMaps(nothing, nothing, nothing))


def test_a_side_wall_of_the_woods_hue_belongs_to_the_limb():
    """Its outer border is the edge: 182 px and not 180, to 0.6 px, from a proposal 3 px off. (0, 0) is a pixel's centre: -0.5."""
    strip = level_strip()
    columns = np.arange(len(strip.path), dtype=float)
    for outward, true in ((1, 182 - 0.5), (-1, 120 - 0.5)):
        proposed = np.full(len(columns), MIDDLE_ROW + (true + 3 * outward - 150.0) / strip.step)
        other = np.full(len(columns), MIDDLE_ROW + ((120 if outward > 0 else 182) - 150.0) / strip.step)
        _, row, *_ = place_edge(wood_on_wall(), strip, columns, (proposed, other), outward, 1.6)
        y = 150.0 + (row - MIDDLE_ROW) * strip.step
        assert np.median(y) == pytest.approx(true, abs=0.6)


def lower_edge(light):
    """Where the limb's lower edge is found, y in px, from a proposal 1.5 px off."""
    strip = level_strip()
    columns = np.arange(len(strip.path), dtype=float)
    proposed, other = (np.full(len(columns), MIDDLE_ROW + (row - 150.0) / strip.step) for row in (178.0, 120.0))
    _, row, *_ = place_edge(light, strip, columns, (proposed, other), 1, 1.6)
    return float(np.median(150.0 + (row - MIDDLE_ROW) * strip.step))


def test_a_string_just_inside_an_edge_is_not_taken_for_the_wood():
    """A violet string 7 px thick, 5 px inside the edge, was taken for the wood and put the edge 5 px in: to 0.6 px."""
    light = wood_on_wall(wall_px=0.0)
    light[168:175] = np.array([0.03, 0.02, 0.06]) * 65535
    assert lower_edge(light) == pytest.approx(180 - 0.5, abs=0.6)


def test_colour_that_a_phone_smears_does_not_move_an_edge():
    """Bright wood on a dark wall, colour smeared by 1.5 px as phones keep it at half the detail: its hue runs out over the wall,
    which put the edge 1.5 px out. To 0.6 px."""
    tone = np.tile(np.array([0.34, 0.295, 0.21]), (300 * 8, 1))
    tone[120 * 8 : 180 * 8] = [0.85, 0.66, 0.39]
    assert lower_edge(smeared(tone)) == pytest.approx(180 - 0.5, abs=0.6)


def test_a_bright_limb_on_planks_of_its_own_hue_keeps_its_width():
    """Eight times as bright as stained planks, a limb's blurred foot passed for its dark side wall, 1.2 px out. To 0.7 px."""
    tone = np.tile(np.array([0.10, 0.06, 0.041]), (300 * 8, 1))
    tone[120 * 8 : 180 * 8] = [0.86, 0.50, 0.20]
    assert lower_edge(smeared(tone)) == pytest.approx(180 - 0.5, abs=0.7)


def test_a_rim_that_a_lamp_lights_does_not_move_its_edge_out():
    """The last 4 px of a dark face rise to twice its light: its sum told the edge 1 px too far out. To 0.6 px."""
    tone = np.tile(np.array([0.138, 0.083, 0.053]), (300 * 8, 1))
    tone[120 * 8 : 180 * 8] = [0.165, 0.120, 0.073]
    tone[176 * 8 : 180 * 8] *= np.linspace(1.0, 2.0, 32)[:, None]
    assert lower_edge(smeared(tone)) == pytest.approx(180 - 0.5, abs=0.6)


@pytest.mark.parametrize(
    ("ground", "doubted"), [((0.44, 0.38, 0.28), True), ((0.20, 0.22, 0.27), False), ((0.10, 0.08, 0.055), False)]
)
def test_a_rim_that_may_pass_for_pale_ground_is_doubted(ground, doubted):
    """Before ground paler than the wood and of nearly its hue, by more than 2 mm; before slate or dark planks not at all."""
    tone = np.tile(np.array(ground), (300 * 8, 1))
    tone[120 * 8 : 180 * 8] = [0.38, 0.295, 0.20]
    strip = level_strip()
    columns = np.arange(len(strip.path), dtype=float)
    proposed, other = (np.full(len(columns), MIDDLE_ROW + (row - 150.0) / strip.step) for row in (178.0, 120.0))
    rim_u = place_edge(smeared(tone), strip, columns, (proposed, other), 1, 1.6)[3]
    assert np.median(rim_u) > 2 * 1.6 if doubted else not rim_u.any()


def test_what_a_handle_hangs_on_does_not_move_its_middle():
    """A rail hides one edge along a third of what is looked at, and puts the middle 3 mm aside: told to 0.2 mm."""
    at = np.linspace(-60, 60, 41)
    seen = 1.5 + 0.01 * at + np.where(np.abs(at - 10) < 20, 3.0, 0.0) + np.random.default_rng(2).normal(0, 0.1, 41)
    assert front_shape._steady_line(at, seen)[1] == pytest.approx(1.5, abs=0.2)


def test_a_grip_taken_wrongly_alone_leaves_limbs_beside_it_in_doubt():
    """A grip's middle 3 mm off, and nothing else: a limb's place beside it leaves its own chord by 1.8 mm or more."""
    fit, shot = fit_from(), read_shot(FRONT)
    outline, *_ = drawn_outline(fit, shot)
    mean, _ = prior(fit, shot, np.full((2, 7), 0.1), 0.1)
    plain = shape(mean, outline, fit.camera, shot).numbers
    mean[front_shape.GRIP] += 3.0
    moved = shape(mean, outline, fit.camera, shot).numbers
    assert moved["tip_line"] - plain["tip_line"] == pytest.approx(3.0, abs=1e-6)
    assert moved["side_bend_lower"] - plain["side_bend_lower"] < -1.8


def test_a_limb_with_rounded_corners_seen_from_aside_is_as_wide_as_it_is():
    """A limb of 30 by 12 mm, its section a superellipse of power 4, 3 degrees from aside: it shows
    2 ((15 cos a)^q + (6 sin a)^q)^(1/q) with q = 4/3. What its side is taken to show leaves 0.2 mm of that."""
    a, q = np.radians(3.0), 4 / 3
    shows = 2 * ((15 * np.cos(a)) ** q + (6 * np.sin(a)) ** q) ** (1 / q)
    assert shows - np.tan(a) * front_shape.WALL_MM == pytest.approx(30.0, abs=0.2)


def test_a_dark_belly_beside_a_pale_wall_keeps_its_width():
    """A belly cooked dark: a phone smears the wall's colour over its edge, which was taken for ground and put the edge
    1.2 px in. To 0.6 px."""
    tone = np.tile(np.array([0.78, 0.76, 0.70]), (300 * 8, 1))
    tone[120 * 8 : 180 * 8] = [0.10, 0.05, 0.02]
    assert lower_edge(smeared(tone)) == pytest.approx(180 - 0.5, abs=0.6)


def smeared(tone):
    """Linear light of rows (8 a pixel) as a phone's file keeps them: blurred, noisy, colour at half the detail of light."""
    tone = cv2.GaussianBlur(tone, (1, 0), sigmaX=0.1, sigmaY=6.4).reshape(300, 8, 3).mean(1)
    coded = np.repeat(np.where(tone > 0.0031308, 1.055 * tone ** (1 / 2.4) - 0.055, 12.92 * tone)[:, None], 1600, axis=1)
    coded += np.random.default_rng(3).normal(0, 0.006, coded.shape)
    parts = cv2.cvtColor(coded.astype(np.float32), cv2.COLOR_RGB2YCrCb)
    parts[..., 1:] = cv2.GaussianBlur(parts[..., 1:], (0, 0), 1.5)
    coded = np.clip(cv2.cvtColor(parts, cv2.COLOR_YCrCb2RGB), 0, 1)
    light = np.where(coded > 0.04045, ((coded + 0.055) / 1.055) ** 2.4, coded / 12.92) * 65535
    return light.astype(np.uint16)


@pytest.mark.parametrize(("wood", "ground"), [((0.45, 0.27, 0.12), (0.65, 0.63, 0.52)), ((0.80, 0.70, 0.55), (0.16, 0.14, 0.11))])
def test_the_dark_rim_of_a_rounded_limb_does_not_move_its_edge(wood, ground):
    """The last 0.8 px of the face is shaded to a third, as rounding leaves it; blur of 0.8 px then puts the step's middle 0.2 px
    out before bright ground, and 0.6 px in before dark ground. To 0.15 px, and where hues are too alike to tell to 0.4 px."""
    tone = np.tile(np.array(ground), (300 * 10, 1))
    tone[120 * 10 : 180 * 10] = wood
    tone[180 * 10 - 8 : 180 * 10] *= 0.33
    tone = cv2.GaussianBlur(tone, (1, 0), sigmaX=0.1, sigmaY=8.0).reshape(300, 10, 3).mean(1)
    light = np.repeat(tone[:, None] * 65535, 1600, axis=1) + np.random.default_rng(5).normal(0, 400, (300, 1600, 3))
    found = lower_edge(np.clip(light, 0, 65535).astype(np.uint16))
    assert found == pytest.approx(180 - 0.5, abs=0.15 if ground[0] > wood[0] else 0.4)


def picture_with_string(offset, thick, seen=True):
    light = np.full((400, 2000, 3), 20000, np.uint16)
    light += np.random.default_rng(1).integers(0, 1500, light.shape).astype(np.uint16)
    if seen:
        cv2.line(light, (100, round(200 + offset[0])), (1900, round(200 + offset[1])), (4000, 4000, 9000), thick, cv2.LINE_8)
    return light


def test_the_string_is_found_to_half_a_pixel_and_not_where_there_is_none():
    nocks = np.array([[100.0, 200.0], [1900.0, 200.0]])
    found = find_front_string(picture_with_string((4, -6), 5), nocks, 1.5)
    assert found is not None
    x, y = found.px[len(found.px) // 2]
    assert y == pytest.approx(200 + 4 - 10 * (x - 100) / 1800, abs=0.5)
    assert find_front_string(picture_with_string((0, 0), 5, seen=False), nocks, 1.5) is None


def test_limbs_of_unlike_width_are_asked_about():
    def bow(lower):
        numbers = {"width_upper_300": 30.0, "width_lower_300": lower, "reach_upper": 700.0, "reach_lower": 700.0}
        nothing = np.zeros((2, 2))
        return FrontShape(numbers, np.arange(3.0), nothing, nothing, nothing, 0.0, (0.0, 1.0))

    _check_alike(bow(33.0))
    with pytest.raises(NeedsHelp, match="1.7 times as wide"):
        _check_alike(bow(50.0))
    with pytest.raises(NeedsHelp, match="jumps sideways"):
        _check_alike(replace(bow(33.0), way_mm=np.array([0.0, 1, 2, 3, 30, 31])))


def test_a_front_shot_goes_round_and_needs_its_facing():
    whole = {"bow_length_nock_to_nock_in": 64.0, "handle_in": 8.0, "brace_height_in": 6.0, "handle_thickness_in": 1.5}
    shot = read_shot(FRONT | whole)
    assert read_shot(shot.as_dict()) == shot
    assert "back" not in shot.as_dict()
    with pytest.raises(ShotError, match="face of the bow toward the camera is missing"):
        read_shot({k: v for k, v in FRONT.items() if k != "facing"})
    with pytest.raises(ShotError, match="said to be drawn"):
        read_shot(FRONT | {"state": "drawn"})
    side = {k: v for k, v in FRONT.items() if k not in ("view", "facing")} | {"back": "left"}
    assert read_shot(side).view == "side"
    assert "view" not in read_shot(side).as_dict()
    with pytest.raises(ShotError, match="bow's back looks is missing"):
        read_shot({k: v for k, v in side.items() if k != "back"})
    with pytest.raises(ShotError, match="isn't said to be from the front"):
        read_shot(side | {"facing": "back"})


def test_a_bow_that_lies_across_what_was_said_is_asked_about():
    """Upright with its upper limb said to be on the left, upper and lower would be a matter of chance."""
    upright = np.array([[100.0, 50.0], [90.0, 900.0]])
    _check_upper(upright, read_shot(FRONT))
    with pytest.raises(ShotError, match="lies upright"):
        _check_upper(upright, read_shot(FRONT | {"upper_limb": "left"}))


def test_what_is_said_of_a_front_view():
    spoken = verdict(front("braced", {"string_line": mm(-5.0), "tip_line": mm(5.0), "side_bend_lower": mm(-6.0)}))
    said = [spoken.first.text, *(s.text for s in spoken.more)]
    assert said[0] == "The string runs 3/16 in left of the handle's middle (±1/16 in)."
    assert "Lower limb bends left by 1/4 in (±1/16 in), most at 10 in from the handle." in said
    assert any("common practice" in text for text in said)
    metric = verdict(front("braced", {"string_line": mm(-5.0)}), Units("cm", "kg"))
    assert metric.first.text == "The string runs 0.5 cm left of the handle's middle (±0.1 cm)."
    assert "doesn't tell where the string" in verdict(front("braced", {})).first.text
    assert "Width of the upper limb" in as_text(front("braced", {"tip_line": mm(1.0)}))


def test_a_front_view_is_no_shape_at_rest():
    with pytest.raises(MechanicsError, match="from its belly or back"):
        check_rest(front("unstrung"))


def test_a_front_view_goes_out_as_a_document_and_comes_back():
    found = replace(front("braced", {"tip_line": mm(1.0)}), photo=PhotoId("a.jpg", "0" * 64, (10, 10)), version="1")
    printed = json.dumps(found.as_document()).encode()
    (again,) = parse_documents(printed, "a.json")
    assert verdict(again).first == verdict(found).first
    assert again.front.widths == found.front.widths
    beside = json.loads(printed)
    del beside["front"]
    with pytest.raises(DocumentError):  # a side view without its trace is none
        parse_documents(json.dumps(beside).encode(), "a.json")


def test_wood_too_short_to_hold_both_nocks_is_asked_about():
    """Half of a bow was followed: its nocks would lie beyond what shows, 400 mm in from either end of 600 mm."""
    fit, shot = fit_from(), read_shot(FRONT)
    outline, mean, _ = drawn_outline(fit, shot)
    part = slice(220, 480)
    short = Outline(outline.right_px[part], outline.left_px[part], None)
    mean[[front_shape.PAST_UP, front_shape.PAST_LOW]] = 700.0
    with pytest.raises(NeedsHelp, match="shorter than the length typed"):
        shape(mean, short, fit.camera, shot)

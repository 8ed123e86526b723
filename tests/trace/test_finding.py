"""A bow that the finder's map shows badly: the smooth path, the picture's border, rival ends and a ruled line for a string."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from tests.outside.test_curves import CUTOFF_MM, HANDLE_MM, seen
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.photo.camera import Camera
from tillerlens.shape.bow_shape import HELD_U_MM, Held, make_layout
from tillerlens.trace.ends import Ends, find_ends
from tillerlens.trace.network import FinderMaps, StripMaps
from tillerlens.trace.outline import _check_inside
from tillerlens.trace.path import find_bow
from tillerlens.trace.path_fallback import evidence, smooth_paths
from tillerlens.trace.self_scale import longest_bow
from tillerlens.trace.straighten import MIDDLE_ROW, Band, Strip, normals, slender, smoothed_on_strip
from tillerlens.trace.string import BowPose, find_braced_string, find_string
from tillerlens.trace.trace import _hold_handle

H, W = 160, 480
X = np.arange(40, 441)
BRACED = 60 + 50 * ((X - 240) / 200.0) ** 2  # rows of a bow's middle, tips down


def map_of(rows, shown, at=X, half=2):
    """A limb map (H, W): rows ``half`` px either way of a line shown by (0 ... 1) at each place."""
    out = np.zeros((H, W), np.float32)
    for x, y, s in zip(at, rows, np.broadcast_to(shown, len(at)), strict=True):
        out[round(y) - half : round(y) + half + 1, x] = s
    return out


def off(line, rows=BRACED):
    """How far, map px, a line lies off the bow, at its own knots between the bow's ends."""
    inside = (line[:, 0] >= X[0]) & (line[:, 0] <= X[-1])
    return np.abs(np.interp(line[inside, 0], X, rows) - line[inside, 1])


# The path may lie eight strip steps beside the bow's middle, which is at least one map px; a knot lies on whole px, and a
# stride is straight where the bow is not: within 2.5 px is well found.
PX = 2.5


@pytest.mark.parametrize("limb", ["broken", "faint"])
def test_a_smooth_path_bridges_a_dark_wrap_and_follows_a_faint_limb_past_the_stand(limb):
    shown = np.where(np.abs(X - 240) < 20, 0.0, 0.9) if limb == "broken" else np.where(X < 240, 0.08, 0.8)
    bow = map_of(BRACED, shown)
    bow[62:, 236:245] = np.maximum(bow[62:, 236:245], 0.8)  # the stand, as bright as the bow and as long as a limb
    (line,) = smooth_paths(evidence(bow, np.zeros_like(bow)), [0.2])
    assert off(line).max() < PX
    assert line[0, 0] < 60 and line[-1, 0] > 420  # both limbs, to within a stride of their ends


def test_a_smooth_path_does_not_step_over_to_the_bows_shadow():
    """Twelve px below the bow its shadow, for a stretch better seen as limb than the bow is: no limb turns so fast."""
    stretch = (X > 300) & (X < 340)
    bow = map_of(BRACED, np.where(stretch, 0.4, 0.8)) + map_of(BRACED + 12, np.where(stretch, 0.8, 0.2))
    shadow = map_of(BRACED + 12, 0.6)
    (line,) = smooth_paths(evidence(bow, shadow), [0.3])
    assert off(line).max() < PX


def test_a_smooth_path_keeps_to_the_ends_it_is_given():
    bow = map_of(BRACED, 0.8)
    ends = (np.array([X[0], BRACED[0]]), np.array([X[-1], BRACED[-1]]))
    (line,) = smooth_paths(evidence(bow, np.zeros_like(bow)), [0.6], ends)
    assert off(line).max() < PX
    assert line[0, 0] == X[0] and abs(line[0, 1] - BRACED[0]) <= 3


def test_there_is_no_smooth_path_where_nothing_is_seen():
    nothing = np.zeros((H, W), np.float32)
    assert smooth_paths(evidence(nothing, nothing), [0.6, 0.1]) == []
    assert smooth_paths(np.zeros((H, 20)), [0.1]) == []  # too narrow for four knots


def test_only_what_is_as_slender_as_a_limb_is_one():
    """Beside the limb, 14 rows thick, a plank that the network takes for wood, and under it another limb's thickness away."""
    inside = np.zeros((64, 200))
    inside[10:24] = 1.0
    inside[34:64, 100:] = 1.0
    found = slender(inside)
    assert found[:, 20:80].argmax(axis=0) == pytest.approx(16.5, abs=1.5)  # the middle, to a row
    assert found[:, 120:180].argmax(axis=0) == pytest.approx(16.5, abs=1.5)
    assert found[16, 120:180].min() > 0.9 and found[40:, 120:180].max() < 0.6


def test_a_smooth_path_is_brought_nearer_along_the_strip():
    """A plain bow, 16 px thick, that the coarse path leaves by 15 px for a stretch, as for the shadow below it."""
    y, x = np.mgrid[0:400, 0:1300].astype(float)
    middle = 150 + 60 * ((x - 650) / 550) ** 2
    rng = np.random.default_rng(5)
    rgb = np.full((400, 1300, 3), (205, 200, 190), float)
    rgb[(np.abs(y - middle) < 8) & (x > 100) & (x < 1200)] = (150, 100, 55)
    rgb = np.clip(rgb + rng.normal(0, 4, rgb.shape), 0, 255).astype(np.uint8)
    at = np.arange(100.0, 1201.0, 4.0)
    true = 150 + 60 * ((at - 650) / 550) ** 2
    coarse = np.column_stack([at, true + 15 * np.exp(-0.5 * ((at - 800) / 60) ** 2)])
    path = smoothed_on_strip(rgb, coarse, 1.2)
    inside = (path[:, 0] > 150) & (path[:, 0] < 1150)
    off_px = np.abs(path[inside, 1] - np.interp(path[inside, 0], at, true))
    assert off_px.max() < 4  # a strip is read well where its path lies within eight steps of the middle; half of that is plenty


# --- the picture's border


def level_strip(columns, maps=None):
    path = np.column_stack([np.arange(columns, dtype=float) + 10, np.full(columns, 100.0)])
    nothing = np.zeros((64, columns), np.float32)
    return Strip(path, normals(path), 1.0, maps or StripMaps(nothing, nothing, nothing))


@pytest.mark.parametrize(
    ("end", "clear", "cut_off"),
    [(880.0, 0.9, False), (880.0, 0.2, True), (985.0, 0.9, True)],  # seen to end inside; not seen to end; ending at the border
)
def test_a_path_that_runs_on_to_the_border_is_only_cut_off_if_the_bow_is(end, clear, cut_off):
    photo = SimpleNamespace(rgb=np.zeros((200, 1000, 3), np.uint8))
    found = np.array([[100.0, 100.0], [999.0, 100.0]])
    ends = Ends((90.0, end), (0.9, clear), (1.0, 1.0))
    if cut_off:
        with pytest.raises(NeedsHelp, match="runs out of the picture"):
            _check_inside(found, ends, level_strip(990), photo)
    else:
        _check_inside(found, ends, level_strip(990), photo)


# --- the handle


def straight_bow(n_handle_seen=None):
    x = np.linspace(-800, 800, 1601)
    e = seen(x, np.zeros_like(x), None)
    if n_handle_seen is not None:
        back = e.back_px.copy()
        middle = len(back) // 2
        lost = np.abs(np.arange(len(back)) - middle) < 40
        lost[middle : middle + n_handle_seen] = False
        back[lost] = np.nan
        e = replace(e, back_px=back)
    return e


@pytest.mark.parametrize("n", [0, 1, 3])
def test_a_handle_of_a_few_places_is_asked_about(n):
    """One place alone once stopped the program; a few do not tell how true their line is."""
    e = straight_bow(n)
    path = (straight_bow().back_px + e.belly_px) / 2
    with pytest.raises(NeedsHelp, match="handle") as caught:
        make_layout(e, HANDLE_MM, CUTOFF_MM, np.ones(len(path)), path, "unstrung")
    assert caught.value.remedy and caught.value.fields["clicks"]


def test_a_back_put_on_the_limbs_line_tells_no_direction():
    e = straight_bow()
    path = (e.back_px + e.belly_px) / 2
    own, held = (make_layout(e, HANDLE_MM, CUTOFF_MM, np.ones(len(path)), path, "unstrung", Held(h)) for h in (False, True))
    assert held.back_share == 0.0 and own.back_share > 0.0
    assert held.direction_u_rad == pytest.approx(HELD_U_MM * np.sqrt(2) / HANDLE_MM)
    assert own.direction_u_rad < held.direction_u_rad


def test_the_share_of_a_handles_back_that_strayed_is_told():
    back, zones = np.full(100, 20.0), {"handle": (40, 60)}
    back[45:55] -= 9.0  # a ruled line beside the wrap
    assert _hold_handle(back, np.full(100, 14.0), zones) == 0.5
    assert (back == 20.0).all()


# --- the ends


def camera(mm_per_px=1.0, size=(1400, 1000)):
    away = 5000.0
    return Camera(np.r_[0, 0, 0, 0, 0, away, np.log(away / mm_per_px), 0, (size[0] - 1) / 2, (size[1] - 1) / 2], size)


def fit_of(squared, size=(1920, 640)):
    return SimpleNamespace(camera=camera(size=size), squared=squared)


def a_shot(**more):
    form = {
        "state": "braced",
        "bow_length_nock_to_nock_in": 63.5,
        "handle_in": 8,
        "standoff_in": 0,
        "upper_limb": "left",
        "back": "up",
        "scale": {"kind": "tape", "length_in": 40},
        "marks_px": [[200, 600], [1216, 600]],
    }
    return read_shot(form | more)


def maps_of(limb):
    nothing = np.zeros_like(limb)
    return FinderMaps(limb, nothing, nothing, (4.0, 4.0))


def test_a_tape_that_was_pointed_at_is_neither_the_bow_nor_its_rival():
    """The tape lies beside the bow, as long and brighter."""
    bow = map_of(BRACED, 0.8)
    tape = map_of(np.full(len(X), 150), 1.0)
    found = find_bow(maps_of(np.maximum(bow, tape)), fit_of(False), a_shot())
    assert np.abs(np.interp(X * 4.0, found.px[:, 0], found.px[:, 1]) / 4 - BRACED)[20:-20].max() < PX
    with pytest.raises(NeedsHelp, match="More than one thing"):  # elsewhere the same thing is a rival
        find_bow(maps_of(np.maximum(bow, tape)), fit_of(False), a_shot(marks_px=[[200, 20], [1216, 20]]))


def line_map(*places):
    """A string map (H, W) along straight ways between places (x, y), map px."""
    out = np.zeros((H, W), np.uint8)
    cv2.polylines(out, [np.array(places, np.int32).reshape(-1, 1, 2)], False, 1, 1)
    return out.astype(np.float32)


@pytest.mark.parametrize(
    "state, string", [("braced", line_map((40, 110), (440, 110))), ("drawn", line_map((40, 110), (240, 155), (440, 110)))]
)
def test_timber_beside_a_strung_bow_is_no_rival_where_the_bow_carries_its_string(state, string):
    """A stave as long and brighter: it carries no string from end to end, and the bow does."""
    limb = np.maximum(map_of(BRACED, 0.8), map_of(np.full(len(X), 20), 1.0))
    nothing = np.zeros_like(limb)
    found = find_bow(FinderMaps(limb, string, nothing, (4.0, 4.0)), fit_of(False), a_shot(state=state))
    assert np.abs(np.interp(X * 4.0, found.px[:, 0], found.px[:, 1]) / 4 - BRACED)[20:-20].max() < PX
    with pytest.raises(NeedsHelp, match="More than one thing"):  # no string is seen: which of the two is it?
        find_bow(FinderMaps(limb, nothing, nothing, (4.0, 4.0)), fit_of(False), a_shot(state=state))
    with pytest.raises(NeedsHelp, match="More than one thing"):  # unstrung bows carry none, whatever lies about
        find_bow(FinderMaps(limb, string, nothing, (4.0, 4.0)), fit_of(False), a_shot(state="unstrung"))


def test_two_strung_bows_are_asked_about():
    above = BRACED - 50
    limb = np.maximum(map_of(BRACED, 0.8), map_of(above, 1.0))
    string = np.maximum(line_map((40, 110), (440, 110)), line_map((40, 60), (440, 60)))
    with pytest.raises(NeedsHelp, match="More than one thing"):
        find_bow(FinderMaps(limb, string, np.zeros_like(limb), (4.0, 4.0)), fit_of(False), a_shot())


def test_what_is_seen_of_a_bow_is_followed_on_and_too_little_is_not():
    seen = map_of(BRACED, np.where(X > 360, 0.0, 0.9))
    part = find_bow(maps_of(seen), fit_of(True), a_shot())
    assert 0.7 < part.length_ratio < 0.9
    with pytest.raises(NeedsHelp, match="of the bow's length"):
        find_bow(maps_of(map_of(BRACED, np.where(X > 230, 0.0, 0.9))), fit_of(True), a_shot())


def test_a_stave_cut_off_by_the_border_gives_way_to_a_bow_that_ends_inside():
    """The stave is the better length; what ends at the border may be any length at all."""
    stave = map_of(np.full(470, 20), 0.9, np.arange(0, 470))
    bow = map_of(BRACED, 0.9)
    long = a_shot(bow_length_nock_to_nock_in=68.0, marks_px=[[200, 600], [1216, 600]])
    with pytest.raises(NeedsHelp) as asked:
        find_bow(maps_of(np.maximum(stave, bow)), fit_of(False), long)
    assert asked.value.fields["path_px"][:, 1].max() > 300, "the bow is what was followed"


def test_a_second_way_of_following_leads_to_the_same_bow_or_is_asked_about():
    """A joint between boards runs faintly on where the bow leaves it: the smooth path lies along it, the plain wood does not."""
    at = int(np.argmin(np.abs(X - 230)))
    joint = map_of(np.full(len(X), BRACED[at]), np.where(X > 230, 0.3, 0.9))
    bow = map_of(BRACED, np.where((X > 230) & (X < 420), 0.9, 0.0))
    with pytest.raises(NeedsHelp, match="More than one thing"):
        find_bow(maps_of(np.maximum(joint, bow)), fit_of(False), a_shot(), smooth_path=True)
    whole = map_of(BRACED, np.where(X > 280, 0.3, 0.95))
    found = find_bow(maps_of(whole), fit_of(False), a_shot(), smooth_path=True)
    assert found.length_ratio == pytest.approx(1, abs=0.1)


@pytest.mark.parametrize("dark_tips", [False, True])
def test_dark_tips_make_both_ends_less_sure(dark_tips):
    """Where one limb's dark tip is counted to it and the other's is not, the length comes out right and both nocks are wrong."""
    n, first, last, tip = 1300, 150, 1150, 18
    rows = np.arange(64)[:, None]
    columns = np.arange(n)[None]
    limb = (np.abs(rows - MIDDLE_ROW) < 7) & (columns >= first) & (columns < last)
    nothing = np.zeros((64, n), np.float32)
    strip = level_strip(n, StripMaps(limb.astype(np.float32), nothing, nothing))
    light = np.full((200, 1400, 3), 12000, np.uint16)
    light[93:108, 10 + first : 10 + last] = 45000
    edge = np.where(limb.any(0), MIDDLE_ROW - 7, np.nan)
    thick = np.full(n, 14.0)
    if dark_tips:  # half way in colour between the wood and the ground, and half seen
        for a in (first, last - tip):
            light[93:108, 10 + a : 10 + a + tip] = 24000
            thick[a : a + tip] = 8.0
    band = Band(edge, edge + thick, first, last - 1)
    length = float(last - first - (tip if dark_tips else 0))  # nock to nock: the middles of the tips
    shot = SimpleNamespace(standoff_mm=0.0, nock_to_nock_mm=length)
    ends = find_ends(light, strip, band, fit_of(True, (1400, 1000)), shot)
    if dark_tips:
        assert min(ends.u_columns) > 2.0  # a fair part of the dark tip, at both ends alike
    else:
        assert ends.u_columns == (1.0, 1.0)
        assert ends.column == pytest.approx((first - 0.5, last - 0.5), abs=3)  # they are settled later


# --- the drawn string


def test_a_ruled_line_from_nock_to_nock_is_no_drawn_string():
    """At deep draw a ruled line may run through both tips, plainer than a dark string on a dark board."""
    rng = np.random.default_rng(3)
    nocks, hook = np.array([[100.0, 400.0], [1100.0, 400.0]]), np.array([600.0, 640.0])
    y, x = np.mgrid[0:800, 0:1200].astype(float)
    light = np.full((800, 1200), 9000.0)
    light[398:403] = 30000.0  # the ruled line
    hint = np.zeros((200, 300), np.float32)
    hint[100] = 0.3  # the network takes the ruled line for a string, rather than the string
    for a in nocks:
        for t in np.linspace(0, 1, 400):
            at = np.round((a + t * (hook - a)) / 4).astype(int)
            hint[at[1], at[0]] = max(hint[at[1], at[0]], 0.15)
        d = (hook - a) / np.linalg.norm(hook - a)
        away = np.abs((x - a[0]) * d[1] - (y - a[1]) * d[0])
        along = (x - a[0]) * d[0] + (y - a[1]) * d[1]
        light[(away < 1.5) & (along > 0) & (along < np.linalg.norm(hook - a))] = 4000.0
    light = light + rng.normal(0, 300, light.shape)
    rgb = np.repeat(np.clip(light, 0, 65535).astype(np.uint16)[..., None], 3, axis=2)
    nothing = np.zeros((200, 300), np.float32)
    maps = FinderMaps(nothing, hint, nothing, (4.0, 4.0))
    found = find_string(rgb, maps, BowPose(nocks, np.array([600.0, 100.0]), np.array([0.0, 1.0]), 1.0))
    assert found is not None
    assert found.hook[1] - 400 > 25  # past the line between the nocks
    assert np.linalg.norm(found.hook - hook) < 3  # a string 3 px thick, its middle told to its width


@pytest.mark.parametrize("joint_px", [None, 12, 3])
def test_a_braced_string_beside_a_joint_as_plain_as_itself_is_not_told(joint_px):
    """Each line 3 px thick and as dark as the other, the nocks between them; one that touches the string is no rival."""
    rng = np.random.default_rng(4)
    nocks = np.array([[100.0, 196.0], [1100.0, 196.0]])
    light = np.full((400, 1200), 20000.0)
    light[201:204] = 6000.0
    if joint_px is not None:
        light[201 - joint_px : 204 - joint_px] = 6000.0
    rgb = np.repeat(np.clip(light + rng.normal(0, 300, light.shape), 0, 65535).astype(np.uint16)[..., None], 3, axis=2)
    nothing = np.zeros((100, 300), np.float32)
    found = find_braced_string(rgb, FinderMaps(nothing, nothing, nothing, (4.0, 4.0)), nocks, 1.0)
    if joint_px == 12:
        assert found is None
    else:
        assert found is not None
        line, seen = found
        assert np.abs(line[:, 1] - (202 if joint_px is None else 200.5)).max() < 1.0 and seen > 0.9


@pytest.mark.parametrize("px_per_mm", [1.0, 2.2, 3.6])
def test_a_string_of_cord_is_found_however_sharp_the_picture(px_per_mm):
    """Five millimetres thick: 11 px where a phone's picture was taken square, the same colour as 4 px to either side."""
    rng = np.random.default_rng(8)
    long, thick = round(1000 * px_per_mm), round(5 * px_per_mm)
    nocks = np.array([[60.0, 190.0], [60.0 + long, 190.0]])
    light = np.full((400, long + 120), 20000.0)
    light[200 - thick // 2 : 200 - thick // 2 + thick] = 6000.0
    rgb = np.repeat(np.clip(light + rng.normal(0, 300, light.shape), 0, 65535).astype(np.uint16)[..., None], 3, axis=2)
    nothing = np.zeros((100, (long + 120) // 4), np.float32)
    found = find_braced_string(rgb, FinderMaps(nothing, nothing, nothing, (4.0, 4.0)), nocks, px_per_mm)
    assert found is not None
    line, seen = found
    middle = 200 - thick // 2 + (thick - 1) / 2
    assert np.abs(line[:, 1] - middle).max() < 1.0 * px_per_mm and seen > 0.9


def test_a_scrap_that_seems_to_carry_a_string_is_not_the_bow_by_whose_length_the_picture_is_scaled():
    """A strung bow's string is lost on its ground; beside it lies a cut-off piece with a line from end to end."""
    x = np.arange(200, 260)
    scrap = map_of(150 - 8 * (1 - ((x - 230) / 30.0) ** 2), 1.0, x)
    limb = np.maximum(map_of(BRACED, 0.9), scrap)
    maps = FinderMaps(limb, line_map((200, 150), (259, 150)), np.zeros_like(limb), (4.0, 4.0))
    found = longest_bow(maps, "braced")
    assert found is not None and np.ptp(found[:, 0]) > 1500
    assert longest_bow(maps_of(scrap), "braced") is None

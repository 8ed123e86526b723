"""A front view's other reading: the finder's looks turned by a quarter, a nearly straight path, and the limb by its colour."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.front.test_front import FRONT, fit_from, level_strip
from tillerlens.core.errors import NeedsHelp
from tillerlens.core.shot_file import read_shot
from tillerlens.front import by_colour, measure, read
from tillerlens.front.by_colour import inside_by_colour, straight_path, turned_looks, without_shadow
from tillerlens.front.read import Way
from tillerlens.front.shape import FrontShape
from tillerlens.trace import network
from tillerlens.trace.network import FinderMaps, find_maps
from tillerlens.trace.reading import Prepared
from tillerlens.trace.straighten import MIDDLE_ROW, Band


def shown(limb):
    return FinderMaps(limb.astype(np.float32), np.zeros_like(limb, np.float32), np.zeros_like(limb, np.float32), (4.0, 4.0))


@pytest.mark.parametrize("size", [(300, 201), (201, 300)])
def test_a_picture_looked_at_turned_has_its_maps_where_it_has_its_things(monkeypatch, size):
    """A network that hands back what it is given, at half the size: the maps are alike however the picture is turned, of an odd
    number of columns or rows too."""

    class Mirror:
        def run(self, blob):
            return (blob[0, :, ::2, ::2] + blob[0, :, 1::2, ::2] + blob[0, :, ::2, 1::2] + blob[0, :, 1::2, 1::2]) / 4

    monkeypatch.setattr(network, "_FINDER", Mirror())
    monkeypatch.setattr(network, "FINDER_LONG_SIDE", 300)
    rgb = np.random.default_rng(4).integers(0, 255, (*size, 3), dtype=np.uint8)
    plain = find_maps(rgb)
    for turns in (1, 2, 3):
        turned = find_maps(rgb, turns)
        np.testing.assert_array_equal(turned.limb, plain.limb)
        assert turned.k == plain.k


def test_each_place_counts_as_it_is_seen_best(monkeypatch):
    plain, turned = np.zeros((40, 30)), np.zeros((40, 30))
    plain[10, 5], turned[20, 6] = 0.4, 0.9
    monkeypatch.setattr(by_colour, "find_maps", lambda rgb, turns: shown(turned if turns == 1 else plain))
    limb = turned_looks(np.zeros((160, 120, 3), np.uint8), shown(plain)).limb
    assert (limb[10, 5], limb[20, 6]) == pytest.approx((0.4, 0.9))


def test_a_straight_path_follows_a_faint_bow_past_clutter():
    """Upright, its limbs 2 map px out of line at most, torn, with a shelf across it and specks beside: to 1.5 map px (of 4 px),
    the upper end first."""
    limb, rows = np.zeros((400, 300)), np.arange(30, 371)
    middle = 150 + 2.0 * np.sin(np.pi * (rows - 30) / 340)
    for y, x in zip(rows, middle, strict=True):
        limb[y, round(x) - 2 : round(x) + 3] = 0.45 if y % 9 else 0.0
    limb[198:203, 90:210] = 0.3
    limb[60:63, 220:223] = 0.9
    for upper, first in (("top", 0), ("bottom", -1)):
        path = straight_path(shown(limb), fit_from().camera, read_shot(FRONT | {"upper_limb": upper}))
        x, y = path.T / 4
        assert 5 < y[first] < 32  # the path ends a little beyond the bow
        assert np.abs(x - np.interp(y, rows, middle)).max() < 1.5
    grain = np.random.default_rng(3).random((400, 300)) ** 8 * 0.3
    for nothing in (np.zeros((400, 300)), grain):
        with pytest.raises(NeedsHelp, match="No bow was found"):
            straight_path(shown(nothing), fit_from().camera, read_shot(FRONT))


def test_a_bow_seen_very_faintly_is_found_across_planks():
    """Of a tenth of certainty, leaning by 3 degrees, with a shelf and the gaps of planks across it seen five times as well: to
    2 map px along all its length."""
    limb, rows = np.random.default_rng(3).random((400, 300)) ** 8 * 0.05, np.arange(30, 371)
    for y in rows:
        x = 150 + 0.05 * (y - 200)
        limb[y, round(x) - 1 : round(x) + 2] = 0.1
    limb[198:203, 90:210] = 0.5
    limb[45::40, 20:280] = 0.5
    path = straight_path(shown(limb), fit_from().camera, read_shot(FRONT))
    x, y = path.T / 4
    assert y[0] < 30 and y[-1] > 370
    assert np.abs(x - (150 + 0.05 * (y - 200))).max() < 2


def test_a_tape_beside_a_faint_bow_is_not_followed():
    """As long as the bow and seen better: the path stays on the bow, to 2 map px."""
    limb = np.zeros((400, 300))
    limb[30:371, 148:153] = 0.5
    limb[40:361, 178:183] = 0.9
    scale = {"kind": "tape", "length_in": 60.0, "marks_px": [[722.0, 160.0], [722.0, 1440.0]]}
    path = straight_path(shown(limb), fit_from().camera, read_shot(FRONT | {"scale": scale, "marks_px": scale.pop("marks_px")}))
    assert np.abs(path[:, 0] / 4 - 150).max() < 2.0


def test_what_does_not_taper_is_no_bow():
    numbers = {"width_upper_100": 18.0, "width_upper_500": 36.0, "width_lower_100": 20.0, "width_lower_500": 36.0}
    nothing = np.zeros((2, 2))
    measure._check_tapers(bow := FrontShape(numbers, np.arange(3.0), nothing, nothing, nothing, 0.0, (0.0, 1.0)))
    with pytest.raises(NeedsHelp, match="doesn't taper"):
        measure._check_tapers(replace(bow, numbers=numbers | {"width_lower_100": 35.0}))


def test_a_limb_is_told_from_planks_by_its_colour():
    """A coral limb 60 px broad on grained planks, a dark gap above it and a soft shadow below: 97 % of the places are told
    right; a bow of the planks' own colour shows nothing."""
    strip = level_strip()
    rng = np.random.default_rng(7)
    y = np.arange(300)
    grain = 0.5 * np.exp(0.15 * np.sin(y / 3.0) + rng.normal(0, 0.05, 300))
    grain[100:104] = 0.08
    grain[180:200] *= 0.6
    planks = grain[:, None] * np.array([0.9, 0.85, 0.75])
    picture = planks.copy()
    picture[120:180] = [0.62, 0.30, 0.18]
    rows = (np.arange(64) - MIDDLE_ROW) * strip.step + 150.0
    limb = (rows > 120) & (rows < 180)
    told = inside_by_colour(light_of(picture, rng), strip).maps.inside
    assert np.mean((told > 0.5) == limb[:, None]) > 0.97
    none = inside_by_colour(light_of(planks, rng), strip).maps.inside
    assert none.mean() < 0.05


def test_a_hard_shadow_beside_a_limb_is_no_limb():
    """A lamp's shadow 30 px broad touches a limb of 60 px, and the network took both for limb: only the limb is left, a dark
    string 3 px broad on it is cut out and closed again, and a shaded side wall of half its light stays."""
    strip = level_strip()
    rows = (np.arange(64) - MIDDLE_ROW) * strip.step + 150.0
    picture = np.tile([0.30, 0.35, 0.25], (300, 1))
    picture[120:180], picture[172:180], picture[180:210] = [0.5, 0.2, 0.1], [0.25, 0.1, 0.05], [0.010, 0.012, 0.008]
    took = np.repeat(((rows > 120) & (rows < 210))[:, None], len(strip.path), axis=1).astype(np.float32)
    strip = replace(strip, maps=replace(strip.maps, inside=took))
    light = light_of(picture, np.random.default_rng(7))
    limb = (rows > 121) & (rows < 179)
    told = without_shadow(light, strip).maps.inside > 0.5
    assert told[limb].mean() > 0.99
    assert told[(rows > 184) & (rows < 206)].mean() < 0.01
    picture[140:143] = [0.02, 0.02, 0.06]
    told = read._whole(without_shadow(light_of(picture, np.random.default_rng(7)), strip)).maps.inside > 0.5
    assert told[limb].mean() > 0.99


def light_of(rows, rng):
    light = rows[:, None] * np.exp(rng.normal(0, 0.03, (len(rows), 1600, 1)))
    return np.clip(light * 65535, 0, 65535).astype(np.uint16)


def test_a_bow_is_looked_for_by_colour_only_where_nothing_else_looks_like_it(monkeypatch):
    """The first refusal is told where the other readings come to nothing too; of two bows a person says which is meant, and a
    heated belly's pale rim would be left out by its colour."""
    asked, one, two = [], read_shot(FRONT), read_shot(FRONT)

    def reading(prepared, fit, shot, ruled, way=Way.AS_SEEN):
        asked.append(way)
        raise NeedsHelp("By network." if way is Way.AS_SEEN else "Otherwise.", "", **({"rival": 0.9} if shot is two else {}))

    monkeypatch.setattr(measure, "_read", reading)
    monkeypatch.setattr(measure, "turned_looks", lambda rgb, maps: maps)
    photo = SimpleNamespace(rgb=np.zeros((8, 8, 3), np.uint8))
    prepared = Prepared(photo, np.zeros((8, 8, 3), np.uint16), 0.0, shown(np.zeros((4, 4))), ())
    heated, straight = replace(one, belly_heated=True), [Way.AS_SEEN, Way.STRAIGHT]
    for shot, tried in ((one, [Way.AS_SEEN, Way.BY_COLOUR, Way.STRAIGHT]), (two, [Way.AS_SEEN]), (heated, straight)):
        asked.clear()
        with pytest.raises(NeedsHelp, match="By network"):
            measure._found(prepared, None, shot, None)
        assert asked == tried


def test_clicked_nocks_give_a_straight_path_that_turns_at_a_clicked_handle():
    clicks = {"nock_upper": [100.0, 50.0], "nock_lower": [140.0, 950.0]}
    straight = read._coarse(None, None, read_shot(FRONT | {"clicks": clicks}), Way.AS_SEEN)
    off = (straight - straight[0]) @ np.array([900.0, -40.0]) / np.hypot(900.0, 40.0)
    assert np.abs(off).max() < 1e-6
    assert straight[-1] == pytest.approx([140.0, 950.0])
    bent = read._coarse(None, None, read_shot(FRONT | {"clicks": clicks | {"handle": [170.0, 500.0]}}), Way.AS_SEEN)
    assert np.linalg.norm(bent - np.array([170.0, 500.0]), axis=1).min() < 5.0  # 200 places on 900 px


def test_what_is_too_broad_for_a_bow_is_asked_about(monkeypatch):
    """A plank was followed, 200 mm broad at its end: its edges are not said to run out of the picture."""
    strip, shot = level_strip(), read_shot(FRONT | {"upper_limb": "left"})
    n = len(strip.path)
    band = Band(np.full(n, MIDDLE_ROW - 30), np.full(n, MIDDLE_ROW + 30), 0, n - 1)
    monkeypatch.setattr(read, "_coarse", lambda *_: strip.path)
    monkeypatch.setattr(read, "_straighten", lambda *_: (strip, band))
    monkeypatch.setattr(read, "_tips", lambda *_: ((50.0, n - 50.0), (2.0, 2.0)))
    photo = SimpleNamespace(rgb=np.zeros((300, 1600, 3), np.uint8))
    prepared = SimpleNamespace(photo=photo, light=np.zeros((300, 1600, 3), np.uint16), maps=shown(np.ones((75, 400))))
    with pytest.raises(NeedsHelp, match="can't be told from what is behind it") as refused:
        read.read_front(prepared, fit_from(), shot)
    assert refused.value.fields["fault"] == "unseen"


def test_edges_that_jump_aside_together_are_asked_about():
    """From the limb, 20 rows broad and tapering, to its shadow beside it; one edge alone may lie on a dark line for a while."""
    n, cols = 600, np.arange(0, 600, 3)
    half = np.linspace(5, 10, n)
    band = Band(32 - half, 32 + half, 0, n - 1)
    read._check_steady(band, cols)
    one = replace(band, lower_row=np.where(np.arange(n) < 100, band.lower_row + 9, band.lower_row))
    read._check_steady(one, cols)
    both = replace(one, upper_row=np.where(np.arange(n) < 100, band.upper_row + 9, band.upper_row))
    with pytest.raises(NeedsHelp, match="jump to one side"):
        read._check_steady(both, cols)

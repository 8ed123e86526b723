"""The overlay lies where the bow is, can be read on a phone, and changes nothing else in the picture."""

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from tests.support.made_up import asking, from_truth, sample_photo
from tillerlens.core.measurement import LimbProfile, Measurement, TracedBow
from tillerlens.report.overlay import _window, bend_range, draw_overlay
from tillerlens.report.pens import Canvas, bend_colours, letters
from tillerlens.report.words.quantities import Units

PHONE_PX = 390  # width of a phone's page
LEAST_LETTER_PX = 9  # on that page: small print of a newspaper (common practice, no source)


@pytest.fixture(scope="module")
def photo():
    return sample_photo()


def test_the_picture_keeps_its_shape_and_gets_a_key_below(photo):
    drawn = draw_overlay(photo.rgb, from_truth(), max_side=1500)
    assert drawn.dtype == np.uint8
    assert drawn.shape[1:] == (1500, 3)
    assert 1125 < drawn.shape[0] < 1500  # 4:3, and the key


def test_the_photograph_itself_is_not_drawn_on(photo):
    before = photo.rgb.copy()
    draw_overlay(photo.rgb, from_truth(), max_side=3000)  # full size: nothing is resized, so nothing is copied by that
    assert np.array_equal(photo.rgb, before)


def test_lines_lie_on_the_bow_and_nowhere_else(photo):
    """At full size every changed pixel above the labels lies within 60 px of the traced bow, and the bow is
    covered.
    """
    measurement = replace(from_truth(spots=False), gaps=(), values={})
    trace = measurement.trace
    bare = replace(measurement, trace=replace(trace, gap_lines_px=np.zeros((0, 2, 2)), hook_px=None))
    drawn = draw_overlay(photo.rgb, bare, max_side=3000)[: photo.height]
    changed = np.any(drawn != photo.rgb, axis=2)
    rows, columns = np.nonzero(changed)
    middle = (columns > 600) & (columns < 2400)  # between the names of the limbs
    outline = np.concatenate([trace.back_px, trace.belly_px])
    away = [np.min(np.hypot(*(outline - xy).T)) for xy in np.column_stack([columns, rows])[middle][::97]]
    assert max(away) < 60
    inner = trace.centre_px[10:-10]
    handle = np.hypot(*(inner - trace.handle_px).T) < 130  # the handle has no bend to colour
    assert all(changed[round(y), round(x)] for x, y in inner[~handle])


def test_pixel_centres_are_kept_when_the_picture_is_made_smaller():
    """Frame rule: enlarging by k maps x to (x + 0.5) k - 0.5. Lopsided, so that swapped axes show."""
    window = _window(np.zeros((400, 1000, 3), np.uint8), None, 500)
    assert window.scale == 0.5
    assert np.allclose(window(np.array([[0.0, 0.0], [999.0, 399.0]])), [[-0.25, -0.25], [499.25, 199.25]])


def test_a_line_is_drawn_to_a_fraction_of_a_pixel():
    """The grey-weighted middle of a drawn line is where it was asked for, within 0.1 px."""
    canvas = Canvas(np.zeros((40, 70, 3), np.uint8), 1.0, 12)
    canvas.line(np.array([[5.0, 20.3], [60.0, 20.3]]), (255, 255, 255), 3.0, halo=False)
    column = canvas.rgb[:, 30, 0].astype(float)
    assert column @ np.arange(40) / column.sum() == pytest.approx(20.3, abs=0.1)


def test_a_break_in_the_outline_stays_a_break():
    canvas = Canvas(np.zeros((40, 70, 3), np.uint8), 1.0, 12)
    canvas.line(np.array([[2.0, 20], [20, 20], [np.nan, np.nan], [50, 20], [68, 20]]), (255, 255, 255))
    assert canvas.rgb[20, 10].any() and canvas.rgb[20, 60].any()
    assert not canvas.rgb[:, 25:45].any()


@pytest.mark.parametrize("size", [(3000, 2250), (2250, 3000), (1600, 1200)], ids=["level", "upright", "small"])
def test_lettering_can_be_read_on_a_phone(size):
    """Whatever the shape, capitals shown 390 px wide stand at least as high as small print."""
    from tillerlens.report.overlay import _canvas

    rgb = np.zeros((size[1], size[0], 3), np.uint8)
    canvas = _canvas(rgb, _window(rgb, None, 2048))
    assert canvas.letter * PHONE_PX / canvas.rgb.shape[1] >= LEAST_LETTER_PX


def test_gap_figures_do_not_cover_each_other(monkeypatch, photo):
    boxes = []

    def note(self, items, bold=True):
        for text, at, _ in items:
            if any(c.isdigit() for c in text):
                wide = letters(self.letter).getlength(text)
                boxes.append((at[0] - wide / 2, at[1] - self.letter / 2, at[0] + wide / 2, at[1] + self.letter / 2))

    monkeypatch.setattr(Canvas, "words", note)
    draw_overlay(photo.rgb, from_truth())
    assert len(boxes) == 12
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)


def test_every_gap_and_spot_is_named(monkeypatch, photo):
    texts = []
    monkeypatch.setattr(Canvas, "words", lambda self, items, bold=True: texts.extend(text for text, *_ in items))
    measurement = from_truth()
    draw_overlay(photo.rgb, measurement)
    assert {"upper", "lower", "hinge", "stiff"} <= set(texts)
    assert "12 5/8" in texts  # the truth's 321.0 mm: 12.638 in, nearest 12 10/16
    texts.clear()
    draw_overlay(photo.rgb, measurement, units=Units("cm"))
    assert "32.1" in texts


def test_the_close_view_holds_the_whole_bow(photo):
    measurement = from_truth()
    drawn = draw_overlay(photo.rgb, measurement, max_side=1500, close=True)
    window = _window(photo.rgb, measurement, 1500)
    for points in (measurement.trace.nocks_px, measurement.trace.hook_px[None], measurement.trace.back_px):
        inside = window(points)
        assert (inside > 0).all() and (inside < (drawn.shape[1], drawn.shape[0])).all()
    assert window.scale > _window(photo.rgb, None, 1500).scale * 1.15


def test_a_question_shows_the_photograph_and_the_reasons(photo):
    drawn = draw_overlay(photo.rgb, asking(), max_side=1500)
    assert drawn.shape[0] > 1125 + 30
    small = np.asarray(Image.fromarray(photo.rgb).resize((1500, 1125), Image.Resampling.BOX))
    assert np.abs(drawn[:1125].astype(int) - small).mean() < 2.0
    strip = drawn[1125:]
    assert (strip < 60).any() and (strip > 240).any()  # ink on paper


def test_gap_lines_that_belong_to_other_rows_are_refused(photo):
    measurement = from_truth()
    with pytest.raises(ValueError, match="gap lines for"):
        draw_overlay(photo.rgb, replace(measurement, gaps=measurement.gaps[:2]))


def test_the_colours_rise_in_lightness_and_differ_without_red_and_green():
    """CIE lightness (CIE 15:2004, value from memory) rises all along, so the map reads in print and for
    every eye.
    """
    rgb = bend_colours(np.linspace(0, 1, 32)) / 255.0
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    lightness = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    assert (np.diff(lightness) > 0.5).all()
    assert lightness[-1] - lightness[0] > 60


def test_an_even_limb_is_not_made_to_look_lively():
    n = 20
    flat = LimbProfile(*(np.full(n, v) for v in (1.0, 1.2, 0.05, 10.0, 0.1)), np.zeros((n, 2)), np.zeros((n, 2)), np.zeros(n))
    low, high = bend_range(Measurement("measured", "drawn", profile={"upper": flat}))
    assert (low, high) == pytest.approx((1.1, 1.3))


def test_a_measurement_without_gaps_or_bend_still_draws(photo):
    none = np.zeros((0, 2, 2))
    line = np.array([[500.0, 1000.0], [1500.0, 800.0], [2500.0, 1000.0]])
    trace = TracedBow(line, line + [0, 20], line, line[[0, -1]], line[[0, -1]], None, line[1], None, none)
    drawn = draw_overlay(photo.rgb, Measurement("measured", "unstrung", trace=trace))
    assert drawn.shape[1] == 2048

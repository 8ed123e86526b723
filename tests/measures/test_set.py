"""Set, recovery and the early draw against closed forms. Bows are invented; see ``pairs``."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from tests.support.pairs import LIMB_MM, PLACES, bump, document, flat, stretch
from tests.support.shop import BEGIN
from tillerlens.core.document import DocumentError, measurement_schema
from tillerlens.core.measurement import Value
from tillerlens.core.units import NEWTON_PER_POUND
from tillerlens.measures.pair import change, smoother
from tillerlens.measures.set import (
    RestReading,
    SetError,
    WeighedDraw,
    early_draw,
    fit_recovery,
    rest_kind,
    set_between,
    share_of_reflex_left,
)

STEP = PLACES[1] - PLACES[0]
STRETCH = (PLACES[101] + STEP / 2, PLACES[124] + STEP / 2)  # mm from the nock, about 450 to 550; ends midway between two places
WIDE, MIDDLE = STRETCH[1] - STRETCH[0], (STRETCH[0] + STRETCH[1]) / 2


def pair(per_m=0.2, upper=True):
    """A bow that was straight and then took bend in one stretch of its upper limb."""
    now = document(stretch(per_m, *STRETCH) if upper else flat, flat)
    return document(flat, flat), now


def test_the_documents_made_up_here_are_of_the_real_form():
    for made in pair():
        Draft202012Validator(measurement_schema()).validate(made.as_document())


def test_set_at_the_tip_is_the_second_moment_area_theorem():
    """dy = integral of dk times the distance from the tip (Mohr's second moment-area theorem, any text on beams; value from
    memory): 0.2/m over some 100 mm at some 500 mm from the nock lowers the tip by about 0.2e-3 * 100 * 500 = 10 mm. Tolerance
    0.02 mm: turns of 0.02 rad are not quite small.
    """
    found = set_between(*pair())
    lowered = 0.2e-3 * WIDE * MIDDLE
    assert found.limbs["upper"].at_tip.value == pytest.approx(lowered, abs=0.02)
    assert found.limbs["lower"].at_tip.value == pytest.approx(0.0, abs=1e-6)
    assert found.overall.value == pytest.approx(lowered / 2, abs=0.02)
    assert found.difference.value == pytest.approx(lowered, abs=0.02)


def test_thirds_add_up_to_the_set_at_the_tip():
    """The stretch lies in two thirds, split at 2/3 of the limb, 474.1 mm. By hand, the integral of 0.2e-3 s ds: outer third
    nothing, mid third 0.2e-3 * (474.1^2 - start^2) / 2, some 2.6 mm, inner third the rest.
    """
    limb = set_between(*pair()).limbs["upper"]
    split = 2 * LIMB_MM / 3
    mid = 0.2e-3 * (split**2 - STRETCH[0] ** 2) / 2
    assert limb.thirds["outer"].value == pytest.approx(0.0, abs=0.01)
    assert limb.thirds["mid"].value == pytest.approx(mid, abs=0.1)
    assert sum(v.value for v in limb.thirds.values()) == pytest.approx(limb.at_tip.value, abs=1e-9)
    assert sum(v.value for v in limb.shares.values()) == pytest.approx(100.0)
    assert limb.shares["inner"].value == pytest.approx(100 - 100 * mid / limb.at_tip.value, abs=1)


def test_the_set_is_seen_where_it_is():
    limb = set_between(*pair(0.4)).limbs["upper"]
    x = limb.along.from_nock_mm
    assert STRETCH[0] < x[np.argmax(limb.smooth_per_m)] < STRETCH[1]
    (found,) = limb.stretches
    assert found[0] < MIDDLE < found[1]
    # smoothing moves bend about but keeps how much the limb turned: some 0.04 rad
    assert np.trapezoid(limb.smooth_per_m / 1000, x) == pytest.approx(0.4e-3 * WIDE, rel=0.01)


def test_a_limb_without_set_has_no_share_and_no_stretch():
    limb = set_between(*pair(upper=False)).limbs["upper"]
    assert limb.shares == {} and limb.stretches == ()


def test_the_smoothing_halves_a_wave_of_its_cutoff():
    """Gain 1 / (1 + (cutoff / wave)^4), the response of a second-derivative smoother (Eilers and Marx's penalty of order 2; by
    Fourier, so exact inside a long piece). Tolerance 0.02: the ends are free.
    """
    x = np.arange(0.0, 4000.0, 5.0)
    weights = smoother(x, np.ones_like(x), 200.0)
    for wave in (100.0, 200.0, 400.0):
        kept = (weights @ np.cos(2 * np.pi * x / wave))[300:500] @ np.cos(2 * np.pi * x / wave)[300:500]
        kept /= (np.cos(2 * np.pi * x / wave)[300:500] ** 2).sum()
        assert kept == pytest.approx(1 / (1 + (200.0 / wave) ** 4), abs=0.02)


def test_what_belongs_to_the_bow_adds_in_full():
    """GUM 5.2.2, note 1: fully correlated inputs add linearly; independent ones in squares."""
    a = Value(1.0, 0.5, "mm", {"width": 0.3, "edge": 0.4})
    found = change(a, Value(3.0, 0.5, "mm", {"width": 0.3, "edge": 0.4}))
    assert found.budget == pytest.approx({"width": 0.6, "edge": math.hypot(0.4, 0.4)})
    assert found.u == pytest.approx(math.hypot(0.6, 0.4 * math.sqrt(2)))
    assert math.isnan(change(a, Value(3.0, math.nan, "mm")).u)


def test_the_band_along_the_limb_covers_what_noise_does(rng):
    """Two pictures of one unchanged bow with noise of the stated size that moves together over some 100 mm: the smoothed
    change lies within 2 u of nought at 95 in 100 places or more."""
    inside = []
    for _ in range(10):
        docs = [document(flat, flat, noise=noisy(rng, 0.03)) for _ in range(2)]
        for limb in set_between(*docs).limbs.values():
            inside.append(np.abs(limb.smooth_per_m) <= 2 * limb.u_smooth_per_m)
    assert np.mean(inside) >= 0.95


def noisy(rng, size):
    kernel = np.exp(-((np.arange(-30, 31) * (PLACES[1] - PLACES[0]) / 100) ** 2) / 2)
    out = {}
    for limb in ("upper", "lower"):
        wave = np.convolve(rng.normal(size=len(PLACES) + 60), kernel, mode="valid")
        out[limb] = size * wave / np.sqrt((kernel**2).sum())
    return out


def test_only_pictures_of_one_bow_unstrung_are_taken():
    then, now = pair()
    with pytest.raises(SetError, match="unstrung"):
        set_between(then, document(bump(1.5, 300, 200), bump(1.5, 300, 200), state="braced"))
    with pytest.raises(DocumentError, match="different lengths"):
        set_between(then, document(flat, flat, bow_length_nock_to_nock_in=60.0))
    with pytest.raises(DocumentError, match="was not measured"):
        set_between(replace(then, status="refused"), now)


@pytest.mark.parametrize(("minutes", "kind"), [(None, "time not noted"), (2, "just unstrung"), (90, "resting"), (1440, "rested")])
def test_kinds_of_rest(minutes, kind):
    assert rest_kind(minutes) == kind


# --- recovery


def readings(final, back, tau, minutes, u, rng=None):
    y = [final - back * math.exp(-t / tau) for t in minutes]
    return [RestReading(t, Value(v + (0 if rng is None else rng.normal(0, u)), u, "mm")) for t, v in zip(minutes, y, strict=True)]


def test_two_readings_make_no_curve():
    assert fit_recovery(readings(10, 5, 100, (1, 60), 0.3)) is None
    assert fit_recovery([*readings(10, 5, 100, (1, 60), 0.3), *readings(10, 5, 100, (60,), 0.3)]) is None


def test_sharp_readings_give_the_curve_back():
    """Readings from the model itself, u 0.02 mm: the three numbers return."""
    found = fit_recovery(readings(10.0, 15.0, 120.0, (1, 30, 120, 480, 1440), 0.02))
    assert found.final.value == pytest.approx(10.0, abs=0.1)
    assert found.springs_back.value == pytest.approx(15.0, abs=0.2)
    assert found.tau_minutes[0] < 120 < found.tau_minutes[1]
    assert found.reflex_mm[0] == pytest.approx(-5.0, abs=0.2)


def test_the_final_reflex_is_covered(rng):
    """Three readings, tau drawn evenly over its logarithm as the prior says: the stated interval of the end covers it."""
    inside = []
    for _ in range(60):
        tau = float(np.exp(rng.uniform(np.log(10), np.log(14400))))
        found = fit_recovery(readings(8.0, rng.normal(0, 15), tau, (2, 60, 900), 0.5, rng))
        inside.append(abs(found.final.value - 8.0) <= 2 * found.final.u)
    assert np.mean(inside) >= 0.9


def test_early_readings_alone_leave_the_end_open():
    """Three readings within half an hour of a recovery over days say little of its end."""
    found = fit_recovery(readings(8.0, 15.0, 2880.0, (1, 15, 30), 0.5))
    assert found.final.u > 5.0


# --- form and early draw


def test_share_of_the_forms_reflex():
    """3 in form, 1 1/2 in now: a half. u of the reading 1 mm is 1/76.2; the form's 1/16 in as a rectangle, GUM 4.3.7."""
    kept = share_of_reflex_left(76.2, Value(38.1, 1.0, "mm", {"edge": 1.0}))
    assert kept.value == pytest.approx(50.0)
    assert kept.u == pytest.approx(100 * math.hypot(1 / 76.2, 0.5 * 25.4 / 16 / math.sqrt(3) / 76.2))
    with pytest.raises(SetError):
        share_of_reflex_left(0.0, Value(38.1, 1.0, "mm"))


def lb(hours, draw_in, pounds):
    return WeighedDraw(BEGIN + timedelta(hours=hours), draw_in * 25.4, pounds * NEWTON_PER_POUND, 0.3 * NEWTON_PER_POUND)


def test_a_loss_at_an_early_draw_is_crushing():
    found = early_draw([lb(0, 15, 25.0), lb(1, 24, 45.0), lb(2, 15, 22.5)])
    assert found.crushing and found.loss.value == pytest.approx(2.5 * NEWTON_PER_POUND)
    assert found.deepest_mm == pytest.approx(24 * 25.4)
    assert not early_draw([lb(0, 15, 25.0), lb(1, 24, 45.0), lb(2, 15, 24.5)]).crushing


def test_a_loss_after_scraping_is_not_judged():
    pulls = [lb(0, 15, 25.0), lb(1, 24, 45.0), lb(3, 15, 22.5)]
    assert early_draw(pulls, scraped=[BEGIN + timedelta(hours=2)]) is None
    assert early_draw([lb(0, 15, 25.0), lb(1, 15, 22.0)]) is None  # no deeper pull between

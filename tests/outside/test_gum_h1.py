"""The uncertainty arithmetic of record, the uncertainties package, against examples of the GUM (JCGM
100:2008).

Our values are built from the same three habits: linear propagation, variables shared where a cause is shared,
and a budget by cause. Each habit is checked on a worked example. The printed totals of H.1, H.2 and 5.2.2 are
values from memory; those of H.1 agree with the metrolopy package (31.7 nm, 16.6 degrees of freedom, 92.1 nm).
"""

import math

import pytest
from scipy.stats import t as student
from uncertainties import correlated_values, correlation_matrix, ufloat, umath
from uncertainties.core import Variable

NM = 1e-6  # mm


def gauge_block():
    """GUM H.1: length of a gauge block by comparison with a standard, in mm, with its inputs' degrees of
    freedom.
    """
    standard = ufloat(50.000623, 25 * NM)
    difference = ufloat(215 * NM, 5.8 * NM) + ufloat(0, 3.9 * NM) + ufloat(0, 6.7 * NM)
    expansion = ufloat(11.5e-6, 1.2e-6)
    expansion_difference = ufloat(0, 0.58e-6)
    temperature = ufloat(-0.1, 0.41)
    temperature_difference = ufloat(0, 0.029)
    length = standard + difference - standard * (expansion_difference * temperature + expansion * temperature_difference)
    freedom = {25 * NM: 18, 5.8 * NM: 24, 3.9 * NM: 5, 6.7 * NM: 8, 0.58e-6: 50, 0.029: 2}
    return length, freedom


def test_h1_length_and_standard_uncertainty():
    length, _ = gauge_block()
    assert length.nominal_value == pytest.approx(50.000838, abs=0.5 * NM)
    assert length.std_dev / NM == pytest.approx(31.7, abs=0.05)


def test_h1_budget_by_cause():
    """What each cause adds, in nm: the form of every budget that we print."""
    length, _ = gauge_block()
    parts = sorted((part / NM for part in length.error_components().values()), reverse=True)
    assert [round(part, 1) for part in parts[:6]] == [25.0, 16.7, 6.7, 5.8, 3.9, 2.9]
    assert parts[6:] == pytest.approx([0.0] * len(parts[6:]), abs=1e-9)  # no first-order effect: means are zero
    assert math.hypot(*parts) == pytest.approx(length.std_dev / NM)


def test_h1_degrees_of_freedom_and_expanded_uncertainty():
    """Welch-Satterthwaite, GUM G.4: 16 degrees of freedom, 93 nm at 99 %."""
    length, freedom = gauge_block()
    weights = [(part**4) / freedom[cause.std_dev] for cause, part in length.error_components().items() if part > 1e-3 * NM]
    effective = math.floor(length.std_dev**4 / sum(weights))
    assert effective == 16
    assert student.ppf(0.995, effective) * length.std_dev / NM == pytest.approx(93, abs=0.6)


def test_5_2_2_a_shared_standard_does_not_average_out():
    """Ten 1 kOhm resistors, all calibrated against one standard of u = 100 mOhm, in series: u = 1 Ohm, not
    0.32.

    So with our scale: an error of it is common to all lengths of a picture.
    """
    standard = ufloat(1000.0, 0.1)
    resistors = [alpha * standard for alpha in [1.0] * 10]
    assert sum(resistors).std_dev == pytest.approx(1.0)
    assert sum(ufloat(1000.0, 0.1) for _ in range(10)).std_dev == pytest.approx(0.1 * math.sqrt(10))


def test_a_shared_scale_leaves_the_difference_of_two_limbs_sharp():
    """By GUM eq. 13 with r = 1: the difference keeps only |a - b| of the common relative uncertainty."""
    scale = ufloat(1.0, 0.01)
    upper, lower = 150.0 * scale, 147.0 * scale
    assert (upper - lower).std_dev == pytest.approx(0.03)
    assert isinstance(scale, Variable)


def test_h2_correlated_inputs():
    """GUM H.2: resistance, reactance and impedance from voltage, current and phase measured together."""
    u = {"volt": 0.0032, "ampere": 0.0095e-3, "phase": 0.00075}
    r = {("volt", "ampere"): -0.36, ("volt", "phase"): 0.86, ("ampere", "phase"): -0.65}
    names = list(u)
    covariance = [[u[a] * u[b] * (1.0 if a == b else r.get((a, b), r.get((b, a), 0.0))) for b in names] for a in names]
    volt, ampere, phase = correlated_values([4.9990, 19.6610e-3, 1.04446], covariance)
    resistance = volt / ampere * umath.cos(phase)
    reactance = volt / ampere * umath.sin(phase)
    impedance = volt / ampere
    for got, value, std in (
        (resistance, 127.732, 0.071),
        (reactance, 219.847, 0.295),
        (impedance, 254.260, 0.236),
    ):
        assert got.nominal_value == pytest.approx(value, abs=0.0006)
        assert got.std_dev == pytest.approx(std, abs=0.002)
    found = correlation_matrix([resistance, reactance, impedance])
    assert found[0, 1] == pytest.approx(-0.588, abs=0.01)
    assert found[0, 2] == pytest.approx(-0.485, abs=0.01)
    assert found[1, 2] == pytest.approx(0.993, abs=0.001)

"""Conversion constants against their definitions, and against pint as an independent table.

Sources: yard and pound agreement of 1959 (Federal Register 59-5442: inch 25.4 mm, pound 0.45359237 kg); grain
= pound / 7000, 64.79891 mg; standard gravity 9.80665 m/s2 (3rd CGPM, 1901). All also in NIST SP 811 (2008),
App. B.
"""

from fractions import Fraction

import pint
import pytest

from tillerlens.core import units

POUND_KG = Fraction(45359237, 10**8)
GRAVITY = Fraction(980665, 10**5)
FOOT_M = Fraction(3048, 10**4)


def test_constants_are_the_defined_ones():
    assert pytest.approx(64.79891e-6, rel=1e-15) == units.KG_PER_GRAIN
    assert pytest.approx(4.4482216152605, rel=1e-15) == units.NEWTON_PER_POUND  # NIST SP 811, App. B.8
    assert pytest.approx(float(POUND_KG * GRAVITY), rel=1e-15) == units.NEWTON_PER_POUND
    assert pytest.approx(1.3558179483314, rel=1e-13) == units.JOULE_PER_FOOT_POUND  # NIST SP 811, App. B.8
    assert pytest.approx(float(POUND_KG * GRAVITY * FOOT_M), rel=1e-15) == units.JOULE_PER_FOOT_POUND


@pytest.mark.parametrize(
    ("ours", "name", "si"),
    [
        (units.MM_PER_INCH, "inch", "mm"),
        (units.KG_PER_POUND, "pound", "kg"),
        (units.KG_PER_GRAIN, "grain", "kg"),
        (units.NEWTON_PER_POUND, "force_pound", "newton"),
        (units.JOULE_PER_FOOT_POUND, "foot * force_pound", "joule"),
        (units.STANDARD_GRAVITY, "standard_gravity", "m/s**2"),
    ],
)
def test_constants_agree_with_pint(ours, name, si, registry):
    assert ours == pytest.approx(registry(name).to(si).magnitude, rel=1e-14)


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


def test_energy_of_an_arrow():
    """500 grains at 170 ft/s carry 32.0800 ft lbf = 43.4946 J (from the definitions; pint agrees)."""
    kg = units.kg_from_grains(500)
    joules = kg * (170 * float(FOOT_M)) ** 2 / 2
    assert joules == pytest.approx(43.4946, abs=5e-5)
    assert joules / units.JOULE_PER_FOOT_POUND == pytest.approx(32.0800, abs=5e-5)


def test_energy_constant_in_grains_and_feet_per_second():
    """Grains x (ft/s)^2 / 450436.68 = ft lbf; exactly 171616375/381 = 14000 g0/ft."""
    exact = 2 * 7000 * GRAVITY / FOOT_M
    assert exact == Fraction(171616375, 381)
    ours = 2 * units.JOULE_PER_FOOT_POUND / (units.KG_PER_GRAIN * float(FOOT_M) ** 2)
    assert ours == pytest.approx(float(exact), rel=1e-14)

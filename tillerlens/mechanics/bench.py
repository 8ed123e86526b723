"""All that the mechanics tell of one bow at the bench, from its measured pictures and weighings, in one call: stiffness, strain
now and at full draw, draw weight looked ahead, arrows. What cannot be told is left out, with its reason.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from tillerlens.core.errors import Reason, TillerLensError
from tillerlens.core.json_form import JsonDocument
from tillerlens.core.measurement import LimbName, Measurement, Value, printed, printed_fields
from tillerlens.core.units import MM_PER_INCH
from tillerlens.measures.set import SetFound, set_between
from tillerlens.mechanics.cast import ArrowSpeed, Cast, judge_cast, usual_speeds
from tillerlens.mechanics.evidence import (
    check_arrow,
    check_brace,
    check_draw,
    check_length,
    check_one_bow,
    check_reading,
    check_rest,
    check_strung,
    once,
)
from tillerlens.mechanics.force_draw import (
    ForceCurve,
    Reading,
    ReadingsDisagree,
    Stacking,
    fit_curve,
    look_ahead,
    measured_shape,
    stacking,
)
from tillerlens.mechanics.hung import Hung, weight_by_sizes
from tillerlens.mechanics.observed import MechanicsError, ObservedBow, Weighing, read_observed
from tillerlens.mechanics.section import LimbSections, by_calipers
from tillerlens.mechanics.stiffness import Modulus, Stiffness, bending_modulus, estimate_stiffness
from tillerlens.mechanics.strain import ANY_WOOD, LimbStrain, Risk, StrainLimit, most_at_risk, strain_ahead, strain_now

BRACE_U_MM = 3.0
SAME_DRAW_MM = 1.0
USUAL_HANDLE_MM = 8 * MM_PER_INCH  # grip and fades, where nobody says (common practice, no source)
UNKNOWN_BRACE_U_MM = 10.0  # of a brace height that only the statics foretell


@dataclass(frozen=True)
class Unpictured:
    """What was measured without a picture: weighings, and from the handle's back to the braced string, mm."""

    readings: Sequence[Reading] = ()
    brace_back_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Given:
    """What is known of the bow. ``pictures``: measurements of it braced and drawn; ``rest``: unstrung, before them;
    ``rest_after``: unstrung since. ``readings``: weighings without a picture. ``modulus``: handbook's (N/mm2, relative spread).
    ``hung``: what hung from the string in a picture, by the picture's name.
    """

    pictures: Sequence[Measurement]
    rest: Measurement | None = None
    rest_after: Measurement | None = None
    readings: Sequence[Reading] = ()
    length_mm: float | None = None
    full_draw_mm: float | None = None
    brace_back_mm: float | None = None
    sections: dict[LimbName, LimbSections] | None = None
    modulus: tuple[float, float] | None = None
    limit: StrainLimit = ANY_WOOD
    heat_factor: float | None = 1.0
    arrows: Sequence[ArrowSpeed] = ()
    handle_mm: float | None = None
    hung: Mapping[str, Weighing] = field(default_factory=dict)

    @property
    def unpictured(self) -> Unpictured:
        return Unpictured(self.readings, self.brace_back_mm)

    @property
    def weighed(self) -> bool:
        """Whether the bow was ever weighed, with a picture or without."""
        return bool(self.readings) or any(m.facts.draw_weight_n for m in self.pictures)


@dataclass(frozen=True, eq=False)
class Bench:
    """What is told; None where it cannot be, for which ``reasons`` say why. ``full_draw_mm``: to the back. ``strain_full``: None
    too where the bow was seen drawn so far, since ``strain_seen`` tells it there. ``by_sizes``: weight (N) from and to, by sizes
    and wood, where nothing was weighed."""

    full_draw_mm: float
    stiffness: Stiffness | None
    modulus: Modulus | None
    draw_seen_mm: float
    strain_seen: dict[LimbName, LimbStrain] | None
    risk_seen: Risk | None
    strain_full: dict[LimbName, LimbStrain] | None
    risk_full: Risk | None
    sections_known: bool
    set_found: SetFound | None
    curve: ForceCurve | None
    stacking: Stacking | None
    cast: Cast | None
    reasons: tuple[Reason, ...]
    by_sizes: tuple[float, float] | None = None


def tell(given: Given) -> Bench:
    """Everything that can be told. Never raises for what pictures and readings can hold: ``reasons`` say what is missing."""
    reasons: list[Reason] = []

    def attempt(make: Callable[[], Any]) -> Any:
        try:
            return make()
        except TillerLensError as error:
            if error.reason not in reasons:
                reasons.append(error.reason)
            return None

    def look(picture: Measurement) -> ObservedBow | None:
        return attempt(lambda: read_observed(picture, given.hung.get(picture.name)))

    given = _fitting(given, attempt)
    seen = [b for b in map(look, given.pictures) if b is not None]
    at_rest, after = given.rest, given.rest_after
    rest = None if at_rest is None else attempt(lambda: read_observed(at_rest))
    deepest = _deepest(seen)
    draws = [r.draw_mm for r in given.readings] + ([deepest.draw_back_mm] if deepest else [])
    full = given.full_draw_mm or max(draws, default=0.0)
    stiffness = attempt(lambda: estimate_stiffness(seen, rest)) if seen else None
    modulus = None
    if stiffness is not None and given.sections is not None:
        modulus = attempt(lambda: bending_modulus(stiffness, given.sections or {}, given.modulus))
    brace, u_brace = known_brace(given, seen)

    now = ahead = None
    if deepest is not None and rest is not None:
        now = attempt(lambda: strain_now(deepest, rest, given.sections))
    # of one bow the strain at one draw is told: where it was drawn as far as asked for, as it was seen there
    seen_there = now is not None and deepest is not None and full <= deepest.draw_back_mm + SAME_DRAW_MM
    if stiffness is not None and deepest is not None and full > 0 and not seen_there:
        ahead = attempt(lambda: strain_ahead(stiffness, deepest, full, given.sections, brace))

    def risk(strain: dict[LimbName, LimbStrain] | None) -> Risk | None:
        return None if strain is None else attempt(lambda: most_at_risk(strain, given.limit, given.heat_factor))

    curve = attempt(lambda: weigh_curve(given, seen, stiffness, full)) if full > 0 else None
    stored = None if curve is None else curve.energy_at(full)
    by_sizes = attempt(lambda: _by_sizes(given, full, brace, rest)) if curve is None and full > 0 else None
    return Bench(
        full,
        stiffness,
        modulus,
        float("nan") if deepest is None else deepest.draw_back_mm,
        now,
        risk(now),
        ahead,
        risk(ahead),
        by_calipers(given.sections),
        None if at_rest is None or after is None else attempt(lambda: set_between(at_rest, after)),
        curve,
        None if curve is None else stacking(curve, full),
        attempt(lambda: judge_cast(given.arrows, stored)) if given.arrows else None,
        tuple(reasons),
        by_sizes,
    )


def _by_sizes(given: Given, full_mm: float, brace_mm: float | None, rest: ObservedBow | None) -> tuple[float, float] | None:
    """The weight by the limbs' sizes and the wood; None where one of them is unknown."""
    length = _length(given)
    if given.sections is None or given.modulus is None or length is None:
        return None
    return weight_by_sizes(given.sections, given.modulus, length, _handle(given), full_mm, brace_mm, rest)


def check_weighings(given: Given, stiffness: Stiffness | None = None) -> None:
    """Raise ReadingsDisagree where no one bow gives all of the weighings, with a picture or without.

    ``stiffness``: where it was estimated from these pictures already. Anything else that a curve of draw weight would lack is no
    fault of the weighings, and is told where the curve is.
    """
    seen = [read_observed(m) for m in given.pictures]
    rest = None if given.rest is None else read_observed(given.rest)
    if len(_readings(given, seen)) < 2:
        return
    deepest = _deepest(seen)
    readings, (brace, u_brace) = _readings(given, seen), known_brace(given, seen)
    full = max(given.full_draw_mm or 0.0, *(r.draw_mm for r in readings))
    try:
        if stiffness is None and seen:
            stiffness = estimate_stiffness(seen, rest)
        if stiffness is not None and deepest is not None:
            with suppress(ReadingsDisagree):  # what fits the bow as it was read fits it with its doubts all the more
                fit_curve(readings, measured_shape(stiffness, deepest, full, brace, doubted=False), u_brace)
                return
        weigh_curve(given, seen, stiffness, full)
    except ReadingsDisagree:
        raise
    except TillerLensError:
        return


def hang(given: Given, hung: Hung, picture: str | None = None) -> Given:
    """What is given, with what hung from the string in one picture as its weighing.

    Parameters
    ----------
    given : Given
        With the picture among its own.
    hung : Hung
        The weight.
    picture : str, optional
        The picture's name; the one that shows the bow drawn if left out.

    Raises
    ------
    MechanicsError
        Where it is not clear which picture is meant.
    """
    drawn = [m for m in given.pictures if m.state == "drawn" and picture in (None, m.name)]
    if len(drawn) > 1:
        drawn = [m for m in drawn if not m.facts.draw_weight_n]
    if len(drawn) != 1:
        several = "Several pictures show the bow drawn, and it is not clear which one has the weight."
        text = several if drawn else "No picture shows the bow drawn by this weight."
        raise MechanicsError(text, "Give the one picture with the weight on the string; others need a scale's reading.")
    return replace(given, hung={**given.hung, drawn[0].name: hung.weighing})


def check_given(given: Given) -> None:
    """Raise MechanicsError for the first picture, reading or arrow that cannot be of this bow."""

    def check(make: Callable[[], Any]) -> Any:
        return make() or True

    _fitting(given, check)


def _fitting(given: Given, attempt: Callable[[Callable[[], Any]], Any]) -> Given:
    """What is given, less what cannot be of this bow; ``attempt`` runs a check and notes why it fails, giving None then."""

    def fits(check: Callable[..., None], *what: Any) -> bool:
        def passed() -> bool:
            check(*what)
            return True

        return attempt(passed) is not None

    strung = once([m for m in given.pictures if fits(check_strung, m)])
    rest = given.rest if given.rest is not None and fits(check_rest, given.rest) else None
    after = given.rest_after if given.rest_after is not None and fits(check_rest, given.rest_after) else None
    length = given.length_mm if fits(check_length, given.length_mm) else None
    if not fits(check_one_bow, [*strung, *(m for m in (rest, after) if m is not None)], length):
        strung, rest, after = [], None, None
    return replace(
        given,
        pictures=strung,
        rest=rest,
        rest_after=after,
        length_mm=length,
        brace_back_mm=given.brace_back_mm if fits(check_brace, given.brace_back_mm, given.full_draw_mm) else None,
        full_draw_mm=given.full_draw_mm if fits(check_draw, given.full_draw_mm) else None,
        readings=[r for r in given.readings if fits(check_reading, r.draw_mm, r.weight_n, given.brace_back_mm)],
        arrows=[a for a in given.arrows if fits(check_arrow, a.arrow_kg, a.speed_m_s)],
    )


def known_brace(given: Given, seen: Sequence[ObservedBow]) -> tuple[float | None, float]:
    """Back of the handle to the braced string and its standard uncertainty, mm: as given, else as pictures showed it. Every page
    and command says this one."""
    if given.brace_back_mm is not None:
        return given.brace_back_mm, BRACE_U_MM
    braced = [b for b in seen if b.state == "braced"]
    return (braced[-1].brace_back_mm, braced[-1].u_brace_mm) if braced else (None, UNKNOWN_BRACE_U_MM)


def _readings(given: Given, seen: Sequence[ObservedBow]) -> list[Reading]:
    """The weighings without a picture and those of the drawn pictures."""
    drawn = [(b, b.weighing) for b in seen if b.state == "drawn" and b.weighing is not None]
    return [*given.readings, *(Reading(b.draw_back_mm, w.weight_n, w.u_n, b.u_draw_mm, w.by_scale) for b, w in drawn)]


def _deepest(seen: Sequence[ObservedBow]) -> ObservedBow | None:
    return max((b for b in seen if b.state == "drawn"), key=lambda b: b.draw_back_mm, default=None)


def weigh_curve(given: Given, seen: Sequence[ObservedBow], stiffness: Stiffness | None, full: float) -> ForceCurve:
    """What the bow draws, by all of its weighings: the one place that weight comes from, on every page.

    Parameters
    ----------
    given : Given
        The weighings without a picture, and what is known of brace height and length.
    seen : sequence of ObservedBow
        What ``given.pictures`` show.
    stiffness : Stiffness, optional
        Estimated from these pictures, where they tell it.
    full : float
        Draw to the back, mm, that the curve has to reach.

    Returns
    -------
    ForceCurve

    Raises
    ------
    MechanicsError
        Where it has no beginning or no reading; ReadingsDisagree where no one bow gives all of them.
    """
    deepest, (brace, u_brace) = _deepest(seen), known_brace(given, seen)
    readings = _readings(given, seen)
    full = max([full, *(r.draw_mm for r in readings)])  # a weight read beyond the full draw counts too
    if brace is None:
        if stiffness is None or deepest is None:
            raise MechanicsError(
                "Without the brace height the force-draw curve has no beginning.",
                "Add a picture of the bow braced, or give the brace height.",
            )
        return fit_curve(readings, measured_shape(stiffness, deepest, full), u_brace)
    length = _length(given)
    if length is None:
        raise MechanicsError("The bow's length is not known.", "Give its length nock to nock, or a picture's measurement.")
    return look_ahead(readings, length, brace, full, stiffness if deepest else None, deepest, u_brace)


def _length(given: Given) -> float | None:
    first = next(iter(given.pictures), given.rest)
    return given.length_mm if given.length_mm is not None or first is None else first.facts.nock_to_nock_mm


def _handle(given: Given) -> float:
    first = next(iter(given.pictures), given.rest)
    if given.handle_mm is not None or first is None:
        return given.handle_mm or USUAL_HANDLE_MM
    return first.facts.handle_mm


def usual(b: Bench, arrow_kg: float) -> tuple[float, float] | None:
    """The speeds (m/s) to expect of an arrow, from and to, where no arrow's speed is known; None without the stored energy."""
    if b.cast is not None or b.curve is None:
        return None
    stored, weight = b.curve.energy_at(b.full_draw_mm), b.curve.weight_at(b.full_draw_mm)
    return usual_speeds(stored, weight.value, arrow_kg) if np.isfinite(stored.value) else None


# --- printed --------------------------------------------------------------------------------------------------


def as_document(b: Bench, others: Sequence[float] = ()) -> JsonDocument:
    """The JSON form, in mm, N, J, N m2 and shares of 1; null where not told. ``others``: masses (kg) of arrows whose speed is
    asked for."""
    return {
        "format": "tillerlens-bench",
        "format_version": 1,
        "full_draw_mm": printed(b.full_draw_mm, 2),
        "stiffness": None if b.stiffness is None else _stiffness(b.stiffness),
        "modulus_MPa": None if b.modulus is None else printed(Value(b.modulus.value, b.modulus.u, "MPa"), 1),
        "strain_seen": _strain(b.strain_seen, b.risk_seen, b.draw_seen_mm),
        "strain_full_draw": _strain(b.strain_full, b.risk_full, b.full_draw_mm),
        "force_draw": None if b.curve is None else _force(b.curve, b.stacking, b.full_draw_mm),
        "by_sizes_N": printed(b.by_sizes, 1),
        "arrows": None if b.cast is None else _arrows(b.cast, others),
        "usual_speeds_m_s": [{"arrow_kg": m, "from_to": printed(v, 2)} for m in others if (v := usual(b, m)) is not None],
        "reasons": [r.as_dict() for r in b.reasons],
    }


def _stiffness(s: Stiffness) -> JsonDocument:
    k = 1e-6 if s.absolute else 1.0
    return {
        "unit": "N m2" if s.absolute else "of the average",
        "u_level_relative": printed(s.u_level, 4),
        "u_rest_unknown_relative": printed(s.u_unrested, 4),
        "pictures": list(s.pictures),
        "rest_known": s.rest_known,
        **{
            name: printed_fields(m, from_nock_mm=1, u_relative=4)
            | {"stiffness": printed(k * m.ei, 4), "rest_curvature_per_m": printed(1000 * m.rest, 4)}
            for name, m in s.limbs.items()
        },
    }


def _strain(strain: dict[LimbName, LimbStrain] | None, risk: Risk | None, draw_mm: float) -> JsonDocument | None:
    if strain is None:
        return None
    return {
        "draw_back_mm": printed(draw_mm, 2),
        **{k: printed_fields(x, from_nock_mm=1, belly=6, back=6, u_belly=6, u_back=6) for k, x in strain.items()},
        "most_at_risk": None if risk is None else _risk(risk),
    }


def _risk(risk: Risk) -> JsonDocument:
    expected = risk.set_expected
    return {
        "limb": risk.limb,
        "side": risk.side,
        **printed_fields(risk, from_nock_mm=1, strain=6),
        "share_of_limit": printed(risk.share, 4),
        "clear": risk.clear,
        "strain_causes": {k: printed(v, 6) for k, v in risk.strain.budget.items()},
        "limit": printed(risk.limit.strain, 6),
        "limit_source": risk.limit.source,
        "set_expected_mm": None if expected is None else printed((expected.low_mm, expected.high_mm), 1),
        "heat_factor_of_the_user": risk.heat_factor,
    }


def _force(c: ForceCurve, stacks: Stacking | None, full_mm: float) -> JsonDocument:
    return {
        "draw_back_mm": printed(c.draw_mm, 1),
        "weight_N": printed(c.weight_n, 3),
        "u_weight_N": printed(c.u_weight_n, 3),
        "energy_J": printed(c.energy_j, 4),
        "u_energy_J": printed(c.u_energy_j, 4),
        "weight_at_full_draw": printed(c.weight_at(full_mm), 4),
        "energy_at_full_draw": printed(c.energy_at(full_mm), 4),
        "readings_to_mm": printed(c.readings_to_mm, 1),
        "readings_off_the_curve_mm": printed(c.odd_mm, 1),
        "from_own_statics": c.own_shape,
        "stacking_from_mm": None if stacks is None else printed(stacks.onset_mm, 1),
    }


def _arrows(c: Cast, others: Sequence[float]) -> JsonDocument:
    return {
        "energy": printed(c.energy_j, 4),
        "virtual_mass": printed(c.virtual_mass_kg, 6),
        "arrow_energy": printed(c.arrow_energy_j, 4),
        "efficiency": printed(c.efficiency, 4),
        "expected": [{"arrow_kg": m, "speed": printed(c.speed(m), 4), "unlike_those_shot": c.far(m)} for m in others],
    }

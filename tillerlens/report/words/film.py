"""What a draw on film tells, in words and as a table over draw length. Every sentence is made from ``PATTERNS``."""

from __future__ import annotations

import numpy as np

from tillerlens.core.measurement import Value
from tillerlens.core.units import MM_PER_INCH
from tillerlens.film.draw import DrawFilm, FirstLook, Stage
from tillerlens.film.track import Lead
from tillerlens.mechanics.bench import Bench
from tillerlens.mechanics.force_draw import ForceCurve
from tillerlens.report.words.mechanics import force_words
from tillerlens.report.words.quantities import (
    Units,
    in_columns,
    in_words,
    is_significant,
    say,
    say_energy,
    say_interval,
    say_length,
    say_place,
    say_value,
    say_weighed,
)
from tillerlens.report.words.verdict import Sentence, Wish, judged_from_rest, spot_in_words, verdict

PATTERNS = {
    "hold": "Held from {from_s} to {to_s} s at a draw of {draw}, from the back.",
    "pull": "The clip follows the draw from {least} to {most}. {count} frames were measured.",
    "first": "On the pull the {limb} tip moves first: a quarter of the way up it is {lead} of draw ahead ({reach}).",
    "back": "On the let-down the {limb} tip comes back first, halfway by {lead} of draw ({reach}).",
    "together.pull": "On the pull both tips move together: a quarter of the way up they are less than {most} of draw apart.",
    "together.let-down": "On the let-down both tips come back together: halfway they are less than {most} of draw apart.",
    "together": "At full draw the {limb} limb's gap at {place} is {size} wider than the other's, by all frames ({reach}).",
    "together.alike": "At full draw both limbs' gaps at {place} are alike to within {most}, by all frames.",
    "gaps": "Over the pull the {limb} limb's gap at {place} grows {size} more than the other's ({reach}).",
    "gaps.alike": "Over the pull both limbs' gaps at {place} grow alike, to within {most}.",
    "rock": "The handle turns by {angle} ({reach}) while the bow is drawn.",
    "still": "The handle hardly turns: less than {most} while the bow is drawn.",
    "look": "First look at {at_s} s, drawn {draw}. {verdict}",
    "frame": "{at_s} s, drawn {draw}",
    "passed": "{count} of the chosen frames could not be measured and were left out.",
}
COLUMNS = (
    "Draw",
    "Phase",
    "Upper tip",
    "Lower tip",
    "Upper less lower",
    "Gaps, upper less lower",
    "Upper string angle",
    "Lower string angle",
)
WEIGHT_COLUMNS = ("Weight", "Energy stored")
GAP_AT_MM = 14 * MM_PER_INCH  # from the handle's centre, about the middle of a limb: the gaps that the table shows
FIRST, BACK = 0.25, 0.5  # of the way, at which it is told which tip is ahead


def draw_words(film: DrawFilm, units: Units | None = None) -> list[Sentence]:
    """What the clip tells as a whole: the hold, which tip goes first, the handle.

    Parameters
    ----------
    film : DrawFilm
        A draw that was followed.
    units : Units, optional
        The reader's.
    """
    units = units or Units()
    track = film.track
    if track is None or not film.stages:
        return []
    out: list[Sentence] = []
    if film.hold is not None:
        from_s, to_s = (f"{track.time_s[i]:.1f}" for i in (film.hold.first, film.hold.last))
        out.append(_said("hold", "hold", from_s=from_s, to_s=to_s, draw=say(film.hold.draw, units)))
    least, most = (say_length(float(x), units) for x in (np.nanmin(track.draw_mm), np.nanmax(track.draw_mm)))
    out.append(_said("pull", "pull", least=least, most=most, count=len(film.stages)))
    for phase, share, told in (("pull", FIRST, "first"), ("let-down", BACK, "back")):
        lead = next((x for x in film.leads if (x.phase, x.share) == (phase, share)), None)
        if lead is not None:
            out.append(_of_lead(lead, told, units))
    at_full = next((g for g in film.gaps_together if abs(g.from_handle_mm - GAP_AT_MM) < 1), None)
    if at_full is not None:
        out.append(_of_gaps("together", at_full.from_handle_mm, at_full.difference, units))
    middle = next((g for g in film.gap_changes if abs(g.from_handle_mm - GAP_AT_MM) < 1), None)
    if middle is not None:
        out.append(_of_gaps("gaps", middle.from_handle_mm, middle.change, units))
    if (rock := film.rock()) is not None:
        if is_significant(rock):
            out.append(_said("handle", "rock", "finding", angle=say_value(rock, units), reach=say_interval(rock, units)))
        else:
            most_turn = say_interval(Value(0.0, rock.u + abs(rock.value) / 2, "deg"), units).lstrip("±")
            out.append(_said("handle", "still", "fine", most=most_turn))
    last = next((s.measurement for s in film.stages if s.measurement.spots), None)
    if last is not None:
        rested = judged_from_rest(last)
        out += [Sentence("spot", spot_in_words(spot, last.shot, units, rested), "finding") for spot in last.spots]
    if passed := film.evidence.get("frames_not_measured"):
        out.append(_said("passed", "passed", "open", count=passed))
    return out


def first_words(look: FirstLook, units: Units | None = None, wish: Wish | None = None) -> list[Sentence]:
    """What the first look at a clip tells: at what draw it was taken, and what one photograph says.

    Parameters
    ----------
    look : FirstLook
        A frame near full draw.
    units : Units, optional
        The reader's.
    wish : Wish, optional
        The tiller that is wanted.
    """
    units, m = units or Units(), look.measurement
    draw = m.values.get("draw_length_back") or m.values["brace_height_back"]
    spoken = verdict(m, units, wish)
    said = {"at_s": f"{look.time_s:.1f}", "draw": say(draw, units), "verdict": spoken.first.text}
    return [_said("look", "look", spoken.first.tone, **said), *spoken.more]


def frame_words(film: DrawFilm, row: int, units: Units | None = None) -> str:
    """One followed frame by its time and draw."""
    t = film.track
    assert t is not None
    return PATTERNS["frame"].format(at_s=f"{t.time_s[row]:.1f}", draw=say_length(float(t.draw_mm[row]), units or Units()))


def weight_words(bench: Bench, units: Units | None = None) -> list[Sentence]:
    """What the bow weighs at the film's longest draw and the energy that stores; else why that isn't told.

    Parameters
    ----------
    bench : Bench
        From ``weigh_pull``.
    units : Units, optional
        The reader's.
    """
    units = units or Units()
    if bench.curve is None:
        return [Sentence(r.code, in_words(r, units), "open") for r in bench.reasons]
    return force_words(bench.curve, bench.full_draw_mm, bench.stacking, units)


def draw_rows(film: DrawFilm, units: Units | None = None, curve: ForceCurve | None = None) -> list[tuple[str, ...]]:
    """A head and the measured frames, in the order of the clip: heights of the tips, gaps and string angles over draw length.

    With a ``curve``, what the bow weighs at each draw of the pull and what is stored by then; on the way down wood gives back
    less, so nothing is told of that.
    """
    units = units or Units()
    if film.track is None or not film.stages:
        return []
    head: tuple[str, ...] = (*COLUMNS[:5], f"{COLUMNS[5]} at {say_place(GAP_AT_MM, units)}", *COLUMNS[6:])
    rows = [_row(film, stage, units) for stage in film.stages]
    if curve is not None:
        head = (*head, *WEIGHT_COLUMNS)
        rows = [(*row, *_weighed(stage, curve, units)) for row, stage in zip(rows, film.stages, strict=True)]
    return [head, *rows]


def _weighed(stage: Stage, curve: ForceCurve, units: Units) -> tuple[str, str]:
    weight, energy = curve.weight_at(stage.draw_mm), curve.energy_at(stage.draw_mm)
    if stage.phase == "let-down" or not np.isfinite(weight.value):
        return "", ""
    return say_weighed(weight, units), say_energy(energy, units)


def draw_table(film: DrawFilm, units: Units | None = None, curve: ForceCurve | None = None) -> list[str]:
    """``draw_rows`` as lines of text."""
    return in_columns(draw_rows(film, units, curve))


def _row(film: DrawFilm, stage: Stage, units: Units) -> tuple[str, ...]:
    t = film.track
    assert t is not None
    i = int(np.nonzero(t.frame == stage.frame)[0][0])

    def at(name: str, unit: str = "mm") -> str:
        return say(Value(float(t.values[name][i]), float(t.u[name][i]), unit), units)

    names = ("tip_height_upper", "tip_height_lower", "tip_height_difference")
    angles = ("string_angle_upper", "string_angle_lower")
    gap = next((say(g.difference, units) for g in stage.measurement.gaps if abs(g.from_handle_mm - GAP_AT_MM) < 1), "")
    return (at("draw_length_back"), stage.phase, *(at(n) for n in names), gap, *(at(n, "deg") for n in angles))


def _of_gaps(told: str, from_handle_mm: float, more: Value, units: Units) -> Sentence:
    """``more``: by how much the upper limb's gap there is wider than the other's, or grows; ``told``: which of the two."""
    place, size = say_place(from_handle_mm, units), Value(abs(more.value), more.u, "mm")
    if not is_significant(more):
        most = say_interval(Value(0.0, size.u + size.value / 2, "mm"), units).lstrip("±")
        return _said("limbs", f"{told}.alike", "fine", place=place, most=most)
    words = {"place": place, "size": say_length(size.value, units, 2), "reach": say_interval(size, units)}
    return _said("limbs", told, "finding", limb="upper" if more.value > 0 else "lower", **words)


def _of_lead(lead: Lead, told: str, units: Units) -> Sentence:
    size = Value(abs(lead.ahead.value), lead.ahead.u, "mm")
    if not is_significant(lead.ahead):
        most = say_interval(Value(0.0, lead.ahead.u + size.value / 2, "mm"), units).lstrip("±")
        return _said("limbs", f"together.{lead.phase}", "fine", most=most)
    limb = "upper" if lead.ahead.value > 0 else "lower"
    words = {"lead": say_length(size.value, units, 2), "reach": say_interval(size, units)}
    return _said("limbs", told, "finding", limb=limb, **words)


def _said(about: str, pattern: str, tone: str = "plain", **words: object) -> Sentence:
    return Sentence(about, PATTERNS[pattern].format(**words), tone)  # type: ignore[arg-type]

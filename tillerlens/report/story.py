"""What a bow's report says, laid out once for paper and page: headings, sentences, tables, figures and pictures.

``Story`` is what is known of the bow; ``lay_out`` makes the report's content of it. Nothing here reads a record or a file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from tillerlens import __version__
from tillerlens.core.errors import TillerLensError
from tillerlens.core.units import JOULE_PER_FOOT_POUND, STANDARD_GRAVITY
from tillerlens.history.story import MOST_PICTURES, ArrowShot, Done, StageShown, Story, spread
from tillerlens.history.trends import sessions
from tillerlens.measures.compare import AtRest, compare, judge_scrapes
from tillerlens.measures.pair import Picture, read_picture
from tillerlens.measures.set import (
    Recovery,
    RestReading,
    SetFound,
    early_draw,
    fit_recovery,
    rest_kind,
    set_between,
    share_of_reflex_left,
)
from tillerlens.mechanics.cast import grains_per_pound
from tillerlens.report.charts import svg as figures
from tillerlens.report.content import Figure, PictureShown, Report, ReportSection, Table
from tillerlens.report.words.compare import (
    early_draw_sentence,
    recovery_sentence,
    reflex_left_sentence,
    scraping_sentence,
    set_sentences,
)
from tillerlens.report.words.front import width_rows
from tillerlens.report.words.mechanics import force_words
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import (
    Units,
    in_words,
    say,
    say_arrow,
    say_length,
    say_place,
    say_speed,
    say_two_limbs,
    say_weight,
)
from tillerlens.report.words.record import bow_in_words, event_in_words
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_UNDER_TENSION, Sentence, Wish, verdict

MOST_GAP_TABLES, MOST_PROFILES = 3, 4
INSPECTION = (
    "Before every pull, look for splinters and lifting fibres on the back, chrysals across the belly, and cracks at knots and "
    "nocks. Check the glue lines, the string and its loops.",
)


def lay_out(story: Story, units: Units | None = None) -> Report:
    """The report: title, facts, and sections of sentences, tables, figures and pictures; empty sections are left out."""
    units = units or Units()
    measured = [s for s in story.stages if s.measured and not s.from_front]
    fronts = [s for s in story.stages if s.measured and s.from_front]
    rest = [s for s in measured if s.state == "unstrung"]
    strung = [s for s in measured if s.state in ("braced", "drawn")]
    found, of_set = _set(measured, units)
    after = [r for r in sessions(story.reflexes) if len({q.minutes for q in r}) >= 2]
    fitted = fit_recovery(after[-1]) if after else None
    rest_words = [*of_set, *_rest_words(story, fitted, units)]
    rest_figures = _rest_figures(story, found, after[-1] if after else [], fitted, units)
    pictures = tuple(_picture(s, units) for s in _some(story.stages, MOST_PICTURES))
    gap_tables = tuple(_gap_table(s, units) for s in _gap_stages(strung))
    sections = (
        ReportSection("Summary", _texts(_summary(story, measured, of_set[:1] if found else [], units))),
        _from_front(fronts, units),
        ReportSection("Tiller, stage by stage", pictures=pictures),
        ReportSection("Profile and bend", figures=_shapes(story, measured, rest, units)),
        ReportSection("Gaps, belly to the line between the nocks", tables=gap_tables),
        ReportSection("Reflex and set", _texts(rest_words), figures=rest_figures),
        _weight_and_cast(story, units),
        ReportSection("What was done", tables=_done_table(story.events, units)),
        ReportSection("Inspection", INSPECTION, tables=_findings(story)),
        ReportSection("Take care", (*CARE_ALWAYS, *CARE_UNDER_TENSION)),
    )
    return Report(
        title=story.name,
        subtitle=_span(story.stages),
        facts=tuple(bow_in_words(story.bow, units)),
        notes=story.notes,
        sections=tuple(s for s in sections if not s.empty),
        foot=f"TillerLens {__version__}. The intervals hold about 95 times in 100.",
    )


# --- sentences


def _summary(story: Story, measured: Sequence[StageShown], of_set: list[Sentence], units: Units) -> list[Sentence]:
    out = []
    for state in ("drawn", "braced", "unstrung"):
        newest = next((s for s in reversed(measured) if s.state == state), None)
        if newest is None:
            continue
        said = verdict(newest.measurement, units, _wish(story.bow))
        keep = (said.first, *(s for s in said.more if s.about in ("wish", "spot", "draw", "brace")))
        out += [Sentence(s.about, f"{newest.title}: {s.text}", s.tone) for s in keep]
        if state == "drawn":
            break
    last = _last_scraping(story, measured, units)
    return [*out, *of_set, *([] if last is None else [last]), *_left_out(story)]


def _wish(bow: Mapping[str, Any]) -> Wish:
    usual = Wish()
    low, high = bow.get("wish_tiller_low_mm"), bow.get("wish_tiller_high_mm")
    return Wish(usual.low_mm if low is None else low, usual.high_mm if high is None else high)


def _left_out(story: Story) -> list[Sentence]:
    out = [Sentence("pictures", f"Left out: {why}", "open") for why in story.left_out]
    if story.to_belly:
        text = f"{story.to_belly} readings to the belly are left out: the handle's thickness is not noted."
        out.append(Sentence("weights", text, "open"))
    return out


def _last_scraping(story: Story, measured: Sequence[StageShown], units: Units) -> Sentence | None:
    """What the last scraping pass did, by the two like pictures that stand around it most closely."""
    for state in ("drawn", "braced"):
        stages = [s for s in measured if s.state == state]
        for now in reversed(stages):
            for then in reversed([s for s in stages if s.when < now.when]):
                between = [s for when, s in story.scrapes if then.when < when <= now.when]
                try:
                    pair = compare(then.measurement, now.measurement, _at_rest(story, then, now))
                except TillerLensError:
                    continue  # the bow was shortened between them: another pair may do, else it is said below
                if between and not pair.doubts:
                    said = scraping_sentence(pair, judge_scrapes(pair, between), units)
                    return Sentence("scraping", f"{then.title}, against {now.title}: {said.text}", said.tone)
    if story.scrapes:
        return Sentence("scraping", phrase("scraping.no_pair"), "open")
    return None


def _set(measured: Sequence[StageShown], units: Units) -> tuple[SetFound | None, list[Sentence]]:
    """Set from the first picture at rest to the reading that counts, the last just unstrung; where no time is noted, the first
    after the bow was last strung. Or why it is not told."""
    rest = [s for s in measured if s.state == "unstrung"]
    just = [s for s in rest[1:] if rest_kind(s.measurement.facts.minutes_since_unstrung) == "just unstrung"]
    after = [s for before, s in pairwise(measured) if s.state == "unstrung" and before.state != "unstrung" and s is not rest[0]]
    now = next((choice[-1] for choice in (just, after, rest[1:]) if choice), None)
    if now is None:
        return None, [Sentence("set", phrase("set.needs_two"), "open")]
    titles = f"{rest[0].title}, against {now.title}"
    try:
        found = set_between(rest[0].measurement, now.measurement)
    except TillerLensError as error:
        return None, [Sentence("set", phrase("set.open", titles=titles, why=in_words(error.reason, units)), "open")]
    first, *more = set_sentences(found, units)
    return found, [replace(first, text=f"{titles}: {first.text}"), *more]


def _rest_words(story: Story, fitted: Recovery | None, units: Units) -> list[Sentence]:
    out = []
    read = [r for r in story.reflexes if math.isfinite(r.reflex.value)]
    if read and story.form_reflex_mm and story.form_reflex_mm > 0:
        kept = reflex_left_sentence(share_of_reflex_left(story.form_reflex_mm, read[-1].reflex))
        out.append(replace(kept, text=phrase("kept.last", kind=read[-1].kind, kept=kept.text)))
    if fitted is not None:
        out.append(recovery_sentence(fitted, units))
    checked = early_draw(story.pulls, [when for when, _ in story.scrapes])
    if checked is not None:
        out.append(early_draw_sentence(checked, units))
    return out


def _texts(sentences: Sequence[Sentence]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(s.text for s in sentences))


# --- pictures and figures


def _some(stages: Sequence[StageShown], most: int) -> list[StageShown]:
    """Stages with a picture: all with pins, and the others spread evenly, no more than ``most`` in all where pins allow."""
    shown = [s for s in stages if s.picture is not None]
    if len(shown) <= most:
        return shown
    kept = spread(len(shown), most)
    return [s for k, s in enumerate(shown) if k in kept or s.pins]


def _picture(s: StageShown, units: Units) -> PictureShown:
    assert s.picture is not None
    return PictureShown(s.title, f"{s.when:%Y-%m-%d}. {_headline(s, units)}", s.notes, s.picture, tuple(s.pins))


def _from_front(fronts: Sequence[StageShown], units: Units) -> ReportSection:
    """What the last front view says, with the limbs' widths."""
    title = "Seen from belly or back"
    if not fronts:
        return ReportSection(title)
    found = fronts[-1].measurement
    said = verdict(found, units)
    head, *rows = width_rows(found, units)
    table = _table(f"Width along the limbs, {fronts[-1].title}, {fronts[-1].when:%Y-%m-%d}", head, rows)
    return ReportSection(title, _texts([said.first, *said.more]), tables=(table,) if rows else ())


def _headline(s: StageShown, units: Units) -> str:
    """The value or two that matter most in the stage's state."""
    if not s.measured:
        return "unmeasured" if s.found is None else s.found.status.replace("_", " ")
    if s.from_front:
        return verdict(s.measurement, units).first.text
    wanted = {
        "unstrung": (("reflex", "reflex"),),
        "braced": (("brace_height_belly", "brace height"), ("tiller_at_fades", "tiller")),
        "drawn": (("draw_length_back", "drawn"), ("tiller_at_fades", "tiller")),
    }[s.state]
    values, weight_n = s.measurement.values, s.measurement.facts.draw_weight_n
    parts = [f"{word} {say(values[n], units)}" for n, word in wanted if n in values]
    if weight_n is not None:
        parts.append(f"scale {say_weight(weight_n, units)}")
    return "; ".join(parts)


def _rest_of(story: Story, stage: StageShown) -> StageShown | None:
    """The bow unstrung as it was with a strung picture: the last before it, else the first after it, with no heating between."""
    rest = [s for s in story.stages if s.measured and not s.from_front and s.state == "unstrung"]
    before, after = [s for s in rest if s.when <= stage.when], [s for s in rest if s.when > stage.when]
    for s in (*before[-1:], *after[:1]):
        if not any(min(s.when, stage.when) < t <= max(s.when, stage.when) for t in story.heated):
            return s
    return None


def _at_rest(story: Story, then: StageShown, now: StageShown) -> AtRest:
    earlier, later = (None if (s := _rest_of(story, p)) is None else s.measurement for p in (then, now))
    return AtRest(earlier, later, any(then.when < t <= now.when for t in story.heated))


def _shapes(story: Story, measured: Sequence[StageShown], rest: Sequence[StageShown], units: Units) -> tuple[Figure, ...]:
    if not measured:
        return ()
    last = {s.state: s for s in measured}
    chosen = list(dict.fromkeys([*rest[:1], *(last[k] for k in ("unstrung", "braced", "drawn") if k in last)]))[:MOST_PROFILES]
    out = []
    curves = [(f"{s.title}, {s.when:%Y-%m-%d}", read_picture(s.measurement)) for s in chosen]
    if any(_drawable(p) for _, p in curves):
        out.append(Figure("The bow's centreline, laid on the handle", figures.profile_figure(curves, units)))
    bent = last.get("drawn") or last.get("braced")
    if bent is not None:
        at_rest = _rest_of(story, bent)
        still = None if at_rest is None else read_picture(at_rest.measurement)
        against = " as they stand, natural bend included" if at_rest is None else f", from rest as in {at_rest.title}"
        svg = figures.bend_figure(read_picture(bent.measurement), units, still)
        out.append(Figure(f"Bend along the limbs{against}: {bent.title}", svg))
    return tuple(out)


def _drawable(p: Picture) -> bool:
    return all(bool((a.centre_mm == a.centre_mm).all()) for a in p.limbs.values())


def _rest_figures(
    story: Story, found: SetFound | None, after: Sequence[RestReading], fitted: Recovery | None, units: Units
) -> tuple[Figure, ...]:
    out = []
    if found is not None:
        out.append(Figure("Set map: where the wood gave", figures.set_figure(found, units)))
    if sum(math.isfinite(r.reflex.value) for r in story.reflexes) > 1:
        out.append(Figure("Reflex over time", figures.reflex_figure(story.reflexes, units)))
    if after:
        out.append(Figure("Recovery after the last unstringing", figures.recovery_figure(after, fitted, units)))
    return tuple(out)


def _weight_and_cast(story: Story, units: Units) -> ReportSection:
    """Readings and arrows; the weight at the longest draw that is asked for or was read, and its energy, as the page of weights
    tells them."""
    b = story.weighed
    told = [] if b is None or b.curve is None else force_words(b.curve, b.full_draw_mm, b.stacking, units)
    return ReportSection("Weight and cast", _texts(told), figures=_weight_figures(story, units), tables=_weights(story, units))


def _weight_figures(story: Story, units: Units) -> tuple[Figure, ...]:
    return (Figure("Weight over draw", figures.weight_figure(story.pulls, units)),) if story.pulls else ()


# --- tables


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    return Table(title, tuple(head), tuple(tuple(row) for row in rows))


def _gap_stages(strung: Sequence[StageShown]) -> list[StageShown]:
    """The last braced stage and the last drawn ones."""
    braced = [s for s in strung if s.state == "braced" and s.measurement.gaps][-1:]
    drawn = [s for s in strung if s.state == "drawn" and s.measurement.gaps][-(MOST_GAP_TABLES - 1) :]
    return braced + drawn


def _gap_table(s: StageShown, units: Units) -> Table:
    rows = []
    for g in s.measurement.gaps:
        two = say_two_limbs(g.upper, g.lower, g.difference, units)
        rows.append([say_place(g.from_handle_mm, units), two.upper, two.lower, two.difference, two.reach_difference])
    head = ["from the handle's centre", "upper", "lower", "upper - lower", "interval of that"]
    return _table(f"{s.title}, {s.when:%Y-%m-%d}", head, rows)


def _weights(story: Story, units: Units) -> tuple[Table, ...]:
    out = []
    if story.pulls:
        rows = [[f"{p.when:%Y-%m-%d}", say_length(p.draw_mm, units), say_weight(p.weight_n, units)] for p in story.pulls]
        out.append(_table("Weight", ["when", "draw to the back", "weight"], rows))
    if story.shots:
        out.append(_table("Cast", _cast_head(units), [_cast_row(s, units) for s in story.shots]))
    return tuple(out)


def _cast_head(units: Units) -> list[str]:
    share = "grams per kilogram" if units.weight == "kg" else "grains per pound"
    return ["when", "draw", "arrow", share, "speed", "arrow's energy"]


def _cast_row(s: ArrowShot, units: Units) -> list[str]:
    per, unit = (1.0, "J") if units.length == "cm" else (JOULE_PER_FOOT_POUND, "ft·lb")
    share = ""  # of the arrow's mass to the draw weight
    if s.weight_n:
        metric = units.weight == "kg"
        share = f"{1000 * s.arrow_kg * STANDARD_GRAVITY / s.weight_n if metric else grains_per_pound(s.arrow_kg, s.weight_n):.1f}"
    return [
        f"{s.when:%Y-%m-%d}",
        say_length(s.draw_mm, units),
        say_arrow(s.arrow_kg, units),
        share,
        say_speed(s.speed_m_s, units),
        f"{s.energy_j / per:.1f} {unit}",
    ]


def _done_table(done: Sequence[Done], units: Units) -> tuple[Table, ...]:
    rows = [[f"{d.when:%Y-%m-%d %H:%M}", event_in_words(d.details, units), d.notes] for d in done]
    return (_table("", ["when", "what", "notes"], rows),) if rows else ()


def _findings(story: Story) -> tuple[Table, ...]:
    rows = [[str(k), f"{f.when:%Y-%m-%d}", f.where, f.notes] for k, f in enumerate(story.findings, start=1)]
    return (_table("Findings", ["no.", "when", "where", "what was seen"], rows),) if rows else ()


def _span(stages: Sequence[StageShown]) -> str:
    if not stages:
        return "no stage yet"
    first, last = stages[0].when, stages[-1].when
    when = f"{first:%Y-%m-%d}" if first.date() == last.date() else f"{first:%Y-%m-%d} to {last:%Y-%m-%d}"
    return f"{len(stages)} stage{'' if len(stages) == 1 else 's'}, {when}"

"""A layout of the next bow in words and tables, the same for the terminal and the page."""

from __future__ import annotations

from dataclasses import dataclass

from tillerlens.core.errors import Reason
from tillerlens.core.units import MM_PER_INCH
from tillerlens.mechanics.find_wood import FoundWood
from tillerlens.mechanics.layout import Layout, LayoutWish, WhatIf, cautions_always
from tillerlens.report.words.mechanics import say_set, set_sentence
from tillerlens.report.words.phrases import phrase
from tillerlens.report.words.quantities import Units, in_words, say_length, say_weight
from tillerlens.report.words.verdict import Sentence, Tone

Rows = list[list[str]]


@dataclass(frozen=True)
class LayoutWords:
    """``first``: what is said first. ``sizes`` and ``what_ifs``: rows of cells, the headings first; empty for a bow that should
    not be cut. ``rest``: what it rests on and what to mind."""

    first: tuple[Sentence, ...]
    sizes: Rows
    what_ifs: Rows
    rest: tuple[Sentence, ...]


def layout_words(layout: Layout, wish: LayoutWish, wood: FoundWood, moisture: float | None, units: Units) -> LayoutWords:
    """``moisture``: the wood's, %, as given; None where the handbook's 12 is taken."""
    on = [Sentence("wood", x, "open") for x in [wood.strength(moisture).said] if x]
    on.append(Sentence("wood", _stiffness(wish, wood, moisture)))
    if layout.stopped is not None:
        return LayoutWords((_told(layout.stopped, "finding", units),), [], [], tuple(on))
    words = {"weight": say_weight(wish.weight, units), "draw": say_length(wish.draw_back, units), "wood": wood.species.name}
    words |= {"length": say_length(wish.length, units), "width": say_length(float(layout.width[0]), units)}
    first = Sentence("layout", phrase("layout", thick=say_length(float(layout.thickness[0]), units, 4), **words))
    most = f"{100 * layout.strain.max():.2f} %"
    said = phrase("layout.strain", strain=most, set=say_set(layout.set_expected, units))
    spread = phrase("layout.spread", low=say_weight(layout.weight_low, units), high=say_weight(layout.weight_high, units))
    rest = [_told(c, "finding", units) for c in layout.cautions] + on + [Sentence("spread", spread)]
    rest += [Sentence("stations", phrase("layout.stations", step=say_length(4 * MM_PER_INCH, units)))]
    rest += [_told(c, "plain", units) for c in cautions_always(wish)]
    opening = (first, set_sentence(layout.set_expected, said, units))
    return LayoutWords(opening, _sizes(layout, wish, units), _what_ifs(layout, wish, units), tuple(rest))


def _told(reason: Reason, tone: Tone, units: Units) -> Sentence:
    return Sentence(reason.code, in_words(reason, units), tone)


def _stiffness(wish: LayoutWish, wood: FoundWood, moisture: float | None) -> str:
    at = f"{moisture:g} % moisture" if moisture is not None else "12 % moisture, as in the handbook's table"
    words = {"modulus": f"{wish.modulus / 1000:.1f} GPa", "spread": f"±{100 * wish.spread:.0f} %", "source": wood.species.source}
    return phrase("layout.wood", moisture=at, **words)


def _sizes(layout: Layout, wish: LayoutWish, units: Units) -> Rows:
    crowned = wish.tree_diameter is not None
    rows = [["from the centre", "width", "rough out to", "may end at", *(["crown"] if crowned else []), "strain"]]
    last = len(layout.from_handle) - 1
    for i, at in enumerate(layout.from_handle):
        name = " (fade)" if i == 0 else " (nock)" if i == last else ""
        cells = [say_length(float(at), units) + name, say_length(float(layout.width[i]), units)]
        cells += [say_length(float(x[i]), units, 4) for x in (layout.rough, layout.thickness)]
        cells += [say_length(float(layout.crown[i]), units, 4)] if crowned else []
        rows.append([*cells, f"{100 * layout.strain[i]:.2f} %"])
    return rows


def _what_ifs(layout: Layout, wish: LayoutWish, units: Units) -> Rows:
    if not layout.what_ifs:
        return []
    # the weight if the thickness stays, then everything else if the thickness is changed to keep the weight
    rows = [["what if", "same thickness draws", f"thick for {say_weight(wish.weight, units)}", "strain then", "set then"]]
    for w in layout.what_ifs:
        cells = [_change(w, units), say_weight(w.weight_as_thick, units), say_length(w.thickness, units, 4)]
        rows.append([*cells, f"{100 * w.strain:.2f} %", say_set(w.set_expected, units).removesuffix(" of set")])
    return rows


def _change(w: WhatIf, units: Units) -> str:
    if w.wider:
        return f"{say_length(abs(w.wider), units)} {'wider' if w.wider > 0 else 'narrower'}"
    return f"{say_length(w.longer, units)} longer" if w.longer else "as laid out"

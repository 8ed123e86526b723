"""Layouts of usual, hard and foolish bows: strain, set to expect, and what is said of each.

Sizes come from makers' common practice or from a published figure, named beside each. Bows marked * were used to choose the range
in which a belly yields (``strain.YIELDS``); the others were not.

    .venv/bin/python tests/benchmarks/usual_bows.py
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tillerlens.core.units import MM_PER_INCH, NEWTON_PER_POUND
from tillerlens.mechanics.find_wood import find_wood
from tillerlens.mechanics.layout import Layout, LayoutError, lay_out, wish_of_wood
from tillerlens.mechanics.strain import strain_limit
from tillerlens.report.words.mechanics import say_set
from tillerlens.report.words.quantities import Units

PRACTICE = "common practice, no source"
NAGLER = "F. Nagler, Bow Design, part 2, in Archery: The Technical Side, 1947: yew, length to greatest thickness"
FLATBOW = f"{PRACTICE}: whitewoods about 2 in wide, length at least twice the draw and the handle"


@dataclass(frozen=True)
class Made:
    """Inches and pounds. ``width``: at the fades; None: by practice. ``thickest``: what a published figure allows."""

    wood: str
    length: float
    weight: float
    draw: float
    width: float | None
    source: str
    handle: float = 8.0
    tuned: bool = False
    tree: float | None = None
    thickest: float | None = None
    moisture: float | None = None

    def lay_out(self) -> Layout:
        inch = MM_PER_INCH
        return lay_out(
            replace(
                wish_of_wood(
                    find_wood(self.wood), self.length * inch, self.weight * NEWTON_PER_POUND, self.draw * inch,
                    moisture=self.moisture,
                ),
                handle=self.handle * inch, width=None if self.width is None else self.width * inch,
                tree_diameter=None if self.tree is None else self.tree * inch,
            )
        )  # fmt: skip


USUAL = [
    Made("mockernut hickory", 66, 50, 28, 2, f"{PRACTICE}: hickory 1 3/4 in and more", tuned=True),
    Made("white ash", 66, 45, 28, 2, FLATBOW, tuned=True),
    Made("sugar maple", 68, 45, 28, 1.75, FLATBOW, tuned=True),
    Made("red oak", 72, 40, 28, 2, f"{PRACTICE}: the red oak board bow", tuned=True),
    Made("shagbark hickory", 66, 50, 28, 1.75, f"{PRACTICE}: hickory 1 3/4 in"),
    Made("pignut hickory", 68, 55, 28, 1.75, f"{PRACTICE}: hickory 1 3/4 in"),
    Made("hickory", 64, 40, 27, 1.75, f"{PRACTICE}: hickory 1 3/4 in"),
    Made("bitternut", 68, 50, 28, 2, f"{PRACTICE}: hickory 1 3/4 in and more"),
    Made("pecan", 70, 45, 28, 2, FLATBOW),
    Made("osage", 64, 50, 28, 1.5, f"{PRACTICE}: osage about 1 1/2 in"),
    Made("osage orange", 62, 50, 27, 1.375, f"{PRACTICE}: osage about 1 1/2 in and less"),
    Made("Osage-orange", 66, 60, 28, 1.5, f"{PRACTICE}: osage about 1 1/2 in"),
    Made("yew", 72, 45, 28, 1.375, NAGLER, handle=6, thickest=0.90),
    Made("yew", 66, 45, 27, 1.5, NAGLER, handle=6, thickest=0.75),
    Made("black locust", 66, 50, 28, 1.75, f"{PRACTICE}: black locust between osage and whitewood"),
    Made("black locust", 68, 45, 28, 1.5, f"{PRACTICE}: black locust between osage and whitewood"),
    Made("American elm", 68, 45, 28, 2.25, FLATBOW),
    Made("rock elm", 66, 45, 28, 2, FLATBOW),
    Made("slippery elm", 68, 45, 28, 2, FLATBOW),
    Made("white oak", 70, 45, 28, 2, FLATBOW),
    Made("white ash", 70, 50, 28, 2, FLATBOW),
    Made("vine maple", 68, 45, 28, 2, FLATBOW),
    Made("hop hornbeam", 66, 45, 28, 1.75, FLATBOW),
    Made("black walnut", 70, 40, 28, 2, FLATBOW),
    Made("white oak", 72, 50, 28, 2, f"{PRACTICE}: 50 lb at 28 in is six feet between the nocks"),
    Made("shagbark hickory", 60, 35, 24, 1.5, f"{PRACTICE}: a youth's bow, hickory 1 1/2 in at least", handle=7),
]
HARD = [
    Made("shagbark hickory", 64, 60, 29, 1.375, PRACTICE, tuned=True),
    Made("red oak", 64, 50, 28, 1.75, PRACTICE),
    Made("white ash", 62, 50, 28, 1.75, PRACTICE),
]
FOOLISH = [
    Made("red oak", 48, 70, 30, 1, "too short, too narrow, too strong"),
    Made("red oak", 54, 60, 28, 1.25, "too short and narrow"),
    Made("sugar maple", 50, 50, 28, 1.5, "too short"),
    Made("white ash", 56, 70, 30, 1.5, "too strong for its length"),
    Made("American elm", 54, 60, 29, 1.5, "too short and strong"),
    Made("hickory", 48, 60, 28, 1.25, "too short and narrow"),
    Made("osage", 40, 60, 28, 1.25, "drawn to more than two thirds of its length"),
    Made("yew", 48, 60, 28, 1.25, "too short: Nagler gives 4 ft a thickness of .38 in"),
    Made("eastern redcedar", 54, 70, 28, 1.5, "too short and strong"),
    Made("black locust", 50, 70, 28, 1.25, "too short and strong"),
    Made("white oak", 60, 120, 30, 1.25, "far too strong for its width"),
    Made("black cherry", 54, 50, 28, 1.5, "too short"),
]


def row(bow: Made) -> tuple[str, str]:
    """The bow in words, and what is said of it."""
    inches = "by practice" if bow.width is None else f"{bow.width:g} in"
    name = f"{bow.wood} {bow.length:g} in, {bow.weight:g} lb @ {bow.draw:g} in, {inches}{' *' if bow.tuned else ''}"
    try:
        got = bow.lay_out()
    except LayoutError as error:
        return name, f"refused: {error}"
    limit = 100 * strain_limit(find_wood(bow.wood)).strain
    said = f"{100 * got.strain.max():.2f} of {limit:.2f} %  {say_set(got.set_expected, Units()):<26} {got.verdict:<8}"
    said += f" {got.thickness[0] / MM_PER_INCH:.2f} in thick  {got.string_angle_deg:.0f} deg"
    codes = ", ".join(c.code for c in got.cautions)
    return name, f"{said} {codes}" + (f"\n      {got.stopped.code}: {got.stopped.remedy}" if got.stopped else "")


def main() -> None:
    for title, bows in (("usual", USUAL), ("hard", HARD), ("foolish", FOOLISH)):
        print(f"\n{title}")
        for bow in bows:
            name, said = row(bow)
            print(f"  {name:<58} {said}   [{bow.source}]")


if __name__ == "__main__":
    main()

"""How to take a picture that can be measured, in drawings."""

from __future__ import annotations

import streamlit as st

from tillerlens.report.words.quantities import Units
from tillerlens.report.words.verdict import CARE_ALWAYS, CARE_UNDER_TENSION
from tillerlens.ui.context import PageContext, has_room, link
from tillerlens.ui.drawings import drawing
from tillerlens.ui.text import plain

Step = tuple[str, str, str, str]  # title, drawing, words, and the drawing in words

MARKS = "Put up marks"


def _steps(units: Units) -> tuple[Step, ...]:
    metric = units.length == "cm"
    return (
        (
            "Hang the bow",
            drawing("hanging"),
            "Lay the handle in the cradle, back up, and draw straight down. Nothing may cross the limbs: rope and tools to the "
            "side. For its shape at rest, take the string off and hang it in the same place.",
            "A bow with bent limbs on a cradle before a board with a tag at each corner, the string drawn down to a hook",
        ),
        (
            MARKS,
            drawing("marks"),
            "Four printed tags at the corners, flat on the board, are best; they may hang askew. A ruled grid or four dots at "
            "known distances work as well. Two marks or a tape give a length but can't square a crooked picture, so every "
            "number is less sure.",
            "Three boards with a bow before each: four tags at the corners, a ruled grid, four dots; below them a tape",
        ),
        (
            "Stand the phone",
            drawing("phone", far="3 to 4 m" if metric else "9 to 12 ft"),
            "Put it on a stand, upright and level, with the lens as high as the board's middle. Use the main lens, not the wide "
            "one. A timer or a remote keeps your hands, and you, out of the line.",
            "A phone on a stand seen from the side, its lens level with the middle of the board, "
            + ("three to four metres away" if metric else "nine to twelve feet away"),
        ),
        (
            "Look straight at it",
            drawing("square"),
            "Aim at the middle of the board. TillerLens squares a crooked picture where the marks allow it, but a straight one "
            "is surer.",
            "The board and the phone seen from above, the phone looking square at the middle, one off to the side crossed out",
        ),
        (
            "Measure the standoff",
            drawing("standoff", missed="5 cm at 2.5 m" if metric else "2 in at 9 ft"),
            "Measure from the marks to the middle of the limb's width, to "
            + ("a millimetre" if metric else "a sixteenth")
            + ". You give it once for each board.",
            "A limb seen from its end before the board, with the distance from its middle to the marks drawn in",
        ),
        (
            "Mind the light",
            drawing("light"),
            "Even light, no flash. A wall that differs from the wood. A hard shadow beside a limb is easily taken for its edge.",
            "A limb seen from its end: lit from the side its shadow falls clear of it, by a flash a dark rim clings to it",
        ),
        (
            "For string, tips and widths",
            drawing("face"),
            "Hang the bow upright with its belly to you, the string before it, and stand straight in front. After heat-treating, "
            "take it unstrung with a sheet of white paper beside it: the belly's colour is read against that.",
            "A braced bow from its belly: both edges of each limb, the string down its middle, a sheet of paper beside it",
        ),
    )


def show(place: PageContext) -> None:
    st.title("Taking pictures")
    st.subheader("The whole bow and its marks, seen squarely, in even light, from well back.", anchor=False)
    for number, (title, svg, words, alt) in enumerate(_steps(place.units), start=1):
        with st.container(border=True):
            text, picture = st.columns([2, 3], gap="medium", vertical_alignment="center")
            text.markdown(f"#### {number}. {title}\n\n{plain(words)}")
            picture.image(svg, width="stretch", alt=alt)
            if title == MARKS and has_room("boards"):
                with text:
                    link("boards", "Print tags, and describe your board")
    st.caption("Send the phone's own file. Messengers shrink pictures and strip what the camera wrote about its lens.")
    with st.container(border=True):
        for care in (*CARE_ALWAYS, *CARE_UNDER_TENSION):
            st.markdown(plain(care))

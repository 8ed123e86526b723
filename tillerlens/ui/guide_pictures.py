"""The drawings of the page on taking pictures, as SVG: ink on paper, readable on any ground."""

from __future__ import annotations

PAPER, INK, WOOD, CORD, RED = "#fdfbf5", "#2b2b2b", "#a9743a", "#4a4a4a", "#a3321f"
_TAG = "M0 0h26v26h-26zM6 6h6v6h-6zM14 14h6v6h-6zM14 6h6v4h-6z"


def _sheet(width: int, height: int, *parts: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'font-family="sans-serif" font-size="19" fill="{INK}">'
        f'<rect width="{width}" height="{height}" rx="6" fill="{PAPER}"/>{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, words: str, anchor: str = "middle", colour: str = INK) -> str:
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="{colour}">{words}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str = INK, width: float = 2, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="M{x1} {y1}L{x2} {y2}" stroke="{colour}" stroke-width="{width}" fill="none"{dashed}/>'


def _arrows(x1: float, y1: float, x2: float, y2: float) -> str:
    """A measure with a tick at both ends."""
    level = y1 == y2
    ticks = [(x1, y1), (x2, y2)]
    ends = "".join(_line(x, y - 7, x, y + 7) if level else _line(x - 7, y, x + 7, y) for x, y in ticks)
    return _line(x1, y1, x2, y2, width=1.5) + ends


def _tag(x: float, y: float) -> str:
    return f'<path d="{_TAG}" transform="translate({x} {y})" fill="{INK}" fill-rule="evenodd"/>'


def _bow(x: float, y: float, half: float, bend: float) -> str:
    limbs = f"M{x - half} {y + bend}Q{x - half * 0.45} {y - 4} {x} {y}Q{x + half * 0.45} {y - 4} {x + half} {y + bend}"
    grip = f'<rect x="{x - 26}" y="{y - 7}" width="52" height="17" rx="5" fill="{WOOD}"/>'
    return f'<path d="{limbs}" stroke="{WOOD}" stroke-width="9" stroke-linecap="round" fill="none"/>{grip}'


def hanging() -> str:
    """The bow on its cradle before the board, back up, tags at the corners, everything inside the picture."""
    return _sheet(
        640,
        400,
        f'<rect x="30" y="30" width="580" height="300" fill="#efe7d3" stroke="{INK}" stroke-width="1.5"/>',
        *(_tag(x, y) for x in (48, 566) for y in (44, 288)),
        f'<rect x="306" y="112" width="28" height="26" fill="{CORD}"/>',
        _bow(320, 104, 220, 92),
        _line(100, 196, 320, 292, CORD, 2.5),
        _line(540, 196, 320, 292, CORD, 2.5),
        _line(320, 292, 320, 328, CORD, 4),
        _text(320, 80, "back up"),
        _text(176, 308, "string to the hook"),
        _text(320, 366, "whole bow and all four tags in the picture"),
    )


def marks() -> str:
    """Three boards that square a picture, and below them a tape, which gives a length only."""
    boards = (30, 232, 434)
    grid = "".join(_line(232 + 22 * k, 60, 232 + 22 * k, 190, width=1) for k in range(1, 8))
    grid += "".join(_line(232, 60 + 22 * k, 408, 60 + 22 * k, width=1) for k in range(1, 6))
    dots = "".join(f'<circle cx="{x}" cy="{y}" r="6" fill="{INK}"/>' for x in (452, 592) for y in (78, 172))
    return _sheet(
        640,
        400,
        *(f'<rect x="{x}" y="60" width="176" height="130" fill="#efe7d3" stroke="{INK}" stroke-width="1.5"/>' for x in boards),
        *(_tag(x, y) for x in (38, 172) for y in (68, 156)),
        grid,
        dots,
        *(_bow(x + 88, 100, 62, 26) for x in boards),
        _arrows(452, 204, 592, 204) + _arrows(618, 78, 618, 172),
        *(_text(x + 88, 44, words) for x, words in zip(boards, ("four tags: best", "ruled grid", "four dots"), strict=True)),
        _text(522, 230, "distances taped", colour=RED),
        _text(118, 230, "printed at full size", colour=RED),
        _text(320, 230, "spacing known", colour=RED),
        f'<rect x="120" y="300" width="400" height="16" fill="#e8d27a" stroke="{INK}"/>',
        "".join(_line(120 + 20 * k, 300, 120 + 20 * k, 308 if k % 5 else 314, width=1) for k in range(1, 20)),
        _text(320, 286, "a tape along the bow gives a length"),
        _text(320, 350, "but can't square a crooked picture: every number is less sure", colour=RED),
    )


def light() -> str:
    """A limb seen from its end: lit from the side its shadow falls clear of it; a flash leaves a dark rim along its edge."""

    def scene(x: int, words: str) -> str:
        wall = f'<rect x="{x}" y="90" width="14" height="210" fill="#d9cba6" stroke="{INK}"/>'
        limb = f'<rect x="{x - 92}" y="190" width="70" height="14" rx="6" fill="{WOOD}"/>'
        return wall + limb + _text(x - 60, 350, words)

    return _sheet(
        640,
        400,
        scene(250, "light from the side"),
        '<circle cx="60" cy="60" r="20" fill="#f0c94a"/>',
        "".join(_line(74, 74, x, 190, RED, 1.2, "7 5") for x in (158, 228)),
        f'<rect x="244" y="238" width="8" height="42" fill="{INK}"/>',
        _text(232, 264, "shadow", "end") + _text(232, 284, "falls clear", "end"),
        scene(560, "flash beside the lens"),
        f'<rect x="350" y="180" width="18" height="44" rx="4" fill="{INK}"/><circle cx="359" cy="172" r="8" fill="#f0c94a"/>',
        "".join(_line(366, 172, 554, y, RED, 1.2, "7 5") for y in (168, 218)),
        f'<rect x="554" y="205" width="8" height="14" fill="{INK}"/>',
        _text(548, 250, "a dark rim", "end") + _text(548, 270, "beside the wood", "end"),
        _line(388, 60, 528, 100, RED, 4) + _line(528, 60, 388, 100, RED, 4),
    )


def face() -> str:
    """The bow from its belly with its string, and a sheet of paper."""
    side = "M{0},30 Q{1},120 {2},165 L{2},195 Q{1},240 {0},330"
    edges = [side.format(300 + k * 5, 300 + k * 30, 300 + k * 14) for k in (-1, 1)]
    parts = [f'<path d="{d}" fill="none" stroke="{WOOD}" stroke-width="5"/>' for d in edges]
    paper = f'<rect x="420" y="130" width="74" height="100" fill="#ffffff" stroke="{INK}"/>'
    return _sheet(
        600, 360, *parts, _line(301, 28, 299, 332, INK, 2), paper, _text(457, 252, "white paper"), _text(390, 60, "string")
    )


def phone(metric: bool = False) -> str:
    """From the side: the phone stands level, its lens at the height of the board's middle, well back."""
    return _sheet(
        640,
        400,
        _line(30, 340, 610, 340, width=3),
        f'<rect x="560" y="60" width="14" height="280" fill="#d9cba6" stroke="{INK}"/>',
        f'<ellipse cx="540" cy="170" rx="8" ry="14" fill="{WOOD}"/>',
        f'<rect x="70" y="150" width="20" height="74" rx="4" fill="{INK}"/>',
        _line(80, 224, 50, 340, width=3) + _line(80, 224, 112, 340, width=3) + _line(80, 224, 80, 340, width=3),
        _line(90, 187, 560, 187, RED, 1.5, "8 6"),
        _line(90, 187, 560, 62, INK, 1, "3 5") + _line(90, 187, 560, 338, INK, 1, "3 5"),
        _text(330, 212, "lens at the height of the board's middle", colour=RED),
        _arrows(80, 366, 560, 366),
        _text(320, 392, f"{'3 to 4 m' if metric else '9 to 12 ft'}; farther is better than a wide lens"),
        _text(80, 136, "upright, level"),
    )


def square() -> str:
    """From above: the phone looks straight at the board's middle, not from a corner."""
    return _sheet(
        640,
        400,
        f'<rect x="120" y="50" width="400" height="14" fill="#d9cba6" stroke="{INK}"/>',
        _line(140, 82, 500, 82, WOOD, 8),
        f'<rect x="295" y="320" width="50" height="13" rx="3" fill="{INK}"/>',
        _line(320, 320, 320, 64, RED, 1.5, "8 6"),
        _line(320, 320, 130, 64, width=1, dash="3 5") + _line(320, 320, 510, 64, width=1, dash="3 5"),
        f'<path d="M320 100h18v-18" fill="none" stroke="{RED}" stroke-width="2"/>',
        _text(332, 150, "square to it", "start", RED),
        _text(320, 364, "phone, seen from above"),
        _text(320, 36, "board"),
        '<g transform="translate(560 270) rotate(-38)"><rect x="-25" y="-6" width="50" height="13" rx="3" fill="#b5ac98"/></g>',
        _line(535, 245, 585, 295, RED, 3) + _line(585, 245, 535, 295, RED, 3),
        _text(560, 326, "not from the side"),
    )


def standoff(metric: bool = False) -> str:
    """Along the bow: the standoff runs from the board's marks to the middle of the limb's width."""
    return _sheet(
        640,
        400,
        f'<rect x="440" y="40" width="24" height="260" fill="#d9cba6" stroke="{INK}"/>',
        _line(440, 60, 440, 130, INK, 7),
        _text(478, 100, "marks", "start"),
        f'<rect x="230" y="180" width="120" height="20" rx="8" fill="{WOOD}"/>',
        _text(290, 228, "limb, seen from its end"),
        _line(290, 150, 290, 200, RED, 1.5, "5 4"),
        _arrows(290, 156, 440, 156),
        _text(365, 142, "standoff", colour=RED),
        _line(350, 190, 440, 190, CORD, 6),
        _text(395, 268, "cradle"),
        _line(395, 250, 395, 196, width=1),
        _text(300, 350, "from the marks to the middle of the limb's width"),
        _text(300, 376, f"miss {'5 cm at 2.5 m' if metric else '2 in at 9 ft'}, and every length is off by 2 %"),
    )


def hung_weight() -> str:
    """The bow on its tree with jugs on the string, a rope as a stop, and nobody under it or in line."""
    return _sheet(
        640,
        430,
        f'<rect x="306" y="30" width="28" height="84" fill="{CORD}"/>',
        _bow(320, 104, 220, 80),
        _line(100, 184, 320, 262, CORD, 2.5),
        _line(540, 184, 320, 262, CORD, 2.5),
        _line(320, 262, 320, 296, CORD, 4),
        *(f'<rect x="{x}" y="296" width="40" height="52" rx="8" fill="#cfe0ea" stroke="{INK}"/>' for x in (278, 322)),
        f'<path d="M334 60C470 70 440 250 340 284" stroke="{RED}" stroke-width="2.5" fill="none" stroke-dasharray="6 4"/>',
        _text(452, 96, "rope as a stop", "start", RED),
        _text(182, 330, "gallon jugs, plates"),
        _line(210, 398, 430, 398, RED, 2.5),
        _text(320, 388, "nobody here", colour=RED),
        _text(320, 424, "nor in line with the string"),
    )

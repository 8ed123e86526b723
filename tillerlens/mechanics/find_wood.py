"""The wood that a bowyer means, however it is written, and the wood whose figures stand in where the table lacks it.

A name that means several woods, a wood that the table lacks and a misspelt name are each said in one sentence; a wood that
nothing in the table comes near is asked about.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass

from tillerlens.mechanics.wood import Likely, Species, WoodError, likely_strength, species_table

STAVE_SPREAD = 0.2  # of one stave's stiffness about its kind's mean (common practice, no source)
KIN_SPREAD = 0.15  # added where another wood of its kind, or one as hard, stands in (common practice, no source)
ALIKE, SURELY_ALIKE = 0.82, 0.9  # difflib's ratio from which a misspelt name is read as a known one
LONGEST_NAME = 60

# Other names of the very same wood.
_NAMES = {
    "osage": "Osage-orange", "osage orange": "Osage-orange", "bodark": "Osage-orange", "bodarc": "Osage-orange",
    "bodock": "Osage-orange", "bois d arc": "Osage-orange", "hedge": "Osage-orange", "hedge apple": "Osage-orange",
    "horse apple": "Osage-orange", "shagbark": "shagbark hickory", "pignut": "pignut hickory", "mockernut": "mockernut hickory",
    "shellbark": "shellbark hickory", "bitternut": "bitternut hickory", "pecan hickory": "pecan", "white elm": "American elm",
    "red elm": "slippery elm", "cork elm": "rock elm", "hard maple": "sugar maple", "rock maple": "sugar maple",
    "honey locust": "honeylocust", "sweet gum": "sweetgum", "red gum": "sweetgum", "eastern red cedar": "eastern redcedar",
    "red cedar": "eastern redcedar", "redcedar": "eastern redcedar", "western yew": "Pacific yew",
    "big leaf maple": "bigleaf maple",
    "oregon maple": "bigleaf maple", "walnut": "black walnut", "cherry": "black cherry", "beech": "American beech",
}  # fmt: skip
# Names that mean several woods: the one whose figures are used, and all that the table has of them.
_BROAD: dict[str, tuple[str, tuple[str, ...]]] = {
    "hickory": ("shagbark hickory", ("mockernut hickory", "pignut hickory", "shagbark hickory", "shellbark hickory")),
    "red oak": ("northern red oak", ("northern red oak",)),
    "oak": ("northern red oak", ("northern red oak", "white oak")),
    "elm": ("American elm", ("American elm", "rock elm", "slippery elm")),
    "ash": ("white ash", ("white ash", "green ash", "Oregon ash")),
    "maple": ("sugar maple", ("sugar maple", "red maple", "bigleaf maple")),
    "soft maple": ("red maple", ("red maple", "bigleaf maple")),
    "locust": ("black locust", ("black locust", "honeylocust")),
    "dogwood": ("flowering dogwood", ("flowering dogwood",)),
    "yew": ("Pacific yew", ("Pacific yew",)),
    "birch": ("yellow birch", ("yellow birch",)),
    "cedar": ("eastern redcedar", ("eastern redcedar",)),
}
# Woods that the table lacks: kin, or a wood about as hard, whose figures stand in.
_ABSENT = {
    "hop hornbeam": "sugar maple", "hophornbeam": "sugar maple", "ironwood": "sugar maple", "hornbeam": "sugar maple",
    "musclewood": "sugar maple", "juniper": "eastern redcedar", "american persimmon": "persimmon",
}  # fmt: skip
_NOT_KIN = ("mountain ash", "prickly ash", "poison oak", "western red cedar", "white cedar", "incense cedar", "spanish cedar")
_FILLER = {"wood", "stave", "staves", "board", "boards", "lumber", "selfbow", "bow"}


@dataclass(frozen=True)
class FoundWood:
    """A wood of the table as it was asked for. ``said``: one sentence where the name was read otherwise than written or another
    wood stands in, else empty. ``spread``: relative standard uncertainty of one stave's stiffness about the figure."""

    asked: str
    species: Species
    said: str = ""
    spread: float = STAVE_SPREAD

    def strength(self, moisture: float | None = None) -> Likely:
        """Strength at a moisture (%; None: 12), its spread that of one stave with all that stands in."""
        found = likely_strength(self.species, moisture)
        said = " ".join(x for x in (self.said, found.said) if x)
        return Likely(found.strength, (self.spread**2 + found.spread**2) ** 0.5, said)


def find_wood(text: str) -> FoundWood:
    """The wood of the table that a bowyer's words mean. Raises WoodError, which asks, where none comes near."""
    asked = " ".join(text.split())
    if not asked or len(asked) > LONGEST_NAME:
        raise WoodError("No wood was named." if not asked else "That is not the name of a wood.", "Write it like red oak.")
    spellings, known = _spellings(asked), _known()
    if not any(name in _NOT_KIN for name in spellings):
        for name in spellings:
            if name in known or name in _ABSENT:
                return _meant(asked, name)
        # a misspelt name before its kin: 'suger maple' is sugar maple, 'vine maple' is a maple that is not in the list
        for alike, kin in ((SURELY_ALIKE, False), (1.0, True), (ALIKE, False)):
            for name in spellings:
                found = _meant(asked, name) if kin and _kin(name) else _misspelt(asked, name, [*known, *_ABSENT], alike)
                if found is not None:
                    return found
    names = ", ".join(sorted(species_table(), key=str.lower))
    raise WoodError(
        f"The wood '{asked}' is not in the list, and nothing there is near kin.",
        f"Name the wood it bends most like, one of: {names}.",
        given=asked,
    )


AS_ALIKE = 0.03  # of the share of letters in common: names that near to the best may be meant as well
SHORTEST_WOOD = 6  # letters, with "wood" in the end: what is left before it has to be a name


def _misspelt(asked: str, name: str, known: list[str], alike: float) -> FoundWood | None:
    near = difflib.get_close_matches(name, known, n=4, cutoff=alike)
    if not near:
        return None
    best = difflib.SequenceMatcher(None, name, near[0]).ratio()
    close = [n for n in near if difflib.SequenceMatcher(None, name, n).ratio() > best - AS_ALIKE]
    meant = {_meant(asked, n).species.name for n in close}
    if len(meant) > 1:
        raise WoodError(f"'{asked}' may be {' or '.join(sorted(meant))}.", "Write which one it is.", given=asked)
    found = _meant(asked, near[0])
    read_as = near[0] if near[0] in (*_BROAD, *_ABSENT) else found.species.name
    return FoundWood(asked, found.species, f"'{asked}' is read as {read_as}. {found.said}".strip(), found.spread)


def _known() -> dict[str, str]:
    return {_plain(n): n for n in species_table()} | _NAMES | {n: row[0] for n, row in _BROAD.items()}


def _meant(asked: str, name: str) -> FoundWood:
    table = species_table()
    if name in _BROAD:
        stands, members = _BROAD[name]
        values = [s.elasticity for m in members if (s := table[m].dry or table[m].green) is not None]
        apart = (max(values) - min(values)) / (2 * table[stands].dry.elasticity) if table[stands].dry else 0.0  # type: ignore[union-attr]
        said = f"{name.capitalize()} is the name of several woods; the figures are {stands}'s. Write which one it is if you know."
        return FoundWood(asked, table[stands], said, (STAVE_SPREAD**2 + apart**2) ** 0.5)
    known = _known()
    if name in known:
        return FoundWood(asked, table[known[name]])
    stands = _ABSENT.get(name) or _kin(name)
    said = f"{name[:1].upper()}{name[1:]} is not in the list; {stands}'s figures stand in, so its stiffness is less sure."
    return FoundWood(asked, table[stands], said, (STAVE_SPREAD**2 + KIN_SPREAD**2) ** 0.5)


def _kin(name: str) -> str:
    """The stand-in for ``<something> ash`` and the like, or empty."""
    words = name.split()
    return _BROAD[words[-1]][0] if len(words) > 1 and words[-1] in _BROAD else ""


def _plain(text: str) -> str:
    apart = text.replace("\u2019", " ")
    clean = unicodedata.normalize("NFKD", apart).encode("ascii", "ignore").decode().lower()
    return " ".join(re.sub(r"[^a-z]+", " ", clean).split())


def _spellings(text: str) -> list[str]:
    """The name in plain letters, without 'stave' or 'board' behind it, as written and as the singular of a plural."""
    words = _plain(text).split()
    while len(words) > 1 and words[-1] in _FILLER:
        words.pop()
    if not words:
        return []
    *first, last = words
    ends = [last]
    if last.endswith("ies"):
        ends.append(last[:-3] + "y")
    if last.endswith("es"):
        ends.append(last[:-2])
    if last.endswith("s") and not last.endswith("ss"):
        ends.append(last[:-1])
    if last.endswith("wood") and len(last) > SHORTEST_WOOD:
        ends.append(last[:-4])
    return [" ".join([*first, end]) for end in ends]

"""How hard a text is to read: Flesch-Kincaid grade, and the words of its sentences.

Grade = 0.39 words / sentences + 11.8 syllables / words - 15.59 (J. P. Kincaid et al., Derivation of New Readability Formulas for
Navy Enlisted Personnel, Research Branch Report 8-75, 1975; constants from memory).
"""

from __future__ import annotations

import re

_QUANTITY = re.compile(
    r"[+±−-]?\d+(?:[.,]\d+)?(?:[ -]\d+/\d+|/\d+)?\s*"
    r"(?:in\b|cm\b|mm\b|lb\b|kg\b|gr\b|ft·lb|ft/s|m/s|GPa|%|°|J\b|g\b)?"
)
_WORD = re.compile(r"[A-Za-z]+(?:['’-][A-Za-z]+)*")


def sentences(text: str) -> list[str]:
    """The sentences of a text, each number with its unit put into one word; a full stop within brackets ends none."""
    plain = re.sub(r"\((?:[^()]*)\)", lambda m: m.group(0).replace(".", ""), _QUANTITY.sub(" n ", text))
    parts = re.split(r"(?<=[.!?])\s+(?=[A-Z(n])", plain.strip())
    return [part for part in parts if _WORD.search(part)]


def words(sentence: str) -> list[str]:
    """The words of a sentence; a number with its unit is one, ``n``."""
    return _WORD.findall(sentence)


def syllables(word: str) -> int:
    """Syllables of an English word, by its groups of vowels; a silent e, and -ed after most letters, count for nothing."""
    total = 0
    for part in re.split(r"['’-]", word.lower()):
        groups = len(re.findall(r"[aeiouy]+", part))
        if re.search(r"[^aeiouylr]e$", part) and groups > 1 or re.search(r"[aeiouy][lr]e$", part) and groups > 1:
            groups -= 1
        if re.search(r"[^aeioutd]ed$", part) and groups > 1:
            groups -= 1
        if re.search(r"(?<![csxz])(?<!sh)(?<!ch)(?<!g)es$", part) and groups > 1:
            groups -= 1
        total += max(1, groups) if len(part) > 1 or not total else 0
    return total


def grade(text: str) -> float:
    """The Flesch-Kincaid grade of a text of one sentence or more."""
    said = sentences(text)
    spoken = [w for s in said for w in words(s)]
    return 0.39 * len(spoken) / len(said) + 11.8 * sum(map(syllables, spoken)) / len(spoken) - 15.59

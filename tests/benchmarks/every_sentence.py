"""List every sentence and label that a page, a command, a report or an error can show, with where it is made.

Usage: every_sentence.py [PART ...] [--faults] | --phrases | --said | --said-metric

PART: show only files whose path holds it. --faults: only what is too long or holds a banned word. Two sources are read: the
package's Python (every string constant and f-string that is not a docstring and reads like words, with {...} for what is
filled in) and its templates and schemas. --phrases: the verdicts' and the plan's sentences by their keys. --said: what these
say with real numbers, from made-up bows; --said-metric: the same in centimetres and kilograms.
"""

from __future__ import annotations

import argparse
import ast
import json
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "tillerlens"
MOST_WORDS = 25  # of a sentence
BANNED = re.compile(
    r"\b(safe(?:ly)?|foretold|foretells?|foresee\w*|nought|untold|whereof|thereof|wherein|hitherto|shall|"
    r"hand(?:s|ed|ing)? (?:\w+ ){0,3}over|reckon\w*|anew|for want of|foresaw|amiss|aslant|"
    r"put(?:s|ting)? (?:\w+ ){0,3}right|bears? out|borne out|per metre|wished|wish for|speaks? of|gone before|"
    r"cannot be told|can be told|is told|are told|was told|were told|not told|be told apart)\b",
    re.IGNORECASE,
)
"""Words that no bowyer says today, and one that no measurement may promise."""

_NO_WORDS = re.compile(r"^[\s\W\d_]*$")
_CODE = re.compile(
    r"[{};]\s*\n|^<|</|^\s*(?:SELECT|PRAGMA|CREATE|INSERT|DELETE|UPDATE|--)\b|\(\?"
    r"|\\[dsSw]|==|=>|^[a-z]+(?:[-_./][\w*-]+)+$|^M\d"
)
_DRAWN = re.compile(r"^[MQLhvz\d\s.{}…-]+$")


@dataclass(frozen=True)
class Text:
    """One piece of text: its words, with ``{...}`` where something is filled in, and the file and line that hold it."""

    words: str
    file: str
    line: int


@cache
def texts_in_source(package: Path = PACKAGE) -> list[Text]:
    """All text in the package's Python, templates and schemas that reads like words, in order of file and line."""
    found: list[Text] = []
    for path in sorted(package.rglob("*.py")):
        if "migrations" in path.parts:
            continue
        name = path.relative_to(package).as_posix()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found += [Text(words, name, line) for words, line in _of_tree(tree) if _reads_like_words(words)]
    for path in sorted([*package.rglob("*.typ"), *package.rglob("*.j2"), *package.rglob("*.svg"), *package.rglob("*.css")]):
        for k, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            for words in re.findall(r"\[([^\[\]#]{3,})\]|>([^<>]{3,})<|content: \"([^\"]{3,})\"", line):
                if _reads_like_words("".join(words)):
                    found.append(Text("".join(words).strip(), path.relative_to(package).as_posix(), k))
    for path in sorted(package.rglob("*.schema.json")):
        schema = json.loads(path.read_text(encoding="utf-8"))
        found += [Text(words, path.relative_to(package).as_posix(), 0) for words in _of_schema(schema)]
    return found


def sentences(words: str) -> list[str]:
    """The sentences of a text; a full stop within a number or a file's name ends none."""
    parts = re.split(r"(?<=[.!?:])\s+(?=[A-Z{'\"(*])|\n+", words.strip())
    return [p.strip() for p in parts if p.strip()]


def word_count(sentence: str) -> int:
    """Words of a sentence: what has a letter in it; a number with its unit is one."""
    return len([w for w in sentence.split() if re.search(r"[A-Za-z…]", w)])


def faults(words: str) -> list[str]:
    """What is wrong with a text: a sentence over ``MOST_WORDS`` words, or a banned word."""
    out = [f"{word_count(s)} words: {s}" for s in sentences(words) if word_count(s) > MOST_WORDS]
    return out + [f"'{m.group(0)}'" for m in BANNED.finditer(words)]


def _of_tree(tree: ast.AST) -> Iterator[tuple[str, int]]:
    skip: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            for child in node.body:  # docstrings, and strings below a constant that say what it is
                if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                    skip.add(id(child.value))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            owner = node.func.value
            if isinstance(owner, ast.Name) and owner.id in ("re", "log", "logger", "_log", "LOG"):
                skip |= {id(inner) for inner in ast.walk(node)}
        for annotation in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            if isinstance(annotation, ast.AST) and "help" not in ast.dump(annotation):
                skip |= {id(inner) for inner in ast.walk(annotation)}
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            skip |= {id(inner) for inner in ast.walk(node)}
        if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id == "Literal":
            skip |= {id(inner) for inner in ast.walk(node)}
        if isinstance(node, ast.JoinedStr):
            skip |= {id(value) for value in node.values if isinstance(value, ast.Constant)}
            skip |= {id(v.format_spec) for v in node.values if isinstance(v, ast.FormattedValue) and v.format_spec}
    for node in ast.walk(tree):
        if id(node) in skip:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value, node.lineno
        elif isinstance(node, ast.JoinedStr):
            parts = [v.value if isinstance(v, ast.Constant) else _hole(v) for v in node.values]
            yield "".join(str(p) for p in parts), node.lineno


def _hole(value: ast.expr) -> str:
    assert isinstance(value, ast.FormattedValue)
    name = ast.unparse(value.value)
    return "{" + (name if re.fullmatch(r"[\w.]{1,24}", name) else "…") + "}"


def _reads_like_words(words: str) -> bool:
    if _NO_WORDS.match(words) or _CODE.search(words) or _DRAWN.match(words):
        return False
    filled = re.sub(r"\{[^}]*\}", "", words)
    if " " in filled.strip():
        return bool(re.search(r"[A-Za-z]{2}", filled))
    return bool(re.fullmatch(r"[A-Z][a-z]{2,}[.:?]?", filled.strip()))


def _of_schema(node: object) -> Iterator[str]:
    if isinstance(node, dict):
        for key, value in node.items():
            if key in ("title", "description") and isinstance(value, str):
                yield value
            else:
                yield from _of_schema(value)
    elif isinstance(node, list):
        for value in node:
            yield from _of_schema(value)


def main() -> None:
    """Print the list."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", nargs="*", help="only files whose path holds it")
    parser.add_argument("--faults", action="store_true", help="only what is too long or holds a banned word")
    parser.add_argument("--phrases", action="store_true", help="the verdicts' and the plan's sentences by their keys")
    parser.add_argument("--said", action="store_true", help="the same with real numbers")
    parser.add_argument("--said-metric", action="store_true", help="the same in cm and kg")
    asked = parser.parse_args()
    if asked.phrases:
        _print_phrases()
        return
    if asked.said or asked.said_metric:
        _print_said(asked.said_metric)
        return
    for text in texts_in_source():
        if asked.part and not any(part in text.file for part in asked.part):
            continue
        wrong = faults(text.words)
        if asked.faults and not wrong:
            continue
        print(f"{text.file}:{text.line}: {text.words!r}" + "".join(f"\n      ! {fault}" for fault in wrong))


def _print_phrases() -> None:
    from tillerlens.report.words.phrases import PHRASES
    from tillerlens.report.words.plan import PATTERNS

    for key, words in [*PHRASES.items(), *((f"plan.{key}", words) for key, words in PATTERNS.items())]:
        print(f"{key}: {words}")


def _print_said(metric: bool) -> None:
    root = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(root)]
    from tests.support.spoken import everything
    from tillerlens.report.words.quantities import Units

    for topic, texts in everything(Units("cm", "kg") if metric else Units()).items():
        print(f"--- {topic}", *dict.fromkeys(texts), sep="\n")


if __name__ == "__main__":
    main()

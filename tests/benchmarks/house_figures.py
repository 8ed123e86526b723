"""Print the figures that tell how the code is kept: lines, rooms, the longest functions, untyped dictionaries, bare numbers.

python tests/benchmarks/house_figures.py [TREE]    # TREE: a checkout; none: this one
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

CORE = ("core", "photo", "trace", "shape", "measures", "mechanics", "front", "measure.py")
PLAIN = {0, 1, 2, 3, 4, 10, 100, 1000, -1, 0.5, 180, 360, 1e6}  # counts, halves, percent, thousands and millions need no name
TINY = 1e-6  # what is no larger keeps a division from zero or a comparison from rounding, and decides nothing measured
ROUNDS = {"round", "_number", "_list", "_value", "as_dict", "linspace"}  # their last number: decimal places, how many points


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    yield from (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))


def parameters(f: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    a = f.args
    return len([p for p in (*a.posonlyargs, *a.args, *a.kwonlyargs) if p.arg not in ("self", "cls")])


def bare_numbers(tree: ast.AST) -> Iterator[ast.Constant]:
    """Numbers inside functions that want a name.

    Left out are plain ones, indices, defaults and constants in capitals (those have a name); what only guards a division or a
    comparison (``TINY``); decimal places and how many points are drawn (``ROUNDS``); the slack that keeps an ``arange``'s end.
    """
    for f in functions(tree):
        skip: set[int] = set()
        for node in ast.walk(f):
            if isinstance(node, ast.Subscript):
                skip |= {id(n) for n in ast.walk(node.slice)}
            elif isinstance(node, ast.Call) and len(node.args) > 1:
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                if called in ROUNDS:
                    skip.add(id(node.args[-1]))
                elif called == "arange" and isinstance(stop := node.args[1], ast.BinOp) and isinstance(stop.op, ast.Add):
                    skip.add(id(stop.right))
            elif isinstance(node, ast.arguments):
                skip |= {id(n) for d in (*node.defaults, *node.kw_defaults) if d is not None for n in ast.walk(d)}
        for statement in f.body:
            for node in ast.walk(statement):
                number = isinstance(node, ast.Constant) and type(node.value) in (int, float) and id(node) not in skip
                if number and node.value not in PLAIN and node.value > TINY:
                    yield node


def main(root: Path) -> None:
    package = root / "tillerlens"
    lengths, wide, bare, untyped, as_read, lines = [], [], 0, 0, 0, 0
    for path in sorted(package.rglob("*.py")):
        text, name = path.read_text(encoding="utf-8"), path.relative_to(package).as_posix()
        tree = ast.parse(text)
        lines += len(text.splitlines())
        untyped += text.count("dict[str, Any]")
        as_read += sum("import" not in line and bool(re.search(r"\bJsonObject\b", line)) for line in text.splitlines())
        for f in functions(tree):
            lengths.append(((f.end_lineno or f.lineno) - f.lineno + 1, f"{name} {f.name}", name.startswith(CORE)))
            wide.append((parameters(f), f"{name} {f.name}", name.startswith(CORE)))
        if name.startswith(CORE):
            bare += len({(n.lineno, n.col_offset) for n in bare_numbers(tree)})
    loose = sorted(p.name for p in package.glob("*.py") if p.name not in ("__init__.py", "__main__.py"))
    rooms = sorted(p.name for p in package.iterdir() if (p / "__init__.py").is_file())
    print(f"lines: {lines}")
    print(f"rooms: {len(rooms)} ({', '.join(rooms)})")
    print(f"modules loose at the root: {len(loose)} ({', '.join(loose)})")
    print(f"dict[str, Any]: {untyped}; lines with its name for JSON as it is read, JsonObject: {as_read}")
    print(f"bare numbers in the core: {bare}")
    for what, found, most in (("lines", lengths, 60), ("parameters", wide, 7)):
        core = sorted((f for f in found if f[2]), reverse=True)
        over = sum(f[0] > most for f in core)
        print(f"most {what} of a function: {max(found)[0]} ({max(found)[1]}); in the core {core[0][0]} ({core[0][1]})")
        print(f"    in the core over {most}: {over}; the longest ten: {', '.join(f'{n} {where}' for n, where, _ in core[:10])}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[2])

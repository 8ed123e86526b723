"""Print the figures that tell how the code is kept: lines, rooms, the longest functions, untyped dictionaries, bare numbers.

python tests/benchmarks/house_figures.py [TREE]    # TREE: a checkout; none: this one
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

CORE = ("core", "photo", "trace", "shape", "measures", "mechanics", "front", "measure.py")
PLAIN = {0, 1, 2, 3, 4, 10, 100, 1000, -1, 0.5, 180, 360}  # counts, halves, percent and thousands need no name


def functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    yield from (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))


def parameters(f: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    a = f.args
    return len([p for p in (*a.posonlyargs, *a.args, *a.kwonlyargs) if p.arg not in ("self", "cls")])


def bare_numbers(tree: ast.AST) -> Iterator[ast.Constant]:
    """Numbers inside functions that are neither plain nor an index, a default or a name's own value in capitals."""
    for f in functions(tree):
        skip: set[int] = set()
        for node in ast.walk(f):
            if isinstance(node, ast.Subscript):
                skip |= {id(n) for n in ast.walk(node.slice)}
            elif isinstance(node, ast.arguments):
                skip |= {id(n) for d in (*node.defaults, *node.kw_defaults) if d is not None for n in ast.walk(d)}
        for statement in f.body:
            for node in ast.walk(statement):
                number = isinstance(node, ast.Constant) and type(node.value) in (int, float) and id(node) not in skip
                if number and node.value not in PLAIN:
                    yield node


def main(root: Path) -> None:
    package = root / "tillerlens"
    lengths, wide, bare, untyped, lines = [], [], 0, 0, 0
    for path in sorted(package.rglob("*.py")):
        text, name = path.read_text(encoding="utf-8"), path.relative_to(package).as_posix()
        tree = ast.parse(text)
        lines += len(text.splitlines())
        untyped += text.count("dict[str, Any]")
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
    print(f"dict[str, Any]: {untyped}")
    print(f"bare numbers in the core: {bare}")
    for what, found, most in (("lines", lengths, 60), ("parameters", wide, 7)):
        core = sorted((f for f in found if f[2]), reverse=True)
        over = sum(f[0] > most for f in core)
        print(f"most {what} of a function: {max(found)[0]} ({max(found)[1]}); in the core {core[0][0]} ({core[0][1]})")
        print(f"    in the core over {most}: {over}; the longest ten: {', '.join(f'{n} {where}' for n, where, _ in core[:10])}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[2])

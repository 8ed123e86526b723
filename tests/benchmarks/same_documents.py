"""Do two versions of the program measure the same? Write the documents of pictures with each, then compare the two folders.

    python tests/benchmarks/same_documents.py write OUT [FOLDER ...]    # FOLDER: pictures with shot files; none: samples/
    python tests/benchmarks/same_documents.py compare BEFORE AFTER      # exit status 1 where they differ

Numbers may differ by 1e-6 of their size (of a thousandth below that): what another order of sums makes of them. The program's
version is left out.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from tillerlens.core.shot_file import read_shot  # noqa: E402
from tillerlens.measure import measure_photo  # noqa: E402
from tillerlens.photo.intake import read_photo  # noqa: E402

RELATIVE, LEAST = 1e-6, 1e-9  # the second: 1e-6 of a thousandth of a millimetre, degree or newton
LEFT_OUT = {"made_by"}
ENDINGS = (".shot.json", ".given.json")


def pictures(folder: Path) -> Iterator[tuple[Path, Path]]:
    """Every picture below the folder that has a shot file beside it."""
    for photo in sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png", ".heic", ".webp")):
        shot = next((s for end in ENDINGS if (s := photo.with_suffix(end)).is_file()), None)
        if shot is not None:
            yield photo, shot


def write(out: Path, folders: list[Path]) -> int:
    out.mkdir(parents=True, exist_ok=True)
    count = 0
    for folder in folders:
        for photo, shot in pictures(folder):
            picture = read_photo(photo)
            document = measure_photo(picture, read_shot(shot, picture.name, (picture.width, picture.height))).as_document()
            name = "-".join(photo.relative_to(folder.parent).with_suffix(".json").parts)
            (out / name).write_text(json.dumps(document, indent=1, sort_keys=True), encoding="utf-8")
            count += 1
    print(f"{count} documents in {out}")
    return 0


def differences(a: Any, b: Any, at: str = "") -> Iterator[str]:
    """Where two documents differ, each as a line."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in sorted(a.keys() | b.keys()):
            if key in LEFT_OUT:
                continue
            if key not in a or key not in b:
                yield f"{at}/{key}: only {'before' if key in a else 'after'}"
            else:
                yield from differences(a[key], b[key], f"{at}/{key}")
    elif isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            yield f"{at}: {len(a)} entries before, {len(b)} after"
        for k, (one, other) in enumerate(zip(a, b, strict=False)):
            yield from differences(one, other, f"{at}/{k}")
    elif isinstance(a, float | int) and isinstance(b, float | int) and not isinstance(a, bool) and not isinstance(b, bool):
        if not math.isclose(a, b, rel_tol=RELATIVE, abs_tol=LEAST):
            yield f"{at}: {a!r} before, {b!r} after"
    elif a != b:
        yield f"{at}: {a!r} before, {b!r} after"


def compare(before: Path, after: Path) -> int:
    names = sorted({p.name for p in before.glob("*.json")} | {p.name for p in after.glob("*.json")})
    other = 0
    for name in names:
        if not ((before / name).is_file() and (after / name).is_file()):
            found = ["only in one of the folders"]
        else:
            found = list(differences(*(json.loads((folder / name).read_text(encoding="utf-8")) for folder in (before, after))))
        if found:
            other += 1
            print(f"{name}: {len(found)} differences")
            print(*(f"    {line}" for line in found[:5]), sep="\n")
    print(f"{len(names)} documents, {other} differ")
    return 1 if other or not names else 0


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["write", out, *folders]:
            sys.exit(write(Path(out), [Path(f) for f in folders] or [ROOT / "samples"]))
        case ["compare", before, after]:
            sys.exit(compare(Path(before), Path(after)))
        case _:
            sys.exit(__doc__)

"""Weights between two networks of the same shape: what one has learnt and the other has not forgotten.

    python -m training.blend A.onnx B.onnx 0.25 OUT.onnx

takes a quarter of B's way from A, weight by weight (M. Wortsman et al., Robust fine-tuning of zero-shot models, CVPR 2022; cited
from memory). It serves where B went on from A.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import numpy_helper


def blend(a: Path, b: Path, share: float, out: Path) -> None:
    """Write (1 - share) A + share B. Raises ValueError where the two differ in shape.

    Weights are paired by the node that uses them, not by name: where several are alike (blocks still idle), the exporter
    stores them once.
    """
    first, second = onnx.load(a), onnx.load(b)
    nodes = zip(*([n for n in g.graph.node if n.op_type == "Conv"] for g in (first, second)), strict=True)
    ours, theirs = (_weights(g.graph) for g in (first, second))
    mixed: dict[str, onnx.TensorProto] = {}
    for mine, other in nodes:
        for place, (name, key) in enumerate(zip(mine.input[1:], other.input[1:], strict=True), 1):
            if ours[name].shape != theirs[key].shape:
                raise ValueError(f"{b}: {key} is {theirs[key].shape}, in {a} {ours[name].shape}")
            between = ((1 - share) * ours[name] + share * theirs[key]).astype(np.float32)
            mixed[f"{other.name}.{place}"] = numpy_helper.from_array(between, f"{other.name}.{place}")
            other.input[place] = f"{other.name}.{place}"
    used = {name for node in second.graph.node for name in node.input}
    kept = [t for t in second.graph.initializer if t.name in used]
    del second.graph.initializer[:]
    second.graph.initializer.extend([*kept, *mixed.values()])
    onnx.save(second, out)


def _weights(graph: onnx.GraphProto) -> dict[str, NDArray[np.float32]]:
    """Every stored tensor by its name, and by the names of its copies."""
    stored = {t.name: numpy_helper.to_array(t) for t in graph.initializer}
    copies = {n.output[0]: n.input[0] for n in graph.node if n.op_type == "Identity"}
    return stored | {copy: stored[name] for copy, name in copies.items() if name in stored}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("a", type=Path)
    parser.add_argument("b", type=Path)
    parser.add_argument("share", type=float)
    parser.add_argument("out", type=Path)
    given = parser.parse_args()
    blend(given.a, given.b, given.share, given.out)


if __name__ == "__main__":
    main()

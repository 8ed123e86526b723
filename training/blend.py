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
from onnx import numpy_helper


def blend(a: Path, b: Path, share: float, out: Path) -> None:
    """Write (1 - share) A + share B. Raises ValueError where the two differ in shape."""
    first, second = onnx.load(a), onnx.load(b)
    other = {t.name: numpy_helper.to_array(t) for t in second.graph.initializer}
    for tensor in first.graph.initializer:
        mine = numpy_helper.to_array(tensor)
        if tensor.name not in other or other[tensor.name].shape != mine.shape:
            raise ValueError(f"{b} has no {tensor.name} of shape {mine.shape}")
        if mine.dtype == np.float32:
            between = ((1 - share) * mine + share * other[tensor.name]).astype(np.float32)
            tensor.CopyFrom(numpy_helper.from_array(between, tensor.name))
    onnx.save(first, out)


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

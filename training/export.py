"""Write a trained network as ONNX, batch norm folded into the convolutions, free picture size.

python -m training.export finder weights.pt finder.onnx
"""

from __future__ import annotations

import argparse
from pathlib import Path

import torch
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from training import models


def fold(module: nn.Module) -> None:
    """Fold every batch norm that follows a convolution in a Sequential, in place."""
    for child in module.children():
        fold(child)
    if isinstance(module, nn.Sequential):
        layers = list(module)
        for k in range(len(layers) - 1):
            conv, norm = layers[k], layers[k + 1]
            if isinstance(conv, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                module[k] = fuse_conv_bn_eval(conv, norm)
                module[k + 1] = nn.Identity()


def export(net: nn.Module, path: Path, size: tuple[int, int]) -> None:
    """net: on the CPU. size: (height, width) of the example input; other sizes are allowed afterwards."""
    net = net.eval()
    fold(net)
    example = torch.zeros(1, 3, *size)
    torch.onnx.export(
        net, (example,), str(path), input_names=["picture"], output_names=["maps"], opset_version=13,
        dynamic_axes={"picture": {2: "h", 3: "w"}, "maps": {2: "h", 3: "w"}}, dynamo=False,
    )  # fmt: skip


EXAMPLE = {"finder": (768, 1024), "silhouette": (64, 512)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("net", choices=sorted(EXAMPLE))
    parser.add_argument("weights", type=Path)
    parser.add_argument("onnx", type=Path)
    parser.add_argument("--deeper", action="store_true", help="the finder with more blocks on its coarse levels")
    a = parser.parse_args()
    net = models.finder(deeper=True) if a.deeper else getattr(models, a.net)()
    net.load_state_dict(torch.load(a.weights, map_location="cpu"))
    export(net, a.onnx, EXAMPLE[a.net])


if __name__ == "__main__":
    main()

"""Earlier weights to go on from, read back from the ONNX files they were shipped as."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from training import models


def load(net: nn.Module, path: Path) -> None:
    """Copy an exported network's weights into a fresh `net`.

    The file holds every batch norm folded into its convolution. Here each norm gets the folded shift and stands aside
    (variance 1, mean 0): in eval mode the network gives the file's own maps. Before training, `settle` must give the norms
    the statistics of real samples. Blocks that the file lacks stay idle.
    """
    graph = onnx.load(path).graph
    stored = {t.name: torch.from_numpy(numpy_helper.to_array(t).copy()) for t in graph.initializer}
    convolutions = [node for node in graph.node if node.op_type == "Conv"]
    ours = in_order(net)
    if len(ours) > len(convolutions):
        idle = {m for block in net.modules() if isinstance(block, models.Wide) and block.idle for m in block.modules()}
        ours = [pair for pair in ours if pair[0] not in idle]
    if len(ours) != len(convolutions):
        raise ValueError(f"{path} has {len(convolutions)} convolutions, the network {len(ours)}")
    for (conv, norm), node in zip(ours, convolutions, strict=True):
        weight, bias = stored[node.input[1]], stored[node.input[2]]
        with torch.no_grad():
            if conv.weight.shape != weight.shape:
                raise ValueError(f"{path}: a convolution of {tuple(weight.shape)}, the network's has {tuple(conv.weight.shape)}")
            conv.weight.copy_(weight)
            if norm is None:
                conv.bias.copy_(bias)  # type: ignore[union-attr]
            else:
                norm.weight.fill_(1.0)
                norm.bias.copy_(bias)
                norm.running_mean.zero_()  # type: ignore[union-attr]
                norm.running_var.fill_(1.0 - norm.eps)  # type: ignore[union-attr]


def in_order(net: nn.Module) -> list[tuple[nn.Conv2d, nn.BatchNorm2d | None]]:
    """The convolutions as they are run, each with its batch norm."""
    ran: list[nn.Module] = []
    hooks = [
        m.register_forward_hook(lambda module, _in, _out: ran.append(module))
        for m in net.modules()
        if isinstance(m, nn.Conv2d | nn.BatchNorm2d)
    ]
    training = net.training
    with torch.no_grad():
        net.eval()(torch.zeros(1, 3, 64, 64, device=next(net.parameters()).device))
    net.train(training)
    for hook in hooks:
        hook.remove()
    out: list[tuple[nn.Conv2d, nn.BatchNorm2d | None]] = []
    for k, module in enumerate(ran):
        if isinstance(module, nn.Conv2d):
            following = ran[k + 1] if k + 1 < len(ran) else None
            out.append((module, following if isinstance(following, nn.BatchNorm2d) else None))
    return out


@torch.no_grad()
def settle(net: nn.Module, samples: Iterable[Tensor]) -> None:
    """Give every batch norm the mean and spread of what reaches it, and the scale and shift that leave its output as it was.

    samples: batches (n, 3, h, w), 0-255.
    """
    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    sums: dict[nn.Module, list[Tensor]] = {m: [] for m in norms}

    def look(module: nn.Module, given: tuple[Tensor, ...]) -> None:
        x = given[0].float()
        sums[module].append(torch.stack([x.mean((0, 2, 3)), (x * x).mean((0, 2, 3))]))

    hooks = [m.register_forward_pre_hook(look) for m in norms]
    net.eval()
    for x in samples:
        net(x)
    for hook in hooks:
        hook.remove()
    for norm in norms:
        mean, square = torch.stack(sums[norm]).mean(0)
        var = (square - mean * mean).clamp(min=1e-4)
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)  # type: ignore[operator]
        shift = norm.bias - norm.running_mean * gain  # type: ignore[operator]
        norm.weight.copy_(gain * torch.sqrt(var + norm.eps))
        norm.bias.copy_(shift + mean * gain)
        norm.running_mean.copy_(mean)  # type: ignore[union-attr]
        norm.running_var.copy_(var)  # type: ignore[union-attr]
    net.train()

"""The two small networks (PyTorch). Only plain convolutions, ReLU, nearest upsampling and concatenation, so that OpenCV's dnn
module runs them at any picture size."""

from __future__ import annotations

import torch
from torch import Tensor, nn


class Block(nn.Sequential):
    """Convolution, batch norm, ReLU."""

    def __init__(self, cin: int, cout: int, k: int = 3, stride: int = 1) -> None:
        super().__init__(nn.Conv2d(cin, cout, k, stride, k // 2, bias=False), nn.BatchNorm2d(cout), nn.ReLU(inplace=True))


class Wide(nn.Module):
    """Residual depthwise 5x5 + pointwise block: cheap sight over a wide field.

    idle: passes its input on unchanged until it is trained, so that a network goes on from weights that lack the block.
    """

    def __init__(self, c: int, k: int = 5, idle: bool = False) -> None:
        super().__init__()
        self.idle = idle
        self.body = nn.Sequential(
            nn.Conv2d(c, c, k, 1, k // 2, groups=c, bias=False), nn.BatchNorm2d(c), nn.ReLU(inplace=True),
            nn.Conv2d(c, c, 1, bias=False), nn.BatchNorm2d(c),
        )  # fmt: skip
        if idle:
            nn.init.zeros_(self.body[4].weight)  # type: ignore[arg-type]

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.body(x))


class UNet(nn.Module):
    """Encoder-decoder with one skip per level; `wide` adds residual wide blocks at each level, `later` more that begin idle.

    Input (B, 3, H, W), 0-255. Output (B, classes, H / stem, W / stem): probabilities (`logits` for training).
    """

    def __init__(
        self, channels: list[int], wide: list[int], classes: int = 3, stem_stride: int = 2, later: list[int] | None = None
    ) -> None:
        super().__init__()
        later = later or [0] * len(channels)
        self.stem = Block(3, channels[0], 5, stem_stride)
        self.first = nn.Sequential(*[Wide(channels[0]) for _ in range(wide[0])])
        self.down = nn.ModuleList()
        for k in range(1, len(channels)):
            layers: list[nn.Module] = [Block(channels[k - 1], channels[k], 3, 2)]
            if k <= 3:
                layers.append(Block(channels[k], channels[k]))
            layers += [Wide(channels[k]) for _ in range(wide[k])]
            layers += [Wide(channels[k], idle=True) for _ in range(later[k])]
            self.down.append(nn.Sequential(*layers))
        self.up = nn.ModuleList()
        self.narrow = nn.ModuleList()
        for k in range(len(channels) - 1, 0, -1):
            self.narrow.append(Block(channels[k], channels[k - 1], 1))
            self.up.append(Block(2 * channels[k - 1], channels[k - 1]))
        self.head = nn.Conv2d(channels[0], classes, 3, 1, 1)

    def logits(self, x: Tensor) -> Tensor:
        x = self.first(self.stem(x * (1 / 64.0) - 2.0))
        skips = [x]
        for stage in self.down:
            x = stage(x)
            skips.append(x)
        skips.pop()
        for narrow, merge in zip(self.narrow, self.up, strict=True):
            x = nn.functional.interpolate(narrow(x), scale_factor=2.0, mode="nearest")
            x = merge(torch.cat([x, skips.pop()], 1))
        return self.head(x)

    def forward(self, x: Tensor) -> Tensor:
        return torch.sigmoid(self.logits(x))


def finder(deeper: bool = False) -> UNet:
    """Whole picture, stride 2: limb, string, cast shadow. Sizes in multiples of 64.

    deeper: more blocks on the coarse levels, where they cost little. Which of many long things is the bow shows only from afar:
    its string, both tips, the taper.
    """
    later = [0, 0, 1, 3, 6, 10] if deeper else None
    return UNet([24, 32, 48, 64, 72, 80], [1, 1, 2, 2, 3, 4], stem_stride=2, later=later)


def silhouette() -> UNet:
    """Straightened strip (64 high), full resolution: inside the silhouette, string, cast shadow. Sizes in
    multiples of 32.
    """
    return UNet([20, 32, 48, 64, 64, 64], [1, 1, 1, 2, 2, 2], stem_stride=1)

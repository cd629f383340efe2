"""The joint refiner as the product has it: an ONNX file, its normalisation folded into the weights.

    python bench/render/exported.py refiner.pt joint_refiner.onnx [--before OTHER.pt --share 0.75]

With `--before`, the weights lie `--share` of the way from those that the training began with to
those that it ended with: on pictures unlike the training's such a mean errs less than either
(Wortsman et al. 2022, Robust fine-tuning of zero-shot models, from memory; here: bench/README.md).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from refine import CROP, Refiner
from torch import nn


def begin_with(model: Refiner, file: Path) -> None:
    """Take an exported network's weights; its normalisations become plain shifts of each channel.

    Raises
    ------
    ValueError : the file is of another network.
    """
    graph = onnx.load(file).graph
    values = {part.name: numpy_helper.to_array(part) for part in graph.initializer}
    exported = [node for node in graph.node if node.op_type == "Conv"]
    modules = list(model.modules())
    own = [
        (part, after if isinstance(after, nn.BatchNorm2d) else None)
        for part, after in zip(modules, [*modules[1:], None], strict=True)
        if isinstance(part, nn.Conv2d)
    ]
    if len(own) != len(exported):
        raise ValueError(f"{file} has {len(exported)} convolutions, this network {len(own)}")
    with torch.no_grad():
        for node, (conv, norm) in zip(exported, own, strict=True):
            weight, shift = (torch.tensor(values[name]) for name in node.input[1:3])
            if weight.shape != conv.weight.shape:
                raise ValueError(f"{file}: {node.name} is {tuple(weight.shape)}")
            conv.weight.copy_(weight)
            if norm is None:
                conv.bias.copy_(shift)
                continue
            norm.running_mean.zero_()
            norm.running_var.fill_(1.0 - norm.eps)
            norm.weight.fill_(1.0)
            norm.bias.copy_(shift)


def part_way(model: Refiner, begun: dict[str, torch.Tensor], share: float) -> None:
    """Take the weights `share` of the way from `begun` to the model's own."""
    with torch.no_grad():
        for name, value in model.state_dict().items():
            if value.dtype.is_floating_point:
                value.copy_(torch.lerp(begun[name], value, share))


def export(model: Refiner, file: Path) -> None:
    """Write the network as `lessonmark.tracks.refiner` reads it: one crop at a time."""
    model.eval()
    torch.onnx.export(
        model.cpu(),
        (torch.zeros(1, 3, CROP, CROP),),
        str(file),
        input_names=["crop"],
        output_names=["maps"],
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("weights", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--before", type=Path, help="what the training began with")
    parser.add_argument("--share", type=float, default=0.75, help="of the way from there")
    args = parser.parse_args()
    stored = torch.load(args.weights, map_location="cpu")
    network = Refiner(len(stored["joints"]))
    network.load_state_dict(stored["model"])
    if args.before is not None:
        begun = torch.load(args.before, map_location="cpu")["model"]
        part_way(network, begun, args.share)
    export(network, args.out)

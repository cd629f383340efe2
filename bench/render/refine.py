"""Train the joint refiner: from a crop about the player to the joints' centres, with their errors.

    python bench/render/refine.py --crops crops --out refiner.pt --limit-s 400

The crops of `crops.py`. A small convolutional network gives a map per joint; the joint is the mean
of the map's softmax (integral regression: Sun et al. 2018, ECCV, from memory) and its standard
error a second map's mean under the same weights; a third and a fourth give how much farther from
the camera than the hips it lies, and that one's error. No body of the held-out eighth is trained
on; the errors that the product states come from these bodies.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

CROP = 256  # px, 4 body sizes across
KEPT = 288  # px of the rendered crops, the same scale
UNIT_PX = 64.0  # px a body size
CELLS = 32
HELD_OUT = 8
NORMAL = (0.5, 0.25)
WAKE_WITH = 512  # crops


def step(inputs: int, outputs: int, stride: int, kernel: int = 5) -> nn.Sequential:
    """Depthwise, then pointwise."""
    return nn.Sequential(
        nn.Conv2d(inputs, inputs, kernel, stride, kernel // 2, groups=inputs, bias=False),
        nn.BatchNorm2d(inputs),
        nn.ReLU(),
        nn.Conv2d(inputs, outputs, 1, bias=False),
        nn.BatchNorm2d(outputs),
    )


class Again(nn.Module):
    """A step around which the input also goes."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.step = step(channels, channels, 1)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.step(x))


class Refiner(nn.Module):
    """(still, 3, 256, 256) to (still, 4 joints, 32, 32): place, log error, depth, its own."""

    def __init__(self, joints: int) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(3, 16, 3, 2, 1, bias=False),
            nn.BatchNorm2d(16),
            nn.ReLU(),
            nn.Conv2d(16, 32, 3, 2, 1, bias=False),
            nn.BatchNorm2d(32),
            nn.ReLU(),
            Again(32),
        )
        self.eighth = nn.Sequential(step(32, 64, 2), nn.ReLU(), *(Again(64) for _ in range(3)))
        self.sixteenth = nn.Sequential(step(64, 128, 2), nn.ReLU(), *(Again(128) for _ in range(5)))
        self.rest = nn.Sequential(step(128, 192, 2), nn.ReLU(), *(Again(192) for _ in range(6)))
        self.rest_up = nn.Sequential(nn.Conv2d(192, 128, 1, bias=False), nn.BatchNorm2d(128))
        self.middle = nn.Sequential(nn.ReLU(), *(Again(128) for _ in range(2)))
        self.middle_up = nn.Sequential(nn.Conv2d(128, 64, 1, bias=False), nn.BatchNorm2d(64))
        self.top = nn.Sequential(nn.ReLU(), *(Again(64) for _ in range(3)))
        self.maps = nn.Conv2d(64, 4 * joints, 1)

    def forward(self, x: Tensor) -> Tensor:
        eighth = self.eighth(self.stem(x))
        sixteenth = self.sixteenth(eighth)
        low = F.interpolate(self.rest_up(self.rest(sixteenth)), scale_factor=2.0, mode="nearest")
        middle = self.middle(sixteenth + low)
        up = F.interpolate(self.middle_up(middle), scale_factor=2.0, mode="nearest")
        return self.maps(self.top(eighth + up))


@dataclass(frozen=True, kw_only=True)
class Read:
    """What the maps say of each joint (still, joint, ...)."""

    place: Tensor  # (..., 2) crop px
    log_se: Tensor  # body sizes
    deep: Tensor  # body sizes farther than the hips
    deep_log_se: Tensor


def read_maps(maps: Tensor) -> Read:
    count, four = maps.shape[:2]
    flat = maps.float().reshape(count, 4, four // 4, CELLS * CELLS)
    weight = flat[:, 0].softmax(-1)
    cells = (torch.arange(CELLS, device=maps.device) + 0.5) * (CROP / CELLS)
    grid = torch.stack([cells.repeat(CELLS), cells.repeat_interleave(CELLS)], 1)
    log_se, deep, deep_log_se = ((weight * flat[:, k]).sum(-1) for k in (1, 2, 3))
    return Read(
        place=weight @ grid,
        log_se=log_se.clamp(-6, 1),
        deep=deep,
        deep_log_se=deep_log_se.clamp(-6, 1),
    )


def worn(picture: Tensor, joints: Tensor, deep: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Crop anew, as an uncertain tracker would, and wear the picture as cameras do."""
    n, device = len(picture), picture.device

    def draw(low: float, high: float, *shape: int) -> Tensor:
        return torch.empty(n, *shape, device=device).uniform_(low, high)

    scale, turn = draw(0.86, 1.16), draw(-5.0, 5.0) * (math.pi / 180)
    shift = draw(-0.075, 0.075, 2) * CROP
    # Output px q from the crop's middle shows kept px p: p = R q / scale + shift.
    cos, sin = torch.cos(turn) / scale, torch.sin(turn) / scale
    matrix = torch.stack([torch.stack([cos, -sin], 1), torch.stack([sin, cos], 1)], 1)
    theta = torch.cat([matrix * (CROP / KEPT), (shift / (KEPT / 2))[..., None]], 2)
    grid = F.affine_grid(theta, [n, 3, CROP, CROP], align_corners=False)
    out = F.grid_sample(
        picture, grid, mode="bilinear", padding_mode="reflection", align_corners=False
    )
    back = torch.linalg.inv(matrix)
    joints = torch.einsum("nij,nkj->nki", back, joints - KEPT / 2 - shift[:, None]) + CROP / 2
    # Colours: one mixing matrix, gain, gamma.
    mix = torch.eye(3, device=device) + draw(-0.12, 0.12, 3, 3)
    grey = (draw(0, 1) < 0.15).float()[:, None, None]
    mix = (1 - grey) * mix + grey / 3
    out = torch.einsum("nij,njhw->nihw", mix, out)
    out = (out * draw(0.7, 1.35, 1, 1, 1) + draw(-0.12, 0.12, 1, 1, 1)).clamp(0, 1)
    out = out ** draw(0.7, 1.5, 1, 1, 1)
    # Softness of a small or coarse picture.
    share = int(n * 0.3)
    small = F.interpolate(
        out[:share], scale_factor=float(np.random.uniform(0.45, 0.9)), mode="area"
    )
    out[:share] = F.interpolate(small, size=(CROP, CROP), mode="bilinear", align_corners=False)
    out = out + draw(0.0, 0.04, 1, 1, 1) * torch.randn_like(out)
    # Something in front: a bag, a stick, a net's edge.
    for _ in range(2):
        x, y = draw(0, CROP), draw(0, CROP)
        w, h = draw(4, 44), draw(4, 70)
        at = torch.arange(CROP, device=device)
        inside = ((at - x[:, None]).abs() < w[:, None] / 2)[:, None, None, :] & (
            (at - y[:, None]).abs() < h[:, None] / 2
        )[:, None, :, None]
        inside = inside & (draw(0, 1) < 0.2)[:, None, None, None]
        out = torch.where(inside, draw(0, 1, 3, 1, 1), out)
    return out, joints, deep * scale[:, None]


def bones_of(names: list[str]) -> list[tuple[int, int]]:
    """Pairs of joints whose line is what measures read: sides across, limbs along."""
    pairs = [(f"left_{part}", f"right_{part}") for part in ("shoulder", "hip", "eye", "ear")]
    for side in ("left", "right"):
        chain = [f"{side}_{part}" for part in ("shoulder", "elbow", "wrist")]
        pairs += [(chain[0], chain[1]), (chain[1], chain[2]), (chain[0], chain[2])]
        leg = [f"{side}_{part}" for part in ("shoulder", "hip", "knee", "ankle")]
        pairs += list(itertools.pairwise(leg))
    return [(names.index(a), names.index(b)) for a, b in pairs]


def loss_of(
    maps: Tensor, joints: Tensor, deep: Tensor, sharp: float, bones: list[tuple[int, int]]
) -> Tensor:
    read = read_maps(maps)
    inside = ((joints > 2) & (joints < CROP - 2)).all(-1).float()
    off = (read.place - joints) / UNIT_PX
    gap = (off**2).sum(-1)
    plain = torch.sqrt(gap + 1e-4)
    # Student's with 4 degrees of freedom, in two dimensions and in one.
    likely = 2 * read.log_se + 3 * torch.log1p(gap / (2 * torch.exp(2 * read.log_se)))
    far = read.deep - deep / UNIT_PX
    plain_far = torch.sqrt(far**2 + 1e-4)
    scaled = far**2 / (4 * torch.exp(2 * read.deep_log_se))
    likely_far = read.deep_log_se + 2.5 * torch.log1p(scaled)
    each = 10 * plain + 4 * plain_far + sharp * (likely + 0.5 * likely_far)
    a, b = (torch.tensor(ends, device=joints.device) for ends in zip(*bones, strict=True))
    lines = torch.sqrt(((off[:, a] - off[:, b]) ** 2).sum(-1) + 1e-4)
    lines = lines + 0.5 * torch.sqrt((far[:, a] - far[:, b]) ** 2 + 1e-4)
    both = inside[:, a] * inside[:, b]
    return (each * inside).sum() / inside.sum() + 5 * (lines * both).sum() / both.sum()


def standard(picture: Tensor) -> Tensor:
    return (picture - NORMAL[0]) / NORMAL[1]


@torch.no_grad()
def held_out(model: nn.Module, pictures: Tensor, rows: Tensor) -> Read:
    edge = (KEPT - CROP) // 2
    reads = []
    for part in rows.split(256):
        x = pictures[part].permute(0, 3, 1, 2).float()[:, :, edge : edge + CROP, edge : edge + CROP]
        reads.append(read_maps(model(standard(x / 255))))
    return Read(
        place=torch.cat([r.place + edge for r in reads]),
        log_se=torch.cat([r.log_se for r in reads]),
        deep=torch.cat([r.deep for r in reads]),
        deep_log_se=torch.cat([r.deep_log_se for r in reads]),
    )


class Crops:
    """The crops on the device; more may come while training goes on."""

    def __init__(self, folder: Path, device: str) -> None:
        self._folder, self._device = folder, device
        self._shown = np.load(folder / "pictures.npy", mmap_mode="r")
        self.pictures = torch.empty(self._shown.shape, dtype=torch.uint8, device=device)
        self._taken = np.zeros(len(self._shown), bool)
        self._stamp = 0.0
        self.take_up()

    def take_up(self) -> None:
        """Take the crops that were finished since the last time."""
        file = self._folder / "truth.npz"
        stamp = file.stat().st_mtime
        if stamp == self._stamp:
            return
        self._stamp = stamp
        with np.load(file) as truth:
            rows = {key: truth[key] for key in truth.files}
        self.names = [str(n) for n in rows["joint_names"]]
        number = rows["number"]
        new = np.sort(number[~self._taken[number]])
        for part in np.array_split(new, max(1, len(new) // 500)):
            shown = torch.from_numpy(np.ascontiguousarray(self._shown[part]))
            self.pictures[torch.from_numpy(part).to(self._device)] = shown.to(self._device)
        self._taken[new] = True
        count = len(self._shown)
        self.px, self.deep = (
            torch.zeros((count, *rows[key].shape[1:]), device=self._device)
            for key in ("px", "deep")
        )
        for key in ("px", "deep"):
            getattr(self, key)[torch.from_numpy(number).to(self._device)] = torch.tensor(
                rows[key], dtype=torch.float32, device=self._device
            )
        self.known = {}
        for key in ("body", "view", "pair", "phase"):
            self.known[key] = np.empty(count, rows[key].dtype)
            self.known[key][number] = rows[key]
        other = rows["body"] % HELD_OUT == 0
        self.test, self.train = (
            torch.tensor(number[part], device=self._device) for part in (other, ~other)
        )
        print(f"{len(self.train)} crops to train on, {len(self.test)} held out", flush=True)


def warmed(model: Refiner, file: Path, device: str) -> None:
    """Begin with another training's weights; maps that it had not stay as they are."""
    before = torch.load(file, map_location=device)["model"]
    own = model.state_dict()
    with torch.no_grad():
        for name, value in before.items():
            if value.dim():
                own[name][: len(value)] = value
            else:
                own[name].copy_(value)


def hold(model: Refiner) -> None:
    """Keep the normalisation and the first layers as they are: a short training, on few crops."""
    for part in model.modules():
        if isinstance(part, nn.BatchNorm2d):
            part.eval()
    for part in (model.stem, model.eighth):
        part.requires_grad_(False)


@torch.no_grad()
def wake(model: Refiner, pictures: Tensor) -> None:
    """Measure anew what exporting folded away: each channel's own mean and spread.

    The network's answers stay; its normalisations normalise again, so that every layer may learn.
    """
    modules = list(model.modules())
    pairs = [
        (conv, norm)
        for conv, norm in itertools.pairwise(modules)
        if isinstance(conv, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d)
    ]
    said: dict[nn.Module, tuple[Tensor, Tensor]] = {}

    def listen(norm: nn.Module, inputs: tuple[Tensor], _: Tensor) -> None:
        said[norm] = (inputs[0].mean((0, 2, 3)), inputs[0].std((0, 2, 3)).clamp_min(1e-4))

    hooks = [norm.register_forward_hook(listen) for _, norm in pairs]
    model.eval()
    edge = (KEPT - CROP) // 2
    x = pictures.permute(0, 3, 1, 2).float()[:, :, edge : edge + CROP, edge : edge + CROP]
    model(standard(x / 255))
    model.train()
    for hook in hooks:
        hook.remove()
    for conv, norm in pairs:
        mean, spread = said[norm]
        conv.weight /= spread[:, None, None, None]
        norm.running_mean.copy_(mean / spread)
        norm.running_var.fill_(1.0 - norm.eps)
        norm.weight.copy_(spread)
        norm.bias += mean


def main(args: argparse.Namespace) -> None:
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(args.seed)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    crops = Crops(args.crops, device)
    names, bones = crops.names, bones_of(crops.names)
    model = Refiner(len(names)).to(device).to(memory_format=torch.channels_last)
    steps = 0
    if args.warm is not None:
        warmed(model, args.warm, device)
    kept = {k: v.detach().clone() for k, v in model.state_dict().items()}
    if args.exported is not None:
        from exported import begin_with

        begin_with(model, args.exported)
        if args.every_layer:
            wake(model, crops.pictures[crops.train[torch.randperm(len(crops.train))[:WAKE_WITH]]])
        else:
            hold(model)
        kept = {k: v.detach().clone() for k, v in model.state_dict().items()}
    trained = [part for part in model.parameters() if part.requires_grad]
    optimiser = torch.optim.AdamW(trained, lr=1e-3, weight_decay=1e-4)
    if args.start is not None:
        before = torch.load(args.start, map_location=device)
        model.load_state_dict(before["latest"])
        optimiser.load_state_dict(before["optimiser"])
        kept, steps = before["model"], before["steps"]
    print(f"{sum(p.numel() for p in model.parameters())} weights")
    began, shown_at, looked_at = time.monotonic(), 0.0, 0.0
    first, last = args.share
    while (done := (time.monotonic() - began) / args.limit_s) < 1.0:
        share = first + (last - first) * done
        rate = args.rate * min(1.0, (steps + 1) / 500) * 0.5 * (1 + math.cos(math.pi * share))
        for group in optimiser.param_groups:
            group["lr"] = max(rate, 1e-6)
        if time.monotonic() - looked_at > 15:
            crops.take_up()
            looked_at = time.monotonic()
        rows = crops.train[torch.randint(len(crops.train), (args.batch,), device=device)]
        shown = crops.pictures[rows].permute(0, 3, 1, 2).float() / 255
        x, joints, deep = worn(shown, crops.px[rows], crops.deep[rows])
        x = standard(x).to(memory_format=torch.channels_last)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            maps = model(x)
        sharp = min(1.0, max(0.0, (share - 0.05) * 10))
        loss = loss_of(maps, joints, deep, sharp if args.exported is None else 1.0, bones)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(trained, 5.0)
        optimiser.step()
        steps += 1
        decay = min(0.999, steps / (steps + 50))
        with torch.no_grad():
            for name, value in model.state_dict().items():
                if value.dtype.is_floating_point:
                    kept[name].lerp_(value, 1 - decay)
                else:
                    kept[name].copy_(value)
        if done - shown_at > 0.1:
            shown_at = done
            print(f"{share:.0%} step {steps} loss {loss.item():.3f}", flush=True)
    latest = {k: v.detach().clone() for k, v in model.state_dict().items()}
    model.load_state_dict(kept)
    model.eval()
    test = crops.test
    read = held_out(model, crops.pictures, test)
    left = ((read.place - crops.px[test]) / UNIT_PX).cpu().numpy()
    far = (read.deep - crops.deep[test] / UNIT_PX).cpu().numpy()
    log_se, deep_log_se = read.log_se.cpu().numpy(), read.deep_log_se.cpu().numpy()
    known = {key: values[test.cpu().numpy()] for key, values in crops.known.items()}
    torch.save(
        {
            "model": model.state_dict(),
            "latest": latest,
            "optimiser": optimiser.state_dict(),
            "steps": steps,
            "joints": names,
        },
        args.out,
    )
    np.savez_compressed(
        args.out.with_suffix(".npz"),
        left=left.astype(np.float16),
        log_se=log_se.astype(np.float16),
        far=far.astype(np.float16),
        deep_log_se=deep_log_se.astype(np.float16),
        joint_names=np.array(names),
        **known,
    )
    for v in ("face-on", "down-the-line"):
        part = known["view"] == v
        size = np.linalg.norm(left[part], axis=2)
        for j, name in enumerate(names):
            print(
                f"{v} {name}: rms {np.sqrt(np.minimum(size[:, j] ** 2, 0.09).mean()):.4f} "
                f"median {np.median(size[:, j]):.4f} said "
                f"{np.sqrt(np.exp(2 * log_se[part][:, j]).mean()):.4f}; deep rms "
                f"{np.sqrt(np.minimum(far[part][:, j] ** 2, 0.25).mean()):.4f} said "
                f"{np.sqrt(np.exp(2 * deep_log_se[part][:, j]).mean()):.4f}"
            )
        for line in ("shoulder", "hip"):
            gap = [far[part][:, names.index(f"{side}_{line}")] for side in ("left", "right")]
            print(f"{v} {line}s, depth between: rms {np.sqrt(((gap[0] - gap[1]) ** 2).mean()):.4f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--crops", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--limit-s", type=float, default=400.0)
    parser.add_argument("--warm", type=Path, help="begin with these weights, a new training")
    parser.add_argument(
        "--exported", type=Path, help="begin with the product's own file, its first layers held"
    )
    parser.add_argument("--every-layer", action="store_true", help="with --exported: hold none")
    parser.add_argument("--start", type=Path, help="go on from these weights")
    parser.add_argument(
        "--share", type=float, nargs=2, default=(0.0, 1.0), help="this part of the whole training"
    )
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--batch", type=int, default=192)
    parser.add_argument("--rate", type=float, default=2e-3)
    main(parser.parse_args())

"""Train the network that tells depths of a raised arm.

``python -m vision.training.train_arm_depth train FOLDER WEIGHTS NET.pt`` for each of several networks, with another
``--kept`` digit each; then ``... join OUT.onnx NET.pt NET.pt``.  WEIGHTS are the encoder's published ones, or a network
of an earlier run to go on from.

FOLDER is what `vision.training.figures.make` wrote, 256 px a straight arm.  Seeds that end in the kept digit are not
learned from; the figures printed, and kept beside the weights, are those on them.

The stance is learned by cross entropy; the depths by the likelihood of a normal distribution for each stance, in the
coordinates of `vision.arm.priors` (steps along the chain, over their usual deviations).
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

from vision.arm.depth import HAND, WIDE, Framing
from vision.arm.priors import CHAIN, JOINTS, STANCES
from vision.training import degrade, figure_pictures
from vision.training.figure_pictures import Pictures, Record, coarser
from vision.training.fitting import narrow
from vision.training.network import Encoder

STEPS = len(JOINTS)
TRIANGLE = STEPS * (STEPS + 1) // 2
POSE = ("yaw", "flex", "forward", "head")
"""Angles of trunk, elbow, arm and head that are learned beside the depths, in units of ten degrees; trunk and head are
turned positively where they look towards the arm."""
DISPLACED = {"shoulder": 0.03, "elbow": 0.027, "wrist": 0.02, "palm": 0.011}
"""Standard deviation of a landmark's displacement in training, over the straight arm."""
FORWARD_DEG, BENT_DEG = 15.0, 20.0
"""From here on an arm that does not touch the wall counts as reaching."""
OUTLYING = 6.0
"""Depths further than this many usual deviations from usual (bent arms against the wall) are left out."""


class ArmDepth(nn.Module):
    """Two pictures and four slopes in; stance scores, depths with their precision, and pose angles out."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder = Encoder()
        self.narrow = nn.ModuleList([nn.Sequential(nn.Conv2d(112, 96, 1), nn.ReLU()) for _ in range(2)])
        self.placed = nn.ModuleList([nn.Sequential(nn.Conv2d(112, 16, 1), nn.ReLU()) for _ in range(2)])
        cells = sum((f.width_px // 16) * (f.height_px // 16) for f in (WIDE, HAND))
        self.slopes = nn.Sequential(nn.Linear(4, 32), nn.ReLU())
        self.mix = nn.Sequential(
            nn.Dropout(0.3),
            nn.Linear(4 * 96 + 16 * cells + 32, 192),
            nn.ReLU(),
            nn.Dropout(0.2),
            nn.Linear(192, 96),
            nn.ReLU(),
        )
        self.stance = nn.Linear(96, len(STANCES))
        self.depth = nn.Linear(96, len(STANCES) * (STEPS + TRIANGLE))
        self.pose = nn.Linear(96, 2 * len(POSE))
        for head in (self.depth, self.pose):
            nn.init.normal_(head.weight, std=0.01)
            nn.init.zeros_(head.bias)

    def forward(self, wide: Tensor, hand: Tensor, slopes: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Scores (B, 3), depths (B, 3, 5 + 15) and pose (B, 4, 2) from pictures of 0..255 and slopes (B, 4)."""
        parts = [self.slopes(slopes)]
        for number, picture in enumerate((wide, hand)):
            maps = self.encoder((picture - 127.0) / 128.0)[3]
            near = self.narrow[number](maps)
            parts += [near.mean((2, 3)), near.amax((2, 3)), self.placed[number](maps).flatten(1)]
        mixed = self.mix(torch.cat(parts, 1))
        return (
            self.stance(mixed),
            self.depth(mixed).view(-1, len(STANCES), STEPS + TRIANGLE),
            self.pose(mixed).view(-1, len(POSE), 2),
        )


class Scenes(NamedTuple):
    """All pictures and what is true of them, on one device."""

    pictures: Pictures
    px: Tensor  # (N, 4, 2) shoulder, elbow, wrist, palm
    slopes: Tensor  # (N, 4, 2) of the same points: along the wall and up, over the distance from it
    per_mm: Tensor  # (N, 4) slope of one millimetre there
    steps: Tensor  # (N, 3, 5) depths in each stance's coordinates
    stance: Tensor  # (N,)
    pose: Tensor  # (N, 4)
    arm_mm: Tensor  # (N,)
    seed: Tensor  # (N,)


def read(folder: Path, device: torch.device) -> Scenes:
    """Read all pictures but those of backs."""
    unchain = np.linalg.inv(CHAIN)
    points = tuple(DISPLACED)

    def true_of(truth: dict[str, Any]) -> tuple[Any, ...]:
        at, eye = np.array([truth["pts_mm"][p] for p in points]), np.array(truth["camera_mm"])
        away = eye[2] - at[:, 2]
        depth = unchain @ np.array([truth["pts_mm"][j][2] for j in JOINTS]) / truth["a_mm"]
        steps = np.stack([(depth - s.step) / s.step_deviation for s in STANCES])
        towards = 1 if truth["side"] == "L" else -1
        reaching = truth["forward"] >= FORWARD_DEG or truth["flex"] >= BENT_DEG
        return (
            np.array([truth["px"][p] for p in points]),
            (at - eye)[:, :2] / away[:, None],
            1 / away,
            steps,
            0 if truth["wall"] else 2 if reaching else 1,
            np.array(
                [towards * truth["yaw"], truth["flex"], truth["forward"], towards * (truth["yaw"] + truth["head"])]
            )
            / 10,
            truth["a_mm"],
            truth["seed"],
        )

    pictures = figure_pictures.read(folder, device, lambda truth: not truth["behind"])
    columns = [torch.from_numpy(np.stack(column)) for column in zip(*map(true_of, pictures.truths), strict=True)]
    kinds = [*[torch.float32] * 4, torch.long, torch.float32, torch.float32, torch.long]
    return Scenes(pictures, *[c.to(device, kind) for c, kind in zip(columns, kinds, strict=True)])


def batch(scenes: Scenes, index: Tensor, disturbed: bool) -> tuple[Tensor, Tensor, Tensor]:
    """Both pictures (B, 3, H, W) of 0..255 and the slopes (B, 4), as landmarks that are a little wrong give them."""
    dev = index.device
    n = len(index)
    pictures = scenes.pictures.of(index, disturbed)
    noise = torch.randn(n, 4, 2, device=dev) * torch.tensor(list(DISPLACED.values()), device=dev)[:, None]
    straight = scenes.px[index].diff(dim=1).norm(dim=-1).sum(1)
    px = scenes.px[index] + noise * straight.view(-1, 1, 1)
    moved_mm = noise * torch.tensor([1.0, -1.0], device=dev) * scenes.arm_mm[index].view(-1, 1, 1)
    slopes = scenes.slopes[index] + moved_mm * scenes.per_mm[index][..., None]
    outward = torch.sign(px[:, 3, 0] - px[:, 0, 0])
    ends = slopes[:, [0, 3]] * torch.stack([outward, torch.ones_like(outward)], -1)[:, None]
    wide, hand = (framed(pictures, px, f, disturbed) for f in (WIDE, HAND))
    if disturbed:
        wide, hand = (light_and_camera(coarser(p)) for p in (wide, hand))
    return wide * 255, hand * 255, ends.flatten(1)


def framed(pictures: Tensor, px: Tensor, framing: Framing, disturbed: bool) -> Tensor:
    """Cut and turn as `vision.arm.depth.arm_picture` does; `px` (B, 4, 2)."""
    dev, n = px.device, len(px)
    shoulder, elbow, wrist, palm = px.unbind(1)
    straight = px.diff(dim=1).norm(dim=-1).sum(1)
    back = shoulder if framing is WIDE else elbow
    centre = shoulder + 0.30 * (palm - shoulder) if framing is WIDE else 0.5 * (wrist + palm)
    right = F.normalize(palm - back, dim=-1)
    down = torch.stack([-right[:, 1], right[:, 0]], -1)
    down = down * torch.sign(down[:, 1:])
    scale = straight / framing.arm_px
    if disturbed:
        scale = scale * torch.exp(0.04 * torch.randn(n, device=dev))
        turn = 0.03 * torch.randn(n, 1, device=dev)
        right, down = right + turn * down, down - turn * right
    x = torch.arange(framing.width_px, device=dev) - (framing.width_px - 1) / 2
    y = torch.arange(framing.height_px, device=dev) - (framing.height_px - 1) / 2
    at = centre.view(n, 1, 1, 2) + scale.view(n, 1, 1, 1) * (
        x.view(1, 1, -1, 1) * right.view(n, 1, 1, 2) + y.view(1, -1, 1, 1) * down.view(n, 1, 1, 2)
    )
    size = torch.tensor([pictures.shape[3], pictures.shape[2]], device=dev)
    source = F.avg_pool2d(pictures, 2) if framing is WIDE else pictures
    return F.grid_sample(source, (2 * at + 1) / size - 1, padding_mode="border", align_corners=False)


def light_and_camera(x: Tensor) -> Tensor:
    """Other light, colour and camera; half the pictures keep their own light, a third but for exposure and cast."""
    n, dev = len(x), x.device
    linear = x**2.2
    cast = torch.exp(0.06 * torch.randn(n, 3, 1, 1, device=dev))
    own = linear * cast * torch.exp(degrade.rand(n, -0.4, 0.4, dev))
    lit = torch.where(degrade.chance(n, 0.5, dev) > 0, degrade.light(linear), own)
    changed = degrade.camera(degrade.tone(lit))
    x = torch.where(degrade.chance(n, 0.33, dev) > 0, own.clamp(1e-4, 1) ** 0.4545, changed)
    for number in torch.nonzero(torch.rand(n) < 0.15).ravel().tolist():
        top, left = int(torch.randint(0, x.shape[2] - 24, (1,))), int(torch.randint(0, x.shape[3] - 30, (1,)))
        x[number, :, top : top + 24, left : left + 30] = torch.rand(3, 1, 1, device=dev)
    return x


def losses(out: tuple[Tensor, Tensor, Tensor], scenes: Scenes, index: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Stance, depth and pose losses (B,)."""
    scores, depth, pose = (part.float() for part in out)
    stance = scenes.stance[index]
    cross = F.cross_entropy(scores, stance, reduction="none", label_smoothing=0.01)
    mine = depth[torch.arange(len(index), device=index.device), stance]
    steps = scenes.steps[index, stance]
    root = lower(mine[:, STEPS:])
    error = steps - mine[:, :STEPS]
    white = (root @ error[..., None])[..., 0]
    likelihood = 0.5 * white.square().sum(1) - torch.diagonal(root, dim1=1, dim2=2).log().sum(1)
    likelihood = torch.where(steps.abs().amax(1) < OUTLYING, likelihood, 0.0)
    mean, log = pose[..., 0], pose[..., 1].clamp(-3, 3)
    angles = (0.5 * ((scenes.pose[index] - mean) * torch.exp(-log)).square().clamp(max=50) + log).mean(1)
    return cross, likelihood, angles


def lower(numbers: Tensor) -> Tensor:
    """Lower triangular roots (B, 5, 5) of precision from (B, 15), diagonals positive."""
    root = torch.zeros(len(numbers), STEPS, STEPS, device=numbers.device)
    rows, columns = torch.tril_indices(STEPS, STEPS)
    root[:, rows, columns] = numbers
    diagonal = torch.diagonal(root, dim1=1, dim2=2)
    return root - torch.diag_embed(diagonal) + torch.diag_embed(diagonal.clamp(-2.5, 3.5).exp())


def train(scenes: Scenes, kept: Tensor, weights: Path, seconds: float, size: int, record: Record) -> ArmDepth:
    """Train on all but the kept pictures; the running mean of the weights."""
    device = kept.device
    net = ArmDepth()
    if weights.suffix == ".pt":
        net.load_state_dict({name: value.float() for name, value in torch.load(weights, weights_only=True).items()})
    else:
        net.encoder.load_published(weights)
    net = net.to(device, memory_format=torch.channels_last)
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.995), use_buffers=True
    )
    learning = torch.nonzero(~kept).ravel()
    peak = 0.8e-3 if weights.suffix == ".pt" else 1.2e-3
    optimiser = torch.optim.AdamW(net.parameters(), lr=peak, weight_decay=0.03)
    start, shown, step = time.time(), time.time(), 0
    while (done := (time.time() - start) / seconds) < 1:
        rate = peak * min(1.0, step / 100) * (0.5 + 0.5 * float(np.cos(np.pi * done))) + 1e-6
        for group in optimiser.param_groups:
            group["lr"] = rate
        index = learning[torch.randint(0, len(learning), (size,), device=device)]
        with torch.no_grad():
            wide, hand, slopes = batch(scenes, index, True)
        with torch.autocast(device.type, torch.bfloat16):
            out = net(*(p.contiguous(memory_format=torch.channels_last) for p in (wide, hand)), slopes)
        cross, likelihood, angles = losses(out, scenes, index)
        loss = (cross + 0.3 * likelihood.clamp(max=40) + 0.3 * angles).mean()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        mean.update_parameters(net)
        step += 1
        if time.time() - shown > seconds / 4:
            shown = time.time()
            record.add(step=step, seconds=shown - start, loss=loss.item(), stance=cross.mean().item())
            report(mean.module, scenes, kept, record)
    report(mean.module, scenes, kept, record)
    return mean.module.float()


@torch.no_grad()
def report(net: ArmDepth, scenes: Scenes, kept: Tensor, record: Record) -> None:
    """Print figures on the kept pictures."""
    net.eval()
    index = torch.nonzero(kept).ravel()
    got = [net(*batch(scenes, part, False)) for part in index.split(256)]
    scores, depth, pose = (torch.cat([g[k] for g in got]).float() for k in range(3))
    cross, likelihood, _ = losses((scores, depth, pose), scenes, index)
    stance = scenes.stance[index]
    right = (scores.argmax(1) == stance).float()
    touching = ((scores.argmax(1) == 0) == (stance == 0)).float()
    record.add(kept=len(index), stance_right=right.mean(), touching=touching.mean(), entropy=cross.mean())
    for k, s in enumerate(STANCES):
        here = (stance == k) & (scenes.steps[index, k].abs().amax(1) < OUTLYING)
        if here.sum() < 5:
            continue
        error = scenes.steps[index][here, k] - depth[here, k, :STEPS]
        white = (lower(depth[here, k, STEPS:]) @ error[..., None])[..., 0]
        chain = torch.tensor(CHAIN, device=error.device, dtype=error.dtype)
        over = (error * torch.tensor(s.step_deviation, device=error.device, dtype=error.dtype)) @ chain.T
        before = (
            scenes.steps[index][here, k] * torch.tensor(s.step_deviation, device=error.device, dtype=error.dtype)
        ) @ chain.T
        record.add(
            stance=s.name,
            count=int(here.sum()),
            **{f"rms_{j}": value for j, value in zip(JOINTS, over.square().mean(0).sqrt(), strict=True)},
            **{f"usual_{j}": value for j, value in zip(JOINTS, before.square().mean(0).sqrt(), strict=True)},
            over_deviation=white.square().mean().sqrt(),
            likelihood=likelihood[here].mean(),
        )
    angle = (scenes.pose[index] - pose[..., 0]) * 10
    record.add(**{f"{p}_deg": value for p, value in zip(POSE, angle.square().mean(0).sqrt(), strict=True)})
    net.train()


class Stack(nn.Module):
    """Several networks in one, for export: outputs stacked along a new first axis."""

    def __init__(self, networks: list[ArmDepth]) -> None:
        super().__init__()
        self.networks = nn.ModuleList(networks)

    def forward(self, wide: Tensor, hand: Tensor, slopes: Tensor) -> tuple[Tensor, ...]:
        """Stacked outputs."""
        outs = [network(wide, hand, slopes) for network in self.networks]
        return tuple(torch.stack([out[k] for out in outs]) for k in range(3))


def join(files: list[Path], out: Path) -> None:
    """Write trained networks as one ONNX file."""
    networks = []
    for file in files:
        network = ArmDepth()
        state = torch.load(file, weights_only=True, map_location="cpu")
        network.load_state_dict({name: value.float() for name, value in state.items()})
        networks.append(network)
    examples = tuple(torch.zeros(1, 3, f.height_px, f.width_px) for f in (WIDE, HAND))
    torch.onnx.export(
        Stack(networks).eval(),
        (*examples, torch.zeros(1, 4)),
        str(out),
        input_names=["wide", "hand", "slopes"],
        output_names=["stance", "depth", "pose"],
        dynamo=False,
        opset_version=17,
    )
    narrow(out)


def learn(folder: Path, weights: Path, out: Path, seconds: float, batch_size: int, kept_digit: int) -> None:
    """Train one network and save its weights."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(kept_digit)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    scenes = read(folder, device)
    stances = torch.bincount(scenes.stance, minlength=len(STANCES)).tolist()
    record = Record.of(scenes.pictures, weights, seconds=seconds, batch=batch_size, kept=kept_digit, stances=stances)
    print(record.about, flush=True)
    net = train(scenes, scenes.seed % 10 == kept_digit, weights, seconds, batch_size, record)
    record.write(out.with_suffix(".json"))
    torch.save({name: value.half() for name, value in net.cpu().state_dict().items()}, out)


def main() -> None:
    """Run the training, or join what was trained."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    one = commands.add_parser("train")
    for name in ("folder", "weights", "out"):
        one.add_argument(name, type=Path)
    one.add_argument("--seconds", type=float, default=400)
    one.add_argument("--batch", type=int, default=128)
    one.add_argument("--kept", type=int, default=0, help="last digit of the seeds that are not learned from")
    several = commands.add_parser("join")
    several.add_argument("out", type=Path)
    several.add_argument("networks", type=Path, nargs="+")
    a = parser.parse_args()
    if a.command == "train":
        learn(a.folder, a.weights, a.out, a.seconds, a.batch, a.kept)
    else:
        join(a.networks, a.out)


if __name__ == "__main__":
    main()

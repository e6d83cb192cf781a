"""Train the instrument network.

python -m vision.training.train_instrument CUTOUTS GROUNDS OBJECTS WEIGHTS OUT --seconds N
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import torch

from vision.training.composition import MASKS, POINTS, Composer, load_cutouts, load_pictures
from vision.training.network import PartNet, mask_loss, point_loss


def export(net: torch.nn.Module, path: Path, size: tuple[int, int], names: list[str]) -> None:
    """Write the network as ONNX with free height and width."""
    net.eval()
    axes = {"image": {2: "height", 3: "width"}} | {name: {2: f"{name}_h", 3: f"{name}_w"} for name in names}
    torch.onnx.export(
        net,
        (torch.zeros(1, 3, *size),),
        str(path),
        input_names=["image"],
        output_names=names,
        dynamic_axes=axes,
        opset_version=17,
        dynamo=False,
    )
    halve(path)


def halve(path: Path) -> None:
    """Store the weights of an ONNX file as 16-bit numbers, cast back to 32 bits when the file is loaded."""
    import onnx
    from onnx import helper, numpy_helper

    model = onnx.load(str(path))
    casts = []
    for item in model.graph.initializer:
        array = numpy_helper.to_array(item)
        if array.dtype == np.float32 and array.size > 16:
            name = item.name
            item.CopyFrom(numpy_helper.from_array(array.astype(np.float16), name + "_half"))
            casts.append(helper.make_node("Cast", [name + "_half"], [name], to=onnx.TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def fit(
    net: torch.nn.Module,
    make: Callable[[int], tuple[torch.Tensor, ...]],
    loss_of: Callable[..., torch.Tensor],
    batch: int,
    seconds: float,
    device: torch.device,
    peak: float = 1.5e-3,
) -> torch.nn.Module:
    """Train for a time; return the running mean of the weights (one-cycle learning rate by the clock)."""
    decay = [p for p in net.parameters() if p.ndim > 1]
    rest = [p for p in net.parameters() if p.ndim <= 1]
    groups = [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}]
    opt = torch.optim.AdamW(groups, lr=peak, fused=device.type == "cuda")
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    start, step, shown = time.time(), 0, []
    while (done := (time.time() - start) / seconds) < 1:
        rate = peak * min(1.0, step / 100) * (0.5 + 0.5 * float(np.cos(np.pi * done))) + 1e-6
        for group in opt.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            x, *truth = make(batch)
        x = x.to(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16):
            out = net(x)
        loss = loss_of(out, *truth)
        opt.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        opt.step()
        if step > 50:
            mean.update_parameters(net)
        shown.append(loss.detach())
        step += 1
        if step % 100 == 0:
            print(step, f"{time.time() - start:.0f} s", f"{torch.stack(shown[-100:]).mean().item():.4f}", flush=True)
    return mean.module


def contact_sheet(composer: Composer, path: Path) -> None:
    """Save a few training pictures with their masks, to be looked at."""
    x, masks, xy = composer.batch(24)
    tiles = []
    for i in range(24):
        a = np.ascontiguousarray(x[i].byte().permute(1, 2, 0).cpu().numpy()[..., ::-1])
        for j, colour in ((1, (0, 255, 255)), (0, (0, 255, 0)), (4, (255, 0, 255))):
            m = cv2.resize(masks[i, j].float().cpu().numpy(), a.shape[:2])
            edges = cv2.findContours((m > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
            cv2.drawContours(a, edges, -1, colour, 1)
        for p in xy[i].reshape(-1, 2).cpu().numpy():
            if np.isfinite(p).all():
                cv2.circle(a, (round(p[0]), round(p[1])), 3, (0, 0, 255), -1)
        tiles.append(a[::2, ::2])
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 8]) for k in range(0, 24, 8)]))


def main() -> None:
    """Run the training."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("cutouts", "grounds", "objects", "weights", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--seconds", type=float, default=300)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--size", type=int, default=448)
    a = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(1)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    start = time.time()
    grounds, objects = load_pictures(a.grounds, device, False), load_pictures(a.objects, device, True)
    composer = Composer(load_cutouts(a.cutouts, device), grounds, objects, a.size)
    print(
        "loaded", len(composer.cutouts.points), len(grounds), len(objects), f"{time.time() - start:.0f} s", flush=True
    )
    a.out.mkdir(parents=True, exist_ok=True)
    contact_sheet(composer, a.out / "composites.jpg")
    net = PartNet(len(MASKS), len(POINTS))
    if a.weights.suffix == ".pt":
        net.load_state_dict(torch.load(a.weights, weights_only=True))
    else:
        net.encoder.load_published(a.weights)
    net = net.to(device, memory_format=torch.channels_last)
    net = fit(
        net,
        composer.batch,
        lambda out, m, xy: mask_loss(out[0], m) + point_loss(out[1], xy),
        a.batch,
        a.seconds,
        device,
    )
    net = net.float().cpu().to(memory_format=torch.contiguous_format)
    torch.save(net.state_dict(), a.out / "instrument.pt")
    export(net, a.out / "instrument.onnx", (a.size, a.size), ["masks", "points"])


if __name__ == "__main__":
    main()

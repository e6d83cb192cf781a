"""How every picture network here is trained, and written as ONNX."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import torch


def export(net: torch.nn.Module, path: Path, size: tuple[int, int], names: list[str]) -> None:
    """Write the network as ONNX with free height and width."""
    net.eval()
    maps = [name for name in names if name != "seen"]
    axes = {"image": {2: "height", 3: "width"}} | {name: {2: f"{name}_h", 3: f"{name}_w"} for name in maps}
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
    join_pads(path)
    narrow(path)


def join_pads(path: Path) -> None:
    """Let the convolutions of an ONNX file pad by themselves what is padded before them, and write it again.

    The exporter computes every padding by a chain of nodes, which the runtime sees through too late to do this itself:
    it would copy the picture, and twice more into and out of the order of numbers that convolutions like.
    """
    import onnx
    from onnx import helper, numpy_helper
    from onnx.reference import ReferenceEvaluator

    model = onnx.load(str(path))
    made_by = {name: node for node in model.graph.node for name in node.output}
    known: dict[str, np.ndarray] = {item.name: numpy_helper.to_array(item) for item in model.graph.initializer}

    def constant(name: str) -> np.ndarray:
        """What a chain of nodes that begins with nothing given comes to."""
        if name not in known:
            node = made_by[name]
            feeds = {each: constant(each) for each in node.input if each}
            inputs = [
                helper.make_tensor_value_info(each, helper.np_dtype_to_tensor_dtype(value.dtype), value.shape)
                for each, value in feeds.items()
            ]
            graph = helper.make_graph([node], "constant", inputs, [helper.make_empty_tensor_value_info(name)])
            alone = helper.make_model(graph, opset_imports=model.opset_import)
            known[name] = np.asarray(ReferenceEvaluator(alone).run([name], feeds)[0])
        return known[name]

    for node in model.graph.node:
        pad = made_by.get(node.input[0]) if node.op_type == "Conv" else None
        if pad is None or pad.op_type != "Pad":
            continue
        batch_and_channels = 2
        sides = constant(pad.input[1]).reshape(2, -1)[:, batch_and_channels:].ravel()
        others = [each for each in node.attribute if each.name != "pads"]
        del node.attribute[:]
        node.attribute.extend([*others, helper.make_attribute("pads", sides.tolist())])
        node.input[0] = pad.input[0]
    wanted, kept = {each.name for each in model.graph.output}, []
    for node in reversed(model.graph.node):  # what only the paddings needed goes
        if wanted & set(node.output):
            kept.append(node)
            wanted |= set(node.input)
    del model.graph.node[:]
    model.graph.node.extend(kept[::-1])
    weights = [item for item in model.graph.initializer if item.name in wanted]
    del model.graph.initializer[:]
    model.graph.initializer.extend(weights)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def narrow(path: Path) -> None:
    """Store the weights of an ONNX file in a quarter of the room.

    Matrices and kernels become 8-bit whole numbers with a scale for each row (each output channel of a kernel); kernels
    of one channel, which suffer most from that, and other long lists become 16-bit numbers.  All are made 32-bit
    numbers again when the file is loaded.
    """
    import onnx
    from onnx import helper, numpy_helper

    model = onnx.load(str(path))
    made, added = [], []
    for item in model.graph.initializer:
        array = numpy_helper.to_array(item)
        if array.dtype != np.float32 or array.size <= 16:
            continue
        name = item.name
        if array.ndim < 2 or (array.ndim == 4 and array.shape[1] == 1):
            item.CopyFrom(numpy_helper.from_array(array.astype(np.float16), f"{name}_half"))
            made.append(helper.make_node("Cast", [f"{name}_half"], [name], to=onnx.TensorProto.FLOAT))
            continue
        rows = array.reshape(len(array), -1)
        scale = np.maximum(np.abs(rows).max(axis=1), 1e-12) / 127
        whole = np.round(rows / scale[:, None]).astype(np.int8).reshape(array.shape)
        item.CopyFrom(numpy_helper.from_array(whole, f"{name}_whole"))
        shape = (-1, *[1] * (array.ndim - 1))
        added.append(numpy_helper.from_array(scale.astype(np.float32).reshape(shape), f"{name}_scale"))
        made.append(helper.make_node("Cast", [f"{name}_whole"], [f"{name}_float"], to=onnx.TensorProto.FLOAT))
        made.append(helper.make_node("Mul", [f"{name}_float", f"{name}_scale"], [name]))
    model.graph.initializer.extend(added)
    nodes = [*made, *model.graph.node]
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
    history: list[tuple[int, float]] | None = None,
    every: float = math.inf,
    shown: Callable[[torch.nn.Module], None] = lambda net: None,
) -> torch.nn.Module:
    """Train for a time; return the running mean of the weights (one-cycle learning rate by the clock).

    The mean loss of every hundred steps is printed, and added to `history` with the step's number.  Every so many
    seconds `shown` is called with the mean so far.
    """
    decay = [p for p in net.parameters() if p.ndim > 1]
    rest = [p for p in net.parameters() if p.ndim <= 1]
    groups = [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}]
    opt = torch.optim.AdamW(groups, lr=peak, fused=device.type == "cuda")
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    start, step, losses, last = time.time(), 0, [], time.time()
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
        losses.append(loss.detach())
        step += 1
        if step % 100 == 0:
            loss_now = torch.stack(losses[-100:]).mean().item()
            print(step, f"{time.time() - start:.0f} s", f"{loss_now:.4f}", flush=True)
            if history is not None:
                history.append((step, round(loss_now, 4)))
        if time.time() - last > every:
            last = time.time()
            shown(mean.module)
    return mean.module

"""Put depth networks of different worlds into one file, and say what each took for usual.

``python -m vision.training.depth_worlds join OUT.onnx FILE.onnx:0 FILE.onnx:1 ...`` takes single networks out of files
that `vision.training.train_arm_depth join` wrote, and puts them into one.

``python -m vision.training.depth_worlds usual FOLDER`` prints how often each stance was among figures of
`vision.training.figures.make`, and means and covariances of their depths in the coordinates of `vision.arm.priors`, as
models/arm_depth.json keeps them of each network: what a network says of a picture is half what it learned to be usual.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from vision.arm.priors import CHAIN, JOINTS, STANCES
from vision.training.train_arm_depth import BENT_DEG, FORWARD_DEG, OUTLYING

OUTPUTS = ("stance", "depth", "pose")
POSE_ROWS = 3
"""Of the pose, what all networks tell: turn, bend of the elbow, forward angle."""


def alone(file: Path, number: int) -> Any:
    """Nodes, weights and the names of the outputs of one network of a file, and the file's inputs."""
    import onnx

    graph = onnx.load(str(file)).graph
    made_by = {output: node for node in graph.node for output in node.output}
    ends = [made_by[made_by[name].input[number]].input[0] for name in OUTPUTS]
    wanted, nodes = set(ends), []
    for node in reversed(graph.node):
        if wanted & set(node.output):
            nodes.append(node)
            wanted |= set(node.input)
    return nodes[::-1], [item for item in graph.initializer if item.name in wanted], ends, list(graph.input)


def join(out: Path, parts: list[str]) -> None:
    """Write single networks as one file; outputs are stacked along a new first axis."""
    import onnx
    from onnx import helper, numpy_helper

    nodes, kept, ends, inputs = [], [], [], None
    for place, part in enumerate(parts):
        file, number = part.rsplit(":", 1)
        mine, weights, names, inputs = alone(Path(file), int(number))
        shared = {"", *(one.name for one in inputs)}

        def named(name: str, place: int = place, shared: set[str] = shared) -> str:
            return name if name in shared else f"{place}/{name}"

        for item in weights:
            item.name = named(item.name)
        for node in mine:
            node.name = named(node.name)
            node.input[:] = [named(name) for name in node.input]
            node.output[:] = [named(name) for name in node.output]
        nodes += mine
        kept += weights
        ends.append([named(name) for name in names])
    limits = {"from": [0], "to": [POSE_ROWS], "axis": [1], "first": [0]}
    kept += [numpy_helper.from_array(np.array(value, np.int64), name) for name, value in limits.items()]
    for column, output in enumerate(OUTPUTS):
        stacked = [f"{place}/{output}" for place in range(len(ends))]
        for end, name in zip(ends, stacked, strict=True):
            if output == "pose":
                nodes.append(helper.make_node("Slice", [end[column], "from", "to", "axis"], [f"{name}/rows"]))
            nodes.append(
                helper.make_node("Unsqueeze", [f"{name}/rows" if output == "pose" else end[column], "first"], [name])
            )
        nodes.append(helper.make_node("Concat", stacked, [output], axis=0))
    shapes = {"stance": [3], "depth": [3, 20], "pose": [POSE_ROWS, 2]}
    outputs = [
        helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, [len(parts), 1, *shapes[name]]) for name in OUTPUTS
    ]
    graph = helper.make_graph(nodes, "arm_depth", inputs, outputs, kept)
    whole = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.checker.check_model(whole)
    onnx.save(whole, str(out))


def usual(truths: list[dict[str, Any]]) -> dict[str, Any]:
    """How common each stance is, and its depths' mean and covariance."""
    back = np.linalg.inv(CHAIN)
    fronts = [truth for truth in truths if not truth["behind"]]
    found: list[list[np.ndarray]] = [[] for _ in STANCES]
    for truth in fronts:
        reaching = truth["forward"] >= FORWARD_DEG or truth["flex"] >= BENT_DEG
        number = 0 if truth["wall"] else 2 if reaching else 1
        depth = back @ np.array([truth["pts_mm"][joint][2] for joint in JOINTS]) / truth["a_mm"]
        found[number].append((depth - STANCES[number].step) / STANCES[number].step_deviation)
    steps = {}
    for stance, rows in zip(STANCES, found, strict=True):
        inside = np.array([row for row in rows if np.abs(row).max() < OUTLYING])
        steps[stance.name] = {
            "mean": inside.mean(axis=0).round(3).tolist(),
            "covariance": np.cov(inside.T).round(3).tolist(),
        }
    return {"figures": len(fronts), "stances": [len(rows) for rows in found], "steps": steps}


def main() -> None:
    """Join networks, or describe a world."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    several = commands.add_parser("join")
    several.add_argument("out", type=Path)
    several.add_argument("parts", nargs="+", help="FILE.onnx:NUMBER")
    world = commands.add_parser("usual")
    world.add_argument("folder", type=Path)
    a = parser.parse_args()
    if a.command == "join":
        join(a.out, a.parts)
    else:
        print(json.dumps(usual([json.loads(file.read_text()) for file in sorted(a.folder.glob("*.json"))]), indent=1))


if __name__ == "__main__":
    main()

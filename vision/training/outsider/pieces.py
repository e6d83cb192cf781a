"""What a scene is made of before it is rendered: meshes, strands of hair, what they are made of, lamps and a camera.

Needs numpy alone, for it is read where Blender is.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array

Faces = NDArray[np.int64]
Made = dict[str, Any]
"""What a thing is made of: ``kind`` names a maker of `vision.training.outsider.blender`, the rest are its options."""


@dataclass(frozen=True)
class Piece:
    """A mesh of one material: points (V, 3), faces (F, 3), texture places of the faces' corners (F, 3, 2) or none.

    `thick` gives cloth its thickness (m, inwards), `divided` is how often it is rounded, `edge` how far edges are cut.
    """

    points: Array
    faces: Faces
    made: Made
    uv: Array | None = None
    shades: Array | None = None
    thick: float = 0.0
    divided: int = 0
    smooth: bool = True
    edge: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Strands:
    """Hair: places (N, K, 3) along each strand, radius at the root, m."""

    places: Array
    radius: float
    made: Made


@dataclass(frozen=True)
class Lamp:
    """A lamp: ``area``, ``point`` or ``sun``; place, what it shines at, power (W), colour, size (m)."""

    kind: str
    place: Array
    towards: Array
    power: float
    colour: tuple[float, float, float]
    size: tuple[float, float]


@dataclass
class Surroundings:
    """Everything but the figure, and the light from all round: picture's name, strength, turn about the upright."""

    pieces: list[Piece] = field(default_factory=list)
    lamps: list[Lamp] = field(default_factory=list)
    around: tuple[str, float, float] = ("studio", 0.5, 0.0)


@dataclass(frozen=True)
class Camera:
    """A pinhole: place (3,), rows (right, down, ahead) of its axes, focal length and centre in px, size (w, h).

    As `vision.training.figures.trace.View`, which the renderer's own Python, with numpy alone, cannot load.
    """

    place: Array
    rows: Array
    focal: float
    centre: tuple[float, float]
    size: tuple[int, int]


@dataclass(frozen=True)
class Description:
    """All that a renderer needs, and the sheets' places (N, 3) that must be seen."""

    seed: int
    pieces: list[Piece]
    hair: Strands | None
    lamps: list[Lamp]
    around: tuple[str, float, float]
    camera: Camera
    must: Array

    def save(self, path: Path) -> None:
        """Write it as one file of arrays."""
        arrays: dict[str, Any] = {"must": self.must, "place": self.camera.place, "rows": self.camera.rows}
        told: dict[str, Any] = {"seed": self.seed, "around": self.around, "lamps": [], "pieces": []}
        told["camera"] = {k: v for k, v in asdict(self.camera).items() if k not in ("place", "rows")}
        for lamp in self.lamps:
            told["lamps"].append({k: np.asarray(v).tolist() for k, v in asdict(lamp).items()})
        for number, piece in enumerate(self.pieces):
            kept = asdict(piece)
            for name, kind in (("points", np.float32), ("faces", np.int32), ("uv", np.float32), ("shades", np.float32)):
                value = kept.pop(name)
                if value is not None:
                    arrays[f"{name} {number}"] = value.astype(kind)
            told["pieces"].append(kept)
        if self.hair is not None:
            arrays["hair"] = self.hair.places.astype(np.float32)
            told["hair"] = {"radius": self.hair.radius, "made": self.hair.made}
        np.savez_compressed(path, told=json.dumps(told), **arrays)

    @classmethod
    def load(cls, path: Path) -> Description:
        """Read it."""
        data = np.load(path)
        told = json.loads(str(data["told"]))

        def array(name: str, number: int) -> Any:
            key = f"{name} {number}"
            return data[key].astype(np.int64 if name == "faces" else float) if key in data else None

        pieces = [
            Piece(**kept, **{name: array(name, number) for name in ("points", "faces", "uv", "shades")})
            for number, kept in enumerate(told["pieces"])
        ]
        hair = Strands(data["hair"].astype(float), **told["hair"]) if "hair" in told else None
        lamps = [
            Lamp(
                **{k: _tuple(v) for k, v in lamp.items()}
                | {"place": np.array(lamp["place"]), "towards": np.array(lamp["towards"])}
            )
            for lamp in told["lamps"]
        ]
        return cls(
            told["seed"],
            [_tupled(piece) for piece in pieces],
            hair,
            lamps,
            tuple(told["around"]),
            Camera(data["place"], data["rows"], **{k: _tuple(v) for k, v in told["camera"].items()}),
            data["must"],
        )


def _tupled(piece: Piece) -> Piece:
    """Colours as they were before they went through JSON."""
    made = {k: _tuple(v) for k, v in piece.made.items()}
    return Piece(**{**piece.__dict__, "made": made})


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value

"""The numerical rooms: which modules are changed, and which fast tests have to notice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Room:
    """A room of the house.

    Attributes
    ----------
    sources : str
        Folder of its modules.
    left_out : tuple of str
        Modules that measure nothing: words and drawings, which people look at.
    tests : tuple of str
        Fast tests, files or folders, that have to notice a change.
    """

    sources: str
    left_out: tuple[str, ...]
    tests: tuple[str, ...]

    def modules(self) -> dict[str, Path]:
        """Paths of the modules that are changed, by name."""
        paths = sorted((ROOT / self.sources).glob("*.py"))
        kept = (path for path in paths if path.stem not in ("__init__", *self.left_out))
        return {f"{self.sources.replace('/', '.')}.{path.stem}": path for path in kept}


ROOMS = {
    "calibration": Room(
        "calibration",
        ("problems", "sheet_words", "sheet_pictures", "sheet_drawing", "sheet_shapes"),
        ("tests/calibration", "tests/test_examples.py"),
    ),
    "service.fit": Room("service/fit", ("sentences", "explanation"), ("tests/service/fit", "tests/test_examples.py")),
    "vision.arm": Room(
        "vision/arm",
        ("overlay", "seen", "picture", "depth"),  # of pictures: their tests look at photos
        tuple(
            f"tests/vision/arm/test_{name}.py"
            for name in (
                *("body", "estimator", "judge", "lengths", "mixture", "posture", "priors", "reference"),
                *("slopes", "solving", "view_rows", "view_solving"),
            )
        ),
    ),
    "vision.instrument": Room(
        "vision/instrument",
        (
            *("overlay", "net", "seen", "edges", "edge_net", "profiles", "glare", "sheet_support", "shoulder_rest"),
            *("detected", "measure", "cameras"),  # of pictures, or whole ways from photos: their tests look at photos
        ),
        tuple(
            f"tests/vision/instrument/test_{name}.py"
            for name in ("fit", "lengths", "model", "reference", "resting", "shape", "silhouette", "slopes")
        ),
    ),
}

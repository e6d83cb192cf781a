"""How paper bends in tests and benchmarks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.arrays import Array

SHAPES: dict[str, Callable[[Array], Array]] = {
    "bow": lambda along: 1 - along**2,
    "curl": lambda along: along**2,
    "fold": lambda along: 1 - np.abs(along),
    "corner": lambda along: np.maximum((along - 0.5) / 0.5, 0) ** 2,
}
"""Heights over the surface along a direction across the sheet, which goes from -1 to 1; the highest is 1."""

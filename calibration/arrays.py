"""The kinds of arrays that are passed around; their shapes and units stand in the docstrings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Numbers: lengths in mm, positions in px, covariances."""
Floats = NDArray[np.float32]
"""What networks take and give: crops, and probabilities of pixels."""
Indices = NDArray[np.intp]
"""Places in other arrays."""
Mask = NDArray[np.bool_]
"""Yes or no for each of something."""
Picture = NDArray[np.uint8]
"""Pixels: (H, W, 3) RGB, or (H, W) grey."""
Grey = NDArray[np.uint8]
"""Pixels that are grey for certain: (H, W)."""

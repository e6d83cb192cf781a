"""The one place that decides how an instrument is found in a photo."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.instrument_cut import cut_out
from vision.instrument_seen import InstrumentSeen


def find_instrument(rgb: NDArray[np.uint8], sheets_px: Sequence[NDArray[np.float64]] = ()) -> InstrumentSeen:
    """Find the instrument in a photo.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
    sheets_px : sequence of (4, 2) ndarray
        Corners of the sheets in the photo.

    Raises
    ------
    Refused
        If there is none.
    """
    return cut_out(rgb, sheets_px)

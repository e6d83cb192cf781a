"""Heights of an instrument lying on its back, against published ribs and arches."""

import numpy as np
import pytest

from vision.instrument.resting import plate_distance_mm, resting_covariance_mm2, resting_heights_mm
from vision.instrument.shape import FULL_SIZE_MM


def test_resting_heights_agree_with_measured_shares_of_the_body():
    # 0.131 (lower end), 0.1395 (neck) and 0.063 (scroll) of the body length, measured on scenes of all sizes
    for length in (250.0, 310.0, 356.0):
        low, neck, scroll = resting_heights_mm(length) / length
        assert low == pytest.approx(0.131, abs=0.010)
        assert neck == pytest.approx(0.1395, abs=0.004)
        assert scroll == pytest.approx(0.063, abs=0.003)


def test_ribs_agree_with_published_ones():
    # ribs 30, 29, 28 and 26 mm (356, 335, 320, 285 mm bodies), with one edge thickness of about 3.5 mm
    for length, rib in ((356.0, 30.0), (335.0, 29.0), (320.0, 28.0), (285.0, 26.0)):
        assert plate_distance_mm(length) == pytest.approx(rib + 3.5, abs=1.6)


def test_heights_share_what_sinks_together():
    covariance = resting_covariance_mm2(FULL_SIZE_MM)
    assert covariance[0, 1] > 0
    assert np.linalg.eigvalsh(covariance).min() > 0


@pytest.mark.parametrize(
    ("length", "heights", "plates"),
    [(FULL_SIZE_MM, (43.5, 49.7, 22.7), 33.8), (FULL_SIZE_MM / 2, (25.48, 24.95, 11.10), 19.15)],
)
def test_power_laws_at_full_and_half_size(length, heights, plates):
    """By hand: 44.0 x 0.5^0.76 - 0.5 and so on; half a millimetre is what a table gives way."""
    assert resting_heights_mm(length) == pytest.approx(heights, abs=0.01)
    assert plate_distance_mm(length) == pytest.approx(plates, abs=0.01)


def test_spreads_shrink_with_the_instrument_but_not_what_sinks():
    """By hand at full size: 1.1^2, 1.0^2 and 1.2^2 mm2 of their own, 0.8^2 in common."""
    full, half = resting_covariance_mm2(FULL_SIZE_MM), resting_covariance_mm2(FULL_SIZE_MM / 2)
    own = np.diag([1.21, 1.0, 1.44])
    assert full == pytest.approx(own + 0.64)
    assert half == pytest.approx(0.5 * own + 0.64)

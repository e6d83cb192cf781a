"""Light and sharpness: the short ways to percentiles give what sorting gives."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
import pytest

from vision import quality


@pytest.mark.parametrize("seed", range(20))
def test_percentiles_by_histogram_are_those_of_the_sorted_values(seed: int) -> None:
    rng = np.random.default_rng(seed)
    grey = rng.integers(0, rng.integers(2, 256), (rng.integers(31, 90), rng.integers(31, 90)), dtype=np.uint8)
    assert quality._percentiles(grey) == pytest.approx(tuple(np.percentile(grey, [5, 95])), abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_the_least_of_the_strongest_slopes_is_their_quantile(seed: int) -> None:
    rng = np.random.default_rng(seed)
    slope = np.abs(rng.standard_cauchy((rng.integers(31, 90), rng.integers(31, 90)))).astype(np.float32)
    assert quality._least_of_strongest(slope) == pytest.approx(float(np.quantile(slope, 0.99)), rel=1e-5)


def test_a_sample_that_misleads_is_noticed() -> None:
    """The sampled columns alone are strong: what is above their bound is less than the share that is looked for."""
    slope = np.tile(np.arange(1.0, 101.0, dtype=np.float32)[:, None] / 1000, (1, 160))
    slope[:, :: quality._SAMPLED] = 9.0 + np.arange(1000, dtype=np.float32).reshape(100, 10)
    with patch.object(np, "quantile", wraps=np.quantile) as sorted_out:
        found = quality._least_of_strongest(slope)
    assert sorted_out.call_args.args[0] is slope
    assert found == pytest.approx(float(np.quantile(slope, 0.99)), rel=1e-6)


def test_even_slopes_have_themselves_for_their_quantile() -> None:
    assert quality._least_of_strongest(np.full((40, 40), 0.5, np.float32)) == 0.5

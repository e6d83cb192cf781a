"""Small least squares against another program's, on curves where plain Gauss-Newton steps lead astray."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from calibration.least_squares import minimum

TIMES = np.linspace(0.0, 4.0, 30)


def decay(unknowns: np.ndarray) -> np.ndarray:
    return np.asarray(unknowns[0] * np.exp(-unknowns[1] * TIMES) + 1e-6 * unknowns[2])


def problem(seen: np.ndarray):
    """Rows and slopes of a decay with an offset in other units, each reading good to 0.01."""

    def linearised(unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        shape = np.exp(-unknowns[1] * TIMES)
        slopes = np.column_stack([shape, -unknowns[0] * TIMES * shape, np.full(len(TIMES), 1e-6)])
        return (decay(unknowns) - seen) / 0.01, slopes / 0.01

    return linearised


@pytest.mark.parametrize("start", [(1.0, 1.0, 0.0), (3.0, 0.2, 4e5), (0.5, 3.0, -1e6)])
def test_it_ends_where_another_program_ends(start: tuple[float, float, float]) -> None:
    seen = decay(np.array([2.0, 0.7, 3e5])) + np.random.default_rng(5).normal(0, 0.01, len(TIMES))
    linearised = problem(seen)
    found = minimum(linearised, np.array(start), 100, 1e-6)
    other = least_squares(
        lambda x: linearised(x)[0], start, jac=lambda x: linearised(x)[1], method="lm", x_scale="jac", xtol=1e-14
    )
    assert found.cost == pytest.approx(other.cost, rel=1e-9)
    assert found.x == pytest.approx(other.x, rel=1e-5)
    assert found.rows == pytest.approx(linearised(found.x)[0])


def test_no_step_leads_upwards() -> None:
    """A whole Gauss-Newton step from there overshoots by far."""
    costs = []

    def arctangent(unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        costs.append(0.5 * float(np.arctan(unknowns[0]) ** 2))
        return np.arctan(unknowns), np.array([[1 / (1 + unknowns[0] ** 2)]])

    found = minimum(arctangent, np.array([3.0]))
    assert max(costs[1:]) > costs[0]  # such steps were tried
    assert found.x[0] == pytest.approx(0.0, abs=1e-3)


def test_it_stops_after_so_many_steps() -> None:
    calls = []

    def line(unknowns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        calls.append(unknowns)
        return np.exp(-unknowns), -np.diag(np.exp(-unknowns))  # falls for ever

    minimum(line, np.array([0.0]), steps=7)
    assert len(calls) == 8

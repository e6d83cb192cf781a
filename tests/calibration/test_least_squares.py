"""Small least squares against another program's, on curves where plain Gauss-Newton steps lead astray."""

from __future__ import annotations

from typing import Any

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


BARD = np.array([0.14, 0.18, 0.22, 0.25, 0.29, 0.32, 0.35, 0.39, 0.37, 0.58, 0.73, 0.96, 1.34, 2.10, 4.39])


def rosenbrock(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.array([10 * (x[1] - x[0] ** 2), 1 - x[0]]), np.array([[-20 * x[0], 10.0], [-1.0, 0.0]])


def freudenstein_and_roth(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    rows = [-13 + x[0] + ((5 - x[1]) * x[1] - 2) * x[1], -29 + x[0] + ((x[1] + 1) * x[1] - 14) * x[1]]
    return np.array(rows), np.array([[1, 10 * x[1] - 3 * x[1] ** 2 - 2], [1, 3 * x[1] ** 2 + 2 * x[1] - 14]])


def bard(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    u = np.arange(1.0, 16.0)
    v, w = 16 - u, np.minimum(u, 16 - u)
    below = v * x[1] + w * x[2]
    return BARD - x[0] - u / below, np.column_stack([-np.ones(15), u * v / below**2, u * w / below**2])


@pytest.mark.parametrize("damping", [0.0, 1e-2, 1.0])
@pytest.mark.parametrize(
    ("linearised", "start", "squares"),
    [
        (rosenbrock, (-1.2, 1.0), 0.0),
        (freudenstein_and_roth, (0.5, -2.0), 48.9842),
        (bard, (1.0, 1.0, 1.0), 8.21487e-3),
    ],
)
def test_published_problems(linearised: Any, start: tuple[float, ...], squares: float, damping: float) -> None:
    # J. Moré, B. Garbow, K. Hillstrom, Testing unconstrained optimization software, ACM TOMS 7 (1981) 17: problems 1, 2
    # and 8 with their starting points and least sums of squares, from memory; the second has a lesser one elsewhere
    found = minimum(linearised, np.array(start), 200, 1e-9, damping)
    assert 2 * found.cost == pytest.approx(squares, rel=1e-5, abs=1e-12)


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

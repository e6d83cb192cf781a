"""Two ways of giving a posed camera to the outline's fit: with few unknowns, or with none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from calibration.pinhole import POSE


class Camera(Protocol):
    """What the fit needs of a camera: unknowns with their covariance, and both ways between space and pixels."""

    @property
    def parameters(self) -> Array:
        """Unknowns (P,)."""

    @property
    def covariance_root(self) -> Array:
        """Root L (P, P) of the unknowns' covariance, which is L L'; it can be inverted."""

    @property
    def position_mm(self) -> Array:
        """Where the camera is (3,)."""

    def project(self, points_mm: Array) -> Array:
        """Pixels (N, 2) of points in space (N, 3)."""

    def to_plane(self, points_px: Array, height_mm: float) -> Array:
        """Points in space (N, 3) at a height, of pixels (N, 2)."""

    def with_parameters(self, parameters: Array) -> Camera:
        """Return the same camera with other unknowns."""


@dataclass(frozen=True)
class LeanCamera:
    """A posed camera without the poses of further sheets: lens and first pose only, uncertainties of the rest kept."""

    posed: PosedCamera

    @property
    def _count(self) -> int:
        """Number of unknowns kept; those of further sheets come last."""
        return len(self.posed.parameters) - POSE * (len(self.posed.sheets) - 1)

    @property
    def parameters(self) -> Array:
        """Lens, print and pose of the first sheet."""
        return self.posed.parameters[: self._count]

    @property
    def covariance_root(self) -> Array:
        """Root of their covariance, whatever the rest may be."""
        return self.posed.covariance_root[: self._count, : self._count]

    @property
    def position_mm(self) -> Array:
        """Where the camera is (3,)."""
        return self.posed.position_mm

    def project(self, points_mm: Array) -> Array:
        """Pixels of points in space."""
        return self.posed.project(points_mm)

    def to_plane(self, points_px: Array, height_mm: float) -> Array:
        """Points in space of pixels."""
        return self.posed.to_plane(points_px, height_mm)

    def with_parameters(self, parameters: Array) -> LeanCamera:
        """Return the same camera with another lens and pose."""
        every = self.posed.parameters.copy()
        every[: self._count] = parameters
        return LeanCamera(self.posed.with_parameters(every))


@dataclass(frozen=True)
class FixedCamera:
    """A camera whose unknowns are left alone, for the rounds that only look for edges."""

    camera: Camera

    @property
    def parameters(self) -> Array:
        """None (0,)."""
        return np.zeros(0)

    @property
    def covariance_root(self) -> Array:
        """None (0, 0)."""
        return np.zeros((0, 0))

    @property
    def position_mm(self) -> Array:
        """Where the camera is (3,)."""
        return self.camera.position_mm

    def project(self, points_mm: Array) -> Array:
        """Pixels of points in space."""
        return self.camera.project(points_mm)

    def to_plane(self, points_px: Array, height_mm: float) -> Array:
        """Points in space of pixels."""
        return self.camera.to_plane(points_px, height_mm)

    def with_parameters(self, parameters: Array) -> FixedCamera:
        """Return this camera; it has nothing to set."""
        return self

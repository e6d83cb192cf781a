"""What a photo's file says of the lens, and through which lenses the photo may then have been taken.

A phone writes the 35 mm-equivalent focal length of its lens into a photo, and that is the angle of view of the whole
frame as the camera takes it.  A photo that was cut afterwards still states it, though its sides now span less; so does
one that a phone's digital zoom cut already, unless the phone took the zoom into account, which some do and some do not;
and a wide or square picture is cut from a sensor of 4:3 in nearly every phone.  To believe the number there would put
the camera too near, and everything that lies before the sheet's plane would come out too small.  So each case has its
own lenses: with an equivalent focal length over the picture's own diagonal and how unsure that is, how likely it is
among them, and how far from the picture's middle the lens may look.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

FRAME_DIAGONAL_MM = 43.267
"""Diagonal of the 36 x 24 mm frame; a 35 mm-equivalent focal length has the angle of view over the diagonal in common
with the camera (EXIF 2.3, tag FocalLengthIn35mmFilm; CIPA DCG-001)."""

FOCAL_RELATIVE_SD = 0.025
"""Of the equivalent focal length: rounding to whole mm (0.29 mm, 1.1 %), nominal value, and focusing, which changes it
by 1 to 3 % (from memory, common experience in photogrammetry)."""

UNSTATED_LENSES_MM = ((26.0, 3.0), (52.0, 5.0), (77.0, 8.0))
"""Lenses of phones where the photo does not say: equivalent focal length and its standard deviation, for the main lens,
the main lens at 2x or a short tele lens, and a longer one; common practice, no source."""

FILM_LENSES_MM = ((31.0, 4.0), (60.0, 9.0), (90.0, 12.0))
"""The same for a frame of a film, which never says: phones cut the wide main picture to 16:9 (1.09 times the equivalent
focal length, over the diagonal) and for steadying by up to a quarter of it more; common practice, no source."""

SHORTEST_FOCAL35_MM = 19.0
"""Below it a lens is an ultra-wide one, whose distortion we do not follow; common practice, no source."""

CENTRE_SD_SHARE = 0.01
"""Of the photo's longer side: one standard deviation of the principal point from the middle, along each axis."""

SENSOR_RATIO = 4 / 3
"""Sides of a phone's sensor; common practice, no source."""

CUT_FACTOR, CUT_FACTOR_SD = 1.4, 0.35
"""By how much an unknown cut narrows a picture's angle of view, as a factor on the focal length over its diagonal, and
its standard deviation: from not at all (it was only made smaller) to half of the frame left; our assumption."""

CUT_CENTRE_SD_SHARE = 0.12
"""The same as `CENTRE_SD_SHARE` for such a picture: seven tenths of a frame, cut out anywhere, have their middle within
0.21 of their own side from the frame's middle, evenly (a deviation of 0.12)."""

_LEAST_RATIO_AWAY, _LEAST_ZOOM = 0.02, 1.01
"""Proportions and zooms nearer than that to the sensor's and to one are meant to be these."""


class Frame(StrEnum):
    """How a picture's frame relates to what the camera took."""

    WHOLE = "whole"
    """All of it, as far as the file tells; a picture that is not of 4:3 was cut by the camera itself."""
    CUT = "cut"
    """A part that nobody knows."""


@dataclass(frozen=True)
class PossibleLens:
    """A lens that a photo may have been taken through.

    Attributes
    ----------
    focal35_mm, sd_mm : float
        Equivalent focal length over the diagonal of the picture as it is, and its standard deviation, mm.
    share : float
        How likely it is among the possible ones, before the photo is looked at.
    centre_sd_share : float
        Standard deviation of the principal point from the middle along each axis, of the longer side.
    """

    focal35_mm: float
    sd_mm: float
    share: float = 1.0
    centre_sd_share: float = CENTRE_SD_SHARE


@dataclass(frozen=True)
class StatedLens:
    """What is known of the lens before the photo is measured.

    Attributes
    ----------
    focal35_mm : float or None
        35 mm-equivalent focal length as the file states it.
    frame : Frame
        Whether the picture is all that the camera took.
    zoom : float
        Digital zoom ratio as the file states it (EXIF 2.3, tag DigitalZoomRatio), 1 where it does not.
    film : bool
        Whether the picture is a frame of a film, or of a phone's live picture, which is cut alike.
    """

    focal35_mm: float | None = None
    frame: Frame = Frame.WHOLE
    zoom: float = 1.0
    film: bool = False

    def possible(self, size_px: tuple[int, int], shares: tuple[float, float, float]) -> tuple[PossibleLens, ...]:
        """The lenses that the picture may have been taken through.

        Parameters
        ----------
        size_px : (width, height)
            Of the picture.
        shares : tuple of three float
            How likely each of the `UNSTATED_LENSES_MM` is where the file states none.
        """
        if self.focal35_mm is None:
            lenses = FILM_LENSES_MM if self.film else UNSTATED_LENSES_MM
            if self.frame is Frame.CUT:
                return (_cut(*lenses[0]),)
            return tuple(PossibleLens(*lens, share) for lens, share in zip(lenses, shares, strict=True))
        if self.frame is Frame.CUT:
            return (_cut(self.focal35_mm, FOCAL_RELATIVE_SD * self.focal35_mm),)
        factors = [zoom * sides for zoom in self._zooms() for sides in _sides(size_px)]
        middles = [factor * self.focal35_mm for factor in factors]
        return tuple(PossibleLens(middle, FOCAL_RELATIVE_SD * middle, 1 / len(middles)) for middle in middles)

    def misfit(self, focal35_mm: float, size_px: tuple[int, int]) -> float:
        """How far an equivalent focal length is from the stated one, in standard deviations; 0 where none is stated.

        Parameters
        ----------
        focal35_mm : float
            Over the diagonal of the picture, mm.
        size_px : (width, height)
            Of the picture.
        """
        if self.focal35_mm is None:
            return 0.0
        lenses = self.possible(size_px, (1.0, 0.0, 0.0))
        return min(((focal35_mm - lens.focal35_mm) / lens.sd_mm for lens in lenses), key=abs)

    @property
    def zoomed(self) -> bool:
        """Whether a digital zoom cut the picture out of the frame."""
        return self.zoom > _LEAST_ZOOM

    def _zooms(self) -> tuple[float, ...]:
        """Whether or not the phone took its zoom into account."""
        return (1.0, self.zoom) if self.zoomed else (1.0,)


NOTHING_STATED = StatedLens()
"""A photo of which nothing is known, and which is taken for a whole frame."""


def _sides(size_px: tuple[int, int]) -> tuple[float, ...]:
    """Factors on the focal length over the diagonal: as stated, and if the frame was cut from one of 4:3."""
    long, short = float(max(size_px)), float(min(size_px))
    if abs(long / short / SENSOR_RATIO - 1) < _LEAST_RATIO_AWAY:
        return (1.0,)
    whole = max(long, SENSOR_RATIO * short) * float(np.hypot(1, 1 / SENSOR_RATIO))
    return (1.0, whole / float(np.hypot(long, short)))


def _cut(focal35_mm: float, sd_mm: float) -> PossibleLens:
    """The lens over the diagonal of an unknown part of its frame."""
    relative = float(np.hypot(sd_mm / focal35_mm, CUT_FACTOR_SD / CUT_FACTOR))
    middle_mm = CUT_FACTOR * focal35_mm
    return PossibleLens(middle_mm, relative * middle_mm, centre_sd_share=CUT_CENTRE_SD_SHARE)

"""A made picture written as a phone writes a photo."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

from calibration.arrays import Picture

_EXIF, _FOCAL_35_MM = 0x8769, 0xA405  # EXIF 2.32, CIPA DC-008


def save_photo(path: Path, rgb: Picture, quality: int, focal35_mm: float | None = None) -> None:
    """Write a JPEG with halved colours and, where a focal length is given, EXIF that states it.

    Parameters
    ----------
    path : Path
        The file.
    rgb : (H, W, 3) uint8 ndarray
        The picture.
    quality : int
        Of JPEG, 1 to 95.
    focal35_mm : float, optional
        35 mm-equivalent focal length, which is rounded to whole mm as phones round it.  A frame of a film states none:
        a camera then counts as unknown, and lengths are worth what an unknown lens leaves of them.
    """
    exif = Image.Exif()
    if focal35_mm is not None:
        exif.get_ifd(_EXIF)[_FOCAL_35_MM] = round(focal35_mm)
    Image.fromarray(rgb).save(path, quality=quality, subsampling=2, exif=exif)

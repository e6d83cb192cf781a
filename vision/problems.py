"""What can be wrong with a photo of a child or an instrument, in words a parent understands.

The problems of the printed sheet and the camera are in `calibration.problems`; here are those of the file, of the
picture's quality, of the person and of the instrument.  Each advice is the one thing to do differently.
"""

from __future__ import annotations

from calibration.problems import Problem

# --- the file ---------------------------------------------------------------------------------------------------------

FILE_UNREADABLE = Problem(
    "file_unreadable",
    "This file cannot be read as a photo.",
    "Send the photo again as the phone saved it (JPEG, HEIC, PNG or WebP).",
)
FILE_DAMAGED = Problem(
    "file_damaged",
    "This photo arrived incomplete or damaged.",
    "Send the photo again and wait until it has been sent completely.",
)
FILE_TOO_LARGE = Problem(
    "file_too_large",
    "This photo is larger than we accept.",
    "Take the photo with the phone's normal resolution (about 12 megapixels).",
)
FILE_ANIMATED = Problem(
    "file_animated",
    "This file is a moving picture, not a single photo.",
    "Send one still photo.",
)
PHOTO_TOO_SMALL = Problem(
    "photo_too_small",
    "This photo has too few pixels to measure in.",
    "Send the original photo, not a thumbnail or a screenshot of it.",
)

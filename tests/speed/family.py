"""The family's wait: from the first byte of a photo's form to the page that says whether the photo is good."""

from __future__ import annotations

import io
import re
import secrets
import time
from pathlib import Path

import httpx
from PIL import Image

SENT_SIDE_PX = 3600
"""Longest side of a photo as the phone's page sends it, `service/web/static/photo.js`."""
SENT_QUALITY = 90
LONGEST_WAIT_S = 60.0


def as_sent(sample: Path) -> bytes:
    """A sample in the size in which a phone sends its photos, its focal length kept."""
    picture = Image.open(sample)
    factor = SENT_SIDE_PX / max(picture.size)
    size = (round(picture.width * factor), round(picture.height * factor))
    out = io.BytesIO()
    picture.resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=SENT_QUALITY, exif=picture.getexif())
    return out.getvalue()


def another(photo: bytes) -> bytes:
    """The same picture as a file of its own, by a comment (ITU-T T.81, B.2.4.5): the very same one is measured once."""
    comment = secrets.token_hex(16).encode()
    return photo[:2] + b"\xff\xfe" + (2 + len(comment)).to_bytes(2, "big") + comment + photo[2:]


def seconds_to_judgement(address: str, link: str, kind: str, photo: bytes, good: bool) -> float:
    """Send one photo as the page does; seconds until the page shows the judgement.

    Raises
    ------
    RuntimeError
        If the photo was judged otherwise than it should be.
    """
    with httpx.Client(base_url=address, timeout=LONGEST_WAIT_S, follow_redirects=True) as browser:
        form_token = re.search(r'name="form_token" value="([^"]+)"', browser.get(f"{link}/{kind}").text)
        assert form_token is not None
        fields = {"form_token": form_token[1], "client_key": secrets.token_hex(16)}
        photo = another(photo)
        start = time.perf_counter()
        answer = browser.post(f"{link}/{kind}", data=fields, files={"photo": ("photo.jpg", photo, "image/jpeg")})
        while 'http-equiv="refresh"' in answer.text and time.perf_counter() - start < LONGEST_WAIT_S:
            time.sleep(0.2)
            answer = browser.get(answer.url.path)
        seconds = time.perf_counter() - start
    accepted = "overlay.jpg" in answer.text and 'role="alert"' not in answer.text  # a refused one is shown as well
    if (answer.status_code, accepted) != (200, good):
        raise RuntimeError(f"the {kind} photo was not judged as it should be")
    return seconds

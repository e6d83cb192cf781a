"""Time the main job as its users meet it: the command from cold, a verdict over HTTP, and the decisions alone.

Photos are the samples resized to 5 megapixels; those of the family's page are as large as a phone sends them.  Every
figure is the median of several runs after one warm-up; absolute times belong to the machine that printed them.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from statistics import median

import httpx
from PIL import Image

from tests.speed.decisions import decision_tasks
from tests.speed.family import as_sent, seconds_to_judgement
from tests.speed.reviewing import moving_task, seeded_folder

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
COMMAND = Path(sys.executable).with_name("scrollreach")
PIXELS = 5_000_000
PALM_SHARE, BOTTOM_SHARE = (0.709, 0.443), (0.169, 0.358)
"""Where the palm and the lower edge of the body lie in the samples, over their width and height."""
FAMILY_PHOTOS = {
    "good photo of the child": ("arm", "child-1.jpg", True),
    "good photo of the instrument": ("instrument", "instrument-1.jpg", True),
    "photo of the child, elbow bent": ("arm", "child-elbow-bent.jpg", False),
    "blurred photo of the instrument": ("instrument", "instrument-blurred.jpg", False),
}
"""What a family sends, 3600 pixels long as its page makes them: kind, sample, whether it is good."""


def five_megapixels(source: Path, folder: Path) -> Path:
    """Write `source` at 5 megapixels, its EXIF kept."""
    picture = Image.open(source)
    factor = (PIXELS / (picture.width * picture.height)) ** 0.5
    target = folder / source.name
    resized = picture.resize((round(picture.width * factor), round(picture.height * factor)), Image.Resampling.LANCZOS)
    resized.save(target, quality=92, exif=picture.getexif())
    return target


def timed(task: Callable[[], object], runs: int) -> list[float]:
    """Seconds of each of `runs` runs, after one that does not count."""
    task()
    seconds = []
    for _ in range(runs):
        start = time.perf_counter()
        task()
        seconds.append(time.perf_counter() - start)
    return seconds


def of_picture(photo: Path, share: tuple[float, float]) -> tuple[float, float]:
    """Pixel position of a place given as shares of a picture's width and height."""
    with Image.open(photo) as picture:
        return share[0] * picture.width, share[1] * picture.height


def waits(send: Callable[[], float], runs: int) -> list[float]:
    """Seconds of each of `runs` waits, after one that does not count."""
    send()
    return [send() for _ in range(runs)]


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """Run `scrollreach serve` with its data in `folder`; gives its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = os.environ | {"SCROLLREACH_DATA_FOLDER": str(folder / "data")}
    command = [str(COMMAND), "serve", "--port", str(port)]
    with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        address = f"http://127.0.0.1:{port}"
        try:
            for _ in range(300):
                try:
                    if httpx.get(f"{address}/api/v1/ready", timeout=2).status_code == 200:
                        break
                except httpx.TransportError:
                    pass
                time.sleep(0.2)
            else:
                raise RuntimeError("the server did not become ready")
            yield address
        finally:
            process.terminate()
            process.wait(20)


def main() -> None:
    """Print the table, or JSON with ``--json FILE``."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed", description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        child = five_megapixels(SAMPLES / "child-1.jpg", folder)
        instrument = five_megapixels(SAMPLES / "instrument-1.jpg", folder)
        rows = {
            "command from cold to a verdict, two 5-megapixel photos": timed(
                lambda: cold(child, instrument), options.runs
            )
        }
        seeded = seeded_folder(folder / "data", child, instrument)
        with server(folder) as address:
            rows["verdict over HTTP, warm, two 5-megapixel photos"] = timed(
                lambda: warm(address, child, instrument), options.runs
            )
            for what, upload_id, photo, point, place in (
                ("the arm", seeded.arm_upload_id, child, "mid_palm", PALM_SHARE),
                ("the instrument", seeded.instrument_upload_id, instrument, "body_bottom", BOTTOM_SHARE),
            ):
                start_px = of_picture(photo, place)
                moves = moving_task(address, seeded, upload_id, point, start_px)
                rows[f"moving a point of {what} in the review"] = timed(moves, 4 * options.runs)
            link = f"/f/{seeded.family}"
            for title, (kind, sample, good) in FAMILY_PHOTOS.items():
                send = partial(seconds_to_judgement, address, link, kind, as_sent(SAMPLES / sample), good)
                rows[f"family's page, sent to judged: {title}"] = waits(send, options.runs)
    for title, task in decision_tasks():
        rows[title] = timed(task, 5 * options.runs)
    width = max(map(len, rows))
    for title, seconds in rows.items():
        print(f"{title:<{width}}  median {median(seconds) * 1000:9.1f} ms  (n = {len(seconds)})")
    if options.json:
        measured = [
            {"what": title, "median_s": round(median(seconds), 5), "runs": len(seconds)}
            for title, seconds in rows.items()
        ]
        options.json.write_text(json.dumps({"machine": machine(), "rows": measured}, indent=1) + "\n")


def machine() -> str:
    """What the figures were measured on, in a few words."""
    return f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"


def cold(child: Path, instrument: Path) -> None:
    """Run the whole command once."""
    command = [str(COMMAND), "fit", "--child", str(child), "--instrument", str(instrument), "--json"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def warm(address: str, child: Path, instrument: Path) -> None:
    """Ask a running server for a verdict once."""
    files = [
        ("child_photos", (child.name, child.read_bytes(), "image/jpeg")),
        ("instrument_photos", (instrument.name, instrument.read_bytes(), "image/jpeg")),
    ]
    answer = httpx.post(f"{address}/api/v1/verdicts", files=files, timeout=60)
    answer.raise_for_status()
    if not answer.json()["usable"]:
        raise RuntimeError("the sample photos were refused")


if __name__ == "__main__":
    main()

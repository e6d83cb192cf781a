"""What a process lets go of: read-only pages of a file, which are there again when they are read."""

from __future__ import annotations

import mmap
import sys
from pathlib import Path

import pytest

from vision.networks.memory import let_go_of_file

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux alone is asked")
SIZE = 4 * 2**20


def resident_kb(path: Path) -> int:
    """Pages of a file that this process holds, kB."""
    lines = iter(Path("/proc/self/smaps").read_text().splitlines())
    return sum(
        int(next(each for each in lines if each.startswith("Rss:")).split()[1]) for line in lines if str(path) in line
    )


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "weights.bin"
    path.write_bytes(bytes(range(256)) * (SIZE // 256))
    return path


def test_pages_of_a_file_mapped_for_reading_go_and_come_again(file: Path) -> None:
    with file.open("rb") as opened, mmap.mmap(opened.fileno(), 0, mmap.MAP_SHARED, mmap.PROT_READ) as mapped:
        before = bytes(mapped)
        assert resident_kb(file) == SIZE // 1024
        assert let_go_of_file("weights.bin") == SIZE
        assert resident_kb(file) == 0
        assert bytes(mapped) == before


def test_pages_that_may_have_been_written_stay(file: Path) -> None:
    """They would be read from the file again, and what was written lost."""
    with (
        file.open("rb") as opened,
        mmap.mmap(opened.fileno(), 0, mmap.MAP_PRIVATE, mmap.PROT_READ | mmap.PROT_WRITE) as own,
    ):
        own[:3] = b"new"
        assert let_go_of_file("weights.bin") == 0
        assert own[:3] == b"new"


def test_other_files_stay(file: Path) -> None:
    with file.open("rb") as opened, mmap.mmap(opened.fileno(), 0, mmap.MAP_SHARED, mmap.PROT_READ) as mapped:
        assert mapped[-1] == 255
        assert let_go_of_file("eights.bin") == 0
        assert resident_kb(file) > 0

"""The house itself: what stands at the top, which way imports run, and what may not be written anywhere."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "requirements.txt"}
TOP |= {"requirements-dev.txt", "service", "vision", "calibration", "tests", "sample_images"}
TEXT = {".py", ".md", ".toml", ".txt", ".html", ".css", ".js", ".svg", ".po", ".csv", ".json", ".sh", ""}


def tracked() -> list[Path]:
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("not a git checkout, so what is tracked is not known")
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    return [ROOT / name for name in listing.stdout.split("\0") if name and (ROOT / name).exists()]


def test_only_the_agreed_things_stand_at_the_top() -> None:
    top = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} - TOP == set()


def test_imports_run_one_way() -> None:
    command = [str(Path(sys.executable).with_name("lint-imports"))]
    outcome = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert outcome.returncode == 0, outcome.stdout


def test_requirements_are_pinned_by_hash_and_name_no_index() -> None:
    for name in ("requirements.txt", "requirements-dev.txt"):
        lines = (ROOT / name).read_text().splitlines()
        pins = [line for line in lines if "==" in line]
        assert len(pins) > 20
        assert all(line.endswith("\\") for line in pins), "a requirement without a hash"
        assert not any("://" in line or line.startswith(("-i", "--index", "--extra")) for line in lines)


def test_no_path_of_one_machine_is_written_down() -> None:
    pattern = re.compile(r"(?<![\w.])/(?:" + "|".join(["work", "root", "farm"]) + r")/[a-zA-Z.]")
    guilty = [path for path in tracked() if path.suffix in TEXT and pattern.search(path.read_text(errors="ignore"))]
    assert guilty == []

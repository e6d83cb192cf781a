"""README says what the program and the benchmark say."""

import re
import subprocess
import sys

import pytest

from tests.readme import README, ROOT, with_blocks


def test_generated_blocks_are_up_to_date() -> None:
    assert README.read_text() == with_blocks(README.read_text())


def test_the_check_runs_readmes_test_command() -> None:
    command = re.search(r"^python3 -m venv \.venv && (.* && \.venv/bin/pytest -n 2)$", README.read_text(), re.MULTILINE)
    assert command is not None
    check = (ROOT / ".ci" / "run").read_text()
    for part in command[1].split(" && "):
        assert part in check


def test_every_picture_and_file_named_exists() -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", README.read_text()):
        assert (ROOT / target).exists(), target


@pytest.mark.parametrize("chore", ["tests.readme", "tests.samples", "tests.service.fit.kept", "tests.speed.camera"])
def test_a_chore_that_is_asked_for_help_gives_it_and_does_nothing_else(chore: str) -> None:
    asked = subprocess.run([sys.executable, "-m", chore, "--help"], cwd=ROOT, capture_output=True, text=True)
    assert asked.returncode == 0, asked.stderr
    assert asked.stdout.startswith(f"usage: python -m {chore}")

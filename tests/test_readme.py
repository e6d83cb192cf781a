"""README says what the program and the benchmark say."""

import re

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

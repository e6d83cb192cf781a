"""Odd surroundings of the command: a full disk, a file without end, a terminal of few letters, an early Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from service.records.export import tame
from service.settings import misspelt

COMMAND = [sys.executable, "-m", "service.cli"]
ORDER = ["order", "--arm-mm", "450±6"]


def ran(words: list[str], **options: object) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([*COMMAND, *words], stderr=subprocess.PIPE, timeout=120, check=False, **options)  # type: ignore[call-overload, no-any-return]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_a_full_disk_is_one_sentence() -> None:
    with Path("/dev/full").open("wb") as full:
        done = ran(ORDER, stdout=full)
    assert done.returncode == 1
    assert done.stderr.decode().strip() == "Error: Cannot write the answer: No space left on device."


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="there is no /dev/zero here")
@pytest.mark.parametrize("words", [["arm", "/dev/zero"], [*ORDER, "--chart", "/dev/zero"]])
def test_a_file_without_end_is_no_file(words: list[str]) -> None:
    done = ran(words, stdout=subprocess.PIPE)
    assert done.returncode == 2
    assert b"/dev/zero is not a file" in done.stderr


def test_a_name_that_the_terminal_cannot_write_is_escaped(tmp_path: Path) -> None:
    photo = tmp_path / "🎻.jpg"
    photo.write_bytes(b"no photo")
    done = ran(["instrument", str(photo)], stdout=subprocess.PIPE, env=os.environ | {"PYTHONIOENCODING": "latin-1"})
    assert done.returncode == 3
    assert b"Traceback" not in done.stderr
    assert b"\\U0001f3bb.jpg" in done.stdout


def _hear_an_interrupt() -> None:
    """What a shell starts in the background is deaf to it, and so would be whatever these tests start there."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.parametrize("after_s", [0.3, 0.8, 1.2, 2.0])
def test_an_early_stop_is_quiet(after_s: float) -> None:
    photo = Path(__file__).resolve().parents[3] / "sample_images" / "child-1.jpg"
    command = [*COMMAND, "arm", *[str(photo)] * 24]  # more than any machine measures meanwhile
    process = subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
        preexec_fn=_hear_an_interrupt,
    )
    time.sleep(after_s)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: every process of the command hears of it
    _, said = process.communicate(timeout=60)
    assert b"Traceback" not in said, said.decode()
    assert process.returncode in (130, -signal.SIGINT)  # by itself, or before Python listened


def test_a_misspelt_setting_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SCROLLREACH_PHOTO_DAY", "3")
    monkeypatch.setenv("SCROLLREACH_SETTINGS", "no-such.toml")
    done = ran(["serve"], stdout=subprocess.PIPE)
    assert done.returncode == 2
    assert b"SCROLLREACH_PHOTO_DAY is no setting; did you mean SCROLLREACH_PHOTO_DAYS?" in done.stderr
    assert len(misspelt()) == 2


def test_a_role_of_its_own_needs_a_shared_database() -> None:
    done = ran(["serve", "--role", "web"], stdout=subprocess.PIPE)
    assert done.returncode == 2
    assert done.stderr.decode().splitlines()[-1].startswith("Error: A process of its own for web needs a database")


@pytest.mark.parametrize("text", ["=1+1", "＝1+1", "  =1", "\t=1", "＋1", "－1", "＠SUM(1)", "\n=1"])
def test_no_name_becomes_a_formula(text: str) -> None:
    # OWASP, "CSV Injection": = + - @ and their full-width forms, tab and line ends
    assert tame(text).startswith("'")
    assert tame("Mo = 3") == "Mo = 3"

"""The programs that DEVELOPERS.md shows to shops, run as they stand there against a running service."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from standardwebhooks import Webhook as Signature

from service.api.callers import Scope
from service.records.columns import fresh_id
from service.records.tables import ApiKey
from service.security import digest
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock, seed
from tests.service.serving import Serving, serving
from tests.service.web.test_shop import Receiver, receiving

SHOWN = (Path(__file__).resolve().parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
SECTION = SHOWN.split("## A shop's program")[1].split("\n## ")[0]


@dataclass(frozen=True)
class Till:
    """Where a shop's program runs."""

    service: Serving
    receiver: Receiver
    key: str
    folder: Path

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        said = {"SCROLLREACH": self.service.address, "KEY": self.key, "RECEIVER": self.receiver.address}
        return subprocess.run(
            command, env=os.environ | said, cwd=self.folder, capture_output=True, text=True, timeout=120
        )


@pytest.fixture
def till(tmp_path: Path) -> Iterator[Till]:
    clock = SetClock(datetime.now(UTC))
    with (
        receiving() as receiver,
        serving(tmp_path / "data", clock, Recorded(), open_interface="off", webhooks_private=True) as service,
    ):
        seeded = seed(service.house)
        with service.house.store.for_studio(seeded.studio_id) as records:
            records.add(
                ApiKey(
                    studio_id=seeded.studio_id,
                    name="Till",
                    token_digest=digest(key := fresh_id()),
                    a_minute=1000,
                    scopes=" ".join(Scope),
                    created_at=clock.now(),
                )
            )
        yield Till(service, receiver, key, tmp_path)


def shown(language: str) -> str:
    found = re.findall(rf"```{language}\n(.*?)```", SECTION, re.DOTALL)
    assert len(found) == 1
    return str(found[0])


def test_the_python_program_does_what_it_shows(till: Till) -> None:
    ended = till.run(sys.executable, "-c", shown("python"))
    assert ended.returncode == 0, ended.stderr
    lines = ended.stdout.splitlines()
    assert lines[0] == "2 would be new"
    assert any(line.startswith("suits Shelf 31 ") for line in lines)
    assert any(line.startswith("too_large Shelf 32 ") for line in lines)
    assert lines[-1] == "1 checked; Shelf 14, Shelf 31 for 2031-118"


def test_the_python_program_says_what_is_wrong(till: Till) -> None:
    ended = till.run(sys.executable, "-c", shown("python").replace("250±2", "12"))
    assert ended.returncode == 1
    assert "Row 2, body_length: 12 mm is too short" in ended.stderr


def test_the_shells_program_does_what_it_shows(till: Till) -> None:
    ended = till.run("bash", "-e", "-c", shown("bash"))
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert '"added":0,"changed":0,"unchanged":2' in ended.stdout
    assert (till.folder / "shelf.csv").read_text(encoding="utf-8").startswith("id,name,label,body_length")
    deadline = time.monotonic() + 20
    while not till.receiver.received:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    secret = ended.stdout.strip().splitlines()[-1]
    assert Signature(secret).verify(*till.receiver.received[0])["type"] == "test"

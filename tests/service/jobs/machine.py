"""One of several machines, to be killed: measuring is replaced by a pause and noted, everything else is real."""

from __future__ import annotations

from pathlib import Path

import uvicorn

from service.measuring.outcome import ArmQuestion, Outcome
from service.settings import Settings
from service.web.app import create_app
from tests.service.conftest import Recorded

PAUSE_S = 0.2


class Noting(Recorded):
    """Notes in a file which photos it measured."""

    def __init__(self, notes: Path) -> None:
        super().__init__(PAUSE_S)
        self.notes = notes

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        outcome = await super().arm(data, name, question)
        with self.notes.open("a") as notes:
            notes.write(data.decode() + "\n")
        return outcome


def serve(role: str, folder: str, port: int, notes: str) -> None:
    """Serve until killed; where the database and the photos are, the environment says."""
    settings = Settings(data_folder=Path(folder), port=port, role=role, workers=2, family_tries=100_000)  # type: ignore[arg-type]
    app = create_app(settings, Noting(Path(notes)))
    uvicorn.run(app, host="127.0.0.1", port=port, log_level="critical", access_log=False)

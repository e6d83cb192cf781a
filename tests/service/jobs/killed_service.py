"""The service in a process of its own, to be killed: measuring is replaced by a pause, everything else is real."""

from __future__ import annotations

from pathlib import Path

import uvicorn

from service.settings import Settings
from service.web.app import create_app
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock


def serve(folder: str, port: int) -> None:
    """Serve until killed."""
    app = create_app(Settings(data_folder=Path(folder), port=port, family_tries=10_000), Recorded(0.15), SetClock())
    uvicorn.run(app, host="127.0.0.1", port=port, log_level="critical", access_log=False)

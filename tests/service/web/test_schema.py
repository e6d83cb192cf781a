"""The HTTP interface against its own description: whatever is sent, no answer is a server error."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings

from service.settings import Settings
from service.web.app import create_app

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")


def test_no_server_error(tmp_path: Path) -> None:
    app = create_app(Settings(data_folder=tmp_path, workers=1, interface_tries=10_000))
    with TestClient(app, raise_server_exceptions=True) as client:
        tried = []
        # the description is read and asked through the one client: a second start would find the data folder in use
        for found in schemathesis.openapi.from_dict(client.get("/api/v1/openapi.json").json()).get_all_operations():
            operation = found.ok()
            tried.append(operation.label)
            _try(operation, client)
    assert len(tried) >= 6


def _try(operation: Any, client: TestClient) -> None:
    @given(case=operation.as_strategy())
    @settings(max_examples=6, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    def run(case: Any) -> None:
        answer = client.request(**case.as_transport_kwargs(base_url="http://testserver"))
        assert answer.status_code < 500 or operation.path.endswith("/ready"), (operation.label, answer.text)

    run()

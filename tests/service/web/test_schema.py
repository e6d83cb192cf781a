"""The HTTP interface against its own description: whatever is sent, no answer is a server error."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")

from hypothesis import HealthCheck, settings  # noqa: E402
from schemathesis.checks import not_a_server_error  # noqa: E402

from service.settings import Settings  # noqa: E402
from service.web.app import create_app  # noqa: E402


@pytest.fixture(scope="module")
def interface(tmp_path_factory: pytest.TempPathFactory) -> Iterator[object]:
    app = create_app(Settings(data_folder=tmp_path_factory.mktemp("schema"), workers=1))
    from fastapi.testclient import TestClient

    with TestClient(app):
        yield schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)


schema = schemathesis.pytest.from_fixture("interface")


@schema.parametrize()
@settings(
    max_examples=8,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
def test_no_server_error(case: object) -> None:
    case.call_and_validate(checks=[not_a_server_error])  # type: ignore[attr-defined]

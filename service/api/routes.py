"""All routes of the HTTP interface."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse

from service.api import (
    fit_routes,
    health_routes,
    measurement_routes,
    open_order_routes,
    shelf_routes,
    verdict_routes,
    webhook_routes,
)


def include_interface(app: FastAPI) -> None:
    """Add every route of the HTTP interface to `app`, and their description."""
    app.add_api_route("/api/v1/openapi.json", _description, include_in_schema=False)
    rooms = (
        *(measurement_routes, verdict_routes, fit_routes),
        *(shelf_routes, open_order_routes, webhook_routes),
        health_routes,
    )
    for room in rooms:
        for each in getattr(room, "ROUTERS", (room.router,)):
            app.include_router(each)


def _description(request: Request) -> JSONResponse:
    """What can be asked, as OpenAPI; made once, in a thread."""
    described: dict[str, Any] = request.app.openapi()
    return JSONResponse(described)

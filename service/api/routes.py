"""All routes of the HTTP interface."""

from __future__ import annotations

from fastapi import FastAPI

from service.api import fit_routes, health_routes, measurement_routes, shelf_routes, shop_routes, verdict_routes


def include_interface(app: FastAPI) -> None:
    """Add every route of the HTTP interface to `app`."""
    for room in (measurement_routes, verdict_routes, fit_routes, shelf_routes, shop_routes, health_routes):
        for each in getattr(room, "ROUTERS", (room.router,)):
            app.include_router(each)

"""All pages of the service."""

from __future__ import annotations

from fastapi import FastAPI

from service.settings import Settings
from service.web import public, quick, reports
from service.web.family import camera, phone
from service.web.family import pages as family
from service.web.gate import sign_in
from service.web.teacher import charts, children, instruments, requests, review, studio


def include_pages(app: FastAPI, settings: Settings) -> None:
    """Add every page; the quick page only where it is switched on."""
    if settings.quick_page:
        app.include_router(quick.router, include_in_schema=False)
    for room in (
        public,
        sign_in,
        phone,
        camera,
        family,
        reports,
        children,
        requests,
        review,
        instruments,
        charts,
        studio,
    ):
        app.include_router(room.router, include_in_schema=False)

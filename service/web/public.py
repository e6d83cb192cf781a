"""Pages for everybody: what happens to photos, and where to start when the quick page is off."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from service.web.gate.guard import TheHouse
from service.web.pages import go_to, page

router = APIRouter()


@router.get("/privacy")
def privacy(request: Request, parts: TheHouse) -> HTMLResponse:
    """Say in plain words what happens to a photo."""
    return page(request, "privacy.html", settings=parts.settings)


@router.get("/start")
def start() -> RedirectResponse:
    """Where a signed-in teacher begins."""
    return go_to("/children")

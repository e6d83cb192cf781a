"""Pages for everybody: what happens to photos, and where to start when the quick page is off."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.web.gate.guard import TheHouse, nothing_here
from service.web.pages import go_to, page

router = APIRouter()


@router.get("/privacy")
def privacy(request: Request, parts: TheHouse) -> HTMLResponse:
    """Say in plain words what happens to a photo."""
    return page(request, "privacy.html", settings=parts.settings)


@router.get("/certificate.crt")
def certificate(parts: TheHouse) -> Response:
    """The certificate that a phone of the home network can be told to trust, where this machine made one."""
    if not parts.settings.has_own_certificate:
        raise nothing_here()
    content = (parts.settings.certificate_folder / "authority.crt").read_bytes()
    return Response(content, media_type="application/x-x509-ca-cert")


@router.get("/start")
def start() -> RedirectResponse:
    """Where a signed-in teacher begins."""
    return go_to("/children")

"""What makes the family's pages stay with a phone: offline start page, service worker, and the way onto the screen.

None of it holds anything about a child: the offline page and the worker are the same for everybody.
"""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse

from service.web.gate.guard import Family
from service.web.language import page_language, translator
from service.web.pages import page
from service.words.i18n import marked

router = APIRouter(prefix="/f")
WORKER = Path(__file__).parents[1] / "static" / "worker.js"
NAME = marked("Scrollreach: photos for the teacher")


@router.get("/worker.js")
def worker() -> FileResponse:
    """The service worker of the family's pages; looked at anew each time, as browsers do anyway after a day."""
    return FileResponse(WORKER, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/offline")
def offline(request: Request) -> HTMLResponse:
    """What is shown without a connection."""
    return page(request, "family/offline.html")


@router.get("/{token}/app.webmanifest")
def manifest(request: Request, who: Family) -> JSONResponse:
    """How a family's link stands on a phone's screen."""
    return app_manifest(request, NAME, start=f"/f/{who.token}", scope=f"/f/{who.token}")


def app_manifest(request: Request, name: str, start: str, scope: str) -> JSONResponse:
    """How pages stand on a phone's screen (W3C, Web Application Manifest)."""
    language = page_language(request)
    icons = [
        {"src": f"/static/icons/{size}.png", "sizes": f"{size}x{size}", "type": "image/png", "purpose": purpose}
        for size in (192, 512)
        for purpose in ("any", "maskable")
    ]
    return JSONResponse(
        {
            "id": start,
            "name": translator(language)(name),
            "short_name": "Scrollreach",
            "lang": language,
            "start_url": start,
            "scope": scope,
            "display": "standalone",
            "background_color": "#f8f2e6",
            "theme_color": "#8c3a1a",
            "icons": icons,
        },
        media_type="application/manifest+json",
    )

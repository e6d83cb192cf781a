"""The page on which the phone's camera says what to do and takes the photos itself; and what it loads for that.

All looking happens on the phone (`static/camera`): the sheet is read by a small reader of ours that is given the table
of `calibration.sheet`, the person by networks from a published package (`static/vendor`), loaded once and kept for
offline use.  Photos go the way of every other photo, when the parent sends them.
"""

from __future__ import annotations

import json
import secrets
from functools import cache
from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, HTMLResponse, Response

from calibration.sheet import MARKERS_PER_SHEET, all_layouts, marker_modules
from service.security import CAMERA_POLICY
from service.web.family.pages import Kind, open_request, steps
from service.web.gate.guard import Family, FamilyRecords, nothing_here
from service.web.pages import go_to, page

router = APIRouter()
STATIC = Path(__file__).parents[1] / "static"
VENDOR = STATIC / "vendor"
MODEL = "pose-0.10.21/pose_lite.task"
FOR_EVER = "public, max-age=31536000, immutable"
"""What lies in `static/vendor` has its version in its address."""
A_DAY = "public, max-age=86400"
TYPES = {".js": "text/javascript", ".wasm": "application/wasm", ".md": "text/markdown; charset=utf-8"}
CAMERA_VIEWS = 4
"""Views that the camera takes by itself: each further one adds less; our choice between three and five."""
POLICY = {"Content-Security-Policy": CAMERA_POLICY}


@router.get("/f/camera-worker.js")
def worker() -> FileResponse:
    """What looks at the pictures; its policy alone, and that of its page, lets WebAssembly run."""
    return FileResponse(
        STATIC / "camera" / "worker.js", media_type="text/javascript", headers=POLICY | {"Cache-Control": "no-cache"}
    )


@router.get("/f/sheet-markers.json")
def markers() -> Response:
    """Where which marker is printed on which sheet, mm, and its modules."""
    return Response(_markers(), media_type="application/json", headers={"Cache-Control": A_DAY})


@router.get("/static/vendor/{package}/{name}")
def vendor(package: str, name: str) -> Response:
    """A file of a published package, compressed where it is kept so."""
    folder = VENDOR / package
    if folder.parent != VENDOR or not folder.is_dir() or Path(name).name != name:
        raise nothing_here()
    headers = {"Cache-Control": FOR_EVER}
    kind = TYPES.get(Path(name).suffix, "application/octet-stream")
    if (folder / f"{name}.gz").is_file():
        return FileResponse(folder / f"{name}.gz", media_type=kind, headers=headers | {"Content-Encoding": "gzip"})
    if not (folder / name).is_file():
        raise nothing_here()
    return FileResponse(folder / name, media_type=kind, headers=headers)


@router.get("/f/{token}/camera/{kind}")
def camera_page(request: Request, who: Family, records: FamilyRecords, kind: Kind) -> Response:
    """Take the photos with the camera's help."""
    asked = open_request(records, who)
    if asked.consent_at is None:
        return go_to(f"/f/{who.token}")
    answer: HTMLResponse = page(
        request,
        "family/camera.html",
        **steps(records, who, asked, kind),
        stay=f"camera/{kind}",
        kind=kind,
        client_key=secrets.token_hex(16),
        views=CAMERA_VIEWS,
        model_bytes=(VENDOR / MODEL).stat().st_size,
    )
    answer.headers.update(POLICY)
    return answer


@cache
def _markers() -> str:
    sheets = [
        {
            "name": layout.name,
            "page": layout.page.corners_mm.round(3).tolist(),
            "markers": [box.corners_mm.round(3).tolist() for box in layout.marker_boxes],
        }
        for layout in all_layouts()
    ]
    modules = ["".join("1" if white else "0" for white in marker.ravel()) for marker in marker_modules()]
    return json.dumps({"perSheet": MARKERS_PER_SHEET, "modules": modules, "sheets": sheets}, separators=(",", ":"))

"""Whether the process lives, and whether it can measure."""

from __future__ import annotations

from fastapi import APIRouter, Response
from pydantic import BaseModel

from service.api.measurement_routes import Pool

router = APIRouter(prefix="/api/v1")


class State(BaseModel):
    """One word about the service."""

    status: str


@router.get("/health", response_model=State, summary="The process lives")
def health() -> State:
    """Answer as long as the process runs."""
    return State(status="alive")


@router.get(
    "/ready",
    response_model=State,
    summary="It can measure",
    responses={503: {"model": State, "description": "Not yet."}},
)
async def ready(pool: Pool, response: Response) -> State:
    """Answer "ready" once a measuring process has loaded its models."""
    if await pool.is_ready():
        return State(status="ready")
    response.status_code = 503
    return State(status="starting")

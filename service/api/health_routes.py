"""Whether the service is well, and whether it can measure."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, Field

from service.api.measurement_routes import Pool
from service.jobs.keeper import Condition, Fault

router = APIRouter(prefix="/api/v1")


class Health(BaseModel):
    """How the service is."""

    status: Literal["well", "unwell"]
    faults: list[Fault] = Field(
        description="What is wrong: the records do not answer, the disk is nearly full, photos wait too long, or "
        "nobody has looked for a minute."
    )


class State(BaseModel):
    """One word about the service."""

    status: str


@router.get(
    "/health",
    response_model=Health,
    summary="The service is well",
    responses={503: {"model": Health, "description": "Something is wrong."}},
)
async def health(request: Request, response: Response) -> Health:
    """Say what is wrong, as it was seen some seconds ago: the answer waits for nothing."""
    condition: Condition = request.app.state.keeper.condition
    faults = condition.faults()
    if faults:
        response.status_code = 503
    return Health(status="unwell" if faults else "well", faults=faults)


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

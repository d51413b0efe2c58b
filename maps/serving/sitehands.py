"""Addresses of a border drawn by hand: try it, keep it, take it back."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from geo.errors import UsageError
from maps.pages import handzones
from maps.serving.workspace import Workspace

Handler = Callable[[Request], Awaitable[Response]]


def hand_routes(work: Workspace) -> list[tuple[str, Handler]]:
    """Addresses that are asked by POST, with what answers them."""

    async def try_border(request: Request) -> Response:
        season, slug, asked = await _asked(request)
        boundary = handzones.boundary_of(asked.get("lines"))
        answer = await run_in_threadpool(
            handzones.tried, work, season, work.block(slug), _amendment(asked), boundary
        )
        return JSONResponse(answer)

    async def keep_border(request: Request) -> Response:
        season, slug, asked = await _asked(request)
        boundary = handzones.boundary_of(asked.get("lines"))
        answer = await run_in_threadpool(
            handzones.keep, work, season, work.block(slug), _amendment(asked), boundary
        )
        await run_in_threadpool(work.warm_again)
        return JSONResponse(answer)

    async def let_border_go(request: Request) -> Response:
        _, slug, asked = await _asked(request)
        answer = await run_in_threadpool(
            handzones.let_go, work, work.block(slug), _amendment(asked)
        )
        await run_in_threadpool(work.warm_again)
        return JSONResponse(answer)

    return [
        ("/{season:int}/{slug}/border/try", try_border),
        ("/{season:int}/{slug}/border/keep", keep_border),
        ("/{season:int}/{slug}/border/away", let_border_go),
    ]


async def _asked(request: Request) -> tuple[int, str, dict[str, Any]]:
    """Season, block and what was sent."""
    try:
        sent = await request.json()
    except ValueError:
        sent = None
    if not isinstance(sent, dict):
        raise UsageError("A border is sent as lines of places.")
    return request.path_params["season"], request.path_params["slug"], sent


def _amendment(asked: dict[str, Any]) -> str:
    return str(asked.get("amendment", ""))

"""Addresses of a border drawn by hand: try it, keep it, take it back."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from geo.blocks import Block
from maps.pages import handzones
from maps.serving.sent import sent_by
from maps.serving.workspace import Workspace

Handler = Callable[[Request], Awaitable[Response]]


def hand_routes(work: Workspace) -> list[tuple[str, Handler]]:
    """Addresses that are asked by POST, with what answers them."""

    def place(request: Request) -> tuple[int, Block]:
        return request.path_params["season"], work.block(request.path_params["slug"])

    async def try_border(request: Request) -> Response:
        season, block = place(request)
        asked = await sent_by(request)
        boundary = handzones.boundary_of(asked.get("lines"))
        answer = await run_in_threadpool(
            handzones.tried, work, season, block, _amendment(asked), boundary
        )
        return JSONResponse(answer)

    async def keep_border(request: Request) -> Response:
        season, block = place(request)
        asked = await sent_by(request)
        boundary = handzones.boundary_of(asked.get("lines"))
        answer = await run_in_threadpool(
            handzones.keep, work, season, block, _amendment(asked), boundary
        )
        await run_in_threadpool(work.warm_again)
        return JSONResponse(answer)

    async def let_border_go(request: Request) -> Response:
        _, block = place(request)
        asked = await sent_by(request)
        answer = await run_in_threadpool(handzones.let_go, work, block, _amendment(asked))
        await run_in_threadpool(work.warm_again)
        return JSONResponse(answer)

    return [
        ("/{season:int}/{slug}/border/try", try_border),
        ("/{season:int}/{slug}/border/keep", keep_border),
        ("/{season:int}/{slug}/border/away", let_border_go),
    ]


def _amendment(asked: dict[str, Any]) -> str:
    return str(asked.get("amendment", ""))

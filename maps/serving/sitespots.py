"""Addresses of a plan made again with what the grower insists on."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from geo.blocks import Block
from geo.errors import UsageError
from maps.pages import spots as spots_page
from maps.pages import spotwishes
from maps.serving.planning import block_planning
from maps.serving.sent import sent_by
from maps.serving.workspace import Workspace

Handler = Callable[[Request], Awaitable[Response]]


def spot_routes(work: Workspace) -> list[tuple[str, Handler]]:
    """Addresses that are asked by POST, with what answers them."""

    async def plan_again(request: Request) -> Response:
        """Check the wishes and plan the block in the background; nothing is stored before."""
        season, block = request.path_params["season"], work.block(request.path_params["slug"])
        sent = await sent_by(request)
        asked = await run_in_threadpool(_read, work, season, block, sent)
        if work.run is not None and work.run.busy:
            raise UsageError(
                f"{work.run.word} is going on already. Plan when it is done; your wishes stay here."
            )
        key = (season, block.slug)
        work.spot_wishes[key] = asked.sent
        said = work.told[spotwishes.told_key(season, block)] = []

        def done() -> None:
            work.spot_wishes.pop(key, None)

        work.run = block_planning(
            work.folder, season, block, asked.wishes, budget=asked.budget, doubt=asked.doubt,
            done=done, said=said,
        )  # fmt: skip
        work.run.start()
        return JSONResponse({"said": f"Planning {block.name} again."})

    return [("/{season:int}/{slug}/spots/plan", plan_again)]


def _read(work: Workspace, season: int, block: Block, sent: Any) -> spotwishes.Asked:
    plan = spots_page.plan_of(work, season, block)
    return spotwishes.asked_of(sent, block, None if plan is None else len(plan.spots))

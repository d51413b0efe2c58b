"""The browser app: routes of one farm, or of a folder of farms.

`create_app` gives an ASGI application that answers on this machine only, changes nothing on GET,
and uses the functions of the command line for everything it computes. This module and those of
`maps.serving` whose names begin with `site` (and `sent`) know the web framework, no other does:
they read a request, call a page or a change by its own words, and answer.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from geo.errors import SoilquiltError
from maps.assets import STATIC, TEMPLATES
from maps.disk import disk_words
from maps.page import STITCHES
from maps.pages import farms as farms_page
from maps.serving.guard import Asgi, Guard
from maps.serving.sitechanges import SiteChanges
from maps.serving.sitehands import hand_routes
from maps.serving.sitespots import spot_routes
from maps.serving.units_of_work import put_back
from maps.serving.workspace import Workspace

Handler = Callable[[Request], Awaitable[Response]]


def create_app(folder: Path) -> Asgi:
    """The app for a farm, an empty folder that will become one, or a folder of farms."""
    inside = sorted(p.parent for p in folder.glob("*/farm.toml")) if folder.is_dir() else []
    static: list[BaseRoute] = [
        Mount(
            "/static/leaflet",
            StaticFiles(packages=[("js_lib_leaflet", "static/js_lib_leaflet")]),
        ),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    environment = _environment()
    if inside and not (folder / "farm.toml").is_file():
        works = [Workspace(farm) for farm in inside]
        routes: list[BaseRoute] = [
            Route("/", _farms(works, environment)),
            *(
                Mount(f"/farm/{index}", routes=farm_routes(work, environment))
                for index, work in enumerate(works)
            ),
        ]
    else:
        routes = farm_routes(Workspace(folder), environment)
    handlers: Any = {
        SoilquiltError: partial(_sorry, environment),
        HTTPException: partial(_sorry, environment),
        Exception: partial(_sorry, environment),
    }
    return Guard(Starlette(routes=[*static, *routes], exception_handlers=handlers))


def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(["html"]),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["stitches"] = STITCHES
    return environment


def farm_routes(work: Workspace, environment: Environment) -> list[BaseRoute]:
    """Every address of one farm."""
    put_back(work.folder)
    site = SiteChanges(work, environment)
    plain: list[tuple[str, Handler]] = [
        ("/", site.start),
        ("/lab", site.lab),
        ("/{season:int}/lab", site.lab),
        ("/{season:int}/buy", site.buy),
        ("/words", site.words),
        ("/settings", site.settings),
        ("/ground.webp", site.ground_picture),
        ("/outline", site.outline),
        ("/outline/{slug}", site.outline),
        ("/step/{step}", site.step),
        ("/run/events", site.run_events),
        ("/{season:int}/{slug}/soil", site.block),
        ("/{season:int}/{slug}/zones", site.block),
        ("/{season:int}/{slug}/spread", site.spread),
        ("/{season:int}/{slug}/spots", site.spots),
        ("/{season:int}/{slug}/leaf", site.leaf),
        ("/{first:int}-{season:int}/{slug}/change", site.change),
        ("/{season:int}/{slug}/change", site.change_of_season),
        ("/{season:int}/{slug}/picture/{key}/{lens}.webp", site.picture),
        ("/{season:int}/{slug}/strip.png", site.strip),
        ("/{season:int}/{slug}/ready", site.ready),
        ("/{season:int}/{slug}/value", site.value),
        ("/{season:int}/{slug}/charts/{key}", site.charts),
        ("/{season:int}/{slug}/why/{amendment}/{zone:int}", site.why),
        ("/{season:int}/{slug}/all.zip", site.all_files),
        ("/{season:int}/{slug}/spreader/{name}.zip", site.material_files),
        ("/{season:int}/{slug}/file/{path:path}", site.file),
        ("/farm.zip", site.farm_files),
        ("/made/{path:path}", site.made_file),
        ("/{season:int}/{slug}/{step}", site.step),
    ]
    changing: list[tuple[str, Handler]] = [
        ("/lab/files", site.add_files),
        ("/lab/say", site.say),
        ("/lab/store", site.store),
        ("/lab/again", site.read_again),
        ("/lab/away", site.put_away),
        ("/{season:int}/answer", site.answer),
        ("/{season:int}/correct", site.correct),
        ("/{season:int}/withdraw", site.withdraw),
        ("/{season:int}/{slug}/spread/record", site.record),
        ("/run", site.begin_run),
        ("/run/stop", site.stop_run),
        ("/settings", site.keep_settings),
        ("/settings/back", site.settings_back),
        ("/settings/block", site.change_block),
        ("/ground", site.keep_ground),
        ("/ground/away", site.remove_ground),
        ("/ground/online", site.ask_online),
        ("/outline/place", site.place_typed),
        ("/outline/check", site.check_outline),
        ("/outline/store", site.store_outline),
        ("/restore", site.restore),
        ("/{season:int}/plan", site.plan),
        ("/{season:int}/compare", site.compare),
        ("/{season:int}/{slug}/try", site.what_if),
        ("/{season:int}/{slug}/spots/try", site.try_spots),
        ("/{season:int}/{slug}/spots/keep", site.keep_spots),
        *hand_routes(work),
        *spot_routes(work),
        ("/{season:int}/{slug}/keep", site.keep_wish),
        ("/{season:int}/{slug}/keep/back", site.take_wish_back),
    ]
    return [
        *(Route(path, _while_there(work, h), methods=["POST"]) for path, h in changing),
        *(Route(path, _while_there(work, h), methods=["GET"]) for path, h in plain),
    ]


def _while_there(work: Workspace, handler: Handler) -> Handler:
    """A handler that says so if the farm's folder was moved away while it was open."""

    async def guarded(request: Request) -> Response:
        work.must_be_there()
        return await handler(request)

    return guarded


async def _sorry(environment: Environment, request: Request, error: Exception) -> Response:
    """A refusal or a mistake of ours, in words; never a traceback."""
    status = 500
    words = "This is our mistake, not yours. Your farm is as it was."
    trouble = disk_words(error)
    if isinstance(error, SoilquiltError) or trouble:
        status, words = 409, trouble or str(error)
    elif isinstance(error, HTTPException):
        status = error.status_code
        words = "There is no such page here." if status == 404 else str(error.detail)
    if request.headers.get("x-soilquilt"):
        return JSONResponse({"error": words}, status)
    base = request.scope.get("root_path", "")
    page = environment.get_template("sorry.html").render(
        words=words, status=status, base=base, nonce=request.scope.get("nonce", "")
    )
    return HTMLResponse(page, status)


def _farms(works: list[Workspace], environment: Environment) -> Handler:
    async def farms(request: Request) -> Response:
        context = await run_in_threadpool(farms_page.farms, works)
        nonce = request.scope["nonce"]
        return HTMLResponse(
            environment.get_template("farms.html").render(nonce=nonce, base="", **context)
        )

    return farms

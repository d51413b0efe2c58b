"""The browser app: routes of one farm, or of a folder of farms; the one module that knows the web.

`create_app` gives an ASGI application that answers on this machine only, changes nothing on GET,
and uses the functions of the command line for everything it computes.
"""

from __future__ import annotations

import asyncio
import base64
import io
import json
import zipfile
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from geo.blocks import Block
from geo.corrections import Change, exclude_sample, set_value
from geo.errors import FarmError, SoilquiltError
from geo.upkeep import withdraw_file
from maps import drafts, farmtext
from maps.guard import Asgi, Guard
from maps.layers import block_map, farm_map
from maps.page import STITCHES
from maps.pages import block as block_page
from maps.pages import farm as farm_page
from maps.pages import farms as farms_page
from maps.pages import lab as lab_page
from maps.pages import spread as spread_page
from maps.pages.shell import change_files, plan_files, shell
from maps.running import Run
from maps.units_of_work import units_of
from maps.workspace import Wish, Workspace

HERE = Path(__file__).parent
#: Bytes of one uploaded form beside its files.
MOST_FORM_PART = 2_000_000
MOST_FILES = 60
#: Seconds between signs of life on an event stream.
ALIVE_S = 10.0

Handler = Callable[[Request], Awaitable[Response]]


def create_app(folder: Path) -> Asgi:
    """The app for a farm, an empty folder that will become one, or a folder of farms."""
    inside = sorted(p.parent for p in folder.glob("*/farm.toml")) if folder.is_dir() else []
    static: list[BaseRoute] = [
        Mount(
            "/static/leaflet",
            StaticFiles(packages=[("js_lib_leaflet", "static/js_lib_leaflet")]),
        ),
        Mount("/static", StaticFiles(directory=HERE / "static")),
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
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(["html"]),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["stitches"] = STITCHES
    return environment


def farm_routes(work: Workspace, environment: Environment) -> list[BaseRoute]:
    """Every address of one farm."""
    site = Site(work, environment)
    plain: list[tuple[str, Handler]] = [
        ("/", site.start),
        ("/lab", site.lab),
        ("/{season:int}/lab", site.lab),
        ("/{season:int}/buy", site.buy),
        ("/words", site.words),
        ("/settings", site.settings),
        ("/step/{step}", site.step),
        ("/run/events", site.run_events),
        ("/{season:int}/{slug}/soil", site.block),
        ("/{season:int}/{slug}/zones", site.block),
        ("/{season:int}/{slug}/spread", site.spread),
        ("/{season:int}/{slug}/leaf", site.leaf),
        ("/{season:int}/{slug}/picture/{key}/{lens}.png", site.picture),
        ("/{season:int}/{slug}/strip.png", site.strip),
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
        ("/lab/away", site.put_away),
        ("/{season:int}/answer", site.answer),
        ("/{season:int}/correct", site.correct),
        ("/{season:int}/withdraw", site.withdraw),
        ("/{season:int}/{slug}/spread/record", site.record),
        ("/run", site.begin_run),
        ("/run/stop", site.stop_run),
        ("/settings", site.keep_settings),
        ("/settings/back", site.settings_back),
        ("/{season:int}/{slug}/try", site.what_if),
        ("/{season:int}/{slug}/keep", site.keep_wish),
    ]
    return [
        *(Route(path, handler, methods=["POST"]) for path, handler in changing),
        *(Route(path, handler, methods=["GET"]) for path, handler in plain),
    ]


async def _sorry(environment: Environment, request: Request, error: Exception) -> Response:
    """A refusal or a mistake of ours, in words; never a traceback."""
    status = 500
    words = "This is our mistake, not yours. Your farm is as it was."
    if isinstance(error, SoilquiltError):
        status, words = 409, str(error)
    elif isinstance(error, HTTPException):
        status = error.status_code
        words = "There is no such page here." if status == 404 else str(error.detail)
    if request.headers.get("x-soilquilt"):
        return JSONResponse({"error": words}, status)
    base = request.scope.get("root_path", "")
    page = environment.get_template("sorry.html").render(
        words=words, base=base, nonce=request.scope.get("nonce", "")
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


class Site:
    """Handlers of one farm; each reads the request, calls a page, and answers."""

    def __init__(self, work: Workspace, environment: Environment) -> None:
        self.work, self.environment = work, environment

    # Pages

    async def page(
        self,
        request: Request,
        template: str,
        here: str,
        context: dict[str, Any],
        *,
        season: int | None = None,
        slug: str | None = None,
    ) -> Response:
        """A page in its frame."""
        base = request.scope.get("root_path", "")
        frame = await run_in_threadpool(shell, self.work, base, season, slug, here)
        running = self.work.run.told() if self.work.run is not None else None
        text = self.environment.get_template(template).render(
            **frame, **context, nonce=request.scope["nonce"], running=running
        )
        return HTMLResponse(text, headers={"cache-control": "no-store"})

    def place(self, request: Request) -> tuple[int, Block]:
        """Season and block of an address."""
        return request.path_params["season"], self.work.block(request.path_params["slug"])

    async def start(self, request: Request) -> Response:
        """The farm, or the first page of one to be."""
        if not self.work.exists:
            return await self.page(request, "empty.html", "lab", {})
        seasons = self.work.seasons()
        if not seasons and not self.work.blocks():
            return await self.page(request, "empty.html", "lab", {})
        asked = request.query_params.get("season", "")
        season = int(asked) if asked.isdigit() else (seasons[-1] if seasons else 0)
        base = request.scope.get("root_path", "")
        context = await run_in_threadpool(farm_page.farm, self.work, base, season)
        html, script = farm_map(context["map"])
        context |= {"map_html": Markup(html), "map_script": Markup(script)}
        return await self.page(request, "farm.html", "farm", context, season=season or None)

    async def lab(self, request: Request) -> Response:
        """Files that wait, or what the season asks."""
        seasons = self.work.seasons()
        season = request.path_params.get("season", seasons[-1] if seasons else None)
        context = await run_in_threadpool(lab_page.lab, self.work, season)
        if self.work.draft is not None:
            places = context["blocks_map"]
            places["points"] += lab_page.draft_places(self.work.draft)
            places["blocks"] += lab_page.draft_outlines(self.work.draft)
        return await self.page(request, "lab.html", "lab", context, season=season)

    async def block(self, request: Request) -> Response:
        """Soil or zones."""
        season, block = self.place(request)
        here = request.url.path.rsplit("/", 1)[1]
        base = request.scope.get("root_path", "")
        data = await run_in_threadpool(block_page.block_page, self.work, base, season, block, here)
        if data is None:
            return await self.waits(request, here)
        if here == "zones":
            self.work.warm(season, block)
        html, script = await run_in_threadpool(block_map, data)
        context = {"data": data, "map_html": Markup(html), "map_script": Markup(script)}
        return await self.page(request, "block.html", here, context, season=season, slug=block.slug)

    async def spread(self, request: Request) -> Response:
        """Spreader files and their limits."""
        season, block = self.place(request)
        base = request.scope.get("root_path", "")
        context = await run_in_threadpool(spread_page.spread, self.work, base, season, block)
        if context is None:
            return await self.waits(request, "spread")
        context["block"] = block.name
        return await self.page(
            request, "spread.html", "spread", context, season=season, slug=block.slug
        )

    async def leaf(self, request: Request) -> Response:
        """Soil word and leaf word."""
        season, block = self.place(request)
        context = await run_in_threadpool(spread_page.leaf, self.work, season, block)
        if context is None:
            return await self.waits(request, "leaf")
        context["block"] = block.name
        return await self.page(
            request, "leaf.html", "leaf", context, season=season, slug=block.slug
        )

    async def buy(self, request: Request) -> Response:
        """The purchase list."""
        season = request.path_params["season"]
        context = await run_in_threadpool(spread_page.buy, self.work, season)
        return await self.page(request, "buy.html", "spread", context, season=season)

    async def words(self, request: Request) -> Response:
        """Sources and words."""
        seasons = self.work.seasons()
        context = await run_in_threadpool(
            spread_page.words, self.work, seasons[-1] if seasons else None
        )
        return await self.page(request, "words.html", "words", context)

    async def settings(self, request: Request) -> Response:
        """farm.toml."""
        path = self.work.folder / "farm.toml"
        context = {
            "text": path.read_text(encoding="utf-8") if path.is_file() else "",
            "before": (self.work.folder / farmtext.HISTORY).is_file(),
        }
        return await self.page(request, "settings.html", "settings", context)

    async def step(self, request: Request) -> Response:
        """A step that has no page of its own yet, or waits for another."""
        return await self.waits(request, request.path_params["step"])

    async def waits(self, request: Request, step: str) -> Response:
        """What a step waits for, and files of it that a command made."""
        season = request.path_params.get("season")
        slug = request.path_params.get("slug")
        if step not in WAITS:
            raise HTTPException(404)
        files = {"spots": plan_files, "walk": plan_files, "change": change_files}.get(step)
        found = files(self.work.folder, season) if files else []
        base = request.scope.get("root_path", "")
        context = {
            "step": step,
            "waits": WAITS[step],
            "made": [
                {
                    "name": p.relative_to(self.work.folder).as_posix(),
                    "url": f"{base}/made/{p.relative_to(self.work.folder).as_posix()}",
                }
                for p in found
            ],
            "can_run": season in self.work.seasons(),
        }
        return await self.page(request, "waits.html", step, context, season=season, slug=slug)

    # Parts of pages

    async def picture(self, request: Request) -> Response:
        """One lens of one property as a palette PNG."""
        season, block = self.place(request)
        page = await run_in_threadpool(self.work.page, season, block.slug)
        for one in page["properties"] if page else ():
            for lens in one["lenses"]:
                if one["key"] == request.path_params["key"] and (
                    lens["key"] == request.path_params["lens"]
                ):
                    data = base64.b64decode(lens["picture"].partition(",")[2])
                    return Response(
                        data, media_type="image/png", headers={"cache-control": "no-cache"}
                    )
        raise HTTPException(404)

    async def strip(self, request: Request) -> Response:
        """Every lens of every property in one small picture."""
        season, block = self.place(request)
        data = await run_in_threadpool(block_page.sprite, self.work, season, block)
        return Response(data, media_type="image/png", headers={"cache-control": "no-cache"})

    async def value(self, request: Request) -> Response:
        """All values at a place."""
        season, block = self.place(request)
        try:
            lat = float(request.query_params["lat"])
            lon = float(request.query_params["lon"])
        except (KeyError, ValueError):
            raise HTTPException(400, "Give lat and lon in degrees.") from None
        return JSONResponse(
            await run_in_threadpool(block_page.value_at, self.work, season, block, lat, lon)
        )

    async def charts(self, request: Request) -> Response:
        """The charts of a property, as a piece of HTML."""
        season, block = self.place(request)
        context = await run_in_threadpool(
            block_page.chart_sections, self.work, season, block, request.path_params["key"]
        )
        if context is None:
            raise HTTPException(404)
        sections = [{**one, "svg": Markup(one["svg"])} for one in context["sections"]]
        context = {**context, "sections": sections}
        return HTMLResponse(self.environment.get_template("charts.html").render(**context))

    async def why(self, request: Request) -> Response:
        """The chain behind one rate."""
        season, block = self.place(request)
        params = request.path_params
        return JSONResponse(
            await run_in_threadpool(
                block_page.why, self.work, season, block, params["amendment"], params["zone"]
            )
        )

    async def what_if(self, request: Request) -> Response:
        """Zones, rates and money under a wish; nothing is stored."""
        season, block = self.place(request)
        asked = await request.json()
        return JSONResponse(
            await run_in_threadpool(
                block_page.what_if, self.work, season, block, str(asked["amendment"]), _wish(asked)
            )
        )

    async def keep_wish(self, request: Request) -> Response:
        """Write a wish into farm.toml; the old text is kept."""
        _, block = self.place(request)
        asked = await request.json()
        await run_in_threadpool(
            farmtext.write_settings_text,
            self.work.folder,
            _with_wish(self.work, block, str(asked["amendment"]), _wish(asked)),
        )
        return JSONResponse({"said": "Kept in farm.toml. Run the season to make the files anew."})

    # Files

    async def file(self, request: Request) -> Response:
        """One file of a run."""
        season, block = self.place(request)
        root = self.work.made(season, block.slug).resolve()
        path = (root / request.path_params["path"]).resolve()
        if not path.is_relative_to(root) or not path.is_file():
            raise HTTPException(404)
        inline = path.suffix in (".pdf",)
        return FileResponse(
            path,
            filename=path.name,
            content_disposition_type="inline" if inline else "attachment",
        )

    async def made_file(self, request: Request) -> Response:
        """A file of a plan or a comparison."""
        root = self.work.folder.resolve()
        path = (root / request.path_params["path"]).resolve()
        allowed = any(path.is_relative_to(root / name) for name in ("plans", "changes"))
        if not allowed or not path.is_file():
            raise HTTPException(404)
        return FileResponse(path, filename=path.name)

    async def all_files(self, request: Request) -> Response:
        """Everything a run made, as one zip."""
        season, block = self.place(request)
        folder = self.work.made(season, block.slug)
        data = await run_in_threadpool(_zipped, folder)
        return _download(data, f"{block.slug}-{season}.zip")

    async def material_files(self, request: Request) -> Response:
        """The spreader files of one material, as one zip."""
        season, block = self.place(request)
        root = (self.work.made(season, block.slug) / "spreader").resolve()
        folder = (root / request.path_params["name"]).resolve()
        if folder.parent != root or not folder.is_dir():
            raise HTTPException(404)
        data = await run_in_threadpool(_zipped, folder)
        return _download(data, f"{block.slug}-{season}-{folder.name}.zip")

    async def farm_files(self, _: Request) -> Response:
        """The whole farm as one zip, consistent also while in use."""
        import tempfile

        from geo.upkeep import backup_farm

        def made() -> bytes:
            with tempfile.TemporaryDirectory() as temporary:
                target = Path(temporary) / "farm.zip"
                backup_farm(self.work.folder, target)
                return target.read_bytes()

        return _download(await run_in_threadpool(made), f"{self.work.folder.name}.zip")

    # Changes

    async def add_files(self, request: Request) -> Response:
        """Take files or a pasted table into the draft; nothing is stored."""
        form = await request.form(max_files=MOST_FILES, max_part_size=MOST_FORM_PART)
        draft = self.work.draft or drafts.Draft(self.work.folder)
        season = str(form.get("season", ""))
        if season.isdigit():
            draft.season = int(season)
        elif draft.season is None and self.work.seasons():
            draft.season = self.work.seasons()[-1]
        table = str(form.get("table", "")).strip()
        if table:
            drafts.add_upload(draft, "pasted.csv", table.encode())
        for upload in form.getlist("files"):
            if not isinstance(upload, str) and upload.filename:
                drafts.add_upload(draft, upload.filename, await upload.read())
        await form.close()
        self.work.draft = draft
        await run_in_threadpool(drafts.look, draft)
        return self.back(request, "/lab")

    async def say(self, request: Request) -> Response:
        """An answer about the draft: to a question, the year, a column, a unit."""
        draft = self.work.draft
        if draft is None:
            return self.back(request, "/lab")
        form = await request.form()
        again = _heard(draft, {k: str(v) for k, v in form.items()})
        if again:
            await run_in_threadpool(drafts.look, draft)
        return self.back(request, "/lab" + (f"#{form['finding']}" if "finding" in form else ""))

    async def store(self, request: Request) -> Response:
        """Store the draft."""
        draft = self.work.draft
        if draft is not None:
            done = await run_in_threadpool(drafts.store, draft)
            if done.stored:
                draft.close()
                self.work.draft = None
                return self.back(request, "/")
        return self.back(request, "/lab")

    async def put_away(self, request: Request) -> Response:
        """Forget the draft."""
        if self.work.draft is not None:
            self.work.draft.close()
            self.work.draft = None
        return self.back(request, "/")

    async def answer(self, request: Request) -> Response:
        """Answer a question about what is stored."""
        season = request.path_params["season"]
        form = await request.form()
        wanted = str(form.get("finding", ""))

        def carry_out() -> None:
            for finding in self.work.findings(season):
                if drafts.finding_id(finding) == wanted:
                    choice, texts = str(form.get("choice", "")), self.work.texts(season)
                    drafts.answer(self.work.folder, season, finding, choice, texts)

        await run_in_threadpool(carry_out)
        return self.back(request, f"/{season}/lab")

    async def correct(self, request: Request) -> Response:
        """Correct a stored value, place, depth or id, or leave a sample out; the old is kept."""
        season = request.path_params["season"]
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        change = Change(season, "", said["reason"])
        if said["key"]:
            await run_in_threadpool(
                set_value, self.work.folder, change, said["sample"], said["key"], said["value"]
            )
        else:
            await run_in_threadpool(exclude_sample, self.work.folder, change, said["sample"])
        return self.back(request, f"/{season}/lab")

    async def withdraw(self, request: Request) -> Response:
        """Take back everything one file brought; the original stays."""
        season = request.path_params["season"]
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        change = Change(season, "", said["reason"])
        await run_in_threadpool(withdraw_file, self.work.folder, said["file"], change)
        return self.back(request, f"/{season}/lab")

    async def record(self, request: Request) -> Response:
        """What was really spread, typed in; it waits as a file like any other."""
        season, block = self.place(request)
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        table = spread_page.record_table(block, said)
        draft = self.work.draft or drafts.Draft(self.work.folder)
        draft.season = season
        drafts.add_upload(draft, f"spread-{block.slug}-{said['date']}.csv", table.encode())
        self.work.draft = draft
        await run_in_threadpool(drafts.look, draft)
        return self.back(request, "/lab")

    async def begin_run(self, request: Request) -> Response:
        """Run a season in the background."""
        form = await request.form()
        if self.work.run is not None and self.work.run.busy:
            return self.back(request, "/")
        season = int(str(form["season"]))
        units = await run_in_threadpool(units_of, self.work.folder, season, None, None)
        if not units:
            raise FarmError(f"There are no soil samples of {season} yet.")
        self.work.run = Run(units, self.work.name)
        self.work.run.start()
        return self.back(request, f"/?season={season}")

    async def stop_run(self, request: Request) -> Response:
        """Stop after the block that is being worked on."""
        if self.work.run is not None:
            self.work.run.stop()
        return self.back(request, "/")

    async def run_events(self, request: Request) -> Response:
        """How far the run is, as it changes."""
        return StreamingResponse(
            self._events(request),
            media_type="text/event-stream",
            headers={"cache-control": "no-store"},
        )

    async def _events(self, request: Request) -> AsyncIterator[str]:
        seen = -1
        loop = asyncio.get_running_loop()
        while not await request.is_disconnected():
            run = self.work.run
            told = run.told() if run is not None else {"busy": False, "blocks": []}
            yield f"data: {json.dumps(told)}\n\n"
            if run is None or not run.busy:
                return
            seen = await loop.run_in_executor(None, run.wait, run.version if seen < 0 else seen,
                                              ALIVE_S)  # fmt: skip

    async def keep_settings(self, request: Request) -> Response:
        """Take a new farm.toml."""
        form = await request.form(max_part_size=MOST_FORM_PART)
        text = str(form.get("text", ""))
        try:
            await run_in_threadpool(farmtext.write_settings_text, self.work.folder, text)
        except FarmError as error:
            context = {"text": text, "refused": str(error), "before": False}
            return await self.page(request, "settings.html", "settings", context)
        return self.back(request, "/settings")

    async def settings_back(self, request: Request) -> Response:
        """Go back to the farm.toml before."""
        await run_in_threadpool(farmtext.take_back, self.work.folder)
        return self.back(request, "/settings")

    def back(self, request: Request, path: str) -> Response:
        """See another page after a change."""
        return RedirectResponse(request.scope.get("root_path", "") + path, 303)


WAITS = {
    "spots": "Spots for the next season are planned with the command 'soilquilt plan'. Its files "
    "are listed here once they are made.",
    "walk": "The walk follows a plan of spots: files for the phone and a field sheet.",
    "soil": "Maps are made from stored results. Drop the laboratory's file, then make the maps.",
    "zones": "Zones and rates follow from the maps. Make the maps first.",
    "spread": "Spreader files follow from zones and rates. Make the maps first.",
    "leaf": "Soil and leaf stand side by side here once the maps are made.",
    "change": "What changed is seen after a second survey of the same block, with the command "
    "'soilquilt compare'.",
    "lab": "Drop the laboratory's file.",
}


def _heard(draft: drafts.Draft, said: dict[str, str]) -> bool:
    """Put an answer into the draft; whether the files must be read again."""
    if said.get("season", "").isdigit():
        draft.season = int(said["season"])
        return True
    if "heading" in said:
        name = f"{said.get('file', '')}\0{said['heading']}"
        draft.columns.pop(name, None)
        if said.get("key"):
            draft.columns[name] = said["key"]
        if said.get("key") and said.get("unit"):
            draft.units[said["key"]] = said["unit"]
        return True
    if said.get("crs"):
        code = said["crs"].strip()
        draft.crs = f"EPSG:{code}" if code.isdigit() else code
        return True
    name, choice = said.get("finding", ""), said.get("choice", "")
    preview = draft.preview
    finding = next(
        (f for f in (preview.findings if preview else ()) if drafts.finding_id(f) == name), None
    )
    if finding is None:
        return False
    draft.answers[name] = "" if draft.answers.get(name) == choice else choice
    if choice == "agree" and drafts.concerns_file(finding):
        draft.accept.add(finding.rule)
        return True
    return False


def _wish(asked: dict[str, Any]) -> Wish:
    def figure(name: str) -> float | None:
        value = asked.get(name)
        return None if value in (None, "") else float(str(value))

    most = figure("most_zones")
    return Wish(
        most_zones=None if most is None else int(most),
        target_ph=figure("target_ph"),
        price_per_t=figure("price_per_t"),
        little=figure("little"),
        much=figure("much"),
        width_m=figure("width_m"),
    )


def _with_wish(work: Workspace, block: Block, amendment: str, wish: Wish) -> str:
    """farm.toml with a wish in it."""
    text = (work.folder / "farm.toml").read_text(encoding="utf-8")
    place = ("blocks", block.name)
    if wish.target_ph is not None:
        text = farmtext.with_key(text, place, "target_ph", f"{wish.target_ph:g}")
    if wish.most_zones is not None or wish.width_m is not None:
        machine = work.settings().spreader_of(block.name)
        most = wish.most_zones or machine.most_zones
        width = wish.width_m or machine.width_m
        spreader = (*place, "spreader")
        text = farmtext.with_key(text, spreader, "width_m", f"{float(width)}")
        text = farmtext.with_key(text, spreader, "speed_kmh", f"{machine.speed_kmh}")
        text = farmtext.with_key(text, spreader, "transition_s", f"{machine.transition_s}")
        text = farmtext.with_key(text, spreader, "by_hand", str(machine.by_hand).lower())
        text = farmtext.with_key(text, spreader, "most_zones", str(most))
    if wish.little is not None and wish.much is not None:
        ratio = f"[{wish.little:g}, {wish.much:g}]"
        text = farmtext.with_key(text, ("cost_ratios",), amendment, ratio)
    return text


def _zipped(folder: Path) -> bytes:
    """All files of a folder as a zip with fixed dates, so that equal files give an equal zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            info = zipfile.ZipInfo(path.relative_to(folder).as_posix(), (1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, path.read_bytes())
    return out.getvalue()


def _download(data: bytes, name: str) -> Response:
    safe = "".join(c for c in name if c.isascii() and (c.isalnum() or c in "-_.")) or "files.zip"
    return Response(
        data,
        media_type="application/zip",
        headers={"content-disposition": f'attachment; filename="{safe}"'},
    )

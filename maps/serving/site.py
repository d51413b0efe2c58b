"""Pages of one farm: a handler reads the request, calls a page of `maps.pages`, and answers."""

from __future__ import annotations

from datetime import date
from typing import Any

from jinja2 import Environment
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from geo.blocks import Block
from maps.layers import block_map, farm_map
from maps.pages import block as block_page
from maps.pages import buy as buy_page
from maps.pages import change as change_page
from maps.pages import farm as farm_page
from maps.pages import lab as lab_page
from maps.pages import leaf as leaf_page
from maps.pages import outline as outline_page
from maps.pages import settings as settings_page
from maps.pages import spots as spots_page
from maps.pages import spread as spread_page
from maps.pages import words as words_page
from maps.pages.shell import PLAN_WORDS, plan_files, shell
from maps.serving import farmtext, ownground
from maps.serving.workspace import Workspace

#: Pages whose map the user's own ground lies under.
MAPPED = ("farm.html", "block.html", "outline.html")

WAITS = {
    "spots": spots_page.WAITS,
    "walk": "The walk follows a plan of spots: files for the phone and a field sheet.",
    "soil": "Maps are made from stored results. Drop the laboratory's file, then make the maps.",
    "zones": "Zones and rates follow from the maps. Make the maps first.",
    "spread": "Spreader files follow from zones and rates. Make the maps first.",
    "leaf": "Soil and leaf stand side by side here once the maps are made.",
    "change": "What changed beyond doubt is seen after a second survey of the same block.",
    "lab": "Drop the laboratory's file.",
}


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
        ground = await run_in_threadpool(ownground.ground, self.work, base)
        if ground is not None and template in MAPPED:
            # Seen by the guard, which lets the page load pictures from there and nothing else.
            request.scope["pictures_from"] = ground.get("asked", "")
        text = self.environment.get_template(template).render(
            **frame, **context, ground=ground, nonce=request.scope["nonce"], running=running
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

    async def outline(self, request: Request) -> Response:
        """Draw a new block, or another outline for one."""
        slug = request.path_params.get("slug")
        block = self.work.block(slug) if slug else None
        base = request.scope.get("root_path", "")
        context = await run_in_threadpool(outline_page.outline, self.work, base, block)
        return await self.page(request, "outline.html", "farm", context, slug=slug)

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
        context["redrawn"] = await run_in_threadpool(self.work.redrawn, season, block)
        context["outdated"] = await run_in_threadpool(self.work.outdated, season, block.slug)
        return await self.page(
            request, "spread.html", "spread", context, season=season, slug=block.slug
        )

    async def spots(self, request: Request) -> Response:
        """The plan of the season, or of the one after it."""
        season, block = self.place(request)
        base = request.scope.get("root_path", "")
        context = await run_in_threadpool(spots_page.spots, self.work, base, season, block)
        if context is None:
            context = await run_in_threadpool(spots_page.first, self.work, base, season, block)
            return await self.page(
                request, "spots-first.html", "spots", context, season=season, slug=block.slug
            )
        return await self.page(
            request, "spots.html", "spots", context, season=season, slug=block.slug
        )

    async def leaf(self, request: Request) -> Response:
        """Soil word and leaf word."""
        season, block = self.place(request)
        context = await run_in_threadpool(leaf_page.leaf, self.work, season, block)
        if context is None:
            return await self.waits(request, "leaf")
        context["block"] = block.name
        return await self.page(
            request, "leaf.html", "leaf", context, season=season, slug=block.slug
        )

    async def buy(self, request: Request) -> Response:
        """The purchase list."""
        season = request.path_params["season"]
        context = await run_in_threadpool(buy_page.buy, self.work, season)
        return await self.page(request, "buy.html", "spread", context, season=season)

    async def words(self, request: Request) -> Response:
        """Sources and words."""
        seasons = self.work.seasons()
        context = await run_in_threadpool(
            words_page.words, self.work, seasons[-1] if seasons else None
        )
        return await self.page(request, "words.html", "words", context)

    async def settings(self, request: Request) -> Response:
        """farm.toml."""
        path = self.work.folder / "farm.toml"
        context = {
            "text": path.read_text(encoding="utf-8") if path.is_file() else "",
            **await run_in_threadpool(settings_page.settings_form, self.work),
            "before": (self.work.folder / farmtext.HISTORY).is_file(),
            "picture": ownground.told(self.work),
            "online": self.work.settings().ground if self.work.exists else None,
        }
        return await self.page(request, "settings.html", "settings", context)

    async def change_of_season(self, request: Request) -> Response:
        """The comparison with the season before, or the one after; words where there is neither."""
        season, block = self.place(request)
        others = [year for year in self.work.seasons() if year != season]
        earlier = [year for year in others if year < season]
        if not others:
            return await self.waits(request, "change")
        years = (earlier[-1], season) if earlier else (season, others[0])
        return self.back(request, f"/{years[0]}-{years[1]}/{block.slug}/change")

    async def change(self, request: Request) -> Response:
        """Two years of a block."""
        season, block = self.place(request)
        years = (request.path_params["first"], season)
        seasons = self.work.seasons()
        if years[0] >= years[1] or not set(years) <= set(seasons):
            raise HTTPException(404)
        asked, base = request.query_params, request.scope.get("root_path", "")
        told = self.work.told.get(f"change {years[0]}-{years[1]}", [])
        context = await run_in_threadpool(
            change_page.change, self.work, base, years, block, asked.get("show", ""), told
        )
        context |= change_page.views(context, asked.get("lens", ""))
        context["others"] = change_page.other_years(base, seasons, years, block)
        return await self.page(
            request, "change.html", "change", context, season=season, slug=block.slug
        )

    async def step(self, request: Request) -> Response:
        """A step that has no page of its own yet, or waits for another."""
        return await self.waits(request, request.path_params["step"])

    async def waits(self, request: Request, step: str) -> Response:
        """What a step waits for, and files of it that a command made."""
        season = request.path_params.get("season")
        slug = request.path_params.get("slug")
        if step not in WAITS:
            raise HTTPException(404)
        files = {"spots": plan_files, "walk": plan_files}.get(step)
        found = files(self.work.folder, season) if files else []
        if step in ("spots", "walk") and season is not None:
            found = [*found, *plan_files(self.work.folder, season + 1)]
        seasons = self.work.seasons()
        base = request.scope.get("root_path", "")
        context = {
            "step": step,
            "waits": WAITS[step],
            "made": [
                {
                    "name": p.relative_to(self.work.folder).as_posix(),
                    "url": f"{base}/made/{p.relative_to(self.work.folder).as_posix()}",
                    "words": PLAN_WORDS.get(p.name, ""),
                }
                for p in found
            ],
            "can_run": season in seasons,
            "this_year": date.today().year,
            "told": self.work.told.get(step, []),
            "path": request.url.path.removeprefix(base),
        }
        return await self.page(request, "waits.html", step, context, season=season, slug=slug)

    def back(self, request: Request, path: str) -> Response:
        """See another page after a change."""
        inside = path if path.startswith("/") and not path.startswith("//") else "/"
        return RedirectResponse(request.scope.get("root_path", "") + inside, 303)

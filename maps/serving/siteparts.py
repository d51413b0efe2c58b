"""Parts of pages and files of one farm: pictures, values, charts, reasons, downloads."""

from __future__ import annotations

import base64
import io
import zipfile
from pathlib import Path

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response

from maps.colors import rgb
from maps.drawing.pictures import in_sun
from maps.pages import block as block_page
from maps.serving.site import Site


class SiteParts(Site):
    """What pages and people fetch beside the pages; nothing here changes the farm."""

    # Parts of pages

    async def picture(self, request: Request) -> Response:
        """One lens of one property as a picture; `?light=sun` for sunlight."""
        season, block = self.place(request)
        page = await run_in_threadpool(self.work.page, season, block.slug)
        for one in page["properties"] if page else ():
            for lens in one["lenses"]:
                if one["key"] == request.path_params["key"] and (
                    lens["key"] == request.path_params["lens"]
                ):
                    kind, _, text = lens["picture"].partition(";base64,")
                    data, media = base64.b64decode(text), kind.removeprefix("data:")
                    if request.query_params.get("light") == "sun":
                        flat = [rgb(lens["legend"][at]["color"]) for at in lens.get("flat", ())]
                        hexes = lens.get("steps", "")
                        steps = [rgb("#" + hexes[i : i + 6]) for i in range(0, len(hexes), 6)]
                        data = await run_in_threadpool(in_sun, data, steps, flat)
                        media = "image/webp"
                    return Response(data, media_type=media, headers={"cache-control": "no-cache"})
        raise HTTPException(404)

    async def strip(self, request: Request) -> Response:
        """Every lens of every property in one small picture."""
        season, block = self.place(request)
        data = await run_in_threadpool(block_page.sprite, self.work, season, block)
        return Response(data, media_type="image/png", headers={"cache-control": "no-cache"})

    async def ready(self, request: Request) -> Response:
        """Whether a wish about a block is answered at once; asked for again while it is not."""
        season, block = self.place(request)
        state = await run_in_threadpool(self.work.readiness, season, block)
        return JSONResponse({"state": state})

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

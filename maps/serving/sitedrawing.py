"""Outlines drawn on the map and the picture under it: what the pages send, and its answers."""

from __future__ import annotations

import tempfile
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from geo.errors import UsageError
from geo.settings_text import toml_text
from maps.pages import outline as outline_page
from maps.serving import drafts, farmtext, ownground
from maps.serving.sent import sent_by
from maps.serving.siteparts import SiteParts

#: Bytes of one uploaded form beside its files.
MOST_FORM_PART = 2_000_000
MOST_FILES = 60


class SiteDrawing(SiteParts):
    """Handlers of the page that draws, and of the ground under all maps."""

    async def ground_picture(self, _request: Request) -> Response:
        """The picture under the maps; its address changes with it."""
        path = ownground.picture_of(self.work)
        if path is None:
            raise HTTPException(404)
        return FileResponse(
            path, media_type="image/webp", headers={"cache-control": "max-age=86400"}
        )

    async def place_typed(self, request: Request) -> Response:
        """A typed place as numbers; nothing is stored."""
        sent = await sent_by(request)
        return JSONResponse(outline_page.place_of(str(sent.get("text", ""))))

    async def check_outline(self, request: Request) -> Response:
        """Hectares of a drawing and what is to be said of it; nothing is stored."""
        asked = outline_page.asked_of(await sent_by(request))
        return JSONResponse(await run_in_threadpool(outline_page.checked, self.work, asked))

    async def store_outline(self, request: Request) -> Response:
        """Store a drawing as a block, or as another outline of one."""
        asked = outline_page.asked_of(await sent_by(request))
        said = await run_in_threadpool(outline_page.store, self.work, asked)
        await run_in_threadpool(ownground.told, self.work)  # into the farm that has just begun
        return JSONResponse({"said": said})

    async def keep_ground(self, request: Request) -> Response:
        """Lay a GeoTIFF of the user's under the maps."""
        form = await request.form(max_files=MOST_FILES, max_part_size=MOST_FORM_PART)
        upload = form.get("picture") or form.get("files")
        if upload is None or isinstance(upload, str) or not upload.filename:
            raise UsageError("Choose a GeoTIFF.")
        with tempfile.TemporaryDirectory(prefix="soilquilt-") as temporary:
            path = Path(temporary) / drafts.safe_name(upload.filename)
            path.write_bytes(await upload.read())
            credit = str(form.get("credit", ""))
            await form.close()
            said = await run_in_threadpool(ownground.keep, self.work, path, credit)
        if request.headers.get("x-soilquilt"):
            base = request.scope.get("root_path", "")
            return JSONResponse({"said": said, "ground": ownground.ground(self.work, base)})
        return self.back(request, "/settings#ground" if self.work.exists else "/outline")

    async def ask_online(self, request: Request) -> Response:
        """Ask an address for pictures of the ground, or nobody; farm.toml before is kept."""
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        text = (self.work.folder / "farm.toml").read_text(encoding="utf-8")
        for key in ("tiles", "credit"):
            text = farmtext.with_key(text, ("ground",), key, toml_text(said.get(key, "")))
        await run_in_threadpool(farmtext.write_settings_text, self.work.folder, text)
        return self.back(request, "/settings#ground")

    async def remove_ground(self, request: Request) -> Response:
        """Take the picture under the maps away."""
        await run_in_threadpool(ownground.remove, self.work)
        return self.back(request, "/settings#ground")


def is_picture(name: str | None) -> bool:
    """Whether a file is meant as a picture of the ground, by its name."""
    return str(name or "").lower().endswith((".tif", ".tiff"))

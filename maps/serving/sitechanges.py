"""Everything a person changes in one farm: files, answers, runs, settings; POST alone."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse

from geo.errors import FarmError, UsageError
from geo.store.corrections import Change, exclude_sample, set_value
from geo.upkeep import rename_block, restore_farm, retire_block, use_block_again, withdraw_file
from maps.commands.plan import AS_LAST_TIME
from maps.pages import block as block_page
from maps.pages import settings as settings_page
from maps.pages import spots as spots_page
from maps.pages import spread as spread_page
from maps.serving import answers, drafts, farmtext, wishes
from maps.serving.comparing import comparison
from maps.serving.planning import is_planning
from maps.serving.running import Run
from maps.serving.sent import sent_by
from maps.serving.sitedrawing import MOST_FILES, MOST_FORM_PART, SiteDrawing, is_picture
from maps.serving.units_of_work import units_of
from maps.serving.wishes import wish_of

#: Seconds between signs of life on an event stream.
ALIVE_S = 10.0
#: A form of settings has about 25 fields a block.
MOST_FIELDS = 5000


class SiteChanges(SiteDrawing):
    """Handlers that change the farm, and the story of a run as it goes."""

    # Changes

    async def add_files(self, request: Request) -> Response:
        """Take files or a pasted table into the draft; nothing is stored."""
        form = await request.form(max_files=MOST_FILES, max_part_size=MOST_FORM_PART)
        uploads = [one for one in form.getlist("files") if not isinstance(one, str)]
        if uploads and all(is_picture(one.filename) for one in uploads):
            return await self.keep_ground(request)
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

    async def read_again(self, request: Request) -> Response:
        """A stored file into the draft; storing it takes back what it brought before."""
        said = {k: str(v) for k, v in (await request.form()).items()}
        draft = self.work.draft or drafts.Draft(self.work.folder)
        await run_in_threadpool(drafts.read_again, draft, said.get("file", ""))
        self.work.draft = draft
        await run_in_threadpool(drafts.look, draft)
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
                if answers.finding_id(finding) == wanted:
                    choice, texts = str(form.get("choice", "")), self.work.texts(season)
                    answers.answer(self.work.folder, season, finding, choice, texts)

        await run_in_threadpool(carry_out)
        return self.back(request, f"/{season}/lab")

    async def correct(self, request: Request) -> Response:
        """Correct a stored value, place, depth or id, or leave a sample out; the old is kept."""
        season = request.path_params["season"]
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        change = Change(season, "", said.get("reason", ""))
        if said.get("key"):
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
        change = Change(season, "", said.get("reason", ""))
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

    async def what_if(self, request: Request) -> Response:
        """Zones, rates and money under a wish; nothing is stored."""
        season, block = self.place(request)
        asked = await sent_by(request)
        return JSONResponse(
            await run_in_threadpool(
                block_page.what_if,
                self.work,
                season,
                block,
                str(asked.get("amendment", "")),
                wish_of(asked),
            )
        )

    async def keep_wish(self, request: Request) -> Response:
        """Write a wish into farm.toml; the old text is kept."""
        season, block = self.place(request)
        asked = await sent_by(request)
        amendment, wish = str(asked.get("amendment", "")), wish_of(asked)
        mark = await run_in_threadpool(wishes.keep, self.work, season, block, amendment, wish)
        await run_in_threadpool(self.work.warm_again)
        said = "Kept in farm.toml. Run the season to make the files anew."
        return JSONResponse({"said": said, "mark": mark})

    async def take_wish_back(self, request: Request) -> Response:
        """Put the farm.toml from before a kept wish back, if nothing changed it since."""
        mark = str((await sent_by(request)).get("mark", ""))
        await run_in_threadpool(wishes.take_back, self.work, mark)
        await run_in_threadpool(self.work.warm_again)
        return JSONResponse({"said": "Taken back: farm.toml is as it was."})

    async def begin_run(self, request: Request) -> Response:
        """Run a season in the background."""
        form = await request.form()
        if self._is_busy():
            return self.back(request, "/")
        season = int(str(form["season"]))
        units = await run_in_threadpool(units_of, self.work.folder, season, None, None)
        if not units:
            raise FarmError(f"There are no soil samples of {season} yet.")
        self._start(Run(units, self.work.name))
        return self.back(request, f"/?season={season}")

    def _is_busy(self) -> bool:
        return self.work.run is not None and self.work.run.busy

    def _start(self, run: Run, step: str = "", heard: list[str] | None = None) -> None:
        """Start a run, unless another began while this one was made ready; what it says is told."""
        if self._is_busy():
            return
        if heard is not None:
            self.work.told[step] = heard
        self.work.run = run
        run.start()

    async def stop_run(self, request: Request) -> Response:
        """Stop after the block that is being worked on, or at once."""
        if self.work.run is not None:
            said = await request.form()
            self.work.run.stop(at_once=str(said.get("when", "")) == "now")
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
        form = await request.form(max_fields=MOST_FIELDS, max_part_size=MOST_FORM_PART)
        said = {k: str(v) for k, v in form.items()}
        text, typed, wrong, refused = said.get("text"), None, {}, ""
        try:
            if text is not None:
                await run_in_threadpool(farmtext.write_settings_text, self.work.folder, text)
            else:
                typed = said
                wrong = await run_in_threadpool(settings_page.keep_settings, self.work, said)
        except FarmError as error:
            refused = str(error)
        if wrong or refused:
            shown = await run_in_threadpool(settings_page.settings_form, self.work, typed, wrong)
            if text is None:
                text = (self.work.folder / "farm.toml").read_text(encoding="utf-8")
            context = {**shown, "text": text, "refused": refused, "wrong": wrong, "before": False}
            return await self.page(request, "settings.html", "settings", context)
        await run_in_threadpool(self.work.warm_again)
        return self.back(request, "/settings")

    async def change_block(self, request: Request) -> Response:
        """Rename a block or take it out of all later runs; its records stay."""
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        change = Change(0, "", said.get("reason", ""))
        if said.get("retired"):
            await run_in_threadpool(use_block_again, self.work.folder, said["retired"], change)
            return self.back(request, "/settings")
        block = self.work.block(said.get("block", ""))
        if said.get("name"):
            await run_in_threadpool(
                rename_block, self.work.folder, block.name, said["name"], change
            )
        else:
            await run_in_threadpool(retire_block, self.work.folder, block.name, change)
        return self.back(request, "/settings")

    async def restore(self, request: Request) -> Response:
        """Make the farm from a backup, on another machine or after a loss."""
        form = await request.form(max_files=1, max_part_size=MOST_FORM_PART)
        upload = form.get("farm")
        if upload is None or isinstance(upload, str) or not upload.filename:
            raise UsageError("Choose the zip of a farm.")
        with tempfile.TemporaryDirectory(prefix="soilquilt-") as temporary:
            archive = Path(temporary) / "farm.zip"
            archive.write_bytes(await upload.read())
            await form.close()
            await run_in_threadpool(restore_farm, archive, self.work.folder)
        return self.back(request, "/")

    async def plan(self, request: Request) -> Response:
        """Plan the spots of every block in the background, as the command does."""
        season = request.path_params["season"]
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        count = int(said["spots"]) if said.get("spots", "").isdigit() else AS_LAST_TIME
        paid = said.get("budget", "").replace(" ", "")
        budget = float(paid) if paid.replace(".", "", 1).isdigit() else None
        if paid and (budget is None or not budget > 0):
            raise UsageError(f"A sum of money is a number above 0, not {paid!r}.")
        if budget is not None and count:
            raise UsageError("Give the number of spots or a sum of money, not both.")

        if not self._is_busy():
            heard: list[str] = []
            run = await run_in_threadpool(
                spots_page.all_planned, self.work, season, count, budget, heard
            )
            self._start(run, "spots", heard)
        return self.back(request, said.get("back", "/"))

    async def try_spots(self, request: Request) -> Response:
        """What the plan is worth with some spots elsewhere; nothing is stored."""
        season, block = self.place(request)
        places = spots_page.places_of(await sent_by(request))
        return JSONResponse(
            await run_in_threadpool(spots_page.tried, self.work, season, block, places)
        )

    async def keep_spots(self, request: Request) -> Response:
        """Write the plan's files anew with some spots elsewhere."""
        season, block = self.place(request)
        places = spots_page.places_of(await sent_by(request))
        if is_planning(self.work.run):
            raise UsageError("Spots are being planned just now. Keep places when that is done.")
        return JSONResponse(
            await run_in_threadpool(spots_page.keep, self.work, season, block, places)
        )

    async def compare(self, request: Request) -> Response:
        """Compare two seasons in the background, as the command does."""
        second = request.path_params["season"]
        said = {k: str(v).strip() for k, v in (await request.form()).items()}
        if not said.get("first", "").isdigit():
            raise UsageError("Say the earlier season.")
        if self._is_busy():
            return self.back(request, said.get("back", "/"))
        years = (int(said["first"]), second)
        heard: list[str] = []
        run = await run_in_threadpool(
            comparison, self.work.folder, years, said.get("block", ""), heard
        )
        self._start(run, f"change {years[0]}-{years[1]}", heard)
        return self.back(request, said.get("back", "/"))

    async def settings_back(self, request: Request) -> Response:
        """Go back to the farm.toml before."""
        await run_in_threadpool(farmtext.take_back, self.work.folder)
        await run_in_threadpool(self.work.warm_again)
        return self.back(request, "/settings")


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
    if said.get("layout"):
        (draft.anew.discard if said["layout"] == "before" else draft.anew.add)(said.get("file", ""))
        return True
    if said.get("crs"):
        code = said["crs"].strip()
        draft.crs = f"EPSG:{code}" if code.isdigit() else code
        return True
    name, choice = said.get("finding", ""), said.get("choice", "")
    preview = draft.preview
    finding = next(
        (f for f in (preview.findings if preview else ()) if answers.finding_id(f) == name), None
    )
    if finding is None:
        return False
    draft.answers[name] = "" if draft.answers.get(name) == choice else choice
    if choice == "agree" and answers.concerns_file(finding):
        draft.accept.add(finding.rule)
        return True
    return False

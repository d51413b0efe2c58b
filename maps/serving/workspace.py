"""One farm as the browser sees it: what is stored, what runs made, and seasons kept at hand."""

from __future__ import annotations

import json
import shutil
import tempfile
import threading
import time
import weakref
from collections import OrderedDict
from contextlib import suppress
from pathlib import Path
from typing import Any

import shapely
import shapely.geometry

from geo.blocks import Block
from geo.errors import FarmError, SoilquiltError
from geo.farm import read_blocks, read_records
from geo.findings import Finding
from geo.lookup import farm_tables
from geo.materials import Material, candidates, with_own_materials
from geo.prescribing.blending import chloride_safe
from geo.season import Season, run_season
from geo.settings import Settings, read_settings
from geo.store.database import reading
from geo.store.rows import read_results
from geo.upkeep import fingerprint
from maps.disk import disk_words
from maps.page import read_page_data
from maps.serving.drafts import Draft
from maps.serving.running import Run
from maps.serving.trying import Live, Wish, live_of, make_ready, tried

Data = dict[str, Any]
#: Name, time of the last change, size and node of each file that a run reads.
Marks = tuple[tuple[str, int, int, int], ...]

#: So long after its last change a file's mark is sure to tell it from the next. [ns]
SURE_NS = 2_000_000_000
#: Seasons kept with their grids and requirements, about 100 MB each for 8 ha.
KEPT = 3


class Workspace:
    """The farm folder behind one browser app; one run and one draft at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._was_there = (folder / "farm.toml").is_file()
        self.run: Run | None = None
        self.draft: Draft | None = None
        self.lock = threading.Lock()
        # rasterio sets the warning filters of the whole process while it draws outlines, so two
        # tries at once may leave each other's; and two at once take as long as one by one.
        self.drawing = threading.Lock()
        #: Step -> sentences of what a person asked for last.
        self.told: dict[str, list[str]] = {}
        #: Block, season and inputs -> what a plan is judged by, kept while spots are moved.
        self.sites: dict[tuple[str, int, str], Any] = {}
        #: Season and block -> what was asked of a plan that is not made yet, or could not be.
        self.spot_wishes: dict[tuple[int, str], Data] = {}
        self._room: Path | None = None
        self._pages: dict[Path, tuple[float, Data]] = {}
        self._live: OrderedDict[tuple[int, str, str], Live] = OrderedDict()
        #: The season and block last tried or about to be, and who works it out.
        self._watched: tuple[int, str] | None = None
        self._warming: threading.Thread | None = None
        #: Season -> what its inputs looked like on disk, and their fingerprint.
        self._inputs: dict[int, tuple[Marks, str]] = {}

    @property
    def exists(self) -> bool:
        """Whether there is a farm in the folder yet.

        Raises
        ------
        FarmError
            If there was one: an empty page in its place would look as if all were lost.
        """
        there = (self.folder / "farm.toml").is_file()
        if self._was_there and not there:
            raise FarmError(
                f"The farm is no longer in {self.folder.absolute()}: the folder was moved, renamed "
                "or deleted while it was open here. Put it back, or stop this program and open it "
                "where it is now: soilquilt open FOLDER. Nothing was changed."
            )
        self._was_there = there
        return there

    def must_be_there(self) -> None:
        """Refuse to go on if the farm was here and is gone; a folder that is none yet will do."""
        _ = self.exists

    @property
    def name(self) -> str:
        """The farm's name, or that of its folder."""
        return self.settings().name if self.exists else self.folder.resolve().name

    def settings(self) -> Settings:
        """Of farm.toml as it is now."""
        return read_settings(self.folder / "farm.toml")

    def blocks(self) -> tuple[Block, ...]:
        """Blocks in use."""
        return read_blocks(self.folder) if self.exists else ()

    def block(self, slug: str) -> Block:
        """The block of a folder name."""
        for block in self.blocks():
            if block.slug == slug:
                return block
        raise FarmError(f"This farm has no block {slug!r}.")

    def seasons(self) -> list[int]:
        """Years with soil results, newest last."""
        if not self.exists:
            return []
        with reading(self.folder) as database:
            rows = database.execute("SELECT DISTINCT season FROM results WHERE season IS NOT NULL")
            return sorted(int(row[0]) for row in rows)

    def made(self, season: int, slug: str) -> Path:
        """Folder of what a run made."""
        return self.folder / "seasons" / str(season) / slug

    def page(self, season: int, slug: str) -> Data | None:
        """What map.html of a block shows, as data; None if it was not run."""
        path = self.made(season, slug) / "map.html"
        if not path.is_file():
            return None
        changed = path.stat().st_mtime
        if path not in self._pages or self._pages[path][0] != changed:
            self._pages[path] = (changed, read_page_data(path))
        return self._pages[path][1]

    def document(self, season: int, slug: str) -> Data | None:
        """season.json of a block; None if it was not run."""
        path = self.made(season, slug) / "season.json"
        if not path.is_file():
            return None
        changed = path.stat().st_mtime
        if path not in self._pages or self._pages[path][0] != changed:
            self._pages[path] = (changed, json.loads(path.read_text(encoding="utf-8")))
        return self._pages[path][1]

    def failure(self, season: int, slug: str) -> str:
        """Why the last run of a block failed, if it did."""
        path = self.made(season, slug).with_name(f"{slug}.failed.json")
        return str(json.loads(path.read_text("utf-8"))["message"]) if path.is_file() else ""

    def inputs(self, season: int) -> str:
        """What a run of the season would read now, in short; read anew once a file changed."""
        marks = marks_of(self.folder)
        known = self._inputs.get(season)
        if known is not None and known[0] == marks:
            return known[1]
        found = fingerprint(self.folder, season)
        # A file may change again within one tick of its clock: young marks are not believed.
        if time.time_ns() - max((at for _, at, *_ in marks), default=0) > SURE_NS:
            self._inputs[season] = (marks, found)
        return found

    def outdated(self, season: int, slug: str, inputs: str | None = None) -> bool:
        """Whether records or settings changed since the run; `inputs` spares reading them."""
        path = self.made(season, slug) / "done.json"
        if not path.is_file():
            return False
        done = json.loads(path.read_text(encoding="utf-8"))
        return bool(done.get("inputs") != (inputs or self.inputs(season)))

    def redrawn(self, season: int, block: Block) -> bool:
        """Whether the block has another outline now than its maps were made with."""
        page = self.page(season, block.slug)
        if page is None:
            return False
        return not shapely.geometry.shape(page["outline"]["geometry"]).equals(block.lonlat)

    def waiting_room(self) -> Path:
        """A folder outside the farm, gone with the app, for what a farm to be will hold."""
        if self._room is None:
            self._room = Path(tempfile.mkdtemp(prefix="soilquilt-"))
            weakref.finalize(self, shutil.rmtree, self._room, ignore_errors=True)
        return self._room

    def findings(self, season: int) -> list[Finding]:
        """What the samples of a season ask, all blocks together."""
        from maps.commands.intake import season_findings

        return season_findings(self.folder, season) if season in self.seasons() else []

    def texts(self, season: int) -> dict[tuple[str, str], str]:
        """Cells of a season as the laboratory wrote them, with their unit, by sample and key."""
        with reading(self.folder) as database:
            results = read_results(database, season)
        return {(r.sample_id, r.key): f"{r.text} {r.unit_read}".strip() for r in results}

    def live(self, season: int, block: Block) -> Live:
        """A season with its grids and draws, computed if it is not at hand."""
        with self.lock:
            while (key := self._live_key(season, block)) not in self._live:
                records = read_records(self.folder, season, block.name)
                with self.drawing:
                    made = run_season(self.folder, season, block.name, test_zones=False)
                # What was changed in the meantime must not be answered from what was before.
                if self._live_key(season, block) != key:
                    continue
                self._live[key] = live_of(self.folder, made, records, self.drawing)
                while len(self._live) > KEPT:
                    self._live.popitem(last=False)
            self._live.move_to_end(key)
            for other in list(self._live)[:-1]:
                # Large, and soon drawn again; a try that is under way goes on with what it has.
                self._live[other].kept.drawn = OrderedDict()
            return self._live[key]

    def _live_key(self, season: int, block: Block) -> tuple[int, str, str]:
        return (season, block.slug, self.inputs(season))

    def warm(self, season: int, block: Block) -> None:
        """Compute a season in the background, so that the first wish is answered at once."""

        def work() -> None:
            # A page that only looks must not fail for what a wish would run into.
            with suppress(SoilquiltError):
                make_ready(self.live(season, block))

        self._warming = threading.Thread(target=work, name="warm", daemon=True)
        self._watched = (season, block.slug)
        self._warming.start()

    def warm_again(self) -> None:
        """After a change of settings: compute anew what was looked at last; a run goes first."""
        if self._watched is None or (self.run is not None and self.run.busy):
            return
        season, slug = self._watched
        with suppress(SoilquiltError):
            self.warm(season, self.block(slug))

    def readiness(self, season: int, block: Block) -> str:
        """Whether a wish is answered at once: "ready", "working" on it, or "cold"."""
        live = self._live.get(self._live_key(season, block))
        if live is not None and live.kept.ready:
            return "ready"
        working = self._warming is not None and self._warming.is_alive()
        return "working" if working else "cold"

    def products(self, block: Block, amendment: str) -> tuple[Material, ...]:
        """What may be bought for an amendment in a block; the farm's own materials with it."""
        settings = self.settings()
        tables = farm_tables(self.folder, settings.tables)
        safe = chloride_safe(block, tables)
        return candidates(amendment, with_own_materials(settings, tables), no_chloride=not safe)

    def tried(self, season: int, block: Block, amendment: str, wish: Wish) -> Season:
        """The season as it would be with a wish about one amendment; nothing is stored."""
        return tried(self.live(season, block), amendment, wish)


def marks_of(folder: Path) -> Marks:
    """What changes on disk when the records, settings or own tables of a farm do."""
    paths = [*folder.glob("farm.gpkg*"), *folder.glob("*.toml"), *folder.glob("*.csv")]
    marks = []
    for path in sorted(paths):
        with suppress(FileNotFoundError):  # a journal may go at any time
            found = path.stat()
            marks.append((path.name, found.st_mtime_ns, found.st_size, found.st_ino))
    return tuple(marks)


def in_words(error: Exception) -> str:
    """An error as a page says it."""
    if isinstance(error, SoilquiltError):
        return str(error)
    return disk_words(error) or "This is our mistake, not yours. Your farm is as it was."

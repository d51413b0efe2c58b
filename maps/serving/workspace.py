"""One farm as the browser sees it: what is stored, what runs made, and seasons kept at hand."""

from __future__ import annotations

import json
import shutil
import tempfile
import threading
import weakref
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import shapely
import shapely.geometry
from numpy.random import default_rng

from geo.blocks import Block
from geo.errors import FarmError, SoilquiltError
from geo.farm import Records, read_blocks, read_records
from geo.findings import Finding
from geo.lookup import farm_tables
from geo.materials import Material, candidates, with_own_materials
from geo.prescribing.blending import chloride_safe
from geo.prescription import prescribe
from geo.requirements.draws import find_requirements
from geo.season import Season, run_season, step_kg_ha
from geo.settings import Settings, read_settings
from geo.store.database import reading
from geo.store.rows import read_results
from geo.surfaces import Surface, Surfaces
from geo.upkeep import fingerprint
from geo.zones import delineate_zones
from maps.page import read_page_data
from maps.serving.drafts import Draft
from maps.serving.running import Run

Data = dict[str, Any]

#: Seasons kept with their grids and draws, about 100 MB each for 8 ha.
KEPT = 3
#: Draws behind a wish that asks the rules anew; a run takes 400.
TRIED_DRAWS = 150


@dataclass(frozen=True)
class Wish:
    """What a person tries on the zones page; None leaves it as it is."""

    most_zones: int | None = None
    target_ph: float | None = None
    price_per_t: float | None = None
    little: float | None = None
    much: float | None = None
    width_m: float | None = None
    boundary: str | None = None
    product: str | None = None


class Workspace:
    """The farm folder behind one browser app; one run and one draft at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
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
        self._live: OrderedDict[tuple[int, str, str], tuple[Season, Records]] = OrderedDict()

    @property
    def exists(self) -> bool:
        """Whether there is a farm in the folder yet."""
        return (self.folder / "farm.toml").is_file()

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
        """What a run of the season would read now, in short."""
        return fingerprint(self.folder, season)

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

    def live(self, season: int, block: Block) -> tuple[Season, Records]:
        """A season with its grids and draws, computed if it is not at hand."""
        key = (season, block.slug, fingerprint(self.folder, season))
        with self.lock:
            if key not in self._live:
                records = read_records(self.folder, season, block.name)
                self._live[key] = (
                    run_season(self.folder, season, block.name, test_zones=False),
                    records,
                )
                while len(self._live) > KEPT:
                    self._live.popitem(last=False)
            self._live.move_to_end(key)
            return self._live[key]

    def warm(self, season: int, block: Block) -> None:
        """Compute a season in the background, so that the first wish is answered at once."""

        def work() -> None:
            # A page that only looks must not fail for what a wish would run into.
            with suppress(SoilquiltError):
                self.live(season, block)

        threading.Thread(target=work, name="warm", daemon=True).start()

    def products(self, block: Block, amendment: str) -> tuple[Material, ...]:
        """What may be bought for an amendment in a block; the farm's own materials with it."""
        settings = self.settings()
        tables = farm_tables(self.folder, settings.tables)
        safe = chloride_safe(block, tables)
        return candidates(amendment, with_own_materials(settings, tables), no_chloride=not safe)

    def tried(self, season: int, block: Block, amendment: str, wish: Wish) -> Season:
        """The season as it would be with a wish about one amendment; nothing is stored."""
        found, records = self.live(season, block)
        asked = next((r for r in found.requirements if r.amendment == amendment), None)
        if asked is None:
            raise FarmError(f"There is no {amendment} to try in {block.name}.")
        bought = wish.product or product_of(found, amendment)
        settings, place = wished(found.settings, found.block, amendment, wish, bought)
        if wish.target_ph is not None or wish.width_m is not None:
            asked = find_requirements(
                found.surfaces, found.ratings, found.checked, place, settings, season,
                records.tissue, records.applications, default_rng(settings.grid.seed),
                only=[amendment], count=TRIED_DRAWS,
            )[0]  # fmt: skip
        if wish.little is not None and wish.much is not None:
            asked = replace(asked, cost_too_little=wish.little, cost_too_much=wish.much)
        shown = _few_surfaces(found.surfaces)
        own = (place.site.boundaries or {}).get(amendment, "")
        step = step_kg_ha(asked, place, settings)
        with self.drawing:
            zones = delineate_zones(asked, shown, place, settings, step, boundary=own)
        plan = prescribe([zones], [asked], place, settings)
        return replace(
            found, block=place, settings=settings, requirements=(asked,), zone_maps=(zones,),
            prescription=plan,
        )  # fmt: skip


def _few_surfaces(surfaces: Surfaces) -> dict[str, Surface]:
    """Enough to judge zones by: the places of the samples. Means of all properties take longer."""
    most = max(surface.n for surface in surfaces.values())
    key = next(key for key, surface in surfaces.items() if surface.n == most)
    return {key: surfaces[key]}


def product_of(season: Season, amendment: str) -> str:
    """Key of the product that a season's plan buys for an amendment; empty if none."""
    rates = season.prescription.rates
    return next((rate.material for rate in rates if rate.amendment == amendment), "")


def wished(
    settings: Settings, block: Block, amendment: str, wish: Wish, bought: str
) -> tuple[Settings, Block]:
    """Settings and block with a wish in them; a price is that of the product bought."""
    machine = settings.spreader_of(block.name)
    if wish.most_zones is not None:
        if not 1 <= wish.most_zones <= 6:
            raise FarmError("Between one and six zones.")
        machine = replace(machine, most_zones=wish.most_zones)
    if wish.width_m is not None:
        if not 0.5 <= wish.width_m <= 60:
            raise FarmError("A swath between 0.5 and 60 m.")
        machine = replace(machine, width_m=wish.width_m)
    site = replace(block.site, spreader=machine)
    if wish.boundary is not None:
        site = replace(site, boundaries={amendment: wish.boundary})
    if wish.target_ph is not None:
        if not 4.5 <= wish.target_ph <= 7.5:
            raise FarmError("A target pH between 4.5 and 7.5.")
        site = replace(site, target_ph=wish.target_ph)
    materials = dict(settings.materials)
    if wish.price_per_t is not None:
        if not 0 <= wish.price_per_t <= 1e7:
            raise FarmError("A price from 0 up.")
        if not bought:
            raise FarmError("Choose a product first, then say its price.")
        materials[bought] = {**materials.get(bought, {}), "price_per_t": wish.price_per_t}
    if wish.product is not None:
        site = replace(site, product={**site.product, amendment: wish.product})
    changed = replace(settings, blocks={**settings.blocks, block.name: site}, materials=materials)
    return changed, replace(block, site=site)


def in_words(error: Exception) -> str:
    """An error as a page says it."""
    if isinstance(error, SoilquiltError):
        return str(error)
    return "This is our mistake, not yours. Your farm is as it was."

"""Settings: every knob a person may turn, its unit and its default; read from farm.toml, checked.

The tables of `farm.toml`::

    [farm]       name, currency, units ("metric" or "us"), language
    [grid]       spacing_m, seed, cloud
    [spreader]   width_m, speed_kmh, transition_s, by_hand, minimum_piece_ha
    [controller] max_polygons, max_kb, max_fields, rate_field, rate_unit
    [ground]     tiles, credit, most_zoom: pictures of the ground from the internet; none by default
    [costs]      spreading_uniform_per_ha, spreading_zones_per_ha, delivery_per_t, ...
    [tables]     the user's own tables: subject = "file in the farm folder"; `prices` names a TOML
                 file with [materials.KEY] and [costs], over which farm.toml itself goes
    [blocks."NAME"]            crop, planted, rows, soil, placement; its own [.spreader]
    [materials.KEY]            overrides or adds to geo/tables/materials.csv: price_per_t ...
    [cost_ratios]              what too little and too much cost, by amendment: lime = [2, 3]

Words that are not known are refused with their name and the nearest that is (`settings_words`), so
that a slip of the pen is not silently lost.
"""

from __future__ import annotations

import dataclasses
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from geo.errors import FarmError
from geo.settings_words import (
    AMENDMENTS,
    COST_RATIOS,
    MATERIAL_KEYS,
    check_known,
    check_placement,
    check_tables,
)

T = TypeVar("T")

#: An address of tiles; its start stands in the page's Content-Security-Policy, so that nothing but
#: a plain host name may stand there.
_TILES = re.compile(
    r"(https://(?:[a-z0-9-]+\.)+[a-z0-9-]+(?::\d{1,5})?"
    r"|http://(?:127\.0\.0\.1|localhost)(?::\d{1,5})?)"
    r"/[^\s\"'<>\\`@]*",
    re.IGNORECASE,
)
_TILE_WORDS = ("{x}", "{y}", "{z}")


@dataclass(frozen=True)
class GridSettings:
    """The surface grid. `seed` feeds every random draw of the farm.

    `cloud` lays surfaces.tif out as a cloud-optimised GeoTIFF (OGC 21-026).
    """

    spacing_m: float = 2.5
    seed: int = 20311
    cloud: bool = False


@dataclass(frozen=True)
class SpreaderSettings:
    """The machine that spreads: swath [m], ground speed [km/h], time to change the rate [s]."""

    width_m: float = 6.0
    speed_kmh: float = 6.0
    transition_s: float = 4.0
    by_hand: bool = False
    minimum_piece_ha: float | None = None
    most_zones: int = 4


@dataclass(frozen=True)
class ControllerSettings:
    """What the rate controller can read.

    `isoxml_grid` writes task data as zones (0), a grid of zone codes (1) or a grid of rates (2);
    its cells are a swath wide.
    """

    max_polygons: int = 100
    max_kb: float = 250.0
    max_fields: int = 1
    rate_field: str = "RATE"
    rate_unit: str = "kg/ha"
    isoxml_version: str = "3.3"
    isoxml_grid: int = 0


@dataclass(frozen=True)
class CostSettings:
    """Money, in the farm's own currency."""

    spreading_uniform_per_ha: float = 0.0
    spreading_zones_per_ha: float = 0.0
    delivery_per_t: float = 0.0
    delivery_minimum_t: float = 0.0
    soil_sample: float = 0.0
    tissue_sample: float = 0.0
    labour_per_h: float = 0.0
    minutes_per_station: float = 14.0


@dataclass(frozen=True)
class GroundSettings:
    """Pictures of the ground from the internet; none unless the user says where they come from.

    `tiles` is an address with {z}, {x} and {y} of Web Mercator tiles, https or this machine's own;
    `most_zoom` is the finest zoom it has; `credit` stands on the maps that show them.
    """

    tiles: str = ""
    credit: str = ""
    most_zoom: int = 19

    @property
    def asked(self) -> str:
        """Scheme, host and port that the browser asks for pictures; empty where it asks nobody."""
        found = _TILES.fullmatch(self.tiles)
        return found[1].lower() if found else ""


@dataclass(frozen=True)
class BlockSettings:
    """What is known of a block beside its outline.

    `planted` is the year of planting; None means that it is asked before a held rate is decided.
    `placement` is how each material goes on: "full width", "band" or "incorporated", by amendment,
    "default" for the rest. `product` is the key of the material to buy, by amendment, where the
    grower decides it. `drainage` is "yes", "no" or None (not known).
    `boundaries` are zone borders that the grower drew, by amendment: lines as WKT in longitude and
    latitude, parted by semicolons.
    """

    crop: str = "wine_grape"
    planted: int | None = None
    row_azimuth_deg: float | None = None
    row_spacing_m: float | None = None
    vine_spacing_m: float | None = None
    headland_m: float | None = None
    stones_pct: float = 0.0
    bulk_density_mg_m3: float = 1.3
    clay_pct: float | None = None
    amended_depth_cm: float | None = None
    yield_t_ha: float | None = None
    placement: Mapping[str, str] = field(default_factory=lambda: {"default": "full width"})
    product: Mapping[str, str] = field(default_factory=dict)
    band_width_m: float | None = None
    irrigation_ec_ds_m: float | None = None
    irrigation_sar: float | None = None
    irrigation_nitrate_n_mg_l: float | None = None
    irrigation_mm: float | None = None
    drainage: str | None = None
    target_ph: float | None = None
    free_lime_pct: float | None = None
    boundaries: Mapping[str, str] | None = None
    spreader: SpreaderSettings | None = None

    def established(self, season: int) -> bool | None:
        """Whether vines or trees stand in the block in that season; None if it is not known."""
        return None if self.planted is None else self.planted <= season


@dataclass(frozen=True)
class Settings:
    """Everything in farm.toml, with defaults where it is silent."""

    name: str = "farm"
    currency: str = ""
    units: str = "metric"
    organic: bool = False
    grid: GridSettings = field(default_factory=GridSettings)
    spreader: SpreaderSettings = field(default_factory=SpreaderSettings)
    controller: ControllerSettings = field(default_factory=ControllerSettings)
    costs: CostSettings = field(default_factory=CostSettings)
    ground: GroundSettings = field(default_factory=GroundSettings)
    blocks: Mapping[str, BlockSettings] = field(default_factory=dict)
    materials: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    cost_ratios: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)

    def block(self, name: str) -> BlockSettings:
        """Settings of a block; the defaults if farm.toml does not name it."""
        return self.blocks.get(name, BlockSettings())

    def spreader_of(self, name: str) -> SpreaderSettings:
        """The spreader that serves a block."""
        return self.block(name).spreader or self.spreader


def read_settings(path: Path) -> Settings:
    """Settings from a farm.toml.

    Raises
    ------
    FarmError
        If the file is missing, is not TOML, holds an unknown key or a value of the wrong kind.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise FarmError(
            f"{path.parent} has no farm.toml, so it is not a farm folder. "
            "Make one with 'soilquilt new FOLDER --outlines FILE'."
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FarmError(f"{path.name} cannot be read: {error}.") from None
    own_tables = _own_tables(content.get("tables", {}), path)
    settings = settings_from(content, path.name)
    return (
        _with_prices(settings, content, own_tables["prices"])
        if "prices" in own_tables
        else (settings)
    )


def _own_tables(tables: Any, path: Path) -> Mapping[str, Path]:
    """The user's own tables; each must lie in the farm folder, so that a copy is complete."""
    found: dict[str, Path] = {}
    check_tables(_table(tables, f"{path.name}, [tables]"), f"{path.name}, [tables]")
    for subject, name in tables.items():
        if isinstance(name, Mapping):  # [tables.rate], [tables.replace]: geo.lookup.farm_tables
            continue
        table = path.parent / str(name)
        if not table.resolve().is_relative_to(path.parent.resolve()):
            raise FarmError(f"{path.name}, [tables], {subject}: {name!r} is outside the farm.")
        if not table.is_file():
            raise FarmError(
                f"{path.name}, [tables], {subject}: there is no file {name!r} beside {path.name}."
            )
        found[subject] = table
    return found


def _with_prices(settings: Settings, content: Mapping[str, Any], path: Path) -> Settings:
    """Prices and costs from a file of their own; what farm.toml says itself goes first."""
    try:
        prices = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FarmError(f"{path.name} cannot be read: {error}.") from None
    check_known(prices, ("materials", "costs", "currency"), path.name, "table")
    listed = _materials(prices.get("materials", {}), path.name)
    materials = {
        key: {**listed.get(key, {}), **settings.materials.get(key, {})}
        for key in dict.fromkeys((*listed, *settings.materials))
    }
    of_file = _table(prices.get("costs", {}), f"{path.name}, [costs]")
    costs = {**of_file, **content.get("costs", {})}
    return dataclasses.replace(
        settings,
        materials=materials,
        currency=settings.currency or str(prices.get("currency", "")),
        costs=_read(CostSettings, costs, f"{path.name}, [costs]"),
    )


def settings_from(content: Mapping[str, Any], name: str = "farm.toml") -> Settings:
    """Settings from the parsed content of a farm.toml."""
    farm = dict(_table(content.get("farm", {}), f"{name}, [farm]"))
    rest = {key: value for key, value in content.items() if key != "farm"}
    blocks = {
        block: _block(values, f'{name}, [blocks."{block}"]')
        for block, values in _table(rest.pop("blocks", {}), f"{name}, [blocks]").items()
    }
    parts: dict[str, Any] = {
        "grid": _read(GridSettings, rest.pop("grid", {}), f"{name}, [grid]"),
        "spreader": _read(SpreaderSettings, rest.pop("spreader", {}), f"{name}, [spreader]"),
        "controller": _read(
            ControllerSettings, rest.pop("controller", {}), f"{name}, [controller]"
        ),
        "costs": _read(CostSettings, rest.pop("costs", {}), f"{name}, [costs]"),
        "ground": _ground(rest.pop("ground", {}), f"{name}, [ground]"),
        "materials": _materials(rest.pop("materials", {}), name),
        "tables": _table(rest.pop("tables", {}), f"{name}, [tables]"),
        "blocks": blocks,
        "cost_ratios": _cost_ratios(rest.pop("cost_ratios", {}), f"{name}, [cost_ratios]"),
    }
    check_known(rest, ("farm", *parts), name, "table")
    check_known(farm, _keys(Settings) - set(parts), f"{name}, [farm]", "key")
    return _read(Settings, farm | parts, f"{name}, [farm]")


def _ground(values: Any, where: str) -> GroundSettings:
    ground = _read(GroundSettings, values, where)
    braces = sorted(re.findall(r"\{[^{}]*\}|[{}]", ground.tiles))
    if ground.tiles and not (ground.asked and braces == list(_TILE_WORDS)):
        raise FarmError(
            f"{where}, tiles: {ground.tiles[:80]!r} is not an address of tiles. It begins with "
            "https:// and a host's name, and holds {z}, {x} and {y} once each."
        )
    if not 1 <= ground.most_zoom <= 24:
        raise FarmError(f"{where}, most_zoom: between 1 and 24, not {ground.most_zoom}.")
    return ground


def _table(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise FarmError(f"{where}: a table is wanted here, not {value!r}.")
    return value


def _materials(values: Any, name: str) -> Mapping[str, Mapping[str, Any]]:
    """What a file says of materials; a new one is known by its name alone."""
    found = _table(values, f"{name}, [materials]")
    for key, own in found.items():
        where = f"{name}, [materials.{key}]"
        check_known(_table(own, where), MATERIAL_KEYS, where, "key")
    return found


def _cost_ratios(values: Any, where: str) -> dict[str, tuple[float, float]]:
    """What too little and too much cost, by amendment."""
    check_known(_table(values, where), COST_RATIOS, where, "amendment")
    ratios: dict[str, tuple[float, float]] = {}
    for key, pair in values.items():
        if not isinstance(pair, list) or len(pair) != 2:
            raise FarmError(
                f"{where}, {key}: two numbers are wanted, what too little and what too much costs, "
                f"such as [2, 3]; not {pair!r}."
            )
        little, much = (_checked(number, "float", f"{where}, {key}") for number in pair)
        ratios[key] = (little, much)
    return ratios


def _block(values: Any, where: str) -> BlockSettings:
    values = dict(_table(values, where))
    check_placement(
        _table(values.get("placement", {}), f"{where}, placement"), f"{where}, placement"
    )
    for key in ("boundaries", "product"):
        said = _table(values.get(key, {}), f"{where}, {key}")
        check_known(said, AMENDMENTS, f"{where}, {key}", "amendment")
        for amendment, text in said.items():
            _checked(text, "str", f"{where}, {key}, {amendment}")
    if "spreader" in values:
        values["spreader"] = _read(SpreaderSettings, values["spreader"], f"{where}.spreader")
    return _read(BlockSettings, values, where)


def _keys(record: type) -> set[str]:
    return {f.name for f in dataclasses.fields(record)}


def _read(record: type[T], values: Mapping[str, Any], where: str) -> T:
    """A settings record from a TOML table; numbers are checked, unknown keys refused."""
    fields = {f.name: f for f in dataclasses.fields(record)}  # type: ignore[arg-type]
    check_known(_table(values, where), fields, where, "key")
    checked: dict[str, Any] = {}
    for key, value in values.items():
        checked[key] = _checked(value, str(fields[key].type), f"{where}, {key}")
    return record(**checked)


def _checked(value: Any, kind: str, where: str) -> Any:
    wanted = kind.split(" | ")[0]
    right: Mapping[str, tuple[type, ...]] = {"float": (int, float), "int": (int,), "str": (str,)}
    if wanted == "bool" and not isinstance(value, bool):
        raise FarmError(f"{where}: {value!r} should be true or false.")
    if wanted in right and (isinstance(value, bool) or not isinstance(value, right[wanted])):
        raise FarmError(f"{where}: {value!r} is not a {'number' if wanted != 'str' else 'text'}.")
    return float(value) if wanted == "float" else value

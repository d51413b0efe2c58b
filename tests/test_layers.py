"""One way down: a module imports only from modules above it; geo never imports maps."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# From the top down. A module may import what stands before it.
ORDER = (
    "geo.errors",
    "geo.lookup",
    "geo.chain",
    "geo.reasons",
    "geo.units",
    "geo.money",
    "geo.rating.methods",
    "geo.rating.schemes",
    "geo.rating.choice",
    "geo.settings_words",
    "geo.settings",
    "geo.settings_text",
    "geo.findings",
    "geo.grids",
    "geo.noise",
    "geo.gdal_guard",
    "geo.crs",
    "geo.received",
    "geo.fence",
    "geo.outlines.gdal_layers",
    "geo.outlines.shapes",
    "geo.outlines.polygons",
    "geo.outlines.systems",
    "geo.blocks",
    "geo.outlines.drawn",
    "geo.ground",
    "geo.intake",
    "geo.checking.derived",
    "geo.checking.suspects",
    "geo.checking.layout",
    "geo.checks",
    "geo.store.schema",
    "geo.store.database",
    "geo.store.rows",
    "geo.store.blockrows",
    "geo.store.originals",
    "geo.store.typed",
    "geo.store.edits",
    "geo.store.corrections",
    "geo.store.seasonrows",
    "geo.store.sharing",
    "geo.store.doubles",
    "geo.store.samplesets",
    "geo.store.stations",
    "geo.store.receiving",
    "geo.store.whole",
    "geo.store.planned",
    "geo.farm",
    "geo.upkeep",
    "geo.water",
    "geo.rating.conditions",
    "geo.rating.tissue",
    "geo.tissue",
    "geo.ratings",
    "geo.geostatistics.correlation",
    "geo.geostatistics.leastsquares",
    "geo.geostatistics.covariance",
    "geo.variogram",
    "geo.kriging",
    "geo.geostatistics.pykrige_terms",
    "geo.geostatistics.simulation",
    "geo.geostatistics.probability",
    "geo.geostatistics.inverse_distance",
    "geo.crossvalidation",
    "geo.progress",
    "geo.belief.frame",
    "geo.belief.nodes",
    "geo.belief.belief",
    "geo.belief.semivariance",
    "geo.belief.prediction",
    "geo.belief.draws",
    "geo.belief.verdicts",
    "geo.surfacing.columns",
    "geo.surfacing.block_means",
    "geo.surfacing.remarks",
    "geo.surfaces",
    "geo.response",
    "geo.requirements",
    "geo.zoning",
    "geo.zones",
    "geo.prescribing.chances",
    "geo.materials",
    "geo.prescribing.operations",
    "geo.prescribing.prescribed",
    "geo.prescribing.asked",
    "geo.prescribing.blending",
    "geo.prescription",
    "geo.prescribing.purchase",
    "geo.treated",
    "geo.asapplied",
    "geo.comparing",
    "geo.compare",
    "geo.season",
    "geo.planning",
    "geo.sampling",
    "geo.export",
    "maps",
)


def place(module: str) -> int:
    """Index in ORDER of the longest entry that holds the module."""
    for index, name in reversed(list(enumerate(ORDER))):
        if module == name or module.startswith(name + "."):
            return index
    return -1


def imports(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    return [name for name in names if name.split(".")[0] in {"geo", "maps"}]


FILES = [p for folder in ("geo", "maps") for p in sorted((ROOT / folder).rglob("*.py"))]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_imports_only_from_above(path: Path):
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    if module == "geo" or not imports(path):
        return  # geo opens its names when first used; a folder's own file holds a sentence only
    assert place(module) >= 0, f"{module} is not in ORDER"
    below = [name for name in imports(path) if place(name) > place(module)]
    assert below == []


def test_only_routes_and_their_handlers_know_the_web_framework():
    knowing = {
        str(path.relative_to(ROOT / "maps"))
        for path in FILES
        if re.search(r"^\s*(from|import) starlette", path.read_text(encoding="utf-8"), re.M)
    }
    others = {name for name in knowing if not name.startswith("serving/site")}
    assert others == {"app.py", "serving/sent.py"}


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_nobody_imports_a_private_name(path: Path):
    private = [n for n in imports(path) if any(part.startswith("_") for part in n.split("."))]
    assert private == []

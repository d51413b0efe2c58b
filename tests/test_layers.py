"""One way down: a module imports only from modules above it; geo never imports maps."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# From the top down. A module may import what stands before it.
ORDER = (
    "geo.errors",
    "geo.lookup",
    "geo.chain",
    "geo.units",
    "geo.methods",
    "geo.schemes",
    "geo.scheme_choice",
    "geo.settings",
    "geo.settings_text",
    "geo.findings",
    "geo.grids",
    "geo.noise",
    "geo.gdal_guard",
    "geo.crs",
    "geo.received",
    "geo.shapes",
    "geo.polygons",
    "geo.outline_systems",
    "geo.blocks",
    "geo.intake",
    "geo.derived",
    "geo.suspects",
    "geo.checks",
    "geo.store",
    "geo.rows",
    "geo.blockrows",
    "geo.originals",
    "geo.corrections",
    "geo.samplesets",
    "geo.stations",
    "geo.farm",
    "geo.upkeep",
    "geo.water",
    "geo.soil_conditions",
    "geo.tissue_ratings",
    "geo.tissue",
    "geo.ratings",
    "geo.correlation",
    "geo.leastsquares",
    "geo.covariance",
    "geo.variogram",
    "geo.kriging",
    "geo.pykrige_terms",
    "geo.simulation",
    "geo.probability",
    "geo.inverse_distance",
    "geo.crossvalidation",
    "geo.frame",
    "geo.nodes",
    "geo.belief",
    "geo.semivariance",
    "geo.prediction",
    "geo.belief_draws",
    "geo.verdicts",
    "geo.columns",
    "geo.block_means",
    "geo.remarks",
    "geo.surfaces",
    "geo.response",
    "geo.requirements",
    "geo.zoning",
    "geo.zones",
    "geo.chances",
    "geo.materials",
    "geo.operations",
    "geo.prescribed",
    "geo.asked",
    "geo.blending",
    "geo.prescription",
    "geo.purchase",
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
    if module == "geo":
        return
    assert place(module) >= 0, f"{module} is not in ORDER"
    below = [name for name in imports(path) if place(name) > place(module)]
    assert below == []


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_nobody_imports_a_private_name(path: Path):
    private = [n for n in imports(path) if any(part.startswith("_") for part in n.split("."))]
    assert private == []

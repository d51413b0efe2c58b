"""Somebody else's field through the same commands a grower types: new, add, run.

The soil of 256 places on 1.7 ha of a soybean field in Brazil (Souza et al. 1999, as carried by the
R package geoR 1.9-6: data/gpl/NOTICE.md). Its metres are the field's own; here they are shifted to
a place of UTM zone 23 south, which leaves every distance as it is. Units are those of the
package's help page: K in cmol/dm3, organic matter in g/dm3, base saturation in %.

The maps are held against PyKrige's ordinary kriging, with a variogram fitted by restricted
likelihood, and against samples that were left out.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from pykrige.ok import OrdinaryKriging
from pyproj import Transformer

from geo.farm import read_records
from geo.variogram import fit_variogram
from maps.cli import main

GPL = Path(__file__).parent / "data" / "gpl"
CRS = "EPSG:31983"  # SIRGAS 2000, UTM zone 23 south
CORNER_M = np.array([230_000.0, 7_485_000.0])

#: Heading -> property key, and what one unit of the column is in the house unit.
COLUMNS = {"PH": ("ph_cacl2", 1.0), "K": ("k", 391.0), "MO": ("om", 0.1), "P": ("p", 1.0)}


def samples(heading):
    """Places [m] and values of a column of the original file."""
    with (GPL / "soja98.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    xy = np.array([(float(row["X"]), float(row["Y"])) for row in rows]) + CORNER_M
    return xy, np.array([float(row[heading]) for row in rows])


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """The folder of the season that the three commands leave."""
    folder = tmp_path_factory.mktemp("open")
    write_outline(folder / "soja.geojson")
    write_results(folder / "soja98.csv")
    farm = folder / "farm"
    assert main(["new", str(farm), "--outlines", str(folder / "soja.geojson")]) == 0
    words = ["--season", "1998", "--crs", CRS]
    for mapped in ("PH=ph_cacl2", "MO=om", "SB=base_saturation"):
        words += ["--map-column", mapped]
    for unit in ("p=mg/dm3", "k=cmol/dm3", "om=g/dm3", "base_saturation=%"):
        words += ["--unit", unit]
    assert main(["add", str(farm), str(folder / "soja98.csv"), *words]) == 0
    assert main(["run", str(farm), "--season", "1998"]) == 0
    return farm / "seasons" / "1998" / "soja"


def write_outline(path):
    """The hull of the places with a margin of 5 m, in degrees."""
    hull = shapely.MultiPoint(samples("PH")[0]).convex_hull.buffer(5.0)
    lonlat = np.column_stack(
        Transformer.from_crs(CRS, 4326, always_xy=True).transform(*hull.exterior.coords.xy)
    )
    geometry = {"type": "Polygon", "coordinates": [lonlat.tolist()]}
    feature = {"type": "Feature", "properties": {"name": "Soja"}, "geometry": geometry}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), "utf-8")


def write_results(path):
    """The original file with its places shifted into the zone."""
    lines = (GPL / "soja98.csv").read_text("utf-8").splitlines()
    moved = [lines[0]]
    for line in lines[1:]:
        x, y, rest = line.split(",", 2)
        moved.append(f"{float(x) + CORNER_M[0]:.1f},{float(y) + CORNER_M[1]:.1f},{rest}")
    path.write_text("\n".join(moved) + "\n", "utf-8")


@pytest.fixture(scope="module")
def document(season):
    return json.loads((season / "season.json").read_text("utf-8"))


def band(season, name):
    """Values of a band of surfaces.tif with the middles of their cells. [m]"""
    with rasterio.open(season / "surfaces.tif") as raster:
        values = raster.read(raster.descriptions.index(name) + 1).astype(float)
        rows, columns = np.nonzero(values != raster.nodata)
        east, north = raster.xy(rows, columns)
        crs = raster.crs
    xy = np.column_stack(Transformer.from_crs(crs, CRS, always_xy=True).transform(east, north))
    return xy, values[rows, columns]


def test_every_value_and_place_arrives(document):
    assert document["samples"]["stations"] == 256
    assert document["samples"]["left_out"] == []
    for heading, (key, factor) in COLUMNS.items():
        values = samples(heading)[1] * factor
        assert document["surfaces"][key]["n"] == 256
        # without a map's own mean: between the smallest and the largest, near the samples' mean
        assert document["surfaces"][key]["mean"] == pytest.approx(values.mean(), rel=0.05)


def test_no_value_waits_for_an_answer(document):
    assert document["samples"]["open"] == []


def test_the_map_covers_the_outline(season, document):
    xy, _ = band(season, "k")
    hull = shapely.MultiPoint(samples("K")[0]).convex_hull.buffer(5.0)
    assert shapely.contains_xy(hull.buffer(0.5), xy[:, 0], xy[:, 1]).all()
    assert document["block"]["area_ha"] == pytest.approx(hull.area / 1e4, rel=2e-3)


@pytest.mark.parametrize("key", ["ph_cacl2", "k"])
def test_maps_foretell_samples_left_out_better_than_the_mean(document, key):
    assert document["surfaces"][key]["skill"] > 0
    assert document["surfaces"][key]["verdict"] == "useful"


@pytest.mark.parametrize("heading", ["PH", "K"])
def test_maps_agree_with_ordinary_kriging_by_another_program(season, document, heading):
    key, factor = COLUMNS[heading]
    xy, values = samples(heading)
    logs = document["surfaces"][key]["logs"]
    scaled = np.log(values * factor) if logs else values * factor
    cells, ours = band(season, key)
    theirs = pykriged(xy, scaled, cells)
    theirs = np.exp(theirs) if logs else theirs
    _, sd = band(season, f"{key}_sd")
    assert np.corrcoef(ours, theirs)[0, 1] > 0.9
    # our map averages over 38 models, theirs has one: they part by less than the map's own doubt
    assert (np.abs(ours - theirs) < sd).mean() > 0.95


def pykriged(xy, values, targets):
    """PyKrige's estimate with the spherical variogram of greatest restricted likelihood."""
    model = fit_variogram(xy, values, kind="spherical", method="reml")
    sill = model.nugget + model.noise + model.partial_sill
    # PyKrige moves and turns coordinates in the millions without loss only if they are small.
    near, far = xy - CORNER_M, targets - CORNER_M
    kriging = OrdinaryKriging(
        *near.T,
        values,
        variogram_model="spherical",
        variogram_parameters={
            "sill": sill,
            "range": model.range_m,
            "nugget": sill - model.partial_sill,
        },
    )
    # `exact_values` would give a sample's own value back; the map leaves short-range noise out.
    return np.asarray(kriging.execute("points", *far.T)[0])


def test_a_system_said_too_late_is_no_dead_end(tmp_path, capsys):
    farm, results = tmp_path / "farm", tmp_path / "soja98.csv"
    write_outline(tmp_path / "soja.geojson")
    write_results(results)
    assert main(["new", str(farm), "--outlines", str(tmp_path / "soja.geojson")]) == 0
    words = ["add", str(farm), str(results), "--season", "1998", "--map-column", "PH=ph_cacl2"]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "256 samples have results and no place" in said
    assert "230005.6, 7485003.6" in said
    told = [*words, "--crs", CRS, "--unit", "p=mg/dm3", "--unit", "k=cmol/dm3"]
    assert main(told) == 0
    said = capsys.readouterr().out
    assert f"soilquilt withdraw {farm} soja98.csv" in said
    assert main(["withdraw", str(farm), "soja98.csv"]) == 0
    assert main(told) == 0
    samples = read_records(farm, 1998, "Soja").layer()
    assert samples.table[["x_m", "y_m", "k"]].notna().all(axis=None)

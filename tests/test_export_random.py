"""Spreader files of random blocks: holes, L shapes, slivers, tiny and large, cut at random."""

import itertools
import math

import numpy as np
import pytest
import shapefile
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import MultiPolygon, Polygon, affinity, box
from shapely.geometry import shape

from geo.blocks import Block
from geo.export.isoxml import task_document
from geo.export.layers import SpreadLayer, to_lonlat
from geo.export.shapefile import write_shapefile
from geo.export.taskcheck import check_task_data
from geo.settings import ControllerSettings
from geo.zones import Zone

E, N, CRS = 407_000.0, 6_240_000.0, "EPSG:32734"
GEOD = Geod(ellps="WGS84")


def hectares(lonlat):
    return abs(GEOD.geometry_area_perimeter(shapely.orient_polygons(lonlat))[0]) / 1e4


@st.composite
def layers(draw):
    """A block of 0.2 to 60 ha cut by two straight lines into two to four zones."""
    width = draw(st.floats(45, 900))
    height = draw(st.floats(45, 700))
    outline = box(0, 0, width, height)
    if draw(st.booleans()):
        outline -= box(width * 0.55, height * 0.5, width, height)
    if draw(st.booleans()):
        outline -= affinity.scale(
            shapely.Point(width * 0.3, height * 0.3).buffer(1, quad_segs=6),
            width * 0.12,
            height * 0.1,
        )
    outline = affinity.rotate(outline, draw(st.floats(0, 180)), origin=(0, 0))
    outline = affinity.translate(outline, E, N)
    sides = [
        half_plane(outline, draw(st.floats(0, math.pi)), draw(st.floats(0.25, 0.75)))
        for _ in range(2)
    ]
    pieces = [piece for piece in _cut(outline, sides) if piece.area > 1.0]
    rates = draw(st.lists(st.floats(0, 6000), min_size=len(pieces), max_size=len(pieces)))
    lonlat = to_lonlat(outline, CRS)
    zones = tuple(
        Zone(i, piece, hectares(to_lonlat(piece, CRS)), {}, ())
        for i, piece in enumerate(pieces, start=1)
    )
    block = Block("x", "x", outline, lonlat, CRS, sum(z.area_ha for z in zones))
    return SpreadLayer(block, 2024, "lime", "calcitic_lime", 1, 1, zones, tuple(rates), ())


def half_plane(outline, angle, share):
    """Everything on one side of a line through a share of the outline's extent."""
    west, south, east, north = outline.bounds
    centre = np.array([west + share * (east - west), south + share * (north - south)])
    along = np.array([math.cos(angle), math.sin(angle)]) * 3000
    across = np.array([-along[1], along[0]])
    return Polygon(
        [centre - along, centre + along, centre + along + across, centre - along + across]
    )


def _cut(outline, sides):
    """The outline by each side and its opposite, node by node the same for neighbours."""
    lines = [shapely.boundary(side) for side in sides]
    edges = shapely.node(shapely.union_all([shapely.boundary(outline), *lines]))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(edges)))
    inside = [f for f in faces if outline.contains(f.representative_point())]
    keys = [tuple(s.contains(f.representative_point()) for s in sides) for f in inside]
    for key in sorted(set(keys)):
        parts = [f for f, k in zip(inside, keys, strict=True) if k == key]
        whole = shapely.union_all(parts)
        yield whole if isinstance(whole, MultiPolygon) else MultiPolygon([whole])


@settings(max_examples=30, suppress_health_check=list(HealthCheck))
@given(layer=layers(), most=st.sampled_from([100, 3]))
def test_any_block_gives_files_that_hold_the_plan(layer, most, tmp_path_factory):
    """No gap, no overlap, rings the right way round, the plan's product, the controller's limit."""
    folder = tmp_path_factory.mktemp("random")
    report = write_shapefile(layer, folder, "X", ControllerSettings(max_polygons=most))
    with shapefile.Reader(str(folder / "X")) as reader:
        found = [(shape(r.shape.__geo_interface__), r.record[0]) for r in reader.shapeRecords()]
        for one in reader.shapes():
            starts = [*one.parts, len(one.points)]
            rings = [one.points[a:b] for a, b in itertools.pairwise(starts)]
            turned = [Polygon(ring).exterior.is_ccw for ring in rings]
            assert turned == [False] + [True] * (len(rings) - 1)
    assert len(found) == report.polygons <= most
    union = shapely.union_all([polygon for polygon, _ in found])
    block = layer.block.lonlat
    # Coordinates are rounded to 1e-8 degree, about a millimetre, along every edge.
    slack = 4e-8 * (block.length + sum(p.length for p, _ in found))
    assert union.symmetric_difference(block).area < slack
    assert sum(p.area for p, _ in found) == pytest.approx(union.area, abs=slack)
    kg = sum(hectares(polygon) * rate for polygon, rate in found)
    # Rates from 20 up are written whole: half a kilogram a hectare at most.
    allowed = report.moved_kg + 0.5 * layer.area_ha + 1e-4 * layer.total_kg
    assert kg == pytest.approx(layer.total_kg, abs=allowed)


@settings(max_examples=20, suppress_health_check=list(HealthCheck))
@given(layer=layers())
def test_any_block_gives_task_data_that_passes_every_check(layer):
    check_task_data(task_document(layer, "farm"), layer, None, None)

"""Label raster -> zone outlines that share their borders and fill the block exactly."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from geo.grids import Array, Grid

#: A border under this slope runs along the rows and steps from one to the next instead.
ALONG_ROWS = 1 / 3

#: Corners of a zone border closer to the outline or to each other are dropped. [m]
SHORTEST_EDGE_M = 0.5


def zone_outlines(
    labels: NDArray[np.int64],
    grid: Grid,
    outline: Polygon | MultiPolygon,
    *,
    margin_m: float,
    tolerance_m: float,
    smallest_m2: float,
    row_m: float | None = None,
) -> list[MultiPolygon]:
    """Outlines of zones 0, 1, ... in the block's CRS; together they are the block. [m]

    The raster is carried a margin beyond the block, its shapes simplified together
    (Visvalingam-Whyatt on a coverage), turned back, cut with the outline as one net of lines and
    put together again from the faces of that net: so a border has the same corners on both sides.

    Parameters
    ----------
    labels : int array (rows, columns)
        Zone of each cell, -1 outside.
    grid : Grid
    outline : polygon
        [m]
    margin_m : float
        Width of the margin; wider than a cell. [m]
    tolerance_m : float
        Simplification; 0 leaves the steps of the raster. [m]
    smallest_m2 : float
        Pieces under it, left by the cut with the outline, join the neighbour they share most
        border with. [m2]
    row_m : float, optional
        Spacing of planting rows; borders along the rows are then laid midway between two. [m]
    """
    shapes, zone_of_shape = _raster_shapes(labels, grid, margin_m)
    if tolerance_m > 0:
        shapes = shapely.coverage_simplify(shapes, tolerance_m, simplify_boundary=False)
    if row_m is not None:
        edge = float(from_block(grid, shapely.get_coordinates(outline))[:, 1].max())
        shapes = np.array([between_rows(shape, edge, row_m) for shape in shapes])
    turned = [shapely.transform(shape, lambda xy: to_block(grid, xy)) for shape in shapes]
    net = shapely.unary_union([*_borders(turned, outline), outline.boundary])
    faces = np.array(shapely.polygonize([net]).geoms)
    middle = shapely.point_on_surface(faces)
    faces = faces[shapely.contains(outline, middle)]
    middle = shapely.point_on_surface(faces)
    found, shape = shapely.STRtree(turned).query(middle, predicate="within")
    zone = np.full(len(faces), -1)
    zone[found] = zone_of_shape[shape]
    if (zone < 0).any():
        nearest = shapely.STRtree(turned).nearest(middle[zone < 0])
        zone[zone < 0] = zone_of_shape[nearest]
    zone = _absorb(faces, zone, smallest_m2, outline)
    return [_dissolve(faces[zone == z]) for z in range(int(labels.max()) + 1)]


def to_block(grid: Grid, xy: Array) -> Array:
    """Metres along and across the rows of cells -> metres in the block's CRS."""
    turn = math.radians(grid.turn_deg)
    east = grid.origin_m[0] + xy[:, 0] * math.cos(turn) - xy[:, 1] * math.sin(turn)
    north = grid.origin_m[1] + xy[:, 0] * math.sin(turn) + xy[:, 1] * math.cos(turn)
    return np.column_stack([east, north])


def from_block(grid: Grid, xy: Array) -> Array:
    """Metres in the block's CRS -> metres along (right) and across (up) the rows of cells."""
    turn = math.radians(grid.turn_deg)
    east, north = (np.asarray(xy, dtype=float) - np.asarray(grid.origin_m)).T
    along = east * math.cos(turn) + north * math.sin(turn)
    return np.column_stack([along, north * math.cos(turn) - east * math.sin(turn)])


def _raster_shapes(
    labels: NDArray[np.int64], grid: Grid, margin_m: float
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Shapes of the raster with a margin of the nearest labels, and their zones."""
    from rasterio.features import shapes
    from rasterio.transform import Affine

    cells = math.ceil(margin_m / grid.spacing_m)
    padded = np.pad(labels, cells, constant_values=-1)
    row, column = ndimage.distance_transform_edt(
        padded < 0, return_distances=False, return_indices=True
    )
    padded = padded[row, column].astype(np.int32)
    side = grid.spacing_m
    transform = Affine(side, 0.0, -cells * side, 0.0, -side, cells * side)
    rings = [
        shapely.geometry.shape(ring)
        for ring, _ in shapes(padded, connectivity=4, transform=transform)
    ]
    # A shape has no corner where two others meet at its side; as a net of lines it gets one.
    net = shapely.unary_union([ring.boundary for ring in rings])
    polygons = np.array(shapely.polygonize([net]).geoms)
    middle = shapely.get_coordinates(shapely.point_on_surface(polygons)) / side
    row, column = (np.floor([-middle[:, 1], middle[:, 0]]) + cells).astype(int)
    return polygons, padded[row, column].astype(np.int64)


def between_rows(shape: Polygon, edge_m: float, row_m: float) -> Polygon:
    """The shape with its corners midway between two rows, counted from the block's left edge.

    What a corner or an edge turns into hangs on itself alone, so neighbours stay neighbours.
    """
    rings = [
        _stepped(xy[:, 0], edge_m - np.round((edge_m - xy[:, 1]) / row_m) * row_m, row_m)
        for xy in map(shapely.get_coordinates, (shape.exterior, *shape.interiors))
    ]
    rings = [ring for ring in rings if len(ring) > 3]
    return Polygon(rings[0], rings[1:]) if rings else Polygon()


def line_between_rows(
    line: LineString, grid: Grid, outline: BaseGeometry, row_m: float
) -> LineString:
    """The line with what runs along the rows laid midway between two of them. [m]

    Rows are counted as those of zones are; what crosses them stays, as it is driven over anyway.
    """
    edge = float(from_block(grid, shapely.get_coordinates(outline))[:, 1].max())
    xy = from_block(grid, shapely.get_coordinates(line))
    along, across = np.abs(np.diff(xy, axis=0)).T
    flat = across < ALONG_ROWS * along
    moved = np.append(flat, False) | np.insert(flat, 0, False)
    level = edge - np.round((edge - xy[:, 1]) / row_m) * row_m
    found = to_block(grid, _stepped(xy[:, 0], np.where(moved, level, xy[:, 1]), row_m))
    return LineString(found) if moved.any() and len(found) > 1 else line


def _stepped(x: Array, y: Array, row_m: float) -> Array:
    """A line of corners between rows, its flat slopes turned into steps of one row."""
    corners = [np.array([[x[0], y[0]]])]
    for x0, y0, x1, y1 in zip(x[:-1], y[:-1], x[1:], y[1:], strict=True):
        steps = round(abs(y1 - y0) / row_m)
        if steps and abs(y1 - y0) < ALONG_ROWS * abs(x1 - x0):
            # Worked out from the left whichever way it is walked: both neighbours get one line.
            (left, low), (right, high) = sorted([(x0, y0), (x1, y1)])
            at = left + (np.arange(steps) + 0.5) / steps * (right - left)
            level = low + np.arange(steps + 1) / steps * (high - low)
            stair = np.column_stack([np.repeat(at, 2), np.repeat(level, 2)[1:-1]])
            corners.append(stair if (x0, y0) == (left, low) else stair[::-1])
        corners.append(np.array([[x1, y1]]))
    line = np.concatenate(corners)
    moved = np.append(True, (np.diff(line, axis=0) ** 2).sum(axis=1) > 0)
    kept: Array = line[moved]
    return kept


def _borders(shapes: list[BaseGeometry], outline: BaseGeometry) -> list[LineString]:
    """Lines between the shapes, without corners so near the outline that edges get very short."""
    net = shapely.line_merge(shapely.unary_union([shape.boundary for shape in shapes]))
    lines = []
    edge = outline.boundary
    for line in shapely.get_parts(net):
        xy = np.round(shapely.get_coordinates(line), 3)
        far = np.asarray(shapely.distance(shapely.points(xy), edge)) > SHORTEST_EDGE_M * 1.2
        # The ends are where three zones meet; a ring keeps its first corner.
        far[[0, -1]] = True
        lines.append(LineString(xy[far]))
    return lines


def _dissolve(faces: NDArray[np.object_]) -> MultiPolygon:
    if len(faces) == 0:
        return MultiPolygon()
    whole = shapely.coverage_union_all(faces)
    parts = [p for p in shapely.get_parts(whole) if isinstance(p, Polygon)]
    return shapely.orient_polygons(MultiPolygon(parts))


def _absorb(
    faces: NDArray[np.object_],
    zone: NDArray[np.int64],
    smallest_m2: float,
    outline: BaseGeometry,
) -> NDArray[np.int64]:
    """Zones of the faces once small pieces have joined the neighbour with most shared border."""
    zone = zone.copy()
    whole_parts = [part.area for part in shapely.get_parts(outline)]
    for _ in range(len(faces)):
        pieces = [(z, p) for z in np.unique(zone) for p in _dissolve(faces[zone == z]).geoms]
        small = [
            (p.area, z, p)
            for z, p in pieces
            # A piece that is a whole part of the block is as large as it can be.
            if p.area < smallest_m2 and not np.isclose(p.area, whole_parts, rtol=1e-6).any()
        ]
        if not small:
            break
        _, z, piece = min(small, key=lambda found: found[0])
        others = [q for q in np.unique(zone) if q != z]
        shared = [
            shapely.intersection(piece.boundary, _dissolve(faces[zone == q]).boundary).length
            for q in others
        ]
        if not shared or max(shared) == 0:
            break
        inside = shapely.contains(piece, shapely.point_on_surface(faces))
        zone[inside & (zone == z)] = others[int(np.argmax(shared))]
    return zone

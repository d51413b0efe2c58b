"""Class map -> class map a spreader can drive: voted, wide enough, long enough, large enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from geo.grids import Array, Mask

#: Zone number of each cell; -1 outside the block.
LabelGrid = NDArray[np.int64]

#: Labels (cells,) -> what each cell costs in each zone at the zones' best rates (zones, cells).
Price = Callable[[NDArray[np.int64]], Array]

MOST_ROUNDS = 60
CROSS = ndimage.generate_binary_structure(2, 1)


@dataclass(frozen=True)
class Footprint:
    """What the machine asks of a zone, in cells of a raster whose rows run along the crop rows.

    Attributes
    ----------
    across, along : int
        Narrowest zone: one swath, and the shortest stretch worth a change of rate. [cells]
    vote_along : int
        Stretch over which the rate changes. [cells]
    headland : int
        Cells at the ends of each row that take the zone of the row beside them. [cells]
    smallest_piece : float
        [cells]
    """

    across: int
    along: int
    vote_along: int
    headland: int
    smallest_piece: float


def make_drivable(
    cells: NDArray[np.int64], inside: Mask, price: Price, footprint: Footprint
) -> NDArray[np.int64]:
    """Labels of the cells after vote, headlands, opening and merging of small pieces.

    Rounds stop when less than 1 % of the block is too narrow, when a map repeats (the better of
    the round is kept) or after sixty.

    Parameters
    ----------
    cells : int array (inside cells,)
        Class of each cell, 0, 1, ...
    inside : bool array (rows, columns)
    price : callable
        Labels -> expected loss of every cell in every zone (zones, inside cells).
    footprint : Footprint
    """
    for _ in range(2):
        cells = vote(price(cells), inside, footprint)
        cells = fill_headlands(spread(cells, inside), footprint.headland)[inside]
    best, seen, least = cells, set[bytes](), np.inf
    for _ in range(MOST_ROUNDS):
        cost = price(cells)
        grid = widen(spread(cells, inside), inside, cost, footprint)
        grid = merge_small_pieces(grid, inside, cost, footprint.smallest_piece)
        cells = grid[inside]
        fault = too_narrow(grid, inside, footprint).sum() / inside.sum()
        if fault < least:
            best, least = cells, fault
        if fault <= 0.01 or cells.tobytes() in seen:
            break
        seen.add(cells.tobytes())
    return best


def spread(cells: NDArray[np.int64], inside: Mask) -> LabelGrid:
    """Labels of the inside cells put back in place."""
    grid = np.full(inside.shape, -1, dtype=np.int64)
    grid[inside] = cells
    return grid


def vote(cost: Array, inside: Mask, footprint: Footprint) -> NDArray[np.int64]:
    """Cheapest zone of each cell when its loss is averaged over a swath by a rate change."""
    # Dividing by the part of the window in the block would not change which zone is cheapest.
    window = (footprint.across, footprint.vote_along)
    voted = np.empty_like(cost)
    for zone, values in enumerate(cost):
        grid = np.zeros(inside.shape)
        grid[inside] = values
        for axis in (0, 1):
            grid = ndimage.uniform_filter1d(grid, window[axis], axis=axis, mode="constant")
        voted[zone] = grid[inside]
    return np.asarray(np.argmin(voted, axis=0))


def fill_headlands(grid: LabelGrid, width: int) -> LabelGrid:
    """Ends of every row take the label of the first cell of the row that is not headland."""
    if width == 0:
        return grid
    filled = grid.copy()
    rim = np.zeros((len(grid), 1), dtype=np.int8)
    edges = np.diff(np.concatenate([rim, grid >= 0, rim], axis=1), axis=1)
    # Row by row, so the n-th start and the n-th stop bound the same stretch.
    row, start = np.nonzero(edges == 1)
    stop = np.nonzero(edges == -1)[1]
    reach = np.minimum(width, (stop - start - 1) // 2)
    left, right = grid[row, start + reach], grid[row, stop - 1 - reach]
    for step in range(width):
        far = reach > step
        filled[row[far], start[far] + step] = left[far]
        filled[row[far], stop[far] - 1 - step] = right[far]
    return filled


def opened(mask: Mask, across: int, along: int) -> Mask:
    """What is left of a mask when only whole rectangles may stay."""
    kept = mask.view(np.uint8)
    for axis, size in ((0, across), (1, along)):
        kept = ndimage.minimum_filter1d(kept, size, axis=axis, mode="constant")
    for axis, size in ((0, across), (1, along)):
        # An even window is lopsided; the way back must lean the other way.
        lean = size - 1 - 2 * (size // 2)
        kept = ndimage.maximum_filter1d(kept, size, axis=axis, mode="constant", origin=lean)
    return kept.astype(bool)


def too_narrow(grid: LabelGrid, inside: Mask, footprint: Footprint) -> Mask:
    """Cells of zones narrower than the footprint, where the block itself is wide enough."""
    wide = opened(inside, footprint.across, footprint.along)
    lost = np.zeros(inside.shape, dtype=bool)
    for zone in np.unique(grid[inside]):
        mask = grid == zone
        lost |= mask & ~opened(mask, footprint.across, footprint.along)
    return lost & wide


def widen(grid: LabelGrid, inside: Mask, cost: Array, footprint: Footprint) -> LabelGrid:
    """Too narrow strips go whole to the neighbour where they cost least."""
    grid = grid.copy()
    narrow = too_narrow(grid, inside, footprint)
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(inside.sum())
    for zone in np.unique(grid[inside]):
        pieces, _ = ndimage.label(narrow & (grid == zone), CROSS)
        for index, box in enumerate(ndimage.find_objects(pieces), start=1):
            near = _grown(box, grid.shape)
            piece = pieces[near] == index
            if piece.sum() > footprint.across / 2:
                _give_away(grid[near], piece, number[near], cost)
    return grid


def merge_small_pieces(grid: LabelGrid, inside: Mask, cost: Array, smallest: float) -> LabelGrid:
    """Pieces under the smallest area join the cheapest neighbour, the smallest piece first.

    A piece that is a whole part of the block has no neighbour and stays.
    """
    grid = grid.copy()
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(inside.sum())
    alone: set[int] = set()
    while True:
        pieces, sizes, firsts = _pieces(grid, inside)
        small = [i for i in np.argsort(sizes, kind="stable") if sizes[i] < smallest]
        small = [i for i in small if int(firsts[i]) not in alone]
        if not small:
            return grid
        chosen = small[0]
        piece = pieces == chosen + 1
        if not _give_away(grid, piece, number, cost):
            alone.add(int(firsts[chosen]))


def _pieces(
    grid: LabelGrid, inside: Mask
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Connected pieces of all zones, numbered from 1, their sizes and their first cells."""
    pieces = np.zeros(grid.shape, dtype=np.int64)
    count = 0
    for zone in np.unique(grid[inside]):
        found, more = ndimage.label(grid == zone, CROSS)
        pieces[found > 0] = found[found > 0] + count
        count += more
    flat = pieces.ravel()
    sizes = np.bincount(flat, minlength=count + 1)[1:]
    _, firsts = np.unique(flat, return_index=True)
    return pieces, sizes, firsts[-count:]


def _grown(box: tuple[slice, ...], shape: tuple[int, ...]) -> tuple[slice, ...]:
    """The box with a margin of one cell."""
    return tuple(
        slice(max(0, s.start - 1), min(n, s.stop + 1)) for s, n in zip(box, shape, strict=True)
    )


def _give_away(grid: LabelGrid, piece: Mask, number: NDArray[np.int64], cost: Array) -> bool:
    """Piece joins, in place, the neighbouring zone in which its cells cost least."""
    ring = ndimage.binary_dilation(piece, CROSS) & ~piece
    own = grid[piece][0]
    near = [int(zone) for zone in np.unique(grid[ring]) if zone not in (-1, own)]
    if not near:
        return False
    added = cost[near][:, number[piece]].sum(axis=1)
    grid[piece] = near[int(np.argmin(added))]
    return True

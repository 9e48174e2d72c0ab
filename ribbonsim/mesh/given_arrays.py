"""Arrays that a mesh is made from by hand: each is checked and copied."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.contents import LARGEST_COORDINATE


def table_of(values: ArrayLike, width: int, what: str) -> Array:
    """A table of numbers of this width."""
    try:
        table = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise RibbonsimError(f"{what} are not all numbers; give rows of {width} numbers.") from None
    if table.ndim != 2 or table.shape[1] != width:
        raise RibbonsimError(
            f"{what} have the shape {table.shape}; give rows of {width} numbers each."
        )
    return table


def check_range(points: Array, where: str) -> None:
    """Refuse coordinates that are not finite or too large to draw."""
    bad = np.flatnonzero(~(np.abs(points) <= LARGEST_COORDINATE).all(axis=1))
    if len(bad):
        what = "larger than can be drawn" if np.isfinite(points[bad[0]]).all() else "not finite"
        raise RibbonsimError(
            f"{where}, positions[{bad[0]}]: a coordinate is {what}; give finite numbers below "
            f"{LARGEST_COORDINATE:g}."
        )


def flattened(
    polygons: Sequence[Sequence[int]] | Ints, vertex_count: int, where: str
) -> tuple[Ints, Ints]:
    """Where each polygon begins among the corners, and the vertex of each corner."""
    rows = [np.asarray(polygon) for polygon in polygons]
    if not rows:
        raise RibbonsimError(f"{where}: there are no polygons; give at least one.")
    sizes = np.array([row.size if row.ndim == 1 else 0 for row in rows], dtype=np.int64)
    few = np.flatnonzero(sizes < 3)
    if len(few):
        raise RibbonsimError(
            f"{where}, polygons[{few[0]}]: it is not a row of three or more vertices; give every "
            "polygon at least three."
        )
    corners = np.concatenate(rows)
    if corners.dtype.kind not in "iu":
        raise RibbonsimError(
            f"{where}: polygons hold values that are not integers; give vertex indices."
        )
    corners = corners.astype(np.int64)
    offsets = np.concatenate(([0], np.cumsum(sizes)))
    out = np.flatnonzero((corners < 0) | (corners >= vertex_count))
    if len(out):
        polygon = int(np.searchsorted(offsets, out[0], side="right")) - 1
        raise RibbonsimError(
            f"{where}, polygons[{polygon}]: there is no vertex {corners[out[0]]} among "
            f"{vertex_count}; give indices from 0 to {vertex_count - 1}."
        )
    return offsets, corners


def _index(values: ArrayLike, length: int, least: int, count: int, what: str) -> Ints:
    index = np.asarray(values)
    if index.shape != (length,) or index.dtype.kind not in "iu":
        raise RibbonsimError(
            f"{what} have an index of shape {index.shape}; give {length} integers, one for each."
        )
    if length and (index.min() < least or index.max() >= count):
        raise RibbonsimError(
            f"{what} have an index out of range; give values from {least} to {count - 1}."
        )
    return np.array(index, dtype=np.int64)


def layer_of(
    values: ArrayLike | None, index: ArrayLike | None, width: int, corner_count: int, what: str
) -> tuple[Array | None, Ints | None]:
    """Values of texture coordinates or normals, and the index that each corner has into them."""
    if values is None and index is None:
        return None, None
    if values is None or index is None:
        raise RibbonsimError(f"{what} lack their other half; give both the values and the index.")
    table = table_of(values, width, what)
    if not np.isfinite(table).all():
        raise RibbonsimError(f"{what} hold a value that is not finite; give finite numbers.")
    return table, _index(index, corner_count, -1, len(table), what)


def colour_table(colours: ArrayLike | None, vertex_count: int, where: str) -> Array | None:
    """Colours of the vertices, from 0 to 1."""
    if colours is None:
        return None
    table = table_of(colours, 3, f"{where}: colours")
    if len(table) != vertex_count or not ((table >= 0) & (table <= 1)).all():
        raise RibbonsimError(
            f"{where}: colours are not one for each of {vertex_count} vertices, from 0 to 1; give "
            "a row of three such numbers for each."
        )
    return table


def names_of(
    names: Sequence[str], index: ArrayLike | None, polygon_count: int, what: str
) -> tuple[tuple[str, ...], Ints]:
    """Names as an OBJ can hold them, and the index that each polygon has into them."""
    tidy = tuple(" ".join(name.split()) for name in names)
    for name in tidy:
        if not name or name.endswith("\\") or any(word.startswith("#") for word in name.split()):
            raise RibbonsimError(
                f"{what} hold {name!r}, which OBJ cannot; give names that are not empty, do not "
                "end in a backslash and have no word that begins with #."
            )
    chosen = np.zeros(polygon_count, dtype=np.int64) if index is None else index
    return tidy, _index(chosen, polygon_count, 0, len(tidy), what)

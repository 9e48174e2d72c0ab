"""What is odd about a mesh that comes in: told, not mended.

Every note is one sentence with counts and an example. Vertices and faces count from 1 there, as in
an OBJ file, and lines are named where there are any.
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ribbonsim.topology import EdgeTable, coincident_vertices, count_holes

if TYPE_CHECKING:
    from ribbonsim.mesh import CreatureMesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SMALL, _LARGE = 1e-3, 1e6
# Distance from the origin, in diagonals, from which single precision leaves too few digits.
_FAR = 100.0
_COINCIDENT = 1e-9
_FLAT = 1e-12
_BLOCK = 200_000


def triangle_measures(positions: Floats, triangles: Ints) -> tuple[Floats, Floats]:
    """Areas and longest sides of triangles.

    Parameters
    ----------
    positions : (V, 3) float array
        Vertex positions.
    triangles : (T, 3) int array
        Vertices of each triangle.

    Returns
    -------
    areas, longest : (T,) float arrays
    """
    areas, longest = np.empty((2, len(triangles)))
    for start in range(0, len(triangles), _BLOCK):
        rows = slice(start, start + _BLOCK)
        a, b, c = (positions[triangles[rows, i]] for i in range(3))
        u, v = b - a, c - a
        areas[rows] = 0.5 * np.linalg.norm(np.cross(u, v), axis=1)
        squares = [np.einsum("ij,ij->i", side, side) for side in (u, v, v - u)]
        longest[rows] = np.sqrt(np.maximum.reduce(squares))
    return areas, longest


def signed_volume(positions: Floats, triangles: Ints, origin: Floats) -> float:
    """Volume of the tetrahedra from a point to triangles.

    Parameters
    ----------
    positions : (V, 3) float array
        Vertex positions.
    triangles : (T, 3) int array
        Vertices of each triangle.
    origin : (3,) float array
        The point; of no consequence for a closed surface, but for rounding.

    Returns
    -------
    float
        The volume inside a closed surface, positive if its triangles turn counter-clockwise seen
        from outside.
    """
    total = 0.0
    for start in range(0, len(triangles), _BLOCK):
        a, b, c = (positions[triangles[start : start + _BLOCK, i]] - origin for i in range(3))
        total += float(np.einsum("ij,ij->", a, np.cross(b, c)))
    return total / 6


def notes(
    mesh: "CreatureMesh",
    table: EdgeTable,
    vertex_lines: Ints | None,
    polygon_lines: Ints | None,
    joined: Ints | None = None,
) -> list[str]:
    """Say what is odd about a mesh.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh.
    table : EdgeTable
        Its edges.
    vertex_lines, polygon_lines : (V,) and (P,) int arrays or None
        Lines of the file they stand on.
    joined : (n,) int array or None
        Vertices that stand where another one does and that no face uses for that reason.

    Returns
    -------
    list of str
        One sentence for each finding; none for a clean mesh.
    """
    return [
        *_pieces(mesh),
        *_edges(mesh, table),
        *_vertices(mesh, vertex_lines, joined),
        *_faces(mesh, polygon_lines),
        *_size(mesh),
    ]


def _pieces(mesh: "CreatureMesh") -> list[str]:
    components, first = np.unique(mesh.components, return_index=True)
    first = first[components >= 0]
    if len(first) < 2:
        return []
    body = mesh.body
    vertices = int((mesh.components == body).sum())
    other = first[1 if body == 0 else 0]
    rest = f"{len(first) - 1} other{'s' * (len(first) > 2)}"
    return [
        f"The mesh has {len(first)} separate pieces: the body of {vertices} vertices (with vertex "
        f"{first[body] + 1}) and {rest} (such as the one with vertex {other + 1}), "
        f"{'each of which rides' if len(first) > 2 else 'which rides'} rigidly on the nearest part "
        "of the body."
    ]


def _edges(mesh: "CreatureMesh", table: EdgeTable) -> list[str]:
    found = []
    boundary = table.edges[table.uses == 1]
    if len(boundary):
        holes = _count(count_holes(boundary), "hole")
        found.append(
            f"The surface has {holes} with {_count(len(boundary), 'edge')} round "
            f"{'it' if holes == '1 hole' else 'them'} ({_edge(boundary[0])})."
        )
    crowded = table.edges[table.uses > 2]
    if len(crowded):
        verb = "is" if len(crowded) == 1 else "are"
        found.append(
            f"{_count(len(crowded), 'edge')} {verb} shared by more than two faces, which makes the "
            f"surface non-manifold ({_edge(crowded[0])})."
        )
    opposed = table.edges[(table.uses == 2) & (table.forward != 1)]
    if len(opposed):
        verb = "lies" if len(opposed) == 1 else "lie"
        found.append(
            f"{_count(len(opposed), 'edge')} {verb} between faces that turn opposite ways, so the "
            f"winding is inconsistent ({_edge(opposed[0])})."
        )
    body_is_consistent = not (mesh.components[opposed[:, 0]] == mesh.body).any()
    if mesh.is_closed and body_is_consistent:
        of_body = mesh.triangles[mesh.components[mesh.triangles[:, 0]] == mesh.body]
        volume = signed_volume(mesh.positions, of_body, mesh.centre)
        # A sheet folded flat encloses nothing and has no inside.
        if volume < -_FLAT * mesh.diagonal**3:
            found.append(
                f"The body is inside out: it is closed and its faces turn clockwise seen from "
                f"outside (signed volume {volume:.4g})."
            )
    return found


def _vertices(mesh: "CreatureMesh", lines: Ints | None, joined: Ints | None) -> list[str]:
    found = []
    doubles, others = coincident_vertices(mesh.positions, _COINCIDENT * mesh.diagonal)
    if joined is not None:
        apart = ~np.isin(doubles, joined) & ~np.isin(others, joined)
        doubles, others = doubles[apart], others[apart]
    if len(doubles):
        verb = "stands" if len(doubles) == 1 else "stand"
        found.append(
            f"{_count(len(doubles), 'vertex', 'vertices')} {verb} where another one does "
            f"({_example('vertex', doubles, lines)}, on vertex {others[0] + 1})."
        )
    unused = np.flatnonzero(mesh.components < 0)
    if joined is not None:
        unused = np.setdiff1d(unused, joined)
    if len(unused):
        verb = "is" if len(unused) == 1 else "are"
        found.append(
            f"{_count(len(unused), 'vertex', 'vertices')} {verb} used by no face "
            f"({_example('vertex', unused, lines)})."
        )
    return found


def _faces(mesh: "CreatureMesh", lines: Ints | None) -> list[str]:
    found = []
    areas, longest = triangle_measures(mesh.positions, mesh.triangles)
    first_triangle = mesh.polygon_offsets[:-1] - 2 * np.arange(len(mesh.polygon_offsets) - 1)
    area = np.add.reduceat(areas, first_triangle)
    side = np.maximum.reduceat(longest, first_triangle)
    # Rounded coordinates leave an area of the order of their last digit times the side.
    rounding = 4 * np.finfo(np.float64).eps * float(np.abs(mesh.bounds).max())
    flat = np.flatnonzero(area <= side * np.maximum(_FLAT * side, rounding))
    if len(flat):
        verb = "has" if len(flat) == 1 else "have"
        found.append(
            f"{_count(len(flat), 'face')} {verb} no area ({_example('face', flat, lines)})."
        )
    repeating = _repeating(mesh)
    if len(repeating):
        verb = "uses" if len(repeating) == 1 else "use"
        found.append(
            f"{_count(len(repeating), 'face')} {verb} a vertex more than once "
            f"({_example('face', repeating, lines)})."
        )
    return found


def _repeating(mesh: "CreatureMesh") -> Ints:
    """Polygons that use a vertex more than once."""
    count = len(mesh.positions)
    offsets = mesh.polygon_offsets
    found = []
    for start in range(0, len(offsets) - 1, _BLOCK):
        cuts = offsets[start : start + _BLOCK + 1]
        polygons = np.repeat(np.arange(start, start + len(cuts) - 1), np.diff(cuts))
        keys = polygons * count + mesh.corner_vertices[cuts[0] : cuts[-1]]
        keys.sort()
        found.append(np.unique(keys[1:][keys[1:] == keys[:-1]] // count))
    return np.concatenate(found)


def _size(mesh: "CreatureMesh") -> list[str]:
    found = []
    diagonal = mesh.diagonal
    if not _SMALL <= diagonal <= _LARGE:
        found.append(
            f"The mesh is very {'small' if diagonal < _SMALL else 'large'}: its diagonal is "
            f"{diagonal:.4g} scene units."
        )
    distance = float(np.linalg.norm(mesh.centre))
    if distance > _FAR * diagonal:
        found.append(
            f"The mesh stands far from the origin: {distance:.4g} scene units away, with a "
            f"diagonal of {diagonal:.4g}."
        )
    return found


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _edge(edge: Ints) -> str:
    return f"such as between vertices {edge[0] + 1} and {edge[1] + 1}"


def _example(what: str, numbers: Ints, lines: Ints | None) -> str:
    line = "" if lines is None else f", line {lines[numbers[0]]}"
    return f"such as {what} {numbers[0] + 1}{line}"

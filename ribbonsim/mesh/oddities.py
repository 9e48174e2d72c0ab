"""What is odd about a mesh that comes in: told, not mended.

Every note is one sentence with counts and an example. Vertices and faces count from 1 there, as in
an OBJ file, and lines are named where there are any.
"""

from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.mesh.topology import EdgeTable, coincident_vertices, count_holes
from ribbonsim.mesh.triangles import signed_volume

_SMALL, _LARGE = 1e-3, 1e6
# Distance from the origin, in diagonals, from which single precision leaves too few digits.
_FAR = 100.0
_COINCIDENT = 1e-9
_FLAT = 1e-12
_BLOCK = 200_000


@dataclass(frozen=True, eq=False)
class MeshArrays:
    """The arrays of a mesh that is looked through, as `CreatureMesh` names them.

    ``longest_sides`` (T,) are those of the triangles; ``edges`` is the table of all edges
    without seams, and ``welded`` (V,) has the vertex that stands for each on the skin.
    """

    positions: Array
    polygon_offsets: Ints
    corner_vertices: Ints
    triangles: Ints
    triangle_areas: Array
    longest_sides: Array
    edges: EdgeTable
    welded: Ints
    components: Ints
    body: int
    bounds: Array

    @property
    def diagonal(self) -> float:
        """Length of the diagonal of the bounds."""
        return float(np.linalg.norm(self.bounds[1] - self.bounds[0]))


def find_oddities(
    surface: MeshArrays,
    vertex_lines: Ints | None,
    polygon_lines: Ints | None,
    joined: Ints | None = None,
) -> list[str]:
    """Say what is odd about a mesh, one sentence for each finding; none for a clean surface.

    Parameters
    ----------
    surface : MeshArrays
        The surface.
    vertex_lines, polygon_lines : (V,) and (P,) int arrays or None
        Lines of the file that vertices and polygons stand on.
    joined : (n,) int array or None
        Vertices that stand where another one does and that no face uses for that reason.
    """
    return [
        *_pieces(surface),
        *_edges(surface),
        *_vertices(surface, vertex_lines, joined),
        *_faces(surface, polygon_lines),
        *_size(surface),
    ]


def _pieces(surface: MeshArrays) -> list[str]:
    # Pieces are counted in the order of their first vertices.
    reached = np.maximum.accumulate(surface.components)
    first = np.searchsorted(reached, np.arange(reached[-1] + 1))
    if len(first) < 2:
        return []
    return [
        f"The mesh has {len(first)} separate pieces (such as those with the vertices "
        f"{first[0] + 1} and {first[1] + 1})."
    ]


def _edges(surface: MeshArrays) -> list[str]:
    found = []
    table = surface.edges
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
    spoilt = np.concatenate([boundary[:, 0], opposed[:, 0]])
    if not (surface.components[spoilt] == surface.body).any():
        of_body = surface.triangles[surface.components[surface.triangles[:, 0]] == surface.body]
        volume = signed_volume(surface.positions, of_body, surface.bounds.mean(axis=0))
        # A sheet folded flat encloses nothing and has no inside.
        if volume < -_FLAT * surface.diagonal**3:
            found.append(
                f"The body is inside out: it is closed and its faces turn clockwise seen from "
                f"outside (signed volume {volume:.4g})."
            )
    return found


def _vertices(surface: MeshArrays, lines: Ints | None, joined: Ints | None) -> list[str]:
    found = []
    doubles, others = coincident_vertices(surface.positions, _COINCIDENT * surface.diagonal)
    if joined is not None:
        apart = ~np.isin(doubles, joined) & ~np.isin(others, joined)
        doubles, others = doubles[apart], others[apart]
    if len(doubles):
        verb = "stands" if len(doubles) == 1 else "stand"
        seam = surface.welded[doubles] == surface.welded[others]
        together = " and moves along with it" if len(doubles) == 1 else " and move as one with it"
        found.append(
            f"{_count(len(doubles), 'vertex', 'vertices')} {verb} where another one does"
            f"{together if seam.all() else ''} "
            f"({_example('vertex', doubles, lines)}, on vertex {others[0] + 1})."
        )
    unused = np.flatnonzero(surface.components < 0)
    if joined is not None:
        unused = np.setdiff1d(unused, joined)
    if len(unused):
        verb = "is" if len(unused) == 1 else "are"
        found.append(
            f"{_count(len(unused), 'vertex', 'vertices')} {verb} used by no face "
            f"({_example('vertex', unused, lines)})."
        )
    return found


def _faces(surface: MeshArrays, lines: Ints | None) -> list[str]:
    found = []
    first_triangle = surface.polygon_offsets[:-1] - 2 * np.arange(len(surface.polygon_offsets) - 1)
    area = np.add.reduceat(surface.triangle_areas, first_triangle)
    side = np.maximum.reduceat(surface.longest_sides, first_triangle)
    # Rounded coordinates leave an area of the order of their last digit times the side.
    rounding = 4 * np.finfo(np.float64).eps * float(np.abs(surface.bounds).max())
    flat = np.flatnonzero(area <= side * np.maximum(_FLAT * side, rounding))
    if len(flat):
        verb = "has" if len(flat) == 1 else "have"
        found.append(
            f"{_count(len(flat), 'face')} {verb} no area ({_example('face', flat, lines)})."
        )
    repeating = _repeating(surface)
    if len(repeating):
        verb = "uses" if len(repeating) == 1 else "use"
        found.append(
            f"{_count(len(repeating), 'face')} {verb} a vertex more than once "
            f"({_example('face', repeating, lines)})."
        )
    return found


def _repeating(surface: MeshArrays) -> Ints:
    """Polygons that use a vertex more than once."""
    count = len(surface.positions)
    offsets = surface.polygon_offsets
    found = []
    for start in range(0, len(offsets) - 1, _BLOCK):
        cuts = offsets[start : start + _BLOCK + 1]
        polygons = np.repeat(np.arange(start, start + len(cuts) - 1), np.diff(cuts))
        keys = polygons * count + surface.corner_vertices[cuts[0] : cuts[-1]]
        keys.sort()
        found.append(np.unique(keys[1:][keys[1:] == keys[:-1]] // count))
    return np.concatenate(found)


def _size(surface: MeshArrays) -> list[str]:
    found = []
    diagonal = surface.diagonal
    if not _SMALL <= diagonal <= _LARGE:
        found.append(
            f"The mesh is very {'small' if diagonal < _SMALL else 'large'}: its diagonal is "
            f"{diagonal:.4g} scene units."
        )
    distance = float(np.linalg.norm(surface.bounds.mean(axis=0)))
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

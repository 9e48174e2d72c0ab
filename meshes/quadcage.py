"""A closed cage of quads: a body of rings, ends closed with grids, appendages grown from it.

A body is a stack of rings of ``n`` vertices, ``n`` a multiple of 8.  Places around a
ring are counted 0..n from the back (top) over the left side (+x) to the belly (n/2).
Each end is closed by an (n/4) x (n/4) grid, whose concentric squares are rings too, so
the surface stays one function of (place along, place around) up to the tip.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from subdivision import catmull_clark, split_texcoords, vertex_normals

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Surface = Callable[[float, Array], Array]


@dataclass(frozen=True)
class Rectangle:
    """A part of the texture square: left, bottom, width, height."""

    left: float
    bottom: float
    width: float
    height: float

    def at(self, u: Array, v: Array) -> Array:
        """Texture coordinates (..., 2) for ``u`` and ``v`` in 0..1."""
        u, v = np.broadcast_arrays(u, v)
        return np.stack([self.left + self.width * u, self.bottom + self.height * v], axis=-1)

    def part(self, left: float, bottom: float, width: float, height: float) -> Rectangle:
        """Return a rectangle inside this one, given in fractions of it."""
        return Rectangle(
            self.left + left * self.width,
            self.bottom + bottom * self.height,
            width * self.width,
            height * self.height,
        )


@dataclass(frozen=True)
class QuadMesh:
    """What is written: positions, texture coordinates, quads that index both, groups."""

    positions: Array
    texcoords: Array
    quads: Ints
    texture_quads: Ints
    groups: Ints
    group_names: tuple[str, ...]

    def subdivided(self) -> QuadMesh:
        """Return the mesh after one Catmull-Clark step."""
        positions, quads = catmull_clark(self.positions, self.quads)
        texcoords, texture_quads = split_texcoords(self.texcoords, self.texture_quads)
        groups = np.repeat(self.groups, 4)
        return QuadMesh(positions, texcoords, quads, texture_quads, groups, self.group_names)

    def moved(self, positions: Array) -> QuadMesh:
        """Return the same mesh at other positions."""
        return QuadMesh(
            positions,
            self.texcoords,
            self.quads,
            self.texture_quads,
            self.groups,
            self.group_names,
        )


@dataclass
class Cage:
    """Collects vertices and quads; :meth:`mesh` drops what no quad uses."""

    group_names: tuple[str, ...]
    positions: list[Array] = field(default_factory=list)
    texcoords: list[Array] = field(default_factory=list)
    quads: list[Ints] = field(default_factory=list)
    texture_quads: list[Ints] = field(default_factory=list)
    groups: list[Ints] = field(default_factory=list)

    def add_points(self, points: Array) -> Ints:
        """Store points (..., 3); returns their numbers (...)."""
        return _store(self.positions, points)

    def add_texcoords(self, points: Array) -> Ints:
        """Store texture coordinates (..., 2); returns their numbers (...)."""
        return _store(self.texcoords, points)

    def add_grid(self, points: Ints, texture: Ints, group: str, skip: Ints | None = None) -> None:
        """Quads of a grid of vertex numbers (r, c), save those marked in ``skip`` (r-1, c-1)."""
        keep = np.ones(len(points[1:]) * (points.shape[1] - 1), dtype=bool)
        if skip is not None:
            keep = ~skip.ravel()
        self.quads.append(_grid_quads(points)[keep])
        self.texture_quads.append(_grid_quads(texture)[keep])
        count = int(keep.sum())
        self.groups.append(np.full(count, self.group_names.index(group), dtype=np.int64))

    def push(self, amount: dict[int, float]) -> None:
        """Move vertices along their normals: centimetres by vertex number."""
        positions = np.vstack(self.positions)
        normals = vertex_normals(positions, np.vstack(self.quads))
        numbers = np.array(list(amount), dtype=np.int64)
        positions[numbers] += np.array(list(amount.values()))[:, None] * normals[numbers]
        self.positions = [positions]

    def relax(self, centre: Ints, steps: int) -> None:
        """Smooth the vertices ``centre`` and their neighbours towards their neighbours' mean."""
        positions, quads = np.vstack(self.positions), np.vstack(self.quads)
        ends = np.stack([quads, np.roll(quads, -1, axis=1)], axis=2).reshape(-1, 2)
        edges = np.unique(np.sort(ends, axis=1), axis=0)
        both = np.vstack([edges, edges[:, ::-1]])
        share = np.zeros(len(positions))
        share[both[np.isin(both[:, 0], centre), 1]] = 0.3
        share[centre] = 0.6
        count = np.maximum(np.bincount(both[:, 0], minlength=len(positions)), 1)[:, None]
        for _ in range(steps):
            mean = np.zeros_like(positions)
            np.add.at(mean, both[:, 0], positions[both[:, 1]])
            positions += share[:, None] * (mean / count - positions)
        self.positions = [positions]

    def mesh(self) -> QuadMesh:
        """Return what was collected."""
        quads, positions = _compact(np.vstack(self.quads), np.vstack(self.positions))
        texture, texcoords = _compact(np.vstack(self.texture_quads), np.vstack(self.texcoords))
        groups = np.concatenate(self.groups)
        return QuadMesh(positions, texcoords, quads, texture, groups, self.group_names)


def _store(blocks: list[Array], points: Array) -> Ints:
    start = sum(len(block) for block in blocks)
    blocks.append(points.reshape(-1, points.shape[-1]))
    return start + np.arange(len(blocks[-1])).reshape(points.shape[:-1])


def _grid_quads(ids: Ints) -> Ints:
    corners = [ids[:-1, :-1], ids[:-1, 1:], ids[1:, 1:], ids[1:, :-1]]
    return np.stack(corners, axis=-1).reshape(-1, 4)


def _compact(quads: Ints, points: Array) -> tuple[Ints, Array]:
    used, inverse = np.unique(quads, return_inverse=True)
    return inverse.reshape(quads.shape), points[used]


def square_ring(half: int) -> Ints:
    """Grid offsets (8 half, 2) as (right, up) of a square ring, from top middle to the right."""
    if half == 0:
        return np.zeros((1, 2), dtype=np.int64)
    run = np.arange(-half, half)
    fixed = np.full(2 * half, half)
    top, right = np.stack([run, fixed], 1), np.stack([fixed, -run], 1)
    ring = np.vstack([top, right, -top, -right])
    return np.roll(ring, -half, axis=0)


@dataclass(frozen=True)
class Body:
    """Vertex numbers of a body: its rings (r, n) and its two end grids (m+1, m+1), top first."""

    rings: Ints
    front_grid: Ints
    back_grid: Ints


def add_body(
    cage: Cage,
    surface: Surface,
    along: Array,
    front: Sequence[float],
    back: Sequence[float],
    around: int,
    atlas: tuple[Rectangle, Rectangle, Rectangle],
    holes: Sequence[tuple[slice, slice]] = (),
) -> Body:
    """Add a closed body to ``cage``.

    Parameters
    ----------
    surface : callable
        ``surface(place, around)`` gives points (k, 3) for places around (k,) in 0..n.
    along : (r,) array
        Places of the rings, from the front (head) to the back (tail).
    front, back : sequence of n/8 floats
        Places of the concentric squares of the end grids, from the rim to the tip.
    around : int
        Vertices to a ring, a multiple of 8.
    atlas : three rectangles
        Texture space of the rings, the front grid and the back grid.  The rings' seam
        lies along the belly.
    holes : sequence of (slice, slice)
        Quads left out, as (rows between rings, columns around): roots of appendages.
    """
    turns = np.arange(around)
    rings = cage.add_points(np.stack([surface(place, turns) for place in along]))
    lap = (np.arange(around + 1) + around // 2) % around
    span = (along - along[0]) / (along[-1] - along[0])
    texture = cage.add_texcoords(
        atlas[0].at(np.linspace(0.0, 1.0, around + 1)[None, :], span[:, None])
    )
    skip = np.zeros((len(along) - 1, around), dtype=bool)
    for rows, columns in holes:
        skip[rows, columns] = True
    cage.add_grid(rings[:, lap], texture, "body", skip[:, lap[:-1]])
    front_grid = _add_end(cage, surface, rings[0], front, around, atlas[1], facing=True)
    back_grid = _add_end(cage, surface, rings[-1], back, around, atlas[2], facing=False)
    return Body(rings, front_grid, back_grid)


def _add_end(
    cage: Cage,
    surface: Surface,
    rim: Ints,
    places: Sequence[float],
    around: int,
    area: Rectangle,
    facing: bool,
) -> Ints:
    """Close ``rim`` with a grid; ``facing`` if it looks forward, along the head."""
    half = around // 8
    grid = np.zeros((2 * half + 1, 2 * half + 1), dtype=np.int64)
    squares = [rim]
    for inner, place in zip(range(half - 1, -1, -1), places, strict=True):
        turns = np.arange(max(8 * inner, 1)) * (around / max(8 * inner, 1))
        squares.append(cage.add_points(surface(place, turns)))
    for inner, ids in zip(range(half, -1, -1), squares, strict=True):
        right, up = square_ring(inner).T
        grid[half - up, half + right] = ids
    step = np.linspace(0.0, 1.0, 2 * half + 1)
    texture = cage.add_texcoords(area.at(step[None, :], step[::-1, None]))
    if facing:
        cage.add_grid(grid[::-1], texture[::-1], "body")
    else:
        cage.add_grid(grid[::-1, ::-1], texture[::-1], "body")
    return grid


@dataclass(frozen=True)
class Root:
    """Where an appendage grows: the vertex loop around a hole of ``rows`` x ``columns`` quads."""

    loop: Ints
    rows: int
    columns: int

    @property
    def angles(self) -> Array:
        """Angle of each loop vertex in the appendage's cross-section, evenly spaced.

        0 lies at the last row (towards the tail), a quarter turn towards higher columns.
        """
        count = len(self.loop)
        return np.pi - (np.arange(count) - self.columns / 2) * (2.0 * np.pi / count)


def root_at(body: Body, rows: slice, columns: slice) -> Root:
    """Root around the hole ``(rows, columns)`` of :func:`add_body`."""
    i = np.arange(rows.start, rows.stop + 1)
    j = np.arange(columns.start, columns.stop + 1)
    grid = body.rings[i[:, None], j[None, :]]
    loop = np.concatenate([grid[0, :-1], grid[:-1, -1], grid[-1, :0:-1], grid[:0:-1, 0]])
    return Root(loop, len(i) - 1, len(j) - 1)


def mirrored_loops(loops: Array, root: Root) -> Array:
    """Loops for the root on the other side of x = 0, vertex by vertex the mirror image.

    ``root`` is the one that ``loops`` (k, m, 3) were made for.
    """
    order = (root.columns - np.arange(loops.shape[1])) % loops.shape[1]
    return loops[:, order] * np.array([-1.0, 1.0, 1.0])


def mirrored_columns(columns: slice, around: int) -> slice:
    """Return the columns of quads opposite ``columns`` in a ring of ``around``."""
    return slice(around - columns.stop, around - columns.start)


def add_appendage(
    cage: Cage, root: Root, loops: Array, dome: Array, group: str, area: Rectangle
) -> None:
    """Grow an appendage out of ``root``.

    Parameters
    ----------
    loops : (k, m, 3) array
        Loops of the m vertices of the root, from the body outwards.
    dome : (3,) array
        How far the middle of the closing grid stands out over the last loop.
    area : Rectangle
        Texture space: the sleeve in its lower four fifths, the closing grid above.
    """
    ids = np.vstack([root.loop[None, :], cage.add_points(loops)])
    count = ids.shape[1]
    sleeve = area.part(0.0, 0.0, 1.0, 0.78)
    u = np.linspace(0.0, 1.0, count + 1)
    texture = cage.add_texcoords(sleeve.at(u[None, :], np.linspace(0.0, 1.0, len(ids))[:, None]))
    cage.add_grid(np.hstack([ids, ids[:, :1]]), texture, group)

    grid_points = _fill_grid(loops[-1], root, dome)
    grid = np.zeros((root.rows + 1, root.columns + 1), dtype=np.int64)
    rim = _rim_cells(root)
    grid[rim[:, 0], rim[:, 1]] = ids[-1]
    grid[1:-1, 1:-1] = cage.add_points(grid_points[1:-1, 1:-1])
    lid = area.part(0.0, 0.82, 1.0, 0.18)
    v, u = (np.linspace(0.0, 1.0, size) for size in grid.shape)
    texture = cage.add_texcoords(lid.at(u[None, :], v[:, None]))
    cage.add_grid(grid, texture, group)


def _rim_cells(root: Root) -> Ints:
    """Grid cells (m, 2) that the loop's vertices take, in the loop's order."""
    r, c = root.rows, root.columns
    cells = [(0, j) for j in range(c)] + [(i, c) for i in range(r)]
    cells += [(r, j) for j in range(c, 0, -1)] + [(i, 0) for i in range(r, 0, -1)]
    return np.array(cells)


def _fill_grid(loop: Array, root: Root, dome: Array) -> Array:
    """Grid points (rows+1, columns+1, 3) inside ``loop``: harmonic, then raised by ``dome``."""
    shape = (root.rows + 1, root.columns + 1)
    numbers = np.arange(shape[0] * shape[1]).reshape(shape)
    system = np.eye(numbers.size)
    # Last column: the height of the dome, the solution of a Poisson equation on the grid.
    values = np.zeros((numbers.size, 4))
    rim = _rim_cells(root)
    values[numbers[rim[:, 0], rim[:, 1]], :3] = loop
    for i in range(1, root.rows):
        for j in range(1, root.columns):
            beside = [numbers[i - 1, j], numbers[i + 1, j], numbers[i, j - 1], numbers[i, j + 1]]
            system[numbers[i, j], beside] = -0.25
            values[numbers[i, j], 3] = 1.0
    solved = np.linalg.solve(system, values)
    raised = solved[:, :3] + (solved[:, 3:] / solved[:, 3].max()) * dome
    return raised.reshape(*shape, 3)


def swept_loops(
    root_points: Array,
    angles: Array,
    path: Array,
    axes: tuple[Array, Array],
    sizes: Array,
    join: int,
) -> Array:
    """Loops of an elliptic section along ``path`` that leave a root without a crease.

    Parameters
    ----------
    root_points : (m, 3) array
        The root's loop.
    angles : (m,) array
        Where each of its vertices sits on the ellipse.
    path : (k + 1, 3) array
        Middle of the root, then of each loop.
    axes : two (k + 1, 3) arrays
        Unit half-axes of the ellipse at each of them.
    sizes : (k + 1, 2) array
        Lengths of the half-axes.
    join : int
        Loops over which the root's outline turns into the ellipse.

    Returns
    -------
    (k, m, 3) array
    """
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    outline = root_points - path[0]
    local = np.stack([outline @ axes[0][0], outline @ axes[1][0]], axis=1)
    rise = outline - local[:, :1] * axes[0][0] - local[:, 1:] * axes[1][0]
    loops = []
    for k in range(1, len(path)):
        share = min(k / join, 1.0)
        turned = 1.0 - (1.0 - share) ** 2
        flat = turned * ring * sizes[k] + (1.0 - turned) * local
        loops.append(
            path[k] + flat[:, :1] * axes[0][k] + flat[:, 1:] * axes[1][k] + (1.0 - turned) * rise
        )
    return np.stack(loops)

"""Meshes that are hardly any: shapes with too little to measure, and what may happen to a shape."""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tubes import s_curve, straight, tube


def grid(rows, columns, place, around=False, along=False):
    """Quads over a grid of points, joined round either way."""
    points = [place(i, j) for i in range(rows) for j in range(columns)]
    faces = [
        [i * columns + j, i * columns + k, m * columns + k, m * columns + j]
        for i, m in steps(rows, along)
        for j, k in steps(columns, around)
    ]
    return np.array(points, dtype=float), faces


def steps(count, closed):
    return [(i, (i + 1) % count) for i in range(count if closed else count - 1)]


def of_mesh(mesh):
    return mesh.positions.copy(), [polygon.tolist() for polygon in mesh.polygons]


def round_(angle, radius=1.0):
    return radius * np.cos(angle), radius * np.sin(angle)


def cube():
    points = [[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]
    return np.array(points, float), [
        *([0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1]),
        *([2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]),
    ]


def torus():
    turn = 2 * np.pi

    def place(i, j):
        x, y = round_(turn * i / 16, 4 + np.cos(turn * j / 8))
        return x, y, np.sin(turn * j / 8)

    return grid(16, 8, place, around=True, along=True)


def moebius():
    def place(i, j):
        angle, off = 2 * np.pi * i / 20, (j - 1) * 0.5
        x, y = round_(angle, 4 + off * np.cos(angle / 2))
        return x, y, off * np.sin(angle / 2)

    return grid(20, 3, place)


def fork():
    one, faces = of_mesh(tube(straight(rings=8), 0.4, 6))
    two = one[:, [1, 0, 2]] * (1, 1, 1) + (one[:, 0].mean(), 0, 0)
    return np.concatenate([one, two]), faces + [[v + len(one) for v in f[::-1]] for f in faces]


BASES = {
    "worm": lambda: of_mesh(tube(straight(rings=9), 0.6, 6)),
    "bent worm": lambda: of_mesh(tube(s_curve(rings=17), 0.7, 8)),
    "three-sided worm": lambda: of_mesh(tube(straight(rings=5), 0.5, 3)),
    "coarse worm": lambda: of_mesh(tube(straight(rings=3), 0.6, 4)),
    "cube": cube,
    "tetrahedron": lambda: (
        np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]]),
        [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]],
    ),
    "triangle": lambda: (np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0.0]]), [[0, 1, 2]]),
    "strip": lambda: grid(12, 2, lambda i, j: (i, j, 0.0)),
    "sheet": lambda: grid(7, 7, lambda i, j: (i, j, 0.1 * np.sin(i))),
    "open pipe": lambda: grid(10, 6, lambda i, j: (i, *round_(np.pi * j / 3)), around=True),
    "torus": torus,
    "moebius strip": moebius,
    "fork": fork,
}


def flattened(*factors):
    return lambda points, faces, rng: (points * factors, faces)


def scaled(factor):
    return lambda points, faces, rng: (points * factor, faces)


def moved(factor):
    return lambda points, faces, rng: (points + factor * np.ptp(points, axis=0).max(), faces)


def some_of(share):
    def spoil(points, faces, rng):
        keep = max(1, int(share * len(faces)))
        return points, [faces[k] for k in sorted(rng.permutation(len(faces))[:keep])]

    return spoil


def soup(points, faces, rng):
    corners = [v for face in faces for v in face]
    starts = np.cumsum([0, *map(len, faces)])
    parts = zip(starts, map(len, faces), strict=False)
    return points[corners], [[int(start) + k for k in range(size)] for start, size in parts]


def turned(points, faces, rng):
    return points, [face[::-1] if rng.random() < 0.5 else face for face in faces]


def repeating(points, faces, rng):
    return points, [[*face[:-1], face[0]] if k % 3 == 0 else face for k, face in enumerate(faces)]


def shuffled(points, faces, rng):
    """The same places, joined at random."""
    order = rng.permutation(len(points))
    return points, [[int(order[v]) for v in face] for face in faces]


def hubbed(points, faces, rng):
    """Half of the vertices in one place."""
    out = points.copy()
    out[rng.permutation(len(points))[: len(points) // 2]] = points[0]
    return out, faces


def with_piece(points, faces, rng):
    other = points * 0.1 + 50 * np.ptp(points, axis=0).max()
    return np.concatenate([points, other]), faces + [[v + len(points) for v in f] for f in faces]


SPOILS = {
    "as it is": lambda points, faces, rng: (points, faces),
    "1e-15 of its size": scaled(1e-15),
    "1e-5 of its size": scaled(1e-5),
    "1e9 times its size": scaled(1e9),
    "1e16 times its size": scaled(1e16),
    "a million sizes away": moved(1e6),
    "1e14 sizes away": moved(1e14),
    "flat": flattened(1, 1, 0),
    "next to flat": flattened(1, 1, 1e-7),
    "a needle": flattened(1, 1e-4, 1e-4),
    "a line": flattened(1, 0, 0),
    "a point": flattened(0, 0, 0),
    "half of its faces": some_of(0.5),
    "nine tenths of its faces": some_of(0.9),
    "inside out": lambda points, faces, rng: (points, [face[::-1] for face in faces]),
    "faces turned at random": turned,
    "every face twice": lambda points, faces, rng: (points, faces * 2),
    "soup of faces": soup,
    "repeated corners": repeating,
    "joined at random": shuffled,
    "half in one place": hubbed,
    "a second piece far away": with_piece,
    "vertices without faces": lambda points, faces, rng: (
        np.concatenate([points, points * 3 + 7]),
        faces,
    ),
    "crumpled": lambda points, faces, rng: (
        points + rng.normal(0, 0.4, points.shape) * np.ptp(points, axis=0).max() / 4,
        faces,
    ),
}


def degenerate_meshes():
    """Name, positions and polygons of each; the same in every run."""
    for base, make in BASES.items():
        for number, (spoil, change) in enumerate(SPOILS.items()):
            rng = np.random.default_rng([number, len(base)])
            points, faces = change(*make(), rng)
            yield f"{base}, {spoil}", points, faces

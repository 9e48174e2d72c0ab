"""Tubes with known centrelines, volumes and symmetries, to hold the code against."""

import itertools

import numpy as np
from scipy.spatial.transform import Rotation

from ribbonsim import CreatureMesh
from ribbonsim.rig.rig import Rig
from ribbonsim.rig.weights import mesh_weights, surface_weights


def carried_normals(centres):
    """One direction across, turned by the smallest rotation from each tangent to the next."""
    tangents = np.gradient(centres, axis=0, edge_order=2)
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    normal = np.cross(tangents[0], np.eye(3)[np.argmin(np.abs(tangents[0]))])
    normals = [normal / np.linalg.norm(normal)]
    for before, after in itertools.pairwise(tangents):
        axis = np.cross(before, after)
        size = np.linalg.norm(axis)
        angle = np.arctan2(size, before @ after)
        turn = Rotation.from_rotvec(angle * axis / size if size > 1e-15 else np.zeros(3))
        normals.append(turn.apply(normals[-1]))
    return tangents, np.array(normals)


def swept(centres, radius, around=16, round_ends=0):
    """Positions and faces of a closed tube of quads, its ends closed by fans.

    Ring ``i`` has the vertices ``i * around`` to ``(i + 1) * around - 1``; with
    ``round_ends`` rings are added that close each end like half a ball. The poles are the
    last two vertices, the first the one at the start.
    """
    tangents, normals = carried_normals(centres)
    radii = np.broadcast_to(np.asarray(radius, dtype=float), len(centres))
    if round_ends:
        angle = np.radians(90.0 * np.arange(round_ends, 0, -1) / (round_ends + 1))
        start, stop = radii[0], radii[-1]
        centres = np.concatenate(
            [
                centres[0] - start * np.sin(angle)[:, None] * tangents[0],
                centres,
                centres[-1] + stop * np.sin(angle[::-1])[:, None] * tangents[-1],
            ]
        )
        radii = np.r_[start * np.cos(angle), radii, stop * np.cos(angle[::-1])]
        wide = [(round_ends, round_ends), (0, 0)]
        tangents, normals = np.pad(tangents, wide, "edge"), np.pad(normals, wide, "edge")
    else:
        start = stop = 0.0
    others = np.cross(tangents, normals)
    turn = 2 * np.pi * np.arange(around) / around
    rings = (
        centres[:, None]
        + radii[:, None, None] * np.cos(turn)[:, None] * normals[:, None]
        + radii[:, None, None] * np.sin(turn)[:, None] * others[:, None]
    )
    n = len(centres)
    first = np.arange(n * around).reshape(n, around)
    after = np.roll(first, -1, axis=1)
    quads = np.stack([first[:-1], after[:-1], after[1:], first[1:]], axis=-1).reshape(-1, 4)
    if round_ends:
        ends = [
            c[0] + s * c[1]
            for c, s in (
                ((centres[round_ends], -tangents[0]), start),
                ((centres[-round_ends - 1], tangents[-1]), stop),
            )
        ]
    else:
        ends = [centres[0], centres[-1]]
    south, north = n * around, n * around + 1
    caps = [[south, b, a] for a, b in zip(first[0], after[0], strict=True)]
    caps += [[north, a, b] for a, b in zip(first[-1], after[-1], strict=True)]
    faces = [*quads.tolist(), *[[int(i) for i in face] for face in caps]]
    return np.vstack([rings.reshape(-1, 3), ends]), faces


_TUBES = {}


def tube(centres, radius, around=16, round_ends=0, name="tube"):
    """A tube as a mesh. Meshes do not change: equal tubes are one, whose guide is found once."""
    centres, radius = np.asarray(centres, dtype=float), np.asarray(radius, dtype=float)
    key = centres.tobytes(), radius.tobytes(), around, round_ends, name
    if key not in _TUBES:
        positions, faces = swept(centres, radius, around, round_ends)
        _TUBES[key] = CreatureMesh.from_arrays(positions, faces, name)
    return _TUBES[key]


def straight(length=10.0, rings=41, axis=0):
    centres = np.zeros((rings, 3))
    centres[:, axis] = np.linspace(0.0, length, rings)
    return centres


def arc(degrees=120.0, length=10.0, rings=61):
    angle = np.radians(degrees) * np.linspace(0, 1, rings)
    radius = length / np.radians(degrees)
    return np.c_[radius * np.sin(angle), radius * (1 - np.cos(angle)), 0 * angle]


def s_curve(length=10.0, rings=81):
    x = np.linspace(0, length, rings)
    return np.c_[x, 1.2 * np.sin(2 * np.pi * x / length), 0.3 * x]


def helix(turns=1.5, radius=3.0, rise=3.0, rings=161):
    angle = 2 * np.pi * turns * np.linspace(0, 1, rings)
    return np.c_[radius * np.cos(angle), rise * angle / (2 * np.pi), radius * np.sin(angle)]


def triangulated(faces):
    return np.array(
        [[f[0], f[k], f[k + 1]] for f in faces for k in range(1, len(f) - 1)], dtype=np.int64
    )


def off_polyline(points, line):
    """Distance of each point from a polyline."""
    a, b = line[:-1], line[1:]
    step = b - a
    share = np.einsum("pik,ik->pi", points[:, None] - a, step) / np.sum(step**2, axis=1)
    foot = a + np.clip(share, 0, 1)[..., None] * step
    return np.linalg.norm(points[:, None] - foot, axis=-1).min(axis=1)


def rigid(rotvec, shift):
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec(rotvec).as_matrix()
    motion[:3, 3] = shift
    return motion


def small_worm(name="worm"):
    """A bent worm that grows thin, of few vertices: for what shows itself on any creature."""
    return tube(s_curve(rings=41), np.linspace(0.9, 0.4, 41), 16, 4, name)


def bound_along_x(mesh, layout):
    """Bind where a straight ribbon runs along x: places need not be found, which takes long."""
    start = layout.ribbon.midline(0.0)[0]
    places = np.clip(mesh.positions[:, 0] - start, 0.0, layout.ribbon.length)
    weights = mesh_weights(mesh, layout.body, places)
    return Rig(mesh, layout, places, surface_weights(layout.body), weights, {}, weights)

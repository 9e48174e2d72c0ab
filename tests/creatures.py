"""Creatures grown from rounded cones along curves that a test knows: trunk, legs, tails, lobes.

A creature is the level set of a smooth union of rounded cones, cut into triangles by the
contour filter of VTK, so that it is one closed skin whatever was joined. The curve that its
trunk was grown along is the answer that a guide is held against.
"""

from functools import cache

import numpy as np
import pyvista as pv

from ribbonsim import CreatureMesh


def _cone(points, a, b, ra, rb):
    """Distance to a cone between two balls, less the balls' radius (radii blend linearly)."""
    axis = b - a
    share = np.clip((points - a) @ axis / max(axis @ axis, 1e-30), 0.0, 1.0)
    return np.linalg.norm(points - a - share[:, None] * axis, axis=1) - (ra + share * (rb - ra))


def limb(points, radii):
    """A limb as a chain of cones: (n, 3) points and radii at them."""
    points = np.asarray(points, dtype=float)
    radii = np.broadcast_to(np.asarray(radii, dtype=float), len(points))
    return [(points[i], points[i + 1], radii[i], radii[i + 1]) for i in range(len(points) - 1)]


def mirrored(limbs):
    """The same limbs and their images across the plane x = 0."""
    flip = np.array([-1.0, 1.0, 1.0])
    return [*limbs, *[(a * flip, b * flip, ra, rb) for a, b, ra, rb in limbs]]


def grown(cones, cell, blend=None, flatten=None, name="creature"):
    """The skin round a smooth union of cones.

    ``blend`` is the width of the fillets (twice a cell if left out), ``flatten`` scales the
    finished creature along x, y and z.
    """
    blend = 2.0 * cell if blend is None else blend
    spots = np.array([p for a, b, _, _ in cones for p in (a, b)])
    margin = max(max(ra, rb) for *_, ra, rb in cones) + 3 * cell
    low, high = spots.min(axis=0) - margin, spots.max(axis=0) + margin
    counts = np.ceil((high - low) / cell).astype(int) + 1
    grid = pv.ImageData(dimensions=counts, spacing=(cell, cell, cell), origin=low)
    value = np.full(grid.n_points, np.inf)
    at = np.asarray(grid.points)
    for a, b, ra, rb in cones:
        far = max(ra, rb) + 4.0 * max(blend, cell)
        near = ((at >= np.minimum(a, b) - far) & (at <= np.maximum(a, b) + far)).all(axis=1)
        one = _cone(at[near], np.asarray(a), np.asarray(b), ra, rb)
        # smooth minimum: a quadratic fillet where two distances are within the blend
        other = value[near]
        mixed = np.minimum(one, other)
        both = np.isfinite(other)
        gap = np.maximum(blend - np.abs(one - other, where=both, out=np.full_like(one, blend)), 0.0)
        value[near] = np.where(both, mixed - gap**2 / (4.0 * blend), mixed)
    value[~np.isfinite(value)] = 10.0 * cell
    skin = grid.contour([0.0], scalars=value, method="flying_edges").triangulate().clean()
    faces = np.asarray(skin.faces).reshape(-1, 4)[:, 1:]
    positions = np.asarray(skin.points, dtype=float)
    if flatten is not None:
        positions = positions * np.asarray(flatten, dtype=float)
    a, b, c = (positions[faces[:, k]] for k in range(3))
    if np.sum(a * np.cross(b, c)) < 0:
        faces = faces[:, ::-1]
    return CreatureMesh.from_arrays(positions, faces, name)


@cache
def quadruped(walking=False):
    """A heavy animal on four legs, head raised, a thin tail; along z, y up. Trunk known."""
    trunk = np.array(
        [
            [0, 3.2, -3.4],
            [0, 3.3, -2],
            [0, 3.1, 0],
            [0, 3.3, 2],
            [0, 4.2, 3.3],
            [0, 4.6, 4.3],
            [0, 4.2, 5.3],
        ]
    )
    radii = [0.85, 1.15, 1.25, 1.1, 0.75, 0.7, 0.4]
    cones = limb(trunk, radii)
    swing = (0.9, -0.9) if walking else (0.0, 0.0)
    for side, step in zip((1.0, -1.0), swing, strict=True):
        for z, sign in ((2.0, 1.0), (-2.2, -1.0)):
            foot = z + sign * step
            cones += limb(
                [
                    [side * 0.7, 2.8, z],
                    [side * 0.8, 1.5, 0.5 * (z + foot)],
                    [side * 0.8, 0.2, foot],
                ],
                [0.5, 0.36, 0.32],
            )
    cones += limb([[0, 3.9, -4.1], [0, 2.9, -4.7], [0, 1.6, -4.8]], [0.16, 0.12, 0.18])
    for side in (1.0, -1.0):
        cones += limb([[side * 0.5, 5.0, 4.1], [side * 1.2, 5.3, 4.0]], [0.18, 0.14])
    return grown(cones, 0.12, 0.3, name="quadruped"), trunk


@cache
def stinger():
    """Eight legs, two claws and a tail that curls up over the back; along z, y up."""
    body = np.array([[0, 0.9, 2.6], [0, 1.0, 1.5], [0, 1.0, 0], [0, 1.0, -1.6]])
    turn = np.linspace(0.0, 1.1 * np.pi, 14)
    tail = np.stack([0 * turn, 2.6 - 1.6 * np.cos(turn), -1.6 - 1.6 * np.sin(turn)], axis=1)
    cones = limb(body, [0.5, 0.75, 0.8, 0.6])
    cones += limb(np.vstack([body[-1], tail[1:]]), np.linspace(0.55, 0.22, 14))
    legs = []
    for z in (1.2, 0.5, -0.2, -0.9):
        legs += limb([[0.6, 1.0, z], [1.7, 1.5, z * 1.4], [2.6, 0.1, z * 1.8]], [0.17, 0.14, 0.1])
    legs += limb(
        [[0.5, 0.9, 2.2], [1.5, 1.0, 3.2], [1.3, 1.0, 4.4], [0.9, 1.0, 5.2]],
        [0.2, 0.24, 0.42, 0.14],
    )
    cones += mirrored(legs)
    return grown(cones, 0.08, 0.15, name="stinger"), np.vstack([body, tail[1:]])


@cache
def swimmer():
    """A fish: flat from side to side, back and belly fins, a tail that parts into two lobes."""
    trunk = np.array(
        [[0, 0, 4.0], [0, 0.05, 3], [0, 0.1, 1], [0, 0.05, -1.5], [0, 0, -3.2], [0, 0, -4.0]]
    )
    cones = limb(trunk, [0.35, 0.9, 1.3, 0.8, 0.34, 0.3])
    cones += limb([[0, 0.0, -4.0], [0, 0.9, -5.0], [0, 1.8, -5.8]], [0.3, 0.28, 0.16])
    cones += limb([[0, 0.0, -4.0], [0, -0.8, -4.9], [0, -1.5, -5.6]], [0.3, 0.28, 0.16])
    cones += limb([[0, 1.1, 1.2], [0, 2.0, 0.2], [0, 2.1, -0.4]], [0.3, 0.2, 0.12])
    cones += mirrored(limb([[1.0, -0.4, 1.6], [2.2, -1.0, 0.8]], [0.22, 0.14]))
    return grown(cones, 0.1, 0.25, flatten=[0.55, 1.0, 1.0], name="swimmer"), trunk


@cache
def slug():
    """A stubby body, one and a half times as long as it is thick."""
    trunk = np.array([[0, 1.0, -0.9], [0, 1.0, 0.9]])
    cones = limb(np.linspace(trunk[0], trunk[1], 6), [0.85, 1.0, 1.05, 1.05, 1.0, 0.85])
    return grown(cones, 0.1, 0.3, name="slug"), trunk

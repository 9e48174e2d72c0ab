"""Bodies with limbs, as level sets of distances to segments: skins whose makers know each limb."""

from dataclasses import dataclass
from functools import cache

import igl
import numpy as np

from ribbonsim import CreatureMesh


@dataclass(frozen=True)
class Bone:
    """A segment with a radius at both ends; ``flat`` squeezes it along one axis of the scene."""

    start: tuple
    end: tuple
    radius: float
    end_radius: float | None = None
    flat: tuple = (1.0, 1.0, 1.0)
    name: str = "body"


def _away(points, bone):
    """Distance of points from a bone's surface, negative inside."""
    squeeze = np.array(bone.flat)
    p, a, b = (np.asarray(x, dtype=float) * squeeze for x in (points, bone.start, bone.end))
    step = b - a
    share = np.clip((p - a) @ step / (step @ step), 0.0, 1.0)
    end = bone.radius if bone.end_radius is None else bone.end_radius
    return np.linalg.norm(p - a - share[:, None] * step, axis=1) - (
        bone.radius + share * (end - bone.radius)
    )


def _grid(bones, step):
    corners = np.array([point for bone in bones for point in (bone.start, bone.end)], dtype=float)
    pad = 1.5 * max(bone.radius / min(bone.flat) for bone in bones)
    # symmetric about x = 0, so that a symmetric creature gets a symmetric skin
    low, high = corners.min(axis=0) - pad, corners.max(axis=0) + pad
    low[0] = -max(-low[0], high[0])
    high[0] = -low[0]
    sizes = np.ceil((high - low) / step).astype(int)
    sizes[0] += sizes[0] % 2
    axes = [
        (low[k] + high[k]) / 2 + step * (np.arange(sizes[k] + 1) - sizes[k] / 2) for k in range(3)
    ]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    return np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1), sizes + 1


def skin_of(bones, step=0.35, soft=0.35, name="limbed", carved=()):
    """Mesh of the level set, and for each vertex the name of the bone that it is nearest to.

    ``soft`` rounds the joins, in scene units; ``carved`` are bones taken out of the body.
    """
    points, sizes = _grid(bones, step)
    apart = np.array([_away(points, bone) for bone in bones])
    # a soft minimum: where one bone is much nearer than the rest it is that bone's distance
    least = apart.min(axis=0)
    total = least - soft * np.log(np.exp((least - apart) / soft).sum(axis=0))
    for bone in carved:
        total = np.maximum(total, -_away(points, bone))
    found = igl.marching_cubes(total, points, *map(int, sizes), 0.0)
    positions, triangles = found[0], found[1]
    if igl.moments(positions, triangles.astype(np.int64))[0] < 0:
        triangles = triangles[:, ::-1]
    positions, triangles = _largest(positions, triangles)
    nearest = np.argmin([_away(positions, bone) for bone in bones], axis=0)
    owner = np.array([bone.name for bone in bones])[nearest]
    return CreatureMesh.from_arrays(positions, triangles.tolist(), name), owner


def _largest(positions, triangles):
    """The largest piece alone, slivers of marching cubes welded."""
    keys = np.round(positions, 6)
    _, first, copies = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    triangles = copies.ravel()[triangles]
    whole = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    return positions[first], triangles[whole]


@cache
def six_arms(step=0.35):
    """A body along z with six arms, three to each side."""
    bones = [Bone((0, 0, 0), (0, 0, 40), 3.2, 2.2)]
    for z, names in ((8.0, "back"), (18.0, "middle"), (28.0, "front")):
        for side, x in (("l", 1.0), ("r", -1.0)):
            bones.append(
                Bone((2 * x, 0, z), (13 * x, 2, z + 2), 0.9, 0.5, name=f"arm_{names}_{side}")
            )
    return skin_of(bones, step, name="six")


@cache
def two_fins(step=0.5):
    """A body with a fin to each side, of few vertices."""
    bones = [Bone((0, 0, 0), (0, 0, 30), 2.4, 1.6)]
    for side, x in (("l", 1.0), ("r", -1.0)):
        bones.append(Bone((1.5 * x, 0, 14), (11 * x, 1, 15), 0.9, 0.6, name=f"fin_{side}"))
    return skin_of(bones, step, name="finned")


@cache
def whiskered(step=2.0):
    """A fish with a fin and a barbel to each side, whose polygons are in groups called so."""
    bones = [Bone((0, 0, 0), (0, 0, 120), 5.0, 9.0)]
    for side, x in (("l", 1.0), ("r", -1.0)):
        bones += [
            Bone((5 * x, -4, 116), (20 * x, -10, 146), 2.2, 1.6, name=f"barbel_{side}"),
            Bone((6 * x, 0, 80), (36 * x, -3, 70), 4.2, 2.8, name=f"fin_{side}"),
        ]
    mesh, owner = skin_of(bones, step, soft=1.5)
    names = tuple(dict.fromkeys(bone.name for bone in bones))
    groups = [names.index(owner[triangle[0]]) for triangle in mesh.triangles]
    return CreatureMesh.from_arrays(
        mesh.positions, mesh.triangles, "whiskered", group_names=names, polygon_groups=groups
    )


@cache
def flat_fin(step=0.22):
    """A body with one fin that lies along it, closer than it is thick."""
    bones = [
        Bone((0, 0, 0), (0, 0, 40), 3.0),
        Bone((2.4, 0, 27), (3.95, 0, 26.4), 0.55, flat=(1.0, 0.45, 1.0), name="fin"),
        Bone((3.95, 0, 26.4), (3.95, 0, 13), 0.5, 0.3, flat=(1.0, 0.4, 1.0), name="fin"),
    ]
    return skin_of(bones, step, soft=0.08, name="flat")


@cache
def branched(step=0.35):
    """A body with one arm that carries an arm of its own."""
    bones = [
        Bone((0, 0, 0), (0, 0, 40), 3.0),
        Bone((2, 0, 20), (24, 0, 20), 1.3, 1.1, name="arm"),
        Bone((14, 0.5, 20), (14, 11, 20), 0.7, 0.5, name="twig"),
    ]
    return skin_of(bones, step, name="branched")

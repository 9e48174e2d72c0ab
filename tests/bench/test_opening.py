"""From file to bound rig, whatever the order of the vertices and however large the mesh."""

from pathlib import Path

import numpy as np
import pytest
import trimesh

from ribbonsim import CreatureMesh, bind, load_mesh
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.rig.first_layout import build_layout

pytestmark = pytest.mark.bench
MESHES = Path(__file__).resolve().parents[2] / "meshes"


def finer(mesh, least):
    """Each triangle cut into four by trimesh, again and again; new vertices come last."""
    points, triangles = mesh.positions, mesh.triangles
    while len(points) < least:
        points, triangles = trimesh.remesh.subdivide(points, triangles)
    return points, triangles


def opened(path):
    mesh = load_mesh(path)
    return bind(mesh, build_layout(mesh))


@pytest.fixture(scope="module")
def subdivided():
    return finer(load_mesh(MESHES / "snuffer.obj"), 100_000)


def written(points, triangles, order, path):
    place = np.argsort(order)
    mesh = CreatureMesh.from_arrays(points[order], place[triangles].tolist(), path.stem)
    write_obj(mesh, path)
    return path


@pytest.mark.parametrize("order", ["along an axis", "shuffled", "backwards"])
def test_orders_of_the_vertices(race, order, subdivided, tmp_path):
    points, triangles = subdivided
    count = len(points)
    orders = {
        "along an axis": np.argsort(points[:, 1], kind="stable"),
        "shuffled": np.random.default_rng(3).permutation(count),
        "backwards": np.arange(count)[::-1],
    }
    plain = written(points, triangles, np.arange(count), tmp_path / "plain.obj")
    other = written(points, triangles, orders[order], tmp_path / "other.obj")
    race(
        f"opening {count:,} vertices {order} over subdivided",
        lambda: opened(other),
        lambda: opened(plain),
        wanted=2.0,
        rounds=1,
        calls=1,
    )


def test_four_times_the_vertices(race, subdivided, tmp_path):
    # n log n and a sparse factorisation allow eight
    points, triangles = subdivided
    large = trimesh.remesh.subdivide(points, triangles)
    paths = [
        written(p, t, np.arange(len(p)), tmp_path / f"{len(p)}.obj")
        for p, t in ((points, triangles), large)
    ]
    race(
        f"opening {len(large[0]):,} vertices over a quarter of them",
        lambda: opened(paths[1]),
        lambda: opened(paths[0]),
        wanted=8.0,
        rounds=1,
        calls=1,
    )

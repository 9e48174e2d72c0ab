"""Time of handing off and reading 100,000 vertices, beside trimesh with the same mesh."""

import time
from functools import cache

import pytest
import trimesh
from tubes import straight, tube

from ribbonsim import Layout, Ribbon, bind, export_gltf, export_tables, export_usd, load_mesh
from ribbonsim.handoff.posed_meshes import export_posed_meshes


@cache
def big_rig():
    mesh = tube(straight(100.0, 2000), 3.0, 50)
    assert len(mesh.positions) >= 100_000
    return bind(mesh, Layout.from_ribbon(Ribbon.along(straight(100.0), 4.0, 16), 17, 5))


def plain(mesh):
    return trimesh.Trimesh(mesh.positions, mesh.triangles, process=False)


def beside(benchmark, ours, theirs):
    """Time ours once, and tell how often trimesh's time it is."""
    begin = time.perf_counter()
    theirs()
    reference = time.perf_counter() - begin
    result = benchmark.pedantic(ours, rounds=1, iterations=1)
    benchmark.extra_info["ours over trimesh"] = benchmark.stats.stats.median / reference
    return result


EXPORTS = {
    "gltf": lambda rig, folder: export_gltf(rig, folder / "big.glb"),
    "usd": lambda rig, folder: export_usd(rig, folder / "big.usdc"),
    "tables": export_tables,
    "posed meshes": export_posed_meshes,
}


@pytest.mark.parametrize("kind", list(EXPORTS))
def test_export_of_a_big_creature_beside_a_plain_obj_of_trimesh(benchmark, kind, tmp_path):
    rig = big_rig()
    other = plain(rig.mesh)
    beside(
        benchmark,
        lambda: EXPORTS[kind](rig, tmp_path),
        lambda: other.export(tmp_path / "plain.obj"),
    )
    made = [path for path in tmp_path.rglob("*") if path.is_file() and path.name != "plain.obj"]
    assert sum(path.stat().st_size for path in made) > 1_000_000


@pytest.mark.parametrize("ending", ["ply", "stl", "glb"])
def test_reading_a_big_creature_beside_trimesh(benchmark, ending, tmp_path):
    mesh = big_rig().mesh
    path = tmp_path / f"big.{ending}"
    path.write_bytes(plain(mesh).export(file_type=ending))
    told = beside(benchmark, lambda: load_mesh(path), lambda: trimesh.load(path, process=False))
    assert len(told.positions) == len(mesh.positions)

"""Handing off and reading 100,000 vertices, beside trimesh with the same mesh."""

import itertools

import pytest
import trimesh
from big import big_rig

from ribbonsim import export_gltf, export_tables, export_usd, load_mesh
from ribbonsim.handoff.obj import export_posed_meshes

pytestmark = pytest.mark.bench


def plain(mesh):
    return trimesh.Trimesh(mesh.positions, mesh.triangles, process=False)


EXPORTS = {
    "glTF": lambda rig, folder: export_gltf(rig, folder / "big.glb"),
    "USD": lambda rig, folder: export_usd(rig, folder / "big.usdc"),
    "tables": export_tables,
    "posed meshes": export_posed_meshes,
}


@pytest.mark.parametrize("kind", list(EXPORTS))
def test_export_beside_a_plain_obj_of_trimesh(race, kind, tmp_path):
    rig = big_rig()
    other = plain(rig.mesh)
    folders = (tmp_path / str(number) for number in itertools.count())

    def ours():
        folder = next(folders)
        folder.mkdir()
        EXPORTS[kind](rig, folder)

    race(
        f"export of {kind} over trimesh's plain OBJ",
        ours,
        lambda: other.export(tmp_path / "plain.obj"),
        rounds=2,
        calls=1,
    )
    made = [path for path in tmp_path.rglob("*") if path.is_file() and path.name != "plain.obj"]
    assert sum(path.stat().st_size for path in made) > 1_000_000


@pytest.mark.parametrize("ending", ["ply", "glb"])
def test_reading_beside_trimesh(race, ending, tmp_path):
    mesh = big_rig().mesh
    path = tmp_path / f"big.{ending}"
    path.write_bytes(plain(mesh).export(file_type=ending))
    race(
        f"reading {ending} over trimesh",
        lambda: load_mesh(path),
        lambda: trimesh.load(path, process=False),
        rounds=3,
        calls=1,
    )
    assert len(load_mesh(path).positions) == len(mesh.positions)

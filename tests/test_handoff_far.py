"""A creature far from the origin keeps its shape in formats of single precision.

IEEE 754 single precision holds 24 bits: at 900,000 its numbers are 1/16 apart.
"""

import numpy as np
import pytest
import tubes
from gltf_reading import Scene
from pxr import Gf, Usd, UsdGeom, UsdSkel, Vt

import ribbonsim as rs

AWAY = np.array([900_000.0, -350_000.0, 7_000.25])


@pytest.fixture(scope="module")
def rig():
    near = tubes.tube(0.05 * tubes.s_curve(), 0.03, around=12, round_ends=3)
    mesh = rs.CreatureMesh.from_arrays(near.positions + AWAY, near.polygons, name="far")
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=0.025, spans=9)
    return rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=9, controls=4))


def test_single_precision_would_merge_its_vertices(rig):
    flat = rig.mesh.positions.astype(np.float32)
    assert len(np.unique(flat, axis=0)) < 0.95 * len(flat)


def test_gltf_holds_it_about_its_middle_and_its_root_says_where(rig, tmp_path):
    rs.export_gltf(rig, tmp_path / "far.gltf", poses=["c_bend"])
    scene = Scene(tmp_path / "far.gltf")
    size = rig.mesh.diagonal
    assert np.abs(scene.positions).max() < size
    assert len(np.unique(scene.positions, axis=0)) == len(rig.mesh.positions)
    # weights of single precision sum to one within 2e-7 alone, which counts at this distance: so
    # the skin is held against ours where it stands without the offset
    root = scene.gltf.nodes[0]
    offset, root.translation = np.array(root.translation), None
    np.testing.assert_array_equal(offset, np.round(rig.mesh.centre))
    for name, time, pose in ((None, 0.0, rs.Pose()), ("c_bend", 1.0, rig.pose_for("c_bend"))):
        there = scene.skin_at(name, time)[np.argsort(scene.sources(), kind="stable")]
        assert np.abs(there + offset - rig.deform(pose)).max() < 5e-6 * size


def test_usd_holds_it_about_its_middle_and_its_root_says_where(rig, tmp_path):
    rs.export_usd(rig, tmp_path / "far.usda", poses=["c_bend"])
    stage = Usd.Stage.Open(str(tmp_path / "far.usda"))
    root = UsdSkel.Root(stage.GetDefaultPrim())
    mesh = UsdGeom.Mesh(stage.GetPrimAtPath(f"{root.GetPath()}/skin"))
    points = np.array(mesh.GetPointsAttr().Get(), dtype=float)
    assert np.abs(points).max() < rig.mesh.diagonal
    assert len(np.unique(points, axis=0)) == len(points)
    cache = UsdSkel.Cache()
    cache.Populate(root, Usd.PrimDefaultPredicate)
    skeleton = cache.GetSkelQuery(
        UsdSkel.Skeleton(stage.GetPrimAtPath(f"{root.GetPath()}/skeleton"))
    )
    skinning = cache.GetSkinningQuery(mesh.GetPrim())
    posed = Vt.Vec3fArray(mesh.GetPointsAttr().Get())
    rest = Usd.TimeCode(0.0)
    assert skinning.ComputeSkinnedPoints(skeleton.ComputeSkinningTransforms(rest), posed, rest)
    place = UsdGeom.Xformable(root).ComputeLocalToWorldTransform(rest)
    there = np.array([place.Transform(Gf.Vec3d(*map(float, point))) for point in posed])
    assert np.abs(there - rig.mesh.positions).max() < 1e-6 * rig.mesh.diagonal


def test_near_the_origin_no_number_moves(rig):
    near = tubes.tube(tubes.s_curve(), 0.6, around=12)
    assert rs.Units().about(near) == rs.Units()
    assert rs.Units().about(rig.mesh).origin == tuple(np.round(rig.mesh.centre))

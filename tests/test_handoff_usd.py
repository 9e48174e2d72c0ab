"""USD files, held against OpenUSD itself: its validators, its skinning, its curves' conventions."""

import importlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tubes
from cases import first_of
from demos import demo_mesh
from geomdl import BSpline as Geomdl
from pxr import Usd, UsdGeom, UsdSkel, UsdValidation, Vt

import ribbonsim as rs
from ribbonsim.bendcheck.amounts import usual_pose
from ribbonsim.handoff.clips import Clip
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.usd import export_usd
from ribbonsim.rig.first_layout import load_rig

MESHES = Path(__file__).resolve().parents[1] / "meshes"
POSES = ["c_bend", "curl", "twist", "stretch", "squash", "corkscrew"]


def problems(stage):
    """What every validator of this OpenUSD finds."""
    registry = UsdValidation.ValidationRegistry()
    names = [m.name for m in registry.GetAllValidatorMetadata() if not m.isSuite]
    assert len(names) > 20
    held = UsdValidation.ValidationContext(
        [registry.GetOrLoadValidatorByName(name) for name in names]
    )
    return [(error.GetName(), error.GetMessage()) for error in held.Validate(stage)]


class Read:
    """A stage that was read from a file, posed by UsdSkel."""

    def __init__(self, path):
        self.stage = Usd.Stage.Open(str(path))
        self.root = UsdSkel.Root(self.stage.GetDefaultPrim())
        cache = UsdSkel.Cache()
        cache.Populate(self.root, Usd.PrimDefaultPredicate)
        (binding,) = cache.ComputeSkelBindings(self.root, Usd.PrimDefaultPredicate)
        self.skeleton = cache.GetSkelQuery(binding.GetSkeleton())
        (self.target,) = binding.GetSkinningTargets()
        self.mesh = UsdGeom.Mesh(self.target.GetPrim())
        marks = self.stage.GetRootLayer().customLayerData["motions"]
        self.middle = dict(zip(marks["names"], marks["middle"], strict=True))
        self.first = dict(zip(marks["names"], marks["first"], strict=True))
        self.last = dict(zip(marks["names"], marks["last"], strict=True))

    def skin(self, frame):
        """Points as UsdSkel's own skinning puts them."""
        transforms = self.skeleton.ComputeSkinningTransforms(frame)
        assert isinstance(transforms, Vt.Matrix4dArray)
        points = Vt.Vec3fArray(self.mesh.GetPointsAttr().Get())
        assert self.target.ComputeSkinnedPoints(transforms, points, frame)
        return np.array(points, dtype=float)

    def weights(self, joints):
        """(V, joints) weights of the skin nodes."""
        indices, weights = self.target.ComputeVaryingJointInfluences(
            len(self.mesh.GetPointsAttr().Get()), Usd.TimeCode.Default()
        )
        count = len(self.mesh.GetPointsAttr().Get())
        indices, weights = (np.array(a).reshape(count, -1) for a in (indices, weights))
        table = np.zeros((count, 2 * joints))
        np.add.at(table, (np.arange(count)[:, None], indices), weights)
        assert not table[:, :joints].any()
        return table[:, joints:]


@pytest.fixture(scope="module")
def rig():
    mesh = tubes.tube(tubes.s_curve(), 0.6, around=12, round_ends=3, name="угорь")
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=0.5, spans=9)
    return rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=9, controls=4))


@pytest.fixture(scope="module")
def read(rig, tmp_path_factory):
    path = tmp_path_factory.mktemp("usd") / "eel.usda"
    assert export_usd(rig, path, POSES) == path
    return Read(path)


def test_validators_of_openusd_find_nothing(read):
    assert problems(read.stage) == []


def test_validators_would_find_a_broken_stage():
    stage = Usd.Stage.CreateInMemory()
    UsdGeom.Mesh.Define(stage, "/a")
    names = {name for name, _ in problems(stage)}
    assert {"MissingMetersPerUnitMetadata", "MissingUpAxisMetadata"} <= names


@pytest.mark.parametrize("name", POSES)
def test_usdskel_skinning_matches_deform(read, rig, name):
    pose = rig.pose_for(name)
    apart = np.linalg.norm(read.skin(read.middle[name]) - rig.deform(pose), axis=1)
    moved = np.linalg.norm(rig.mesh.positions - rig.deform(pose), axis=1)
    # scales of UsdSkel.Animation have half precision, 2**-11 of the scale
    assert apart.max() < 1e-4 * rig.mesh.diagonal < 0.1 * moved.max()


@pytest.mark.parametrize("frame", [None, "first", "last"])
def test_usdskel_rest_matches_the_mesh(read, rig, frame):
    time = Usd.TimeCode.Default() if frame is None else getattr(read, frame)["twist"]
    assert np.abs(read.skin(time) - rig.mesh.positions).max() < 1e-5 * rig.mesh.diagonal


def test_between_keys_usdskel_stays_near(read, rig):
    frame = read.middle["c_bend"] - 0.5
    share = 1.0 - 0.5 / 24.0
    meant = rig.deform(rig.pose_for("c_bend").scaled(share))
    apart = np.linalg.norm(read.skin(frame) - meant, axis=1).max()
    assert apart < 5e-4 * rig.mesh.diagonal


def test_weights_read_back(read, rig):
    assert np.abs(read.weights(len(rig.joint_names)) - rig.mesh_weights).max() < 1e-7
    assert read.target.GetSkinningMethod() == UsdSkel.Tokens.classicLinear


def test_joints_stand_where_the_rig_has_them(read, rig):
    count = len(rig.joint_names)
    for name in (None, "corkscrew"):
        time = Usd.TimeCode.Default() if name is None else read.middle[name]
        pose = rs.Pose() if name is None else rig.pose_for(name)
        xforms = np.array(read.skeleton.ComputeJointSkelTransforms(time)).transpose(0, 2, 1)
        assert np.allclose(xforms[:count], rig.joint_frames(pose), atol=1e-4)
    names = [str(n) for n in read.skeleton.GetSkeleton().GetJointNamesAttr().Get()]
    assert names[:count] == list(rig.joint_names)
    assert str(read.skeleton.GetJointOrder()[2]) == "joint1/joint2/joint3"


def test_polygons_and_points_are_the_files_own(read, rig):
    mesh = read.mesh
    assert np.array_equal(mesh.GetFaceVertexCountsAttr().Get(), np.diff(rig.mesh.polygon_offsets))
    assert np.array_equal(mesh.GetFaceVertexIndicesAttr().Get(), rig.mesh.corner_vertices)
    assert set(mesh.GetFaceVertexCountsAttr().Get()) == {3, 4}
    assert np.allclose(mesh.GetPointsAttr().Get(), rig.mesh.positions, atol=1e-6)
    assert mesh.GetSubdivisionSchemeAttr().Get() == "none"


def test_name_keeps_its_letters(read):
    assert read.stage.GetDefaultPrim().GetName() == "угорь"


def test_extents_hold_the_posed_points(read, rig):
    for name in POSES:
        low, high = np.array(read.root.GetExtentAttr().Get(read.middle[name]))
        posed = rig.deform(rig.pose_for(name))
        room = 0.25 * rig.mesh.diagonal  # USD pads the joints' box by what the rest asks for
        assert (posed > low - room).all()
        assert (posed < high + room).all()


def test_ribbon_patch_matches_the_posed_ribbon_by_geomdl(read, rig):
    patch = UsdGeom.NurbsPatch(read.stage.GetPrimAtPath("/угорь/ribbons/ribbon"))
    assert patch.GetPurposeAttr().Get() == "guide"
    surface = Geomdl.Surface(normalize_kv=False)
    surface.degree_u = patch.GetUOrderAttr().Get() - 1
    surface.degree_v = patch.GetVOrderAttr().Get() - 1
    sizes = patch.GetUVertexCountAttr().Get(), patch.GetVVertexCountAttr().Get()
    surface.ctrlpts_size_u, surface.ctrlpts_size_v = sizes
    for name in (None, "curl"):
        time = Usd.TimeCode.Default() if name is None else read.middle[name]
        points = np.array(patch.GetPointsAttr().Get(time), dtype=float)
        # as OpenUSD draws it (usdImaging/nurbsPatchAdapter.cpp): index = v * uVertexCount + u
        grid = points.reshape(sizes[1], sizes[0], 3).transpose(1, 0, 2)
        surface.ctrlpts = grid.reshape(-1, 3).tolist()
        surface.knotvector_u = list(patch.GetUKnotsAttr().Get())
        surface.knotvector_v = list(patch.GetVKnotsAttr().Get())
        ribbon = rig.layout.ribbon if name is None else rig.pose_ribbon(rig.pose_for(name))
        for u, t in np.random.default_rng(2).uniform(size=(30, 2)):
            assert np.allclose(surface.evaluate_single((u, t)), ribbon.evaluate(u, t), atol=1e-5)


@pytest.mark.parametrize("name", first_of("grub", "coil"))
def test_demo_creatures_land_within_a_ten_thousandth_in_all_test_poses(name, tmp_path):
    rig = load_rig(MESHES / f"{name}.obj")
    read = Read(export_usd(rig, tmp_path / f"{name}.usdc"))
    assert problems(read.stage) == []
    assert list(read.middle) == list(rs.TEST_POSES)
    for pose, frame in read.middle.items():
        apart = np.linalg.norm(read.skin(frame) - rig.deform(usual_pose(rig, pose)), axis=1)
        assert apart.max() < 1e-4 * rig.mesh.diagonal


@pytest.mark.slow
def test_appendages_are_chains_on_the_chain_that_carries_them(tmp_path):
    mesh = demo_mesh("lampeel")
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=3.4, spans=12)
    layout = rs.Layout.from_ribbon(ribbon, stations=9, controls=3)
    for proposal in rs.find_appendages(mesh, ribbon):
        layout = layout.with_appendage(proposal.appendage(stations=5, controls=2, spans=4))
    rig = rs.bind(mesh, layout)
    assert len(layout.appendages) == 4
    ends = {name: {"bend": 40.0} for name in layout.all_control_names[-3:]}
    pose = rs.Pose({"control2": {"bend": 30.0, "twist": 50.0}, **ends})
    read = Read(export_usd(rig, tmp_path / "eel.usda", {"both": pose}))
    assert problems(read.stage) == []
    apart = np.linalg.norm(read.skin(read.middle["both"]) - rig.deform(pose), axis=1)
    assert apart.max() < 1e-4 * mesh.diagonal
    topology = UsdSkel.Topology(read.skeleton.GetJointOrder())
    names = [str(n) for n in read.skeleton.GetSkeleton().GetJointNamesAttr().Get()]
    for k, parent in enumerate(rig.joint_parents):
        at = names.index(rig.joint_names[k].replace(".", "_"))
        above = topology.GetParent(at)
        assert (None if above < 0 else names[above]) == (
            None if parent is None else rig.joint_names[parent].replace(".", "_")
        )
    ribbons = read.stage.GetPrimAtPath("/lampeel/ribbons").GetChildren()
    assert len(ribbons) == 5


def test_texture_seams_groups_and_normals_survive(tmp_path):
    path = tmp_path / "patch.obj"
    path.write_text(
        "v 0 0 0\nv 1 0 0\nv 2 0 0\nv 0 1 0\nv 1 1 0\nv 2 1 0\n"
        "vt 0 0\nvt 0.5 0\nvt 0.5 1\nvt 0 1\nvt 0.6 0\nvt 1 0\nvt 1 1\nvt 0.6 1\n"
        "g head\nf 1/1 2/2 5/3 4/4\ng tail fin\nf 2/5 3/6 6/7 5/8\n"
    )
    mesh = rs.load_mesh(path)
    ribbon = rs.Ribbon.along([[0, 0.5, 0], [2, 0.5, 0]], width=0.3, spans=3)
    rig = rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=4, controls=2))
    read = Read(export_usd(rig, tmp_path / "patch.usdc", []))
    assert problems(read.stage) == []
    st = UsdGeom.PrimvarsAPI(read.mesh).GetPrimvar("st")
    assert st.GetInterpolation() == "faceVarying"
    assert np.allclose(st.ComputeFlattened(), mesh.texcoords[mesh.corner_texcoords])
    assert len(st.Get()) == 8
    subsets = UsdGeom.Subset.GetGeomSubsets(read.mesh, UsdGeom.Tokens.face, "group")
    assert [s.GetPrim().GetDisplayName() for s in subsets] == ["head", "tail fin"]
    assert [list(s.GetIndicesAttr().Get()) for s in subsets] == [[0], [1]]
    assert np.allclose(np.array(read.mesh.GetNormalsAttr().Get())[:, 2], 1.0)


def test_units_and_up_axis_are_set_and_converted(rig, tmp_path):
    units = Units("centimetre", "metre", "y", "z")
    read = Read(export_usd(rig, tmp_path / "eel.usdc", ["twist"], units=units))
    assert UsdGeom.GetStageMetersPerUnit(read.stage) == 1.0
    assert UsdGeom.GetStageUpAxis(read.stage) == "Z"
    assert problems(read.stage) == []
    posed = rig.deform(rig.pose_for("twist"))
    meant = 0.01 * np.c_[posed[:, 0], -posed[:, 2], posed[:, 1]]
    apart = np.linalg.norm(read.skin(read.middle["twist"]) - meant, axis=1).max()
    assert apart < 1e-4 * 0.01 * rig.mesh.diagonal


def test_unit_that_nobody_named_is_usds_fallback(read):
    assert UsdGeom.GetStageMetersPerUnit(read.stage) == UsdGeom.LinearUnits.centimeters
    assert "scene units, as they stand" in read.stage.GetRootLayer().comment


def test_own_motions_follow_the_poses(rig, tmp_path):
    swim = [rig.pose_for("s_bend").scaled(a) for a in (0.0, 0.5, 1.0, 0.2)]
    motion = Clip.sequence("плыть", swim, frames_a_second=12.0)
    read = Read(
        export_usd(rig, tmp_path / "eel.usd", ["c_bend"], {"плыть": motion, "lie": [rs.Pose()]})
    )
    assert read.last["c_bend"] < read.first["плыть"]
    frames = read.first["плыть"] + 2.0 * np.arange(4)
    assert frames[-1] < read.first["lie"] == read.stage.GetEndTimeCode()
    for frame, pose in zip(frames, swim, strict=True):
        apart = np.linalg.norm(read.skin(frame) - rig.deform(pose), axis=1).max()
        assert apart < 1e-4 * rig.mesh.diagonal


def test_dual_quaternions_are_told_as_near_as_linear_blending_can(rig, tmp_path):
    pose = rig.pose_for("twist")
    wanted = rig.deform(pose, "dual_quaternion")
    off = {}
    for method in ("linear", "dual_quaternion"):
        file = tmp_path / f"{method}.usdc"
        read = Read(export_usd(rig, file, {"twist": pose}, method=method))
        skin = read.skin(read.middle["twist"])
        off[method] = np.sqrt(np.mean(np.sum((skin - wanted) ** 2, axis=1)))
    assert off["dual_quaternion"] < 0.5 * off["linear"]


# -- what goes wrong -----------------------------------------------------------------------------


def test_a_file_that_is_there_is_kept(rig, tmp_path):
    path = tmp_path / "eel.usda"
    path.write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"eel\.usda exists and is kept"):
        export_usd(rig, path, ["twist"])
    assert path.read_text() == "mine"
    export_usd(rig, path, ["twist"], force=True)
    assert problems(Usd.Stage.Open(str(path))) == []
    assert [file.name for file in tmp_path.iterdir()] == ["eel.usda"]


def test_other_endings_are_refused(rig, tmp_path):
    with pytest.raises(rs.RibbonsimError, match=r"eel\.obj.*\.usda"):
        export_usd(rig, tmp_path / "eel.obj")


def test_an_unknown_pose_is_named(rig, tmp_path):
    with pytest.raises(rs.RibbonsimError, match="no pose is called 'wiggle'"):
        export_usd(rig, tmp_path / "eel.usda", ["wiggle"])
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_is_named(rig, tmp_path):
    (tmp_path / "file").write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"file cannot be written.*folder"):
        export_usd(rig, tmp_path / "file" / "eel.usdc", ["twist"])


def test_frames_a_second_set_the_time_line(rig, tmp_path):
    path = tmp_path / "new" / "eel.usdc"
    read = Read(export_usd(rig, path, ["c_bend"], seconds=2.0, frames_a_second=30.0))
    assert read.stage.GetTimeCodesPerSecond() == 30.0
    assert read.middle["c_bend"] - read.first["c_bend"] == 60.0


def test_without_usd_core_one_sentence_says_what_to_install(rig, tmp_path, monkeypatch):
    for name in ("pxr", "pxr.UsdSkel"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(rs.RibbonsimError, match=r"pip install 'ribbonsim\[handoff\]'"):
        export_usd(rig, tmp_path / "eel.usda")
    assert not list(tmp_path.iterdir())


def test_importing_the_module_loads_no_usd():
    code = "import sys, ribbonsim.handoff.usd; print('pxr' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"
    assert importlib.util.find_spec("pxr") is not None

"""``ribbonsim handoff`` and ``hand_off``: files of all formats, read by readers of others."""

import csv
import errno
import sys
from pathlib import Path

import numpy as np
import pygltflib
import pypdfium2
import pytest
import tubes
from command_line import run_here
from pxr import Usd, UsdGeom
from test_handoff_usd import Read

import ribbonsim as rs
from ribbonsim.cli import main as doors
from ribbonsim.handoff.units import Units
from ribbonsim.handoff.whole import FORMATS, for_gltf, hand_off, stages_of
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.show.moves import blend, moments

ALWAYS = {
    "tube.glb",
    "tube.usdc",
    "handoff.json",
    "handoff.schema.json",
    "weights.csv",
    "weights.npz",
    "stations.csv",
    "controls.csv",
    "control_weights.csv",
    "shares.csv",
    "stretch_weights.csv",
    "control_points.csv",
    "knots.csv",
    "ribbon.obj",
    "build_sheet.html",
    "build_sheet.pdf",
}


@pytest.fixture(scope="module")
def rig():
    mesh = tubes.tube(tubes.s_curve(), 0.6, around=12, round_ends=3)
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=0.5, spans=8)
    return rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=9, controls=3))


@pytest.fixture(scope="module")
def scene(rig, tmp_path_factory):
    folder = tmp_path_factory.mktemp("scene")
    write_obj(rig.mesh, folder / "tube.obj")
    layout = rig.layout
    kept = {"мах": rs.Pose({"control2": {"bend": 35.0}})}
    rs.Layout(layout.ribbon, layout.stations, layout.controls, poses=kept).save(
        folder / "tube.toml"
    )
    return folder


def run(*arguments):
    """Run the command line; its exit code."""
    with pytest.raises(SystemExit) as end:
        doors.main(["handoff", *map(str, arguments)])
    return end.value.code


@pytest.fixture(scope="module")
def written(scene, tmp_path_factory):
    """The folder that the command made, and what it said."""
    out = tmp_path_factory.mktemp("written") / "out"
    words = ["--layout", scene / "tube.toml", "--out", out, "--poses", "мах,twist=90"]
    done = run_here("handoff", scene / "tube.obj", *words)
    assert done.returncode == 0, done.stderr
    return out, done.stdout


def test_command_writes_all_formats(written):
    out, said = written
    names = {file.name for file in out.iterdir()}
    assert names == ALWAYS | {"tube_мах.obj", "tube_twist.obj"}
    assert "18 files with 2 poses. Lengths are in scene units, as they stand" in said
    for key in FORMATS:
        assert f"{key}  " in said


def test_files_agree_with_each_other_and_with_the_rig(scene, written):
    out, _ = written
    rig = rs.bind(rs.load_mesh(scene / "tube.obj"), rs.Layout.load(scene / "tube.toml"))
    posed = rig.deform(rig.layout.poses["мах"])
    assert np.array_equal(rs.load_mesh(out / "tube_мах.obj").positions, posed)
    scene_file = pygltflib.GLTF2().load(str(out / "tube.glb"))
    assert [animation.name for animation in scene_file.animations] == ["мах", "twist"]
    assert len(scene_file.skins[0].joints) == 9
    stage = Usd.Stage.Open(str(out / "tube.usdc"))
    points = UsdGeom.Mesh(stage.GetPrimAtPath("/tube/skin")).GetPointsAttr().Get()
    assert np.allclose(points, rig.mesh.positions, atol=1e-5)
    with (out / "weights.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    table = np.zeros_like(rig.mesh_weights)
    for row in rows:
        joint = rig.joint_names.index(row["joint"])
        table[int(row["vertex"]) - 1, joint] = float(row["weight"])
    assert np.array_equal(table, rig.mesh_weights)
    document = pypdfium2.PdfDocument(str(out / "build_sheet.pdf"))
    assert "tube" in document[0].get_textpage().get_text_range()
    document.close()


@pytest.mark.slow
def test_units_and_axes_reach_every_format(scene, tmp_path, capsys):
    run(scene / "tube.obj", "--layout", scene / "tube.toml", "--out", tmp_path,
        "--poses", "twist", "--units", "cm:mm", "--up", "y:z")  # fmt: skip
    assert "in millimetres, converted from centimetres; the z axis" in capsys.readouterr().out
    rest = rs.load_mesh(scene / "tube.obj").positions
    turned = 10.0 * np.c_[rest[:, 0], -rest[:, 2], rest[:, 1]]
    stage = Usd.Stage.Open(str(tmp_path / "tube.usdc"))
    assert UsdGeom.GetStageMetersPerUnit(stage) == 0.001
    assert UsdGeom.GetStageUpAxis(stage) == "Z"
    points = UsdGeom.Mesh(stage.GetPrimAtPath("/tube/skin")).GetPointsAttr().Get()
    assert np.allclose(points, turned, atol=1e-4)
    # glTF 2.0, 3.4: metres and y up
    document = pygltflib.GLTF2().load(str(tmp_path / "tube.glb"))
    accessor = document.accessors[document.meshes[0].primitives[0].attributes.POSITION]
    assert np.allclose(accessor.min, 0.01 * rest.min(axis=0), atol=1e-6)
    assert np.allclose(accessor.max, 0.01 * rest.max(axis=0), atol=1e-6)
    lines = (tmp_path / "ribbon.obj").read_text().splitlines()
    corner = np.array([float(x) for x in next(x for x in lines if x[:2] == "v ").split()[1:]])
    layout = rs.Layout.load(scene / "tube.toml")
    x, y, z = layout.ribbon.control_points[0, 0]
    assert np.allclose(corner, [10 * x, -10 * z, 10 * y])


@pytest.mark.parametrize(
    ("units", "metres", "up"),
    [
        (Units(), None, "y"),
        (Units("inch"), 1.0, "y"),
        (Units("centimetre", "foot", "z", "z"), 1.0, "y"),
    ],
)
def test_gltf_is_in_metres_where_the_unit_is_known(units, metres, up):
    told = for_gltf(units)
    assert (told.metres, told.up_axis) == (metres, up)


def test_only_what_is_asked_for_is_written(rig, tmp_path):
    done = hand_off(rig, tmp_path, ["obj", "gltf"], ["twist"])
    names = {file.name for file in tmp_path.iterdir()}
    assert names == {"tube.glb", "tube_twist.obj", "ribbon.obj"}
    assert list(done.files) == ["gltf", "obj"]
    assert {path.name for paths in done.files.values() for path in paths} == names
    assert done.poses == ("twist",)


@pytest.mark.slow
def test_text_files_hold_what_the_binary_ones_hold(scene, tmp_path):
    # pygltflib and usd-core read both
    given = (str(scene / "tube.obj"), "--formats", "gltf,usd", "--poses", "c_bend")
    built = ("--controls", "3", "--stations", "9")
    assert run(*given, *built, "--out", str(tmp_path / "one")) == 0
    assert run(*given, *built, "--text", "--out", str(tmp_path / "two")) == 0
    names = {path.name for path in (tmp_path / "two").iterdir()}
    assert names == {"tube.gltf", "tube.bin", "tube.usda"}
    assert (tmp_path / "two" / "tube.usda").read_text().startswith("#usda 1.0")
    first = pygltflib.GLTF2().load(tmp_path / "one" / "tube.glb")
    second = pygltflib.GLTF2().load(tmp_path / "two" / "tube.gltf")
    assert second.buffers[0].uri == "tube.bin"
    data = (tmp_path / "two" / "tube.bin").read_bytes()
    assert first.binary_blob()[: len(data)] == data
    assert [node.name for node in first.nodes] == [node.name for node in second.nodes]
    assert {f"joint{number}" for number in range(1, 10)} <= {node.name for node in first.nodes}
    assert "joint10" not in {node.name for node in first.nodes}
    binary, text = (
        Usd.Stage.Open(str(tmp_path / name)) for name in ("one/tube.usdc", "two/tube.usda")
    )
    told = [[(prim.GetPath(), prim.GetTypeName()) for prim in stage.Traverse()]
            for stage in (binary, text)]  # fmt: skip
    assert told[0] == told[1]


def test_a_layout_file_and_options_that_build_one_exclude_each_other(scene, tmp_path, capsys):
    given = (str(scene / "tube.obj"), "--layout", str(scene / "tube.toml"), "--controls", "3")
    assert run(*given, "--out", str(tmp_path / "out")) == 2
    assert "leave out --controls" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_sheet_checks_simple_poses_unless_poses_are_named(rig, tmp_path):
    hand_off(rig, tmp_path / "a", ["sheet"])
    hand_off(rig, tmp_path / "b", ["sheet"], ["twist"])
    first, second = ((tmp_path / k / "build_sheet.html").read_text() for k in "ab")
    assert "First check: vertices" in first
    assert "First check" not in second
    assert "Twist: vertices" in second


def test_an_amount_makes_a_test_pose(scene, tmp_path):
    run(scene / "tube.obj", "--layout", scene / "tube.toml", "--out", tmp_path, "--poses",
        "twist=90", "--formats", "obj")  # fmt: skip
    rig = rs.bind(rs.load_mesh(scene / "tube.obj"), rs.Layout.load(scene / "tube.toml"))
    posed = rs.load_mesh(tmp_path / "tube_twist.obj").positions
    assert np.array_equal(posed, rig.deform(rig.pose_for("twist", 90.0)))


def test_a_turntables_motion_leaves_as_an_animation(scene, tmp_path):
    """Key by key the poses that the film of the same command shows."""
    code = run(scene / "tube.obj", "--layout", scene / "tube.toml", "--out", tmp_path,
               "--formats", "usd", "--poses", "twist=90,c_bend", "--motion", "sequence",
               "--frames", "12", "--fps", "12")  # fmt: skip
    assert code == 0
    read = Read(tmp_path / "tube.usdc")
    assert list(read.middle) == ["twist", "c_bend", "turntable"]
    rig = rs.bind(rs.load_mesh(scene / "tube.obj"), rs.Layout.load(scene / "tube.toml"))
    held = [rig.pose_for("twist", 90.0), rig.pose_for("c_bend")]
    shown = [
        blend(held[moment.before], held[moment.after], moment.share)
        for moment in moments("sequence", 2, 12)
    ]
    for k, pose in enumerate([*shown, shown[0]]):
        frame = read.first["turntable"] + 2.0 * k
        apart = np.linalg.norm(read.skin(frame) - rig.deform(pose), axis=1)
        assert apart.max() < 1e-4 * rig.mesh.diagonal
    assert read.last["turntable"] == frame


def test_a_motion_eases_from_rest_and_back(rig):
    pose = rig.pose_for("twist")
    motion = rs.turntable_clip({"twist": pose}, "ease", frames=24)
    assert not motion.poses[0].controls
    assert not motion.poses[-1].controls
    assert motion.poses[12] == pose
    assert motion.times[-1] == pytest.approx(1.0)
    with pytest.raises(rs.RibbonsimError, match="two poses or more"):
        rs.turntable_clip({"twist": pose}, "sequence")


# -- what goes wrong -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--formats", "gltf,fax"], "format = 'fax' is not known"),
        (["--formats", "gltf,,usd"], "has an empty name in it"),
        (["--units", "parsec"], "'parsec' is none of mm, cm, dm, m, in, ft"),
        (["--up", "w"], "'w' is none of x, y, z, -x, -y, -z"),
        (["--up", "y:x"], "up axis to write"),
        (["--frames", "24"], "--frames is for the animation of --motion: give both"),
        (["--units", "cm:"], "neither a name nor two"),
        (["--poses", "wiggle"], "no pose is called 'wiggle'"),
        (["--poses", "twist=much"], "'much' of 'twist' is not a number"),
        (["--layout", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_bad_options_are_told_in_one_sentence(arguments, sentence, scene, tmp_path, capsys):
    code = run(scene / "tube.obj", "--out", tmp_path / "out", *arguments)
    said = capsys.readouterr().err.splitlines()[-1]
    assert code == 2
    assert said.startswith("ribbonsim: ")
    assert sentence in said
    assert not (tmp_path / "out").exists()


def test_a_mesh_that_is_not_there_is_named(tmp_path, capsys):
    assert run(tmp_path / "no.obj", "--out", tmp_path / "out") == 2
    assert "no.obj: there is no such file" in capsys.readouterr().err


@pytest.mark.slow
def test_one_file_in_the_way_keeps_all_others_out(rig, tmp_path):
    (tmp_path / "build_sheet.pdf").write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"build_sheet\.pdf exists and is kept"):
        hand_off(rig, tmp_path, poses=["twist"])
    assert [file.name for file in tmp_path.iterdir()] == ["build_sheet.pdf"]
    hand_off(rig, tmp_path, poses=["twist"], force=True)
    assert len(list(tmp_path.iterdir())) == len(ALWAYS) + 1


def test_stopping_leaves_nothing(rig, tmp_path):
    class StopError(Exception):
        pass

    def stop(stage, done, total):
        if stage == "draw the build sheet":
            raise StopError

    with pytest.raises(StopError):
        hand_off(rig, tmp_path / "new", poses=["twist"], progress=stop)
    assert not (tmp_path / "new").exists()


@pytest.mark.slow
def test_progress_names_every_format(rig, tmp_path):
    stages = []
    hand_off(rig, tmp_path, poses=["twist"], progress=lambda *told: stages.append(told))
    names = list(dict.fromkeys(stage for stage, _, _ in stages))
    assert tuple(names) == stages_of(tuple(FORMATS))
    assert names[:4] == ["write glTF", "write USD", "write tables", "write OBJ"]
    assert all(0 <= done <= total for _, done, total in stages)


def test_a_full_disk_is_told(rig, tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(rs.RibbonsimError, match="free some space"):
        hand_off(rig, tmp_path / "new", ["gltf"], ["twist"])
    assert not (tmp_path / "new").exists()


def test_a_folder_that_is_a_file_is_named(rig, tmp_path):
    (tmp_path / "file").write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"file cannot be written.*choose a folder"):
        hand_off(rig, tmp_path / "file", ["gltf"], ["twist"])


@pytest.mark.parametrize(("module", "key"), [("pxr", "usd"), ("reportlab", "sheet")])
def test_a_missing_library_is_named_before_any_work(module, key, rig, tmp_path, monkeypatch):
    for name in [module, *(name for name in sys.modules if name.startswith(f"{module}."))]:
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(rs.RibbonsimError, match=r"pip install 'ribbonsim\[handoff\]'"):
        hand_off(rig, tmp_path / "new", ["gltf", key], ["twist"])
    assert not (tmp_path / "new").exists()
    assert hand_off(rig, tmp_path / "new", ["gltf", "tables"], ["twist"]).files

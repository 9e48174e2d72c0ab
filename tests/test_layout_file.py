"""Layout files, read back with Python's own tomllib (TOML 1.0.0, toml.io) as a second reader."""

import errno
import os
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from schemas import by_schema

import ribbonsim as rs
from ribbonsim.files.writing import cannot_write
from ribbonsim.layout import toml
from ribbonsim.layout.control_frames import ControlTree
from ribbonsim.layout.file_schema import LayoutTable


@pytest.fixture(scope="module")
def layout():
    guide = [[0, 0, 0], [1 / 3, 7, 30], [0, 2, 60], [-4, 0, 100]]
    ribbon = rs.Ribbon.along(guide, width=2 / 3, spans=7).insert_knots([0.8, 0.85])
    made = rs.Layout.sections(ribbon, [9, 9]).with_control("control4", station=14, reach=1 / 7)
    poses = {
        "greeting": rs.Pose({"control3": {"bend": 40.1, "shift": (1 / 3, 0, -2)}}, 0.25),
        "tall": rs.Pose({"control5": {"stretch": 1.1, "girth": 0.9, "twist": -720.5}}),
        "rest": rs.Pose(),
    }
    return replace(made, poses=poses, name='the "eel" \\ Ä 鰻')


def saved(layout, folder):
    path = folder / "layout.toml"
    layout.save(path, force=True)
    return path


def same(one, other):
    return (
        np.array_equal(one.ribbon.control_points, other.ribbon.control_points)
        and np.array_equal(one.ribbon.knots, other.ribbon.knots)
        and np.array_equal(one.stations, other.stations)
        and one.controls == other.controls
        and (one.name, one.poses) == (other.name, other.poses)
        and one.control_weights == other.control_weights
        and one.mesh_weights == other.mesh_weights
        and one.drive == other.drive
    )


def test_saving_and_loading_keeps_every_bit(layout, tmp_path):
    assert same(rs.Layout.load(saved(layout, tmp_path)), layout)


def test_the_loaded_layout_gives_the_same_rig_to_the_last_bit(layout, tmp_path):
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rings = [
        np.stack([3 * np.cos(angle), 3 * np.sin(angle), np.full(24, z)], axis=1)
        for z in np.linspace(0, 100, 60)
    ]
    quads = [
        [24 * i + j, 24 * i + (j + 1) % 24, 24 * (i + 1) + (j + 1) % 24, 24 * (i + 1) + j]
        for i in range(59)
        for j in range(24)
    ]
    mesh = rs.CreatureMesh.from_arrays(np.concatenate(rings), quads)
    one, other = rs.bind(mesh, layout), rs.bind(mesh, rs.Layout.load(saved(layout, tmp_path)))
    assert np.array_equal(one.mesh_weights, other.mesh_weights)
    assert np.array_equal(one.surface_weights, other.surface_weights)
    pose = layout.poses["greeting"]
    for method in ("linear", "dual_quaternion"):
        assert np.array_equal(one.deform(pose, method), other.deform(pose, method))


def test_tomllib_reads_the_numbers_that_were_saved(layout, tmp_path):
    data = tomllib.loads(saved(layout, tmp_path).read_text(encoding="utf-8"))
    assert data["ribbonsim_layout"] == 2
    assert data["drive"] == "shares"
    assert data["ribbon"]["knots"] == layout.ribbon.knots.tolist()
    assert data["ribbon"]["control_points"] == layout.ribbon.control_points.tolist()
    assert data["controls"][3]["reach"] == 1 / 7
    assert "carried_by" not in data["controls"][0]
    assert data["poses"][0]["controls"]["control3"] == {"bend": 40.1, "shift": [1 / 3, 0.0, -2.0]}


def test_the_file_explains_itself(layout, tmp_path):
    text = saved(layout, tmp_path).read_text(encoding="utf-8")
    assert text.count("\n# ") >= 8
    assert max(len(line) for line in text.splitlines()) < 200


@settings(max_examples=20, deadline=None)
@given(
    names=st.lists(
        st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=12).filter(
            lambda name: name.strip()
        ),
        min_size=3,
        max_size=3,
        unique=True,
    ),
    reach=st.floats(0.01, 1000.0),
)
def test_any_name_and_number_survives(names, reach, tmp_path_factory):
    ribbon = rs.Ribbon.along([[0, 0, 0], [0, 0, 1]], width=0.1, spans=4)
    controls = (
        rs.Control(names[0], 1, reach),
        rs.Control(names[1], 3, reach, names[0]),
        rs.Control(names[2], 5),
    )
    made = rs.Layout(ribbon, np.linspace(0, 1, 5), controls, name=names[2])
    path = tmp_path_factory.mktemp("names") / "layout.toml"
    made.save(path)
    assert same(rs.Layout.load(path), made)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("reach = 2.0", 'reach = "far"', r"controls 1\.reach = 'far' .* number"),
        ("reach = 2.0", "raech = 2.0", r"'controls 1\.raech' is not known: .* reach"),
        ("reach = 2.0", "reach = nan", "finite"),
        ("reach = 2.0", "reach = -1.0", "reach of 'control1' = -1.0 .* 0.01 to 1000"),
        ("station = 5", "station = 50", "station of 'control2' = 50 .* 1 to 17"),
        ("station = 5", "station = 5.5", r"controls 2\.station = 5\.5"),
        ('falloff = "wendland_c2"', 'falloff = "wendlnd"', "'wendlnd' .* 'gaussian'"),
        ('distance = "body"', 'distance = "ribbon"', "'body' or 'straight' is allowed"),
        ("ribbonsim_layout = 2", "ribbonsim_layout = 3", "= 3 .* 1 or 2 is allowed"),
        ('drive = "shares"', 'drive = "share"', "'shares' or 'skinned' is allowed"),
        ("ribbonsim_layout = 2", "", "no key 'ribbonsim_layout'"),
        ("influences = 4", "influences = 0", "influences = 0 .* 1 to 64"),
        ("[stations]", "[statons]", "'statons' is not known: allowed here are .* stations"),
        ('name = "control2"', 'name = "control1"', "two controls are called 'control1'"),
        ('carried_by = "control1"', 'carried_by = "control9"', "'control9', which is not there"),
        ('carried_by = "control1"', 'carried_by = "control3"', "in a circle"),
        ("bend = 40.1", "band = 40.1", "'poses 1.controls.control3.band' is not known"),
        ("[poses.controls.control3]", "[poses.controls.control8]", "moves 'control8'"),
        ("knots = [", "knots = [[", "not valid TOML: .* line"),
    ],
)
def test_what_cannot_be_used_is_named_with_what_is_allowed(layout, tmp_path, old, new, said):
    path = saved(layout, tmp_path)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(rs.RibbonsimError, match=said) as caught:
        rs.Layout.load(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_of_an_old_version_is_taken_to_the_present_form(layout, tmp_path, monkeypatch):
    def halved(data):
        data["controls"] = [{**row, "reach": row["reach"] / 2} for row in data["controls"]]
        return data

    path = saved(layout, tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("ribbonsim_layout = 2", "ribbonsim_layout = 1"), "utf-8")
    monkeypatch.setattr(toml, "SCHEMA_VERSION", 3)
    monkeypatch.setattr(toml, "UPGRADES", {1: halved, 2: halved})
    reaches = [control.reach for control in rs.Layout.load(path).controls]
    assert reaches == [control.reach / 4 for control in layout.controls]
    path.write_text(path.read_text(encoding="utf-8").replace("_layout = 1", "_layout = 4"))
    with pytest.raises(rs.RibbonsimError, match=r"= 4 is a schema .* 1 or 2 or 3 is allowed"):
        rs.Layout.load(path)


def test_the_schema_describes_files_as_they_are_read(layout, tmp_path):
    """JSON Schema, draft 2020-12, by the jsonschema library, over what tomllib reads."""
    schema = LayoutTable.model_json_schema()
    check = by_schema(schema)
    data = tomllib.loads(saved(layout, tmp_path).read_text(encoding="utf-8"))
    check.validate(data)
    reach = schema["$defs"]["ControlTable"]["properties"]["reach"]
    assert (reach["minimum"], reach["maximum"]) == (0.01, 1000.0)
    assert reach["description"].startswith("How far its influence extends")
    for spoil in ({"reach": 0.0}, {"raech": 2.0}, {"station": "far"}):
        rows = [{**data["controls"][0], **spoil}]
        assert not check.is_valid({**data, "controls": rows})


def test_a_missing_file_a_folder_and_bytes_are_refused(tmp_path):
    with pytest.raises(rs.RibbonsimError, match="is not there"):
        rs.Layout.load(tmp_path / "none.toml")
    with pytest.raises(rs.RibbonsimError, match="is a folder"):
        rs.Layout.load(tmp_path)
    (tmp_path / "bytes.toml").write_bytes(b"\xff\x00\xfe")
    with pytest.raises(rs.RibbonsimError, match="not text in UTF-8"):
        rs.Layout.load(tmp_path / "bytes.toml")


def test_a_file_that_is_there_is_kept_unless_asked(layout, tmp_path):
    path = saved(layout, tmp_path)
    before = path.read_bytes()
    with pytest.raises(rs.RibbonsimError, match="exists and is kept"):
        layout.alone().save(path)
    assert path.read_bytes() == before
    layout.alone().save(path, force=True)
    assert path.read_bytes() != before


def test_a_folder_that_is_not_there_is_named(layout, tmp_path):
    with pytest.raises(rs.RibbonsimError, match="make it first"):
        layout.save(tmp_path / "none" / "layout.toml")


def test_a_folder_that_takes_no_files_is_not_said_to_be_missing(tmp_path):
    # as Linux's /proc answers: the folder is there, and yet "no such file or directory"
    path = tmp_path / "eel.toml"
    words = cannot_write(path, FileNotFoundError(errno.ENOENT, "No such file"))
    assert words == f"{path} cannot be written: {tmp_path} takes no files; choose another folder"


def test_a_full_disk_is_one_sentence_and_leaves_the_old_file(layout, tmp_path, monkeypatch):
    path = saved(layout, tmp_path)
    before = path.read_bytes()

    def full(_descriptor):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(rs.RibbonsimError, match="free some space"):
        layout.alone().save(path, force=True)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["layout.toml"]


@pytest.mark.parametrize("curve", ["straight", "bent"])
def test_poses_of_version_1_stand_where_their_controls_stood(curve, tmp_path):
    # there controls stood by forward kinematics: each in its carrier's frame, moved by its own
    # values; the body must run through the same points within a hundredth of its length
    guide = [[0, 0, 0], [0, 0, 50], [0, 0, 100]]
    if curve == "bent":
        guide = [[0, 0, 0], [0, 12, 30], [8, 0, 60], [0, -8, 100]]
    made = rs.Layout.from_ribbon(rs.Ribbon.along(guide, width=2.0, spans=24), 17, 5)
    even = {f"control{i}": {"sway": 22.5} for i in (2, 3, 4, 5)}
    turns = {"control1": {"sway": 10}, "control2": {"bend": 30, "twist": 40}}
    turns |= {"control4": {"sway": -50, "bend": 20, "girth": 1.5}, "control5": {"twist": 500}}
    poses = {"even": rs.Pose(even), "turns": rs.Pose(turns, 0.25)}
    path = saved(replace(made, poses=poses), tmp_path)
    text = path.read_text(encoding="utf-8").replace("ribbonsim_layout = 2", "ribbonsim_layout = 1")
    path.write_text(text.replace('drive = "shares"', ""), encoding="utf-8")
    read = rs.Layout.load(path)
    assert read.drive == "shares"
    assert read.poses["turns"].keep_volume == 0.25
    rest = made.ribbon.frames(made.control_places)
    rings = np.array([[np.cos(a), np.sin(a), 0] for a in np.linspace(0, 6, 9)])
    cloud = np.concatenate([rings + np.array([0, 0, z]) for z in np.linspace(0, 100, 40)])
    quads = [
        [9 * i + j, 9 * i + (j + 1) % 9, 9 * (i + 1) + (j + 1) % 9, 9 * (i + 1) + j]
        for i in range(39)
        for j in range(9)
    ]
    rig = rs.bind(rs.CreatureMesh.from_arrays(cloud, quads), read)
    for name, pose in poses.items():
        tree = ControlTree(rest, [None, 0, 1, 2, 3], [5])
        stood = tree.frames([pose[control] for control in made.control_names])
        now = rig.control_frames(read.poses[name])
        apart = np.linalg.norm((now.frames - stood.frames)[:, :3, 3], axis=1)
        assert apart.max() < 0.01 * made.ribbon.length, name
        # and along the way they pointed, within what a smooth body can turn
        along = np.sum(now.frames[:, :3, 0] * stood.frames[:, :3, 0], axis=1)
        assert np.degrees(np.arccos(np.clip(along, -1, 1))).max() < 18, name
        np.testing.assert_allclose(now.twists[-1], stood.twists[-1], atol=20)
    assert read.poses["turns"]["control4"].girth > 1.4
    # every number of a pose of version 2 is read as it stands
    assert rs.Layout.load(saved(read, tmp_path)).poses == read.poses

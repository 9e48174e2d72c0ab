"""Layout files, read back with Python's own tomllib (TOML 1.0.0, toml.io) as a second reader."""

import errno
import os
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ribbonsim as rs
from ribbonsim.files import cannot_write


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
    assert data["ribbonsim_layout"] == 1
    assert data["ribbon"]["knots"] == layout.ribbon.knots.tolist()
    assert data["ribbon"]["control_points"] == layout.ribbon.control_points.tolist()
    assert data["controls"][3]["reach"] == 1 / 7
    assert "carried_by" not in data["controls"][0]
    assert data["poses"][0]["controls"]["control3"] == {"bend": 40.1, "shift": [1 / 3, 0.0, -2.0]}


def test_the_file_explains_itself(layout, tmp_path):
    text = saved(layout, tmp_path).read_text(encoding="utf-8")
    assert text.count("\n# ") >= 8
    assert max(len(line) for line in text.splitlines()) < 200


@settings(max_examples=40, deadline=None)
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
        ("ribbonsim_layout = 1", "ribbonsim_layout = 2", "= 2 .* 1 is allowed"),
        ("ribbonsim_layout = 1", "", "no key 'ribbonsim_layout'"),
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

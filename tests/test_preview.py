import base64
import csv
import io
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from cases import first_of
from PIL import Image
from tubes import s_curve, tube

from ribbonsim import TEST_POSES, Control, Layout, RibbonsimError, load_mesh
from ribbonsim.body.guide import find_guide
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.pages.preview import picture_names, preview, stations_csv
from ribbonsim.pages.preview_page import _factor, format_amount, format_length, format_place
from ribbonsim.rig.first_layout import (
    BuildOptions,
    body_radius,
    build_layout,
    default_width,
    station_table,
)

MESHES = Path(__file__).parent.parent / "meshes"

# a picture of each control is drawn: with one there are as few as there can be
FEW = BuildOptions(controls=1)


class Page(HTMLParser):
    """Tags, what they point to, and what a reader reads."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.links, self.words, self.rows = [], [], [], 0
        self.style = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.rows += tag == "tr"
        self.links += [value for key, value in attrs if key in ("src", "href", "srcset", "action")]
        assert not any(key.startswith("on") for key, _ in attrs)

    def handle_data(self, data):
        if self.lasttag == "style":
            self.style += data
        else:
            self.words.append(data)


@pytest.fixture(scope="module")
def worm(tmp_path_factory):
    path = tmp_path_factory.mktemp("mesh") / "worm.obj"
    write_obj(tube(s_curve(rings=41), np.linspace(0.9, 0.4, 41), 16, 4), path)
    return path


@pytest.fixture(scope="module")
def made(worm, tmp_path_factory):
    said = []
    folder = tmp_path_factory.mktemp("made") / "deep" / "preview"
    result = preview(
        worm,
        folder,
        poses={"c_bend": None, "twist": 300.0},
        progress=lambda *step: said.append(step),
    )
    return result, said


def test_every_file_is_there_and_a_picture_is_a_picture(made):
    result, _ = made
    names = {path.name for path in result.folder.iterdir()}
    assert names == {
        "index.html", "layout.toml", "stations.csv", "ribbon.png", "rest.png",
        "pose_c_bend.png", "pose_twist.png", *(f"weights_control{k}.png" for k in range(1, 6)),
    }  # fmt: skip
    sizes = set()
    for path in result.pictures.values():
        with Image.open(path) as picture:
            assert picture.format == "PNG"
            assert np.asarray(picture).std() > 10
            sizes.add(picture.size)
    assert sizes == {(1280, 900), (960, 720)}


def test_page_asks_for_nothing_outside_itself(made):
    result, _ = made
    text = result.index.read_text(encoding="utf-8")
    page = Page(text)
    assert page.links
    assert all(link.startswith("data:") for link in page.links)
    assert "script" not in page.tags
    assert not re.search(r"url\(|@import|https?://", page.style)
    pictures = [link.partition("base64,")[2] for link in page.links if "image/webp" in link]
    assert len(pictures) == len(result.pictures)
    for picture in pictures:
        with Image.open(io.BytesIO(base64.b64decode(picture))) as image:
            assert np.asarray(image).std() > 10
    assert text.isprintable() or "\x00" not in text


def test_page_tells_what_was_made(made):
    result, _ = made
    page = Page(result.index.read_text(encoding="utf-8"))
    words = " ".join(page.words)
    assert page.rows == 1 + 17
    for part in ("worm", "17 stations", "5 controls", "c bend", "300°", "shape error", "control5"):
        assert part in words
    pose = next(pose for pose in result.poses if pose.name == "c_bend")
    assert f"{100 * pose.shape_error:.2f} %" in words
    assert "ribbonsim layout" in words
    assert "--layout" in words


def test_layout_in_the_folder_makes_the_same_rig(made, worm):
    result, _ = made
    again = Layout.load(result.layout_file)
    assert np.array_equal(again.stations, result.rig.layout.stations)
    assert np.array_equal(again.ribbon.control_points, result.rig.layout.ribbon.control_points)
    assert again.control_names == result.rig.layout.control_names


def test_stations_file_holds_the_stations(made):
    result, _ = made
    layout = result.rig.layout
    with result.stations_file.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["station"]) for row in rows] == list(range(1, 18))
    assert np.array_equal([float(row["t"]) for row in rows], layout.stations)
    points = np.array([[float(row[axis]) for axis in "xyz"] for row in rows])
    assert np.array_equal(points, layout.ribbon.midline(layout.stations))
    lengths = np.array([float(row["arc_length"]) for row in rows])
    # a polyline through many points of the curve measures it without the product's own formula
    fine = layout.ribbon.midline(np.linspace(0, 1, 20001))
    assert lengths[-1] == pytest.approx(
        np.linalg.norm(np.diff(fine, axis=0), axis=1).sum(), rel=1e-6
    )
    assert [float(row["spacing"]) for row in rows[1:]] == pytest.approx(np.diff(lengths))
    assert rows[0]["spacing"] == ""
    held = {int(row["station"]): row["control"] for row in rows if row["control"]}
    assert held == {1: "control1", 5: "control2", 9: "control3", 13: "control4", 17: "control5"}
    assert [row["carried_by"] for row in rows] == [
        next((c.carried_by or "" for c in layout.controls if c.station == i), "")
        for i in range(1, 18)
    ]


def test_measures_are_those_of_the_rig(made):
    result, _ = made
    rig = result.rig
    for measured in result.poses:
        pose = rig.pose_for(measured.name, measured.amount)
        joints = rig.joint_pose(pose)
        posed = rig.mesh.with_positions(rig.deform(pose))
        assert measured.volume_change == pytest.approx(posed.volume / rig.mesh.volume - 1)
        assert measured.stretch == joints.stretch[measured.stretch_station - 1]
        assert measured.stretch in (joints.stretch.max(), joints.stretch.min())
        assert measured.girth in (joints.girth.max(), joints.girth.min())
        assert 0 < measured.shape_error < 0.2
    assert [pose.amount for pose in result.poses] == [TEST_POSES["c_bend"].usual, 300.0]


@pytest.mark.parametrize(
    ("factor", "facts"),
    [
        (1.4, ("largest stretch", "× 1.40", "at station 4")),
        (0.7, ("smallest stretch", "× 0.70", "at station 4")),
        (1.001, ("stretch", "× 1.00", "all along")),
    ],
)
def test_a_factor_is_called_largest_only_where_it_is_more_than_one(factor, facts):
    assert _factor("stretch", factor, 4) == facts


def test_progress_begins_and_ends_every_stage(made):
    result, said = made
    stages = list(dict.fromkeys(stage for stage, _, _ in said))
    assert stages == list(result.seconds)
    for stage in stages:
        steps = [(done, total) for name, done, total in said if name == stage]
        assert steps[0][0] == 0
        assert steps[-1][0] == steps[-1][1]
    assert ("draw", 9, 9) in said


def test_nothing_is_overwritten_unless_asked(made, worm):
    result, _ = made
    before = {path: path.read_bytes() for path in result.folder.iterdir()}
    with pytest.raises(RibbonsimError, match=r"index\.html exists"):
        preview(worm, result.folder, poses={})
    assert {path: path.read_bytes() for path in result.folder.iterdir()} == before


@pytest.mark.parametrize("name", first_of("pose_curl.png", "layout.toml", "weights_control4.png"))
def test_the_first_file_in_the_way_is_named_and_none_is_written(worm, tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(RibbonsimError, match=re.escape(str(tmp_path / name))):
        preview(worm, tmp_path, poses={"curl": None})
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.slow
def test_force_replaces(worm, tmp_path):
    (tmp_path / "index.html").write_text("old")
    preview(worm, tmp_path, poses={}, force=True, options=FEW)
    assert (tmp_path / "index.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_folder_where_a_file_should_be(worm, tmp_path):
    (tmp_path / "rest.png").mkdir()
    with pytest.raises(RibbonsimError, match=r"rest\.png is a folder"):
        preview(worm, tmp_path, poses={}, force=True, options=FEW)


def test_a_file_where_the_folder_should_be(worm, tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(RibbonsimError, match="cannot be written"):
        preview(worm, tmp_path / "out", poses={}, options=FEW)


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_full_disk_is_one_sentence(worm, tmp_path, monkeypatch):
    # /dev/full answers every write with ENOSPC: Linux man-pages, full(4)
    def onto_a_full_disk(self, data):
        with open("/dev/full", "wb", buffering=0) as stream:
            stream.write(data)

    monkeypatch.setattr(Path, "write_bytes", onto_a_full_disk)
    with pytest.raises(RibbonsimError, match="free some space"):
        preview(worm, tmp_path, poses={}, options=FEW)
    assert list(tmp_path.iterdir()) == []


def test_names_from_files_are_escaped(worm, tmp_path):
    bad = "<script>alert(1)</script>"
    mesh = load_mesh(worm)
    layout = build_layout(mesh, BuildOptions(stations=9, controls=2))
    names = (Control(bad, 1), Control('" onload="alert(2)', 9, carried_by=bad))
    Layout(layout.ribbon, layout.stations, names).save(tmp_path / "bad.toml")
    odd = tmp_path / "<img src=x onerror=alert(3)>.obj"
    write_obj(mesh, odd)
    result = preview(odd, tmp_path / "out", layout_path=tmp_path / "bad.toml", poses={})
    page = Page(result.index.read_text(encoding="utf-8"))
    assert "script" not in page.tags
    assert page.tags.count("img") == len(result.pictures)
    assert bad in "".join(page.words)
    assert all(path.parent == tmp_path / "out" for path in result.pictures.values())


@pytest.mark.slow
def test_notes_on_the_mesh_are_shown(tmp_path):
    positions = [[x, y, z] for x in range(9) for y, z in ((0, 0), (1, 0), (1, 1), (0, 1))]
    faces = [[4 * i + a, 4 * i + b, 4 * i + 4 + b, 4 * i + 4 + a]
             for i in range(8) for a, b in ((0, 1), (1, 2), (2, 3), (3, 0))]  # fmt: skip
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in positions)
    text += "".join("f " + " ".join(str(v + 1) for v in face) + "\n" for face in faces)
    (tmp_path / "open.obj").write_text(text + "v 20 20 20\n")
    mesh = load_mesh(tmp_path / "open.obj")
    assert mesh.notes
    result = preview(tmp_path / "open.obj", tmp_path / "out", poses={}, options=FEW)
    words = " ".join(Page(result.index.read_text(encoding="utf-8")).words)
    for note in mesh.notes:
        assert note in words
    assert "its holes counted as closed" in words


def test_layout_file_and_building_options_together_are_refused(worm, tmp_path):
    with pytest.raises(RibbonsimError, match="the one or the others"):
        preview(worm, tmp_path, layout_path="x.toml", options=BuildOptions())


def test_unknown_test_pose_is_refused_before_anything_is_made(worm, tmp_path):
    with pytest.raises(RibbonsimError, match="look_aside"):
        preview(worm, tmp_path / "out", poses={"wave": None})
    assert not (tmp_path / "out").exists()


def test_file_names_of_controls_never_meet():
    names = ["a/b", "a\\b", "A_b", "..", "é", "x" * 200, "x" * 201, " "]
    found = [name.casefold() for name in picture_names(["c_bend"], names).values()]
    assert len(set(found)) == len(found) == 3 + len(names)
    assert all(len(name) < 80 and not set("/\\") & set(name) for name in found)


# -- building ----------------------------------------------------------------------------------


def test_body_radius_of_a_cylinder_is_its_radius():
    mesh = tube(np.c_[np.linspace(0, 20, 81), np.zeros(81), np.zeros(81)], 1.5, 64, round_ends=6)
    guide = find_guide(mesh)
    assert body_radius(mesh, guide) == pytest.approx(1.5, rel=0.01)
    assert default_width(mesh, guide) == pytest.approx(0.75, rel=0.01)


def test_swap_exchanges_root_and_tip(worm):
    mesh = load_mesh(worm)
    one, other = build_layout(mesh), build_layout(mesh, BuildOptions(swap=True))
    ends = one.ribbon.midline([0.0, 1.0])
    assert other.ribbon.midline([1.0, 0.0]) == pytest.approx(ends, abs=1e-6)


def test_ends_count_from_one_in_messages(worm):
    mesh = load_mesh(worm)
    count = len(mesh.positions)
    with pytest.raises(RibbonsimError, match=f"no vertex {count + 1} .*give 1 to {count}"):
        build_layout(mesh, BuildOptions(root=count))


def test_table_of_a_single_control_has_no_carrier(worm):
    layout = build_layout(load_mesh(worm), BuildOptions(stations=3, controls=(2,)))
    rows = station_table(layout)
    assert [row.control for row in rows] == [None, "control1", None]
    assert stations_csv(layout).count("\r\n") == 4  # RFC 4180 ends lines so


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (145.7189, "145.7"),
        (0.0123456, "0.01235"),
        (0.0, "0"),
        (12345678.0, "1.235e+07"),
        (3.0, "3"),
    ],
)
def test_lengths_have_four_digits(value, text):
    assert format_length(value) == text


@pytest.mark.parametrize(
    ("value", "whole", "text"),
    [(3.14159, 153.4, "3.14"), (-2e-16, 153.4, "0.00"), (-0.5, 1.6, "\N{MINUS SIGN}0.5000")],
)
def test_places_have_the_decimals_of_the_body(value, whole, text):
    assert format_place(value, whole) == text


def test_amounts_carry_their_unit():
    assert format_amount(90.0, "degrees") == "90°"
    assert format_amount(1.0, "turns") == "1 turn"
    assert format_amount(1.4, "factor") == "× 1.4"


@pytest.mark.slow
def test_command_previews_a_demo_creature(tmp_path):
    command = [sys.executable, "-m", "ribbonsim", "preview", str(MESHES / "lampeel.obj")]
    done = subprocess.run(
        [*command, "--out", str(tmp_path / "out")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert len(list((tmp_path / "out").glob("pose_*.png"))) == len(TEST_POSES)

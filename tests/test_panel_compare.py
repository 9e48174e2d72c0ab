"""The compare panel without a browser: tiles, variants, numbers, files."""

import io
from pathlib import Path

import ipywidgets as widgets
import numpy as np
import pytest
from demos import demo_mesh
from PIL import Image
from tubes import s_curve, small_worm, tube

import ribbonsim as rs
from ribbonsim.panel.compare_panel import ComparePanel
from ribbonsim.panel.sections.numbers_section import table_html
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.tiles import best_grid, join_tiles
from ribbonsim.panel.work.worker import CHECKS, PICTURES

MESHES = Path(__file__).resolve().parents[1] / "meshes"


def rest():
    assert PICTURES.settle(300)
    assert CHECKS.settle(300)


def opened(mesh):
    made = ComparePanel(mesh)
    rest()
    yield made
    made.close()
    rest()


@pytest.fixture
def panel():
    yield from opened(small_worm())


@pytest.fixture
def grub():
    """A creature whose layouts differ in what is measured and seen."""
    yield from opened(demo_mesh("grub"))


@pytest.fixture
def tall():
    """A creature so high that its tiles stand side by side."""
    yield from opened(tube(s_curve(rings=41)[:, [1, 0, 2]], 1.2, 16, 4, "tall"))


def picture(panel):
    rest()
    jpeg = panel._desk.picture.value
    return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"), dtype=float)


def test_tiles_are_joined_row_by_row():
    tiles = [np.full((4, 6, 3), tone, dtype=np.uint8) for tone in (10, 20, 30)]
    whole = join_tiles(tiles, (2, 2), (12, 8))
    assert [whole[y, x, 0] for y, x in ((2, 3), (2, 9), (6, 3), (6, 9))] == [10, 20, 30, 255]


@pytest.mark.slow
def test_a_variant_looks_like_its_pattern_until_it_is_changed(grub):
    grub._layouts._variant()
    both = picture(grub)
    # the layout duplicated is the first: the tiles stand one above the other
    first, variant = both[5:270, 5:440], both[305:570, 5:440]
    plain = np.abs(first - variant).mean()
    grub._layouts._act(lambda: edits.add_control(grub._layouts._model, 3))
    grub._layouts._set_reach(0.5)
    grub._layouts._set_amount(120.0)
    changed = picture(grub)
    assert np.abs(changed[5:270, 5:440] - changed[305:570, 5:440]).mean() > plain
    assert np.abs(changed - both).mean() > 1.0
    assert grub.bench.entries[0].model.layout is not grub.bench.entries[2].model.layout
    grub._desk.act(grub._desk.model.undo)
    grub._desk.act(grub._desk.model.undo)
    assert grub.bench.entries[2].model.layout is grub.bench.entries[0].model.layout


def test_numbers_are_those_of_compare(grub):
    entries = grub.bench.entries
    expected = rs.compare(
        [entry.model.rig for entry in entries],
        {grub.bench.asked.name: grub.bench.asked.amount},
        [entry.name for entry in entries],
    )
    assert grub._numbers.table.value == table_html(expected, "Measured in s bend.")
    assert "best" in grub._numbers.table.value
    grub._numbers.compare_all()
    rest()
    assert "10 test poses" in grub._numbers._job.words.value
    grub._numbers.compare_all()
    grub._numbers._job.stop.click()
    rest()
    assert "Stopped" in grub._numbers._job.words.value


@pytest.mark.slow
def test_a_comparison_in_all_poses_is_not_cut_short_by_the_one_at_rest(panel):
    panel._layouts._set_amount(panel.bench.asked.amount + 5.0)
    panel._numbers.compare_all()
    rest()
    assert "Compared in 10 test poses" in panel._numbers._job.words.value
    assert "Measured in 10 test poses" in panel._numbers.table.value


def test_a_click_on_a_tile_chooses_its_layout(panel):
    panel._desk.viewer.control_at(600.0, 300.0)
    assert panel.bench.chosen == 1
    assert panel._desk.model is panel.bench.entries[1].model


def test_names_from_files_are_escaped_and_files_come_back(panel, tmp_path):
    panel._layouts._path.value = str(tmp_path / "<script>.toml")
    panel._layouts._save()
    panel._layouts._add_file()
    rest()
    assert panel.bench.entries[2].name == "<script>"
    assert "<script>" not in panel._numbers.table.value
    assert "&lt;script&gt;" in panel._numbers.table.value
    panel._layouts._save()
    assert "is there already" in panel._desk.message.value


def test_creatures_are_seen_as_large_as_tiles_allow():
    # worked out by hand: a tile of 900 x 600 pixels over the grid, 26 pixels off for its name
    assert best_grid(2, 1.0, Canvas((900, 600))) == (2, 1)
    assert best_grid(2, 8.0, Canvas((900, 600))) == (1, 2)  # 900 / 8 across against 450 / 8
    assert best_grid(3, 0.3, Canvas((900, 600))) == (3, 1)  # 574 high against 274
    assert best_grid(3, 1.7, Canvas((900, 600))) == (2, 2)  # 450 / 1.7 against 300 / 1.7 and 174
    for count in range(2, 7):
        for aspect in (0.1, 0.5, 1.0, 2.0, 10.0):
            columns, rows = best_grid(count, aspect, Canvas((900, 600)))
            assert columns * rows >= count > columns * (rows - 1)


@pytest.mark.slow
def test_one_camera_serves_all_tiles(panel):
    panel._layouts._variant()
    viewer = panel._desk.viewer
    subject = viewer.subject_of(panel._layouts._model)
    assert len({id(each.orbit) for each in subject.each}) == 1
    before = picture(panel)
    viewer.orbit = viewer.orbit.turned(40.0, 10.0)
    viewer.ask()
    after = picture(panel)
    columns, rows = viewer.grid
    wide, high = 900 // columns, 600 // rows
    for number in range(len(panel.bench.entries)):
        row, column = divmod(number, columns)
        part = np.s_[row * high : (row + 1) * high - 30, column * wide : (column + 1) * wide]
        assert np.abs(after[part] - before[part]).mean() > 2.0


def test_a_click_on_a_dot_chooses_layout_and_control(tall):
    viewer, entry = tall._desk.viewer, tall.bench.entries[1]
    rig = entry.model.rig
    ribbon = rig.pose_ribbon(tall.bench.pose_of(entry))
    name = rig.layout.control_names[0]
    points = (ribbon.midline(rig.layout.control_places) - rig.mesh.centre) / rig.mesh.diagonal
    x, y, _ = viewer.orbit.camera(viewer.aspect).project(points, viewer.tile)[0]
    assert viewer.grid[0] == 2
    assert viewer.control_at(x + 450.0, y) == name
    assert tall.bench.chosen == 1


@pytest.mark.slow
def test_poses_kept_with_a_layout_are_asked_of_all(panel, tmp_path):
    model = panel._layouts._model
    pose = model.rig.pose_for("curl", 120.0)
    model.set_pose(pose)
    kept.keep_pose(model, "bow <b>")
    panel._layouts._act(lambda: None)
    assert [label for label, _ in panel._layouts._test.options][-1] == "bow <b>: kept with A"
    panel._layouts._test.value = ("bow <b>", 0)
    rest()
    first, second = panel.bench.entries
    assert panel.bench.pose_of(first) == pose
    expected = rs.compare(
        [first.model.rig, second.model.rig],
        {"bow <b>": pose},
        [first.name, second.name],
    )
    assert panel._numbers.table.value == table_html(expected, "Measured in bow <b>.")
    assert "<b>." not in panel._numbers.table.value
    assert panel._layouts._amount.layout.display == "none"
    # carried over, the second layout's midline lies where the first one's does
    lines = [
        e.model.rig.pose_ribbon(panel.bench.pose_of(e)).midline(np.linspace(0, 1, 33))
        for e in (first, second)
    ]
    length = first.model.layout.ribbon.length
    assert np.linalg.norm(lines[0] - lines[1], axis=1).max() < 0.1 * length
    panel._layouts._act(lambda: kept.delete_pose(model, "bow <b>"))
    rest()
    assert panel._layouts._test.value == ("s_bend", -1)
    assert panel._layouts._amount.layout.display == ""


@pytest.mark.slow
def test_each_layout_blends_its_own_way(panel):
    panel._layouts._method.value = "dual_quaternion"
    rest()
    entries = panel.bench.entries
    expected = rs.compare(
        [entry.model.rig for entry in entries],
        {"s_bend": 70.0},
        [entry.name for entry in entries],
        methods=["dual_quaternion", "linear"],
    )
    assert panel._numbers.table.value == table_html(expected, "Measured in s bend.")
    labels = [label for label, _ in panel._layouts._layouts.options]
    assert "dual quaternion" in labels[0]
    assert "dual quaternion" not in labels[1]


@pytest.mark.slow
def test_what_is_taken_away_comes_back_and_changes_are_not_lost_unasked(panel):
    panel._layouts._set_reach(0.7)
    changed = panel.bench.entries[0]
    panel._layouts._variant()
    panel._layouts.choose(0)
    panel._layouts._act(panel._layouts._refitted(panel.bench.remove))
    assert changed not in panel.bench.entries
    panel._layouts._bring_back.click()
    assert panel.bench.entries[0] is changed
    assert panel._layouts._bring_back.disabled
    mesh = panel._layouts._model.rig.mesh
    panel._opener.open(demo_mesh("tentacle"))
    assert panel._opener._ask.layout.display == ""
    assert panel._layouts._model.rig.mesh is mesh
    panel._opener._go_on()
    rest()
    assert panel._layouts._model.rig.mesh.name == "tentacle"
    assert panel._opener._ask.layout.display == "none"
    panel._opener.open(demo_mesh("grub"))
    rest()
    assert panel._layouts._model.rig.mesh.name == "grub"


@pytest.mark.slow
def test_an_uploaded_mesh_with_marked_up_names_is_shown_as_text(panel):
    bad = "<script>alert(1)</script>"
    lines = [
        line
        for line in (MESHES / "grub.obj").read_text(encoding="utf-8").splitlines()
        if not line.startswith("g ")
    ]
    faces = [i for i, line in enumerate(lines) if line.startswith("f ")]
    for number, at in ((1, faces[len(faces) // 2]), (0, faces[0])):
        lines.insert(at, f"g {bad}{number}")
    text = "\n".join(lines)
    sent = {"name": "<b>bold.obj", "content": text.encode()}
    panel._opener._take_upload({"new": (sent,)})
    panel._numbers.compare_all()
    rest()
    assert panel._layouts._model.rig.mesh.name == "<b>bold"
    assert any(bad in name for name in panel._layouts._model.rig.mesh.group_names)
    shown = [w.value for w in widgets_below(panel) if isinstance(w, widgets.HTML)]
    assert any("&lt;b&gt;bold" in html for html in shown)
    assert any("&lt;script&gt;alert(1)&lt;/script&gt;" in html for html in shown)
    for html in shown:
        assert "<script" not in html
        assert "<b>bold" not in html


def widgets_below(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from widgets_below(child)


@pytest.mark.slow
def test_the_fewest_and_the_most_are_two_and_six(panel):
    panel._layouts._act(panel.bench.remove)
    assert "two layouts are the fewest" in panel._desk.message.value
    for _ in range(5):
        panel._layouts._variant()
    assert len(panel.bench.entries) == 6
    assert "take one away first" in panel._desk.message.value
    picture(panel)


@pytest.mark.slow
def test_one_layout_stands_under_both_drives(panel):
    first = panel.bench.entries[0].model.layout
    panel._layouts._driven_variant()
    rest()
    made = panel.bench.entries[-1]
    assert panel.bench.chosen == 2
    assert {first.drive, made.model.layout.drive} == {"shares", "skinned"}
    assert made.model.layout.ribbon is first.ribbon
    assert made.name.endswith(made.model.layout.drive)
    panel._numbers._compare_rested()
    rest()
    told = panel._numbers.others.value
    assert "Skinned to the surface instead" in told
    assert "Driven by shares instead" in told
    panel.bench.chosen = 2
    panel._layouts._driven_variant()
    assert panel.bench.entries[-1].model.layout.drive == first.drive

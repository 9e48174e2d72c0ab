"""What the compare panel keeps as one works, and takes up again."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
from cases import first_of
from tubes import tube

import ribbonsim as rs
from ribbonsim.layout.toml import layout_text
from ribbonsim.panel.compare_panel import ComparePanel
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.work.worker import CHECKS, PICTURES
from ribbonsim.rig.first_layout import build_layout


@pytest.fixture(scope="module")
def worm():
    t = np.linspace(0.0, 1.0, 81)
    curve = np.column_stack([10.0 * t, 1.5 * np.sin(3.0 * t), 0.8 * t**2])
    return replace(tube(curve, 0.5), name="worm")


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("RIBBONSIM_SESSIONS", str(tmp_path))
    return tmp_path


def closed(panel):
    panel.close()
    assert PICTURES.settle(300)
    assert CHECKS.settle(300)


def says(panel):
    return panel._desk.message.value


@pytest.fixture(scope="module")
def session(worm, tmp_path_factory):
    """What somebody has made of the worm, as it was left behind: names, layouts, the file."""
    folder = tmp_path_factory.mktemp("sessions")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("RIBBONSIM_SESSIONS", str(folder))
        names, texts = work_on(worm)
    (file,) = folder.iterdir()
    return names, texts, file


@pytest.fixture
def left(session, folder):
    """The same in the folder of this test: names and layouts."""
    names, texts, file = session
    shutil.copy(file, folder)
    return names, texts


def work_on(mesh, layouts=None):
    panel = ComparePanel(mesh, layouts)
    bench, side = panel.bench, panel._layouts
    side._variant()
    side._act(lambda: edits.add_control(side._model, 3))
    side._act(lambda: kept.keep_pose(side._model, "bow"))
    panel._desk.act(lambda: side._model.set_method("dual_quaternion"))
    panel._desk.act(lambda: side._model.select("control3"))
    side._set_amount(41.5)
    texts = [layout_text(entry.model.layout) for entry in bench.entries]
    names = [entry.name for entry in bench.entries]
    closed(panel)
    return names, texts


def test_it_goes_on_where_it_was_left(worm, folder, left):
    names, texts = left
    assert [path.name for path in folder.iterdir()] == ["worm.compare.json"]
    assert (folder / "worm.compare.json").stat().st_size < 80_000
    panel = ComparePanel(worm)
    assert "Taken up as you left it, from worm.compare.json" in says(panel)
    bench = panel.bench
    assert [entry.name for entry in bench.entries] == names
    assert [layout_text(entry.model.layout) for entry in bench.entries] == texts
    assert (bench.chosen, bench.asked.amount) == (2, 41.5)
    chosen = bench.entries[2].model
    assert (chosen.method, chosen.selected) == ("dual_quaternion", "control3")
    assert "worm.compare.json" in panel._opener._kept.value
    # bound as the layout of a file would be
    fresh = rs.bind(worm, chosen.layout)
    pose = fresh.pose_for("s_bend", 41.5)
    np.testing.assert_array_equal(chosen.rig.deform(pose), fresh.deform(pose))
    closed(panel)


@pytest.mark.parametrize("ask", first_of("motion", "kept"))
@pytest.mark.usefixtures("left")
def test_the_pose_that_was_asked_comes_back(worm, ask):
    panel = ComparePanel(worm)
    desk, bench = panel._desk, panel.bench
    if ask == "kept":
        desk.act(lambda: bench.ask_kept(2, "bow"))
    else:
        desk.act(lambda: bench.ask_motion(next(iter(bench.motions()))))
        desk.act(lambda: bench.ask_moment(0.25))
        desk.act(lambda: bench.tell_motion("swing", 0.4))
    asked = bench.asked
    closed(panel)
    again = ComparePanel(worm)
    came = again.bench.asked
    assert (came.name, came.moment, came.told) == (asked.name, asked.moment, asked.told)
    assert came.owner is (again.bench.entries[2] if ask == "kept" else None)
    closed(again)


@pytest.mark.slow
def test_starting_afresh_loses_nothing(worm, left):
    names, texts = left
    panel = ComparePanel(worm)
    panel._opener._start_afresh()
    bench = panel.bench
    first = build_layout(worm)
    assert len(bench.entries) == 2
    assert layout_text(bench.entries[0].model.layout) == layout_text(first)
    assert "Started afresh" in says(panel)
    for _ in names:
        panel._layouts._again(bench.bring_back)()
    assert [layout_text(entry.model.layout) for entry in bench.entries[2:]] == texts
    closed(panel)


def test_what_was_only_looked_at_leaves_no_file(worm, folder):
    closed(ComparePanel(worm))
    assert list(folder.iterdir()) == []


@pytest.mark.slow
def test_other_layouts_that_are_given_are_taken_and_the_old_session_put_aside(worm, folder):
    base = build_layout(worm)
    given = [base, base.with_drive("skinned")]
    names, _ = work_on(worm, given)
    same = ComparePanel(worm, given)
    assert [entry.name for entry in same.bench.entries] == names
    closed(same)
    other = ComparePanel(worm, given[::-1])
    assert len(other.bench.entries) == 2
    assert "Other layouts are given now" in says(other)
    assert (folder / "worm.compare.json.aside").is_file()
    closed(other)


@pytest.mark.parametrize(
    "spoil",
    first_of(
        lambda data: {**data, "chosen": 9},
        lambda data: {**data, "layouts": data["layouts"][:1]},
        lambda data: {**data, "asked": {**data["asked"], "owner": 7}},
        lambda data: {**data, "asked": 3},
        lambda data: {**data, "layouts": [{**each, "selected": "?"} for each in data["layouts"]]},
        count=2,
    ),
)
@pytest.mark.usefixtures("left")
def test_a_broken_session_is_put_aside_with_a_sentence(worm, folder, spoil):
    file = folder / "worm.compare.json"
    file.write_text(json.dumps(spoil(json.loads(file.read_text()))), encoding="utf-8")
    panel = ComparePanel(worm)
    assert len(panel.bench.entries) == 2
    assert "worm.compare.json is broken; it was put aside as worm.compare.json.aside" in says(panel)
    closed(panel)


@pytest.mark.slow
def test_a_session_of_the_other_panel_is_no_business_of_this_one(worm, folder):
    panel = rs.Panel(worm)
    panel._desk.act(lambda: panel.model.set_value("control2", "bend", 33.0))
    closed(panel)
    work_on(worm)
    assert sorted(path.name for path in folder.iterdir()) == [
        *("worm.compare.json", "worm.session.json")
    ]
    again = rs.Panel(worm)
    assert again.model.pose["control2"].bend == 33.0
    closed(again)

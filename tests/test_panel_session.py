"""What the panel keeps as one works, and takes up again."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from tubes import tube

import ribbonsim as rs
from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.toml import layout_text
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.opening import open_source
from ribbonsim.panel.state.session import Session
from ribbonsim.panel.work.session_files import SessionFiles, session_folder
from ribbonsim.rig.first_layout import build_layout

MESHES = Path(__file__).parent.parent / "meshes"


@pytest.fixture(scope="module")
def mesh_file(tmp_path_factory):
    """A bent tube with a file of its own, in a folder without sessions."""
    t = np.linspace(0.0, 1.0, 81)
    curve = np.column_stack([10.0 * t, 1.5 * np.sin(3.0 * t), 0.8 * t**2])
    mesh = tube(curve, 0.5)
    path = tmp_path_factory.mktemp("mesh") / "worm.obj"
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in mesh.positions.tolist()]
    lines += ["f " + " ".join(str(i + 1) for i in triangle) for triangle in mesh.triangles]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def worm(mesh_file):
    """The tube as it is read: what is found in a mesh is found once."""
    return rs.load_mesh(mesh_file)


@pytest.fixture
def said():
    return []


def opened(worm, folder, said=None):
    """A model with its session files, as a panel opens them."""
    files = SessionFiles(Session, folder, (said if said is not None else []).append, pytest.fail)
    model = PanelModel()
    model.take(open_source(worm, files))
    return model, files


def worked(worm, folder):
    """What somebody has made of the tube, kept."""
    model, files = opened(worm, folder)
    edits.set_stations(model, 11)
    model.set_value("control2", "bend", 30.5)
    kept.keep_pose(model, "bow")
    kept.keep_layout(model, "first try")
    edits.set_drive(model, "skinned")
    edits.set_up(model, "z")
    model.set_method("dual_quaternion")
    model.select("control4")
    files.keep(model.session())
    files.flush()
    return model, files


def test_a_session_comes_back_the_same_to_the_last_bit(worm, tmp_path):
    model, files = worked(worm, tmp_path)
    assert files.path == tmp_path / "worm.session.json"
    assert files.path.stat().st_size < 40_000
    again, _ = opened(worm, tmp_path)
    assert layout_text(again.layout) == layout_text(model.layout)
    assert again.pose == model.pose
    assert (again.method, again.selected) == ("dual_quaternion", "control4")
    assert list(again.shelf) == ["first try"]
    # bound anew, as a file's layout is: steps from layout to layout differ by rounding
    fresh = rs.bind(worm, model.layout)
    wanted = fresh.deform(model.pose, model.method)
    np.testing.assert_array_equal(again.deform(), wanted)
    np.testing.assert_allclose(wanted, model.deform(), atol=1e-12)


def test_starting_afresh_is_one_step_and_loses_nothing(worm, tmp_path):
    worked(worm, tmp_path)
    again, _ = opened(worm, tmp_path)
    before, pose = again.layout, again.pose
    first, _ = opened(worm, None)
    again.start_afresh()
    assert layout_text(again.layout) == layout_text(first.layout)
    assert again.pose == rs.Pose()
    assert again.shelf["before1"] is before
    again.undo()
    assert (again.layout, again.pose) == (before, pose)


def test_a_file_that_is_no_session_is_never_touched(worm, tmp_path):
    theirs = tmp_path / "worm.session.json"
    for text in ('{"something": "else"}', "not even json", '[{"ribbonsim_session": 1}]'):
        theirs.write_text(text, encoding="utf-8")
        _, files = worked(worm, tmp_path)
        assert theirs.read_text(encoding="utf-8") == text
        assert files.path == tmp_path / "worm.2.session.json"
        again, _ = opened(worm, tmp_path)
        assert len(again.layout.stations) == 11
        files.path.unlink()


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda text: text[: len(text) // 2], "broken"),
        (lambda text: text.replace('"ribbonsim_session": 1', '"ribbonsim_session": 9'), "version"),
        (lambda text: text.replace("dual_quaternion", "magic"), "broken"),
        (lambda text: text.replace('"ribbonsim_layout = ', '"nonsense = '), "ribbonsim_layout"),
        (lambda text: json.dumps({**json.loads(text), "pose": 7}), "broken"),
    ],
)
def test_a_broken_or_later_session_is_put_aside_with_a_sentence(worm, tmp_path, spoil, word):
    _, files = worked(worm, tmp_path)
    spoilt = spoil(files.path.read_text(encoding="utf-8"))
    files.path.write_text(spoilt, encoding="utf-8")
    fresh = open_source(worm, SessionFiles(Session, tmp_path))
    assert fresh.session is None
    (sentence,) = fresh.says
    assert word in sentence
    assert "worm.session.json.aside" in sentence
    aside = tmp_path / "worm.session.json.aside"
    assert aside.read_text(encoding="utf-8") == spoilt


def test_what_another_panel_wrote_is_left_alone(worm, tmp_path, said):
    one, files = worked(worm, tmp_path)
    other, others = opened(worm, tmp_path, said)
    one.set_value("control2", "bend", 10.0)
    files.keep(one.session())
    files.flush()
    theirs = files.path.read_bytes()
    other.set_value("control2", "bend", 70.0)
    others.keep(other.session())
    others.flush()
    assert files.path.read_bytes() == theirs
    assert others.path == tmp_path / "worm.2.session.json"
    (sentence,) = said
    assert "worm.session.json" in sentence
    newest, _ = opened(worm, tmp_path)
    assert newest.pose["control2"].bend == 70.0


def test_another_mesh_of_that_name_has_a_session_of_its_own(worm, tmp_path):
    worked(worm, tmp_path)
    other = tmp_path / "deep" / "worm.obj"
    other.parent.mkdir()
    shutil.copy(MESHES / "grub.obj", other)
    opening = open_source(other, files := SessionFiles(Session, tmp_path))
    assert opening.session is None
    model = PanelModel()
    model.take(opening)
    files.keep(model.session())
    files.flush()
    assert files.path.name == "worm.2.session.json"
    assert files.last_opened() == other


def test_a_mesh_that_moved_is_known_by_its_vertices(worm, mesh_file, tmp_path):
    worked(worm, tmp_path)
    moved = tmp_path / "worm.obj"
    shutil.copy(mesh_file, moved)
    assert open_source(moved, SessionFiles(Session, tmp_path)).session is not None


def test_another_layout_given_from_python_is_taken_and_the_old_session_put_aside(worm, tmp_path):
    mesh = worm
    base = build_layout(mesh)
    model, files = opened(rs.bind(mesh, base), tmp_path)
    model.set_value("control2", "bend", 40.0)
    files.keep(model.session())
    files.flush()
    same = open_source(rs.bind(mesh, base), SessionFiles(Session, tmp_path))
    assert same.session is not None
    other = base.with_drive("skinned")
    fresh = open_source(rs.bind(mesh, other), SessionFiles(Session, tmp_path))
    assert fresh.session is None
    assert fresh.rig.layout is other
    assert "put aside" in fresh.says[0]


def test_where_nothing_can_be_written_a_sentence_is_said_once(worm, tmp_path):
    model, _ = opened(worm, tmp_path)
    told = []
    files = SessionFiles(Session, tmp_path / "gone", fail=told.append)
    for bend in (10.0, 20.0):
        model.set_value("control2", "bend", bend)
        files.keep(model.session())
        files.flush()
    assert len(told) == 1
    assert "gone" in told[0].sentence


def test_the_folder_is_the_notebooks_unless_it_is_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("RIBBONSIM_SESSIONS")
    assert session_folder() == tmp_path
    monkeypatch.setenv("RIBBONSIM_SESSIONS", "off")
    assert session_folder() is None
    monkeypatch.setenv("RIBBONSIM_SESSIONS", str(tmp_path / "nowhere"))
    assert session_folder() is None


@pytest.mark.slow
def test_a_panel_that_is_made_again_goes_on_where_it_was(mesh_file, tmp_path, monkeypatch):
    monkeypatch.setenv("RIBBONSIM_SESSIONS", str(tmp_path))
    panel = rs.Panel(mesh_file)
    panel._desk.act(lambda: panel.model.set_value("control2", "bend", 33.0))
    panel.close()
    with pytest.raises(RibbonsimError, match="closed"):
        panel.model.undo()
    again = rs.Panel()  # without a name: what was worked on last
    assert again.model.pose["control2"].bend == 33.0
    assert "Taken up as you left it" in again._desk.message.value
    again.close()

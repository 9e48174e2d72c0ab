"""Paths as they are written, names, steps back in words, and controls that keep their order."""

import numpy as np
import pytest
from tubes import tube

from ribbonsim.bendcheck.differences import Row
from ribbonsim.body.propose import Proposal
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.sections.numbers_section import _rank
from ribbonsim.panel.sections.open_section import OpenSection
from ribbonsim.panel.state import kept
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.paths import cleaned, find_file, offered, start_folders
from ribbonsim.panel.state.rider_names import with_telling_names


@pytest.fixture
def folders(tmp_path):
    """Where she started, with a mesh, and the notebook's folder, with another."""
    here, notebooks = tmp_path, tmp_path / "notebooks"
    notebooks.mkdir()
    for path in (here / "eel.obj", notebooks / "worm.ply", here / "notes.txt"):
        path.write_text("", encoding="utf-8")
    return [notebooks, here]


@pytest.mark.parametrize("text", ["eel.obj", " eel.obj ", "'eel.obj'", '"eel.obj"', "../eel.obj"])
def test_a_path_is_seen_from_the_notebook_and_from_where_she_started(folders, text):
    assert find_file(text, folders).resolve() == folders[1] / "eel.obj"


def test_a_path_with_quotes_and_from_home(folders, monkeypatch):
    monkeypatch.setenv("HOME", str(folders[1]))
    assert find_file("“~/eel.obj”", folders) == folders[1] / "eel.obj"
    assert find_file(f"'{folders[1]}/eel.obj'", []) == folders[1] / "eel.obj"


def test_a_file_that_is_not_there_is_told_with_where_it_was_looked_for(folders):
    with pytest.raises(RibbonsimError) as caught:
        find_file("eels.obj", folders)
    said = str(caught.value)
    assert "eels.obj is not there" in said
    assert all(str(folder) in said for folder in folders)
    assert "eel.obj" in said
    assert "worm.ply" in said
    assert "notes.txt" not in said
    with pytest.raises(RibbonsimError, match=r"is a folder: there are eel\.obj"):
        find_file(str(folders[1]), folders)


@pytest.mark.parametrize(
    ("text", "word"),
    [("", "no path"), ("  ''  ", "no path"), ("a\0b.obj", "printed"), ("x" * 5000, "too long"),
     ("x" * 300 + ".obj", "too long"), ("a\nb.obj", "printed"), ("~nobody9/x.obj", "not known")],
)  # fmt: skip
def test_what_cannot_be_a_path_is_a_sentence(folders, text, word):
    with pytest.raises(RibbonsimError, match=word) as caught:
        find_file(text, folders)
    assert len(str(caught.value)) < 300


def test_quotes_inside_a_name_stay():
    assert cleaned("o'eel.obj") == "o'eel.obj"


def test_meshes_there_are_offered_and_enter_opens(folders, monkeypatch):
    monkeypatch.chdir(folders[0])
    monkeypatch.setenv("RIBBONSIM_FOLDER", str(folders[1]))
    assert start_folders() == folders
    assert offered(start_folders()) == ["worm.ply", str(folders[1] / "eel.obj")]
    said, opened = [], []

    class Desk:
        complain = said.append

    section = OpenSection.__new__(OpenSection)
    section._desk, section.open = Desk, opened.append
    section._path = type("Field", (), {"value": "'eel.obj'"})()
    section._entered(None, {"event": "submit"}, [])
    section._entered(None, {"event": "other"}, [])
    assert opened == [folders[1] / "eel.obj"]
    section._path.value = "no.obj"
    section._entered(None, {"event": "submit"}, [])
    assert "no.obj is not there" in said[0]


# -- steps back ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def opened():
    x = np.linspace(0.0, 10.0, 41)
    model = PanelModel()
    model.open(tube(np.column_stack([x, np.zeros(41), np.zeros(41)]), 0.5))
    return model


@pytest.fixture
def model(opened):
    while opened.can_undo:
        opened.undo()
    return opened


def test_what_is_undone_is_said(model):
    steps = (
        (lambda: model.set_value("control2", "bend", 30.0), "bend of control2 0 → 30"),
        (lambda: model.set_value("control2", "shift", 0.5, axis=1), "shift of control2"),
        (lambda: kept.keep_pose(model, "bow"), "pose bow kept"),
        (lambda: edits.set_stations(model, 9), "stations 17 → 9"),
        (lambda: model.set_method("dual_quaternion"), "blending linear → dual quaternion"),
        (model.reset_all, "bend of control2 30 → 0"),
    )
    for change, words in steps:
        change()
        assert words in model.step_words(forward=False)
        assert model.step_words(forward=True) == ""
        model.undo()
        assert words in model.step_words(forward=True)
        model.redo()


def test_a_kept_pose_is_not_called_like_a_test_pose(model):
    for name in ("c_bend", "C bend"):
        with pytest.raises(RibbonsimError, match="a test pose is called"):
            kept.keep_pose(model, name)
    kept.keep_pose(model, "bow")
    with pytest.raises(RibbonsimError, match="a test pose is called"):
        kept.rename_pose(model, "bow", "s_bend")
    assert list(model.layout.poses) == ["bow"]


def test_controls_do_not_pass_each_other(model):
    first, _, third = (control.station for control in model.layout.controls[:3])
    name = model.layout.controls[1].name
    assert edits.free_stations(model.own, name) == (first + 1, third - 1)
    before = model.layout
    for station in (first, third, third + 1):
        with pytest.raises(RibbonsimError, match=f"stations {first + 1} to {third - 1}"):
            edits.move_control(model, name, station)
    assert model.layout is before
    edits.move_control(model, name, third - 1)
    assert [control.name for control in model.layout.controls] == [c.name for c in before.controls]


# -- names and words -----------------------------------------------------------------------------


class Plane:
    """Left and right are where x is positive and negative."""

    normal, offset = np.array([-1.0, 0.0, 0.0]), 0.0


def limb(name, tip, flat=False):
    """A proposal of a limb from the origin to a tip, and its points."""
    rng = np.random.default_rng(7)
    tip = np.array(tip, dtype=float)
    along = rng.uniform(0.0, 1.0, 400)[:, None] * tip
    beside = np.cross(tip, [0.3, 0.5, 0.8])
    beside /= np.linalg.norm(beside)
    across = np.cross(tip, beside) / np.linalg.norm(tip)
    wide, thick = (0.6, 0.05) if flat else (0.2, 0.2)
    points = along + rng.uniform(-1, 1, (400, 2)) @ np.array([wide * beside, thick * across])
    return name, np.vstack([points, tip])


def test_appendages_are_named_by_shape_and_side():
    made = [
        limb("appendage1", (4.0, 0.5, 0.0), flat=True),
        limb("appendage2", (-4.0, 0.5, 0.0), flat=True),
        limb("appendage3", (3.0, -2.0, 1.0)),
        limb("appendage4", (3.0, -2.0, 3.0)),
        limb("appendage5", (0.0, 3.0, 0.2), flat=True),
        limb("feeler", (1.0, 1.0, 1.0)),
    ]
    positions = np.vstack([points for _, points in made])
    proposals, start = [], 0
    for name, points in made:
        vertices = np.arange(start, start + len(points))
        start += len(points)
        guide = np.linspace(np.zeros(3), points[-1], 5)
        length = float(np.linalg.norm(points[-1]))
        proposals.append(
            Proposal(name, vertices[-1], guide, 0.5, length, 0.4, 1.0, vertices, np.eye(3)[1])
        )
    named = with_telling_names(proposals, positions, Plane, "y", ["body", "limb_l"])
    assert [p.name for p in named] == [
        "fin_l", "fin_r", "limb2_l", "limb3_l", "fin_top", "feeler",
    ]  # fmt: skip
    plain = with_telling_names(proposals[:2], positions, None, "y", ["body"])
    assert len({p.name for p in plain}) == 2


@pytest.mark.parametrize(("values", "said"), [((0.94, 0.93), False), ((0.93, 0.81), True)])
def test_best_and_worst_are_not_said_of_what_is_nearly_alike(values, said):
    row = Row.of("pinch", "girth", "high", 0.85, values, ["", ""])
    assert row.best
    assert [_rank(row, i) for i in (0, 1)] == (["best", "worst"] if said else ["", ""])

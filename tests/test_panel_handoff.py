"""The handoff section without a browser: what is written, said, stopped; files are read by others.

What the files hold is tested with the exporters; here they are only recognised, by usd-core and
pygltflib.
"""

import re
import time
from pathlib import Path

import numpy as np
import pygltflib
import pytest
from pxr import Usd, UsdGeom

import ribbonsim as rs
from ribbonsim.handoff.whole import FORMATS
from ribbonsim.panel import packing
from ribbonsim.panel.desk import Desk
from ribbonsim.panel.easel import EASEL
from ribbonsim.panel.handoff_section import HandoffSection

MESHES = Path(__file__).resolve().parents[1] / "meshes"


class Bench:
    """A desk with the tentacle on it, and the section as a person fills it in."""

    def __init__(self):
        self.desk = Desk((450, 300))
        self.section = HandoffSection(self.desk)
        self.desk.act(lambda: self.desk.model.open(MESHES / "tentacle.obj"))

    def fill(self, folder, formats=("gltf",), poses=(("test", "twist"),)):
        for key, box in self.section._formats.items():
            box.value = key in formats
        self.section._poses.value = poses
        self.section._folder.value = str(folder)
        self.section._replace.value = False
        for field in (self.section._scene, self.section._written, self.section._written_up):
            field.value = None

    def write(self):
        self.desk.say("")
        self.section._write.click()
        assert packing.PACKER.settle(120)
        assert EASEL.settle(30)
        return self.says

    @property
    def says(self):
        return re.sub(r"<[^>]*>", "", self.desk.message.value).replace("&#x27;", "'")


@pytest.fixture(scope="module")
def bench():
    made = Bench()
    yield made
    made.section.close()
    made.desk.viewer.close()
    assert EASEL.settle(30)


def test_every_format_has_a_box_and_all_are_ticked_at_first():
    section = Bench().section
    assert list(section._formats) == list(FORMATS)
    assert all(box.value for box in section._formats.values())
    assert section._poses.value == (("all", ""),)
    assert section._folder.value == "handoff/tentacle"
    # the demo creatures are modelled in centimetres, which is offered and not taken for granted
    assert section._scene.options[0] == ("not said; looks like the centimetre", None)
    assert section._scene.value is None


def test_files_are_written_and_named(bench, tmp_path):
    bench.fill(tmp_path / "out", FORMATS, [("now", ""), ("test", "curl")])
    bench.desk.act(lambda: bench.desk.model.set_pose(rs.Pose({"control2": {"bend": 30}}), "test"))
    says = bench.write()
    assert says.startswith(f"16 files written into {tmp_path / 'out'} in ")
    names = {file.name for file in (tmp_path / "out").iterdir()}
    assert {"tentacle_this_pose.obj", "tentacle_curl.obj", "tentacle.usdc"} <= names
    posed = rs.load_mesh(tmp_path / "out" / "tentacle_this_pose.obj").positions
    model = bench.desk.model
    assert np.array_equal(posed, model.rig.deform(model.pose))
    document = pygltflib.GLTF2().load(str(tmp_path / "out" / "tentacle.glb"))
    assert [animation.name for animation in document.animations] == ["this_pose", "curl"]
    shown = bench.section._results.value
    for name in names:
        assert name in shown
    assert shown.count("download=") == 3  # glTF, page and PDF are handed over
    assert not bench.section._packing.going
    assert bench.section._stop.disabled


def test_units_are_said_and_converted(bench, tmp_path):
    bench.fill(tmp_path, ["usd"])
    bench.section._scene.value, bench.section._written.value = "centimetre", "metre"
    bench.section._written_up.value = "z"
    assert "1 file written into" in bench.write()
    stage = Usd.Stage.Open(str(tmp_path / "tentacle.usdc"))
    assert UsdGeom.GetStageMetersPerUnit(stage) == 1.0
    assert UsdGeom.GetStageUpAxis(stage) == "Z"
    assert "converted from centimetres" in bench.section._results.value


def test_a_file_that_is_there_is_kept_until_the_box_is_ticked(bench, tmp_path):
    bench.fill(tmp_path)
    (tmp_path / "tentacle.glb").write_text("mine")
    assert "exists and is kept" in bench.write()
    assert "--force" not in bench.says
    assert (tmp_path / "tentacle.glb").read_text() == "mine"
    bench.section._replace.value = True
    assert "written into" in bench.write()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda s: setattr(s._folder, "value", "  "), "there is no folder"),
        (lambda s: [setattr(b, "value", False) for b in s._formats.values()], "no format is"),
        (lambda s: setattr(s._written, "value", "metre"), "scene's own is not known"),
    ],
)
def test_what_is_missing_is_said_in_a_sentence(change, sentence, bench, tmp_path):
    bench.fill(tmp_path)
    change(bench.section)
    assert sentence in bench.write()
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_written_is_named(bench, tmp_path):
    (tmp_path / "file").write_text("mine")
    bench.fill(tmp_path / "file")
    assert "choose a folder" in bench.write()
    assert not bench.section._write.disabled


def test_stopping_leaves_nothing(bench, tmp_path, monkeypatch):
    def slow(*_, progress, **__):
        for k in range(200):
            progress("write glTF", k, 200)
            time.sleep(0.02)
        raise AssertionError("was not stopped")

    monkeypatch.setattr(packing, "hand_off", slow)
    bench.fill(tmp_path / "new")
    bench.section._write.click()
    assert bench.section._packing.going
    assert not bench.section._stop.disabled
    bench.section._stop.click()
    assert packing.PACKER.settle(10)
    assert "Stopped: nothing was written." in bench.section._progress.value
    assert not (tmp_path / "new").exists()


def test_progress_rises_to_the_end(bench, tmp_path):
    bench.fill(tmp_path, FORMATS)
    shares = []
    bench.section._bar.observe(lambda change: shares.append(change["new"]), "value")
    bench.write()
    rising = shares[: int(np.argmax(shares)) + 1]
    assert rising == sorted(rising)
    assert max(shares) == 1.0


def test_a_defect_is_told_and_the_panel_lives_on(bench, tmp_path, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("by nought")

    monkeypatch.setattr(packing, "hand_off", broken)
    bench.fill(tmp_path)
    assert "this could not be written (ZeroDivisionError: by nought)" in bench.write()
    monkeypatch.undo()
    assert "written into" in bench.write()

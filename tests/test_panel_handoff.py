"""The handoff section without a browser: what is written, said, stopped; files are read by others.

What the files hold is tested with the exporters; here they are only recognised, by usd-core and
pygltflib.
"""

import re
import time

import numpy as np
import pygltflib
import pytest
from benches import SectionBench, kept_open
from demos import demo_mesh
from pxr import Usd, UsdGeom

import ribbonsim as rs
from ribbonsim.handoff.whole import FORMATS
from ribbonsim.panel.sections.handoff_section import HandoffSection
from ribbonsim.panel.state.playing import Playing
from ribbonsim.panel.work import packing
from ribbonsim.panel.work.worker import FILES


class Bench(SectionBench):
    """The section as a person fills it in, and the tentacle."""

    def __init__(self):
        self.playing = Playing()
        super().__init__(lambda desk: HandoffSection(desk, self.playing), demo_mesh("tentacle"))

    def fill(self, folder, formats=("gltf",), poses=(("test", "twist"),), motions=()):
        for key, box in self.section._formats.items():
            box.value = key in formats
        self.section._poses.value = poses
        self.section._motions.value = motions
        self.section._folder.value = str(folder)
        self.section._replace.value = False
        for field in (self.section._scene, self.section._written, self.section._written_up):
            field.value = None

    def write(self):
        self.desk.say("")
        self.section._write.click()
        self.rest()
        return self.says

    @property
    def says(self):
        return re.sub(r"<[^>]*>", "", self.desk.message.value).replace("&#x27;", "'")


bench = kept_open(Bench)


def test_every_format_has_a_box_and_all_are_ticked_at_first():
    section = Bench().section
    assert list(section._formats) == list(FORMATS)
    assert all(box.value for box in section._formats.values())
    assert section._poses.value == (("all", ""),)
    assert section._folder.value == "handoff/tentacle"
    # the demo creatures are modelled in centimetres, which is offered and not taken for granted
    assert section._scene.options[0] == ("not said; looks like the centimetre", None)
    assert section._scene.value is None


@pytest.mark.slow
def test_motions_leave_as_animations_as_they_are_set(bench, tmp_path):
    # glTF 2.0, 3.11 Animations: inputs of samplers are seconds
    rig = bench.desk.model.rig
    assert "flutter" not in bench.section._motions._boxes  # nothing flutters on it
    bench.playing.choose("strike")
    bench.playing.tell("seconds", 4.0)
    bench.fill(tmp_path, poses=[("now", "")], motions=["swim", "strike"])
    assert bench.write().startswith("1 file written")
    made = pygltflib.GLTF2().load(tmp_path / "tentacle.glb")
    ends = {
        one.name: max(made.accessors[sampler.input].max[0] for sampler in one.samplers)
        for one in made.animations
    }
    assert {name: ends.get(name) for name in ("swim", "strike")} == {
        "swim": pytest.approx(rig.motion("swim").seconds),
        "strike": pytest.approx(4.0),
    }


def test_files_are_written_and_named(bench, tmp_path):
    bench.fill(tmp_path / "out", FORMATS, [("now", ""), ("test", "curl")])
    bench.desk.act(lambda: bench.desk.model.set_pose(rs.Pose({"control2": {"bend": 30}}), "test"))
    says = bench.write()
    assert says.startswith(f"18 files written into {tmp_path / 'out'} in ")
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
    assert bench.section._job.stop.disabled


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
    assert not bench.section._job.stop.disabled
    bench.section._job.stop.click()
    assert FILES.settle(300)
    assert "Stopped: nothing was written." in bench.section._job.words.value
    assert not (tmp_path / "new").exists()


@pytest.mark.slow
def test_progress_rises_to_the_end(bench, tmp_path):
    bench.fill(tmp_path, FORMATS)
    shares = []
    bench.section._job.bar.observe(lambda change: shares.append(change["new"]), "value")
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

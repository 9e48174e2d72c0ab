"""Suggest a layout in the panel, without a browser: asked, stopped, shown, compared, taken."""

import io

import numpy as np
import pytest
from benches import SectionBench, kept_open
from demos import demo_rig
from PIL import Image
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.sections.suggest_section import SuggestSection
from ribbonsim.panel.state.model import PanelModel
from ribbonsim.panel.state.trial import Trial


class Bench(SectionBench):
    """The section, and a worm."""

    def __init__(self):
        super().__init__(SuggestSection, tube(s_curve(rings=61), 0.5, round_ends=3, name="worm"))

    def ask(self, *poses, most=4):
        for name, (box, _) in self.section._poses.items():
            box.value = name in poses
        self.section._most.value = most
        self.section._start()

    @property
    def layout(self):
        return self.desk.model.layout


made = kept_open(Bench)


@pytest.fixture
def bench(made):
    yield made
    made.section._suggesting.stop()
    made.rest()
    while made.desk.model.can_undo:
        made.desk.act(made.desk.model.undo)
    made.rest()


def test_what_is_found_is_what_python_finds_and_is_drawn(bench):
    bench.ask("look_aside")
    bench.rest()
    answer = bench.section._answer
    told = rs.suggest(bench.desk.model.rig, ["look_aside"], (2, 4), within=0.25).to_dict()
    assert answer.found.to_dict() == told
    plot = np.asarray(Image.open(io.BytesIO(bench.section._plot.value)).convert("RGB"), dtype=float)
    assert plot.std() > 5.0
    assert told["sentences"][0][:40] in bench.section._words.value


@pytest.mark.slow
def test_a_drive_that_is_chosen_is_the_drive_of_all_that_is_found(bench):
    bench.section._drive.value = "skinned"
    bench.ask("look_aside", most=3)
    bench.rest()
    found = bench.section._answer.found
    both = (*found.even.values(), *found.suggested.values())
    assert {placed.layout.drive for placed in both} == {"skinned"}
    rig = bench.desk.model.rig
    told = rs.suggest(rig, ["look_aside"], (2, 3), within=0.25, drive="skinned").to_dict()
    assert found.to_dict() == told
    bench.section._drive.value = "what is closer"


def test_a_point_is_shown_compared_and_taken_in_one_step(bench):
    bench.ask("look_aside")
    bench.rest()
    mine, section, model = bench.layout, bench.section, bench.desk.model
    section._click({"relativeX": 0.15 * 640, "boundingRectWidth": 640})
    assert section._numbers.value == 2
    assert len(bench.layout.controls) == 2
    section._click({"relativeX": 0.97 * 640, "boundingRectWidth": 640})
    assert len(bench.layout.controls) == 4
    shown = bench.layout
    section._switch()
    assert bench.layout is mine
    section._switch()
    assert bench.layout is shown
    section._keep()
    assert bench.layout is shown
    model.undo()
    assert bench.layout is mine
    assert not model.can_undo


def test_stop_keeps_the_best_so_far(bench):
    section = bench.section
    told, real = [], section._take_answer

    def stopping(answer):
        real(answer)
        told.append(answer)
        section._suggesting.stop()

    section._suggesting._deliver = stopping
    bench.ask("look_aside", most=12)
    bench.rest()
    section._suggesting._deliver = bench.desk.handed(section._take_answer)
    assert len(told) == 1
    assert section._answer is told[0]
    assert section._answer.found.numbers == (2,)


def test_nothing_ticked_is_said(bench):
    bench.ask()
    assert "no pose is ticked" in bench.desk.message.value


def test_a_change_in_between_is_not_undone():
    model = PanelModel()
    model.open(demo_rig("tentacle"))
    trial, mine = Trial(), model.layout
    trial.show(model, rs.Layout.from_ribbon(mine.ribbon, 17, 4))
    model.change_layout(rs.Layout.from_ribbon(mine.ribbon, 17, 6))
    mixed = model.layout
    with pytest.raises(RibbonsimError, match="was changed meanwhile"):
        trial.compare(model)
    assert model.layout is mixed

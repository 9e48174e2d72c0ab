"""Films of motions: whole loops, one framing, and sheets of moments."""

import itertools

import numpy as np
import pytest
from PIL import Image

import ribbonsim as rs
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.show.filming import FilmOptions, frames_for, loops_in, plan_film
from ribbonsim.show.moves import CameraPath
from ribbonsim.show.studio import Look


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh("meshes/tentacle.obj")
    return rs.bind(mesh, build_layout(mesh))


def test_a_film_holds_whole_loops(rig):
    options = FilmOptions("swim", frames=72, camera=CameraPath(turns=0))
    plan = plan_film(rig, None, options)
    # 1.6 s at 24 frames a second are 38 frames; two loops of 36 are nearest
    assert [moment.before for moment in plan.moments] == [*range(36), *range(36)]
    assert plan.azimuths == plan.azimuths[:1] * 72
    assert loops_in(38, 38) == 1
    assert frames_for(rig.motion("swim"), 24, 0.0) == 38
    assert frames_for(rig.motion("swim"), 24, 1.0) == 76


def test_layouts_move_in_step(rig):
    other = rs.bind(rig.mesh, rig.layout.with_added(7))
    plan = plan_film([rig, other], None, FilmOptions("slither", frames=12))
    a, b = (one[5].targets["body"].frames for one in plan.instants)
    assert np.array_equal(a, b)


def test_a_film_loops_without_a_jump(rig, tmp_path):
    draft = Look(quality="draft")
    rs.turntable(
        rig, tmp_path / "swim", motion="swim", camera=CameraPath(turns=0), look=draft,
        size=(240, 180), frames=12, fps=8,
    )  # fmt: skip
    pictures = [np.asarray(Image.open(f), float) for f in sorted((tmp_path / "swim").iterdir())]
    assert len(pictures) == 12
    steps = [np.abs(a - b).mean() for a, b in itertools.pairwise(pictures)]
    assert max(steps) > 0.2  # it moves
    assert np.abs(pictures[-1] - pictures[0]).mean() < 1.5 * max(steps)


@pytest.mark.slow
def test_a_sheet_shows_moments(rig, tmp_path):
    sheet = rs.contact_sheet(
        rig, tmp_path / "crawl.png", motion="crawl", paper="16:9", look=Look(quality="draft")
    )
    assert sheet.pictures == 8


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"motion": "fly"}, "no motion is called 'fly'"),
        ({"motion": "swim", "pose": "c_bend"}, "a motion has its own poses"),
    ],
)
def test_what_does_not_go_together_is_said(rig, tmp_path, given, said):
    with pytest.raises(rs.RibbonsimError, match=said):
        rs.turntable(rig, tmp_path / "no.gif", **given)


def test_a_motion_that_travels_is_not_filmed(rig, tmp_path):
    with pytest.raises(rs.RibbonsimError, match="film it on the spot"):
        rs.turntable(rig, tmp_path / "no.gif", motion=rig.motion("swim", travels=True))

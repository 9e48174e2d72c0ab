"""What motions cost, beside what posing the same frames costs."""

import time

import pytest

import ribbonsim as rs
from ribbonsim.bendcheck.over_time import measure_motions
from ribbonsim.rig.first_layout import build_layout

pytestmark = pytest.mark.bench


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh("meshes/lampeel.obj")
    made = rs.bind(mesh, build_layout(mesh))
    made.stage, made.skinner  # noqa: B018  # found once for a rig
    return made


def best(work, turns=3):
    """Seconds of processor time."""
    found = []
    for _ in range(turns):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found)


def test_48_frames_are_baked_in_half_a_second(rig):
    taken = best(lambda: [f.skin() for f in rig.motion("swim", seconds=2).frames(24)])
    print(f"48 frames baked: {taken:.2f} s, 0.50 wanted{'' if taken <= 0.5 else ', missed'}")


def test_48_frames_are_checked_in_three_seconds(rig):
    taken = best(lambda: measure_motions(rig, [rig.motion("swim", seconds=2)]), 1)
    print(f"48 frames checked: {taken:.2f} s, 3.00 wanted{'' if taken <= 3.0 else ', missed'}")

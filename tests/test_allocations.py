"""What posing and checking allocate while a slider is dragged, on 100,000 vertices."""

import tracemalloc

import numpy as np
import pytest
from big import big_rig
from cases import first_of

from ribbonsim.bendcheck.measures import Gauge


def peak_of(run):
    """The most bytes held at once while it runs, beyond those before."""
    tracemalloc.start()
    try:
        kept = run()
        return tracemalloc.get_traced_memory()[1], kept
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("kind", "method"),
    first_of(
        (np.float32, "linear"),
        (np.float64, "linear"),
        (np.float32, "dual_quaternion"),
        (np.float64, "dual_quaternion"),
    ),
)
def test_posing_into_out_allocates_next_to_nothing(kind, method):
    rig = big_rig()
    pose = rig.pose_for("c_bend", 90)
    out = np.empty(rig.mesh.positions.shape, kind)
    rig.deform(pose, method, out=out)  # the first pose lays out what later poses use
    peak, _ = peak_of(lambda: rig.deform(pose, method, out=out))
    assert peak < 1_000_000  # the result alone is 1.2 or 2.4 MB


def test_measures_allocate_little_more_than_their_results():
    rig = big_rig()
    gauge, pose = Gauge(rig), rig.pose_for("s_bend")
    positions, ribbon = rig.deform(pose, dtype=np.float32), rig.pose_ribbon(pose)
    gauge.measure(positions, ribbon)
    peak, measures = peak_of(lambda: gauge.measure(positions, ribbon))
    results = measures.stretch.nbytes + measures.area.nbytes + measures.folded.nbytes
    # beside them: the positions axis by axis, the vertices' turning, one tile's scratch
    assert peak < results + 60 * len(positions)

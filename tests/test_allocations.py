"""What posing and checking allocate while a slider is dragged, on 100,000 vertices.

Measured in a process of its own: allocations of every thread are counted, and a thread that an
earlier test left at work would count too.
"""

import json
import subprocess
import sys
import tracemalloc
from functools import cache

import numpy as np
import pytest
from big import big_rig
from cases import first_of

from ribbonsim.bendcheck.measures import Gauge

POSINGS = (
    ("float32", "linear"),
    ("float64", "linear"),
    ("float32", "dual_quaternion"),
    ("float64", "dual_quaternion"),
)


def peak_of(run):
    """The most bytes held at once while it runs, beyond those before."""
    tracemalloc.start()
    try:
        kept = run()
        return tracemalloc.get_traced_memory()[1], kept
    finally:
        tracemalloc.stop()


def peak_of_posing(kind, method):
    rig = big_rig()
    pose = rig.pose_for("c_bend", 90)
    out = np.empty(rig.mesh.positions.shape, kind)
    rig.deform(pose, method, out=out)  # the first pose lays out what later poses use
    return peak_of(lambda: rig.deform(pose, method, out=out))[0]


def peak_beside_measures():
    """Bytes a vertex, beyond what is returned."""
    rig = big_rig()
    gauge, pose = Gauge(rig), rig.pose_for("s_bend")
    positions, ribbon = rig.deform(pose, dtype=np.float32), rig.pose_ribbon(pose)
    gauge.measure(positions, ribbon)
    peak, measures = peak_of(lambda: gauge.measure(positions, ribbon))
    results = measures.stretch.nbytes + measures.area.nbytes + measures.folded.nbytes
    return (peak - results) / len(positions)


@cache
def peaks():
    done = subprocess.run(
        [sys.executable, __file__], capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize(("kind", "method"), first_of(*POSINGS))
def test_posing_into_out_allocates_next_to_nothing(kind, method):
    assert peaks()[f"{kind} {method}"] < 1_000_000  # the result alone is 1.2 or 2.4 MB


def test_measures_allocate_little_more_than_their_results():
    # beside them: the positions axis by axis, the vertices' turning, one tile's scratch
    assert peaks()["measures"] < 60


if __name__ == "__main__":
    posing = {f"{kind} {method}": peak_of_posing(kind, method) for kind, method in POSINGS}
    print(json.dumps(posing | {"measures": peak_beside_measures()}))

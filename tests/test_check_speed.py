"""Speed of the bend check at 100,000 triangles: what it must keep up with while dragging."""

import time
import tracemalloc
from functools import cache

import igl
import numpy as np
from tubes import straight, tube

from ribbonsim import Layout, Ribbon, bind
from ribbonsim.check.measures import Gauge

RINGS, AROUND = 1000, 50


@cache
def posed_case():
    mesh = tube(straight(100.0, RINGS), 3.0, AROUND)
    assert len(mesh.triangles) == 100_000
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(straight(100.0), 4.0, 16), 17, 5))
    pose = rig.pose_for("s_bend")
    positions = rig.deform(pose, dtype=np.float32)
    return Gauge(rig), positions, rig.pose_ribbon(pose)


def quickest(run, limit, least=2.0, most=15.0):
    """Least time of a call: what the work takes when nothing else wants the machine.

    While over the limit it waits longer for such a moment.
    """
    run()
    best, begin = np.inf, time.perf_counter()
    while time.perf_counter() < begin + (least if best <= limit else most):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best


def test_all_measures_but_contacts_within_five_milliseconds(benchmark):
    gauge, positions, ribbon = posed_case()

    def run():
        return gauge.measure(positions, ribbon)

    best = quickest(run, 5e-3)
    benchmark.extra_info["least ms"] = 1e3 * best
    benchmark.pedantic(run, rounds=20)
    assert best <= 5e-3


def test_contacts_cost_little_more_than_libigls_call(benchmark):
    gauge, positions, _ = posed_case()
    triangles, points = gauge.rig.mesh.triangles, positions.astype(float)

    def theirs():
        return igl.predicates.find_self_intersections(points, triangles, False)

    def ours():
        return gauge.contacts(positions)

    ours()  # the rest is looked at once
    times = []
    for _ in range(12):
        row = []
        for run in (ours, theirs):
            start = time.perf_counter()
            run()
            row.append(time.perf_counter() - start)
        times.append(row)
    mine, libigl = np.min(times, axis=0)
    benchmark.extra_info["ours over libigl"] = mine / libigl
    benchmark.pedantic(ours, rounds=3)
    assert mine <= 1.2 * libigl


def test_a_pose_allocates_little_more_than_its_results():
    gauge, positions, ribbon = posed_case()
    gauge.measure(positions, ribbon)
    tracemalloc.start()
    try:
        measures = gauge.measure(positions, ribbon)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    results = measures.stretch.nbytes + measures.area.nbytes + measures.folded.nbytes
    # beside them: the positions axis by axis, the vertices' turning, one tile's scratch
    assert peak < results + 3_000_000

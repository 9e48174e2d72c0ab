"""Speed of the bend check at 100,000 triangles: what it must keep up with while dragging."""

import time
import tracemalloc
from functools import cache

import igl
import numpy as np
from tubes import straight, tube

from ribbonsim import Layout, Ribbon, bind
from ribbonsim.bendcheck.measures import Gauge

RINGS, AROUND = 1000, 50


@cache
def posed_case():
    mesh = tube(straight(100.0, RINGS), 3.0, AROUND)
    assert len(mesh.triangles) == 100_000
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(straight(100.0), 4.0, 16), 17, 5))
    pose = rig.pose_for("s_bend")
    positions = rig.deform(pose, dtype=np.float32)
    return Gauge(rig), positions, rig.pose_ribbon(pose)


def least_times(rounds, *runs):
    """Least time of each call, taken in turn so that they share the machine's moods."""
    times = []
    for _ in range(rounds):
        row = []
        for run in runs:
            start = time.perf_counter()
            run()
            row.append(time.perf_counter() - start)
        times.append(row)
    return np.min(times, axis=0)


def test_all_measures_but_contacts_take_a_tenth_of_numpys_singular_values(benchmark):
    # numpy.linalg.svd of the same 100,000 deformation gradients, and nothing else, beside
    # stretch, area, folds, girth and volume together
    gauge, positions, ribbon = posed_case()
    rest, triangles = gauge.rig.mesh.positions, gauge.rig.mesh.triangles
    edges = [
        np.stack([p[triangles[:, k]] - p[triangles[:, 0]] for k in (1, 2)], axis=-1)
        for p in (rest, positions)
    ]
    gradients = (edges[1] @ np.linalg.pinv(edges[0])).astype(np.float32)

    def ours():
        return gauge.measure(positions, ribbon)

    def theirs():
        return np.linalg.svd(gradients, compute_uv=False)

    ours()
    mine, numpys = least_times(5, ours, theirs)
    benchmark.extra_info["ours over numpy's"] = mine / numpys
    benchmark.pedantic(ours, rounds=20)
    assert mine <= 0.1 * numpys


def test_contacts_cost_little_more_than_libigls_call(benchmark):
    gauge, positions, _ = posed_case()
    triangles, points = gauge.rig.mesh.triangles, positions.astype(float)

    def theirs():
        return igl.predicates.find_self_intersections(points, triangles, False)

    def ours():
        return gauge.contacts(positions)

    ours()  # the rest is looked at once
    mine, libigl = least_times(12, ours, theirs)
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

"""What six appendages cost: binding and posing against the same mesh on one ribbon, same run."""

from functools import cache

import numpy as np
import pytest
from limbs import six_arms
from test_speed import contest

from ribbonsim import Pose, bind
from ribbonsim.build import BuildOptions, build_layout


@cache
def both():
    """A mesh of 100,000 vertices, its layout with the body's ribbon alone, and with six more."""
    mesh, _ = six_arms(0.118)
    assert len(mesh.positions) >= 100_000
    plain, full = build_layout(mesh), build_layout(mesh, BuildOptions(appendages=True))
    assert len(full.appendages) == 6
    return mesh, plain, full


@cache
def rigs():
    mesh, plain, full = both()
    return bind(mesh, plain), bind(mesh, full)


def test_binding_six_appendages_takes_at_most_twice_as_long_again(benchmark):
    mesh, plain, full = both()
    one, seven = contest(lambda: bind(mesh, plain), lambda: bind(mesh, full), rounds=2, calls=1)
    benchmark.extra_info["seven ribbons over one"] = seven / one
    benchmark.extra_info["seconds with seven ribbons"] = seven
    benchmark.pedantic(lambda: bind(mesh, full), rounds=1)
    assert seven <= 3.0 * one


@pytest.mark.parametrize("method", ["linear", "dual_quaternion"])
def test_posing_with_six_appendages_takes_at_most_twice_the_time(benchmark, method):
    one, seven = rigs()
    body = one.pose_for("s_bend")
    whole = Pose({**body.controls, **seven.pose_for("appendage_curl").controls})
    out = np.empty(one.mesh.positions.shape, np.float32)

    def all_of_it():
        seven.deform(whole, method, out=out)

    alone, together = contest(lambda: one.deform(body, method, out=out), all_of_it, rounds=31)
    benchmark.extra_info["seven ribbons over one"] = together / alone
    benchmark.pedantic(all_of_it, rounds=10)
    assert together <= 2.0 * alone

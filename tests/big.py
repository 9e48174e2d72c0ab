"""A straight worm of 100,000 vertices, bound: what speed and memory are looked at on."""

from functools import cache

from tubes import bound_along_x, straight, tube

from ribbonsim import Layout, Ribbon


@cache
def big_rig():
    mesh = tube(straight(100.0, 2000), 3.0, 50)
    assert len(mesh.positions) >= 100_000
    return bound_along_x(mesh, Layout.from_ribbon(Ribbon.along(straight(100.0), 4.0, 16), 17, 5))

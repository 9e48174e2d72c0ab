"""The bend check at 100,000 triangles, which must keep up with a drag, beside numpy and libigl."""

from pathlib import Path

import igl
import igl.predicates
import numpy as np
import pytest
from tubes import straight, tube

from ribbonsim import Layout, Ribbon, bind, check, load_mesh
from ribbonsim.bendcheck.measures import Gauge
from ribbonsim.pages.check_page import check_into_folder
from ribbonsim.rig.first_layout import build_layout

pytestmark = pytest.mark.bench
MESHES = Path(__file__).resolve().parents[2] / "meshes"


@pytest.fixture(scope="module")
def case():
    mesh = tube(straight(100.0, 1000), 3.0, 50)
    assert len(mesh.triangles) == 100_000
    rig = bind(mesh, Layout.from_ribbon(Ribbon.along(straight(100.0), 4.0, 16), 17, 5))
    pose = rig.pose_for("s_bend")
    return Gauge(rig), rig.deform(pose, dtype=np.float32), rig.pose_ribbon(pose)


def test_measures_beside_singular_values(race, case):
    # numpy.linalg.svd of the same deformation gradients, and nothing else, beside stretch,
    # area, folds, girth and volume together
    gauge, positions, ribbon = case
    rest, triangles = gauge.rig.mesh.positions, gauge.rig.mesh.triangles
    edges = [
        np.stack([p[triangles[:, k]] - p[triangles[:, 0]] for k in (1, 2)], axis=-1)
        for p in (rest, positions)
    ]
    gradients = (edges[1] @ np.linalg.pinv(edges[0])).astype(np.float32)
    race(
        "all measures but contacts over numpy's singular values",
        lambda: gauge.measure(positions, ribbon),
        lambda: np.linalg.svd(gradients, compute_uv=False),
        wanted=0.1,
        rounds=9,
        calls=1,
    )


def test_contacts_beside_libigl(race, case):
    gauge, positions, _ = case
    triangles, points = gauge.rig.mesh.triangles, positions.astype(float)
    gauge.contacts(positions)  # the rest is looked at once
    race(
        "contacts over libigl's call",
        lambda: gauge.contacts(positions),
        lambda: igl.predicates.find_self_intersections(points, triangles, False),
        wanted=1.2,
        rounds=12,
        calls=1,
    )


def test_a_whole_check_beside_libigl(race, tmp_path):
    # all test poses of a creature of 20,000 vertices, measured, searched for contacts and held
    # against the floor; libigl only looks for contacts in the same ten skins
    mesh = load_mesh(MESHES / "lampeel.obj")
    rig = bind(mesh, build_layout(mesh))
    skins = [
        np.asarray(case.positions, float) for case in check(rig, remedies=False).cases.values()
    ]

    def theirs():
        for points in skins:
            igl.predicates.find_self_intersections(points, mesh.triangles, False)

    # 1.9 s where the other takes 1: 3 s are asked without pages, and 12 with them
    race("a check over libigl's contacts", lambda: check(rig), theirs, 3.0, rounds=2, calls=1)
    race(
        "a check with its page over libigl's contacts",
        lambda: check_into_folder(rig, tmp_path / "out", force=True),
        theirs,
        wanted=12.0,
        rounds=1,
        calls=1,
    )

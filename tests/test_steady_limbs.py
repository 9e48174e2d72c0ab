"""Guide and appendages hang on no last bit: vertices moved by rounding, and other BLAS kernels."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cases import first_of
from demos import demo_mesh

from ribbonsim import CreatureMesh, bind, find_appendages, find_guide
from ribbonsim.rig.first_layout import BuildOptions, build_layout

MESHES = Path(__file__).parent.parent / "meshes"
FOUND = """
import sys, numpy as np
from ribbonsim import find_appendages, find_guide, load_mesh
mesh = load_mesh(sys.argv[1])
guide = find_guide(mesh)
found = find_appendages(mesh, guide)
np.savez(sys.argv[2], guide=guide, **{p.name: p.vertices for p in found})
"""


@pytest.mark.parametrize("name", first_of("lampeel", "snuffer"))
@pytest.mark.parametrize("jitter", first_of(1e-6, 1e-9))
def test_vertices_moved_a_little_give_the_same_guide_and_appendages(name, jitter):
    mesh = demo_mesh(name)
    noise = np.random.default_rng(5).normal(size=mesh.positions.shape)
    moved = mesh.with_positions(mesh.positions + jitter * mesh.diagonal * noise)
    guide = find_guide(mesh)
    length = np.linalg.norm(np.diff(guide, axis=0), axis=1).sum()
    if jitter < 1e-8:
        assert np.linalg.norm(find_guide(moved) - guide, axis=1).max() < 1e-5 * length
    check_same(mesh, find_appendages(mesh, guide), find_appendages(moved, find_guide(moved)))


def check_same(mesh, one, other):
    assert [p.name for p in one] == [p.name for p in other]
    for a, b in zip(one, other, strict=True):
        differ = np.setxor1d(a.vertices, b.vertices)
        near = np.isin(mesh.edges, differ).any(axis=1)
        ring = np.isin(mesh.edges, a.vertices)
        # only vertices of the rim may change sides
        rim = mesh.edges[near & (ring[:, 0] != ring[:, 1])]
        assert np.isin(differ, rim).all()


@pytest.mark.parametrize("name", first_of("lampeel", "snuffer"))
def test_appendages_keep_their_limbs_on_moved_and_renumbered_vertices(name):
    mesh = demo_mesh(name)
    layout = build_layout(mesh, BuildOptions(appendages=True))
    limbs = bind(mesh, layout).limbs
    rng = np.random.default_rng(8)
    moved = mesh.positions + 1e-6 * mesh.diagonal * rng.normal(size=mesh.positions.shape)
    seats = rng.permutation(len(moved))
    shuffled = np.empty_like(moved)
    shuffled[seats] = moved
    other = CreatureMesh.from_arrays(shuffled, [seats[face].tolist() for face in mesh.polygons])
    again = bind(other, layout).limbs
    assert list(again) == list(limbs)
    for limb in limbs:
        there = np.sort(seats[limbs[limb].vertices])
        differ = np.setxor1d(there, again[limb].vertices)
        # the rim alone may change sides
        assert len(differ) <= len(limbs[limb].base)


def test_a_tip_that_is_moved_off_its_limb_or_near_another_stays_with_the_one_it_points_at():
    mesh = demo_mesh("lampeel")
    layout = build_layout(mesh, BuildOptions(appendages=True))
    limbs = bind(mesh, layout).limbs
    fin = layout.appendage("fin_l")
    points = fin.layout.ribbon.control_points
    # drawn shorter by half, and on past its tip
    for share in (0.5, 1.15):
        other = replace(
            fin.layout.ribbon, control_points=points[:1] + share * (points - points[:1])
        )
        there = replace(fin, layout=replace(fin.layout, ribbon=other))
        again = bind(mesh, layout.with_appendage(there)).limbs
        np.testing.assert_array_equal(again["fin_l"].vertices, limbs["fin_l"].vertices)


@pytest.mark.slow
@pytest.mark.parametrize("name", first_of("lampeel", "snuffer"))
def test_every_blas_kernel_gives_the_same_guide_and_appendages(name, tmp_path):
    answers = []
    for kernel in ("Haswell", "Zen", "Prescott"):
        out = tmp_path / f"{kernel}.npz"
        command = [sys.executable, "-c", FOUND, str(MESHES / f"{name}.obj"), str(out)]
        subprocess.run(command, check=True, env={**os.environ, "OPENBLAS_CORETYPE": kernel})
        answers.append(np.load(out))
    first = answers[0]
    for other in answers[1:]:
        assert first.files == other.files
        np.testing.assert_allclose(other["guide"], first["guide"], rtol=0, atol=1e-6)
        for key in first.files[1:]:
            np.testing.assert_array_equal(other[key], first[key])

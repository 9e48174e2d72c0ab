"""Light worked out at vertices, held against VTK's own light at each pixel (Phong 1975)."""

import numpy as np
import pytest
from tubes import straight, tube

from ribbonsim.view.camera import fit_camera, named_view
from ribbonsim.view.light import lit_colours
from ribbonsim.view.look import CLAY, CLAY_SURFACE, LAMPS, Scale, colour
from ribbonsim.view.scene import Stage


@pytest.fixture(scope="module")
def dense():
    return tube(straight(rings=160), 1.0, around=48, round_ends=6)


def show(stage, skin, values):
    if skin == "clay":
        stage.show_clay()
    else:
        stage.show_values(values, Scale("value", 0.0, 1.0, False))


@pytest.mark.parametrize("skin", ["clay", "values"])
def test_quick_picture_matches_vtk_lighting_each_pixel(dense, skin):
    values = np.linspace(0.0, 1.0, len(dense.positions))
    pictures = []
    with Stage(dense, (320, 240)) as stage:
        for quick in (False, True):
            stage.hurry(quick)
            show(stage, skin, values)
            pictures.append(stage.image(labels=False).astype(int))
    creature = np.abs(pictures[0] - pictures[0][:1, :1]).sum(axis=2) > 60
    assert creature.mean() > 0.02
    apart = np.abs(pictures[0] - pictures[1])
    assert apart[creature].mean() < 2.0  # of 255
    assert apart.mean() < 0.5


@pytest.mark.parametrize("skin", ["clay", "values"])
def test_a_very_dense_skin_that_moves_is_drawn_with_few_triangles_and_looks_alike(skin):
    mesh = tube(straight(rings=760), 1.0, around=64, round_ends=6)
    values = np.linspace(0.0, 1.0, len(mesh.positions))
    pictures, cells = [], []
    with Stage(mesh, (320, 240)) as stage:
        for quick in (False, True, False):
            stage.hurry(quick)
            show(stage, skin, values)
            pictures.append(stage.image(labels=False).astype(int))
            cells.append(stage._body.GetNumberOfPolys())
        stage.show_edges(True)
        stage.hurry(True)
        stage.show_clay()
        assert stage._body.GetNumberOfPolys() == cells[0]  # whose edges are drawn
    assert cells[1] < 0.7 * cells[0]
    assert cells[2] == cells[0]
    creature = np.abs(pictures[0] - pictures[0][:1, :1]).sum(axis=2) > 60
    assert creature.mean() > 0.02
    apart = np.abs(pictures[0] - pictures[1])
    assert apart[creature].mean() < 4.0  # of 255
    assert np.array_equal(pictures[0], pictures[2])


def test_matt_light_is_lambert_cosine(dense):
    """I. e. the sum over lamps of intensity, colour and the cosine, J. H. Lambert 1760."""
    camera = fit_camera(dense.positions, named_view("front"), 1.5)
    rng = np.random.default_rng(3)
    normals = rng.normal(size=(200, 3)).astype(np.float32)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    points = np.zeros_like(normals)
    matt = type(CLAY_SURFACE)(ambient=0.1, diffuse=0.5, specular=0.0, specular_power=1.0)
    base = np.array(colour(CLAY), dtype=np.float32)
    got = lit_colours(base, points, normals, camera, matt, CLAY)
    for normal, found in zip(normals, got, strict=True):
        light = np.full(3, 0.1)
        for lamp in LAMPS:
            towards = np.array(lamp.position) / np.linalg.norm(lamp.position) @ camera.axes
            tone = np.array(colour(lamp.colour)) * lamp.intensity
            light += 0.5 * max(0.0, float(normal @ towards)) * tone
        wanted = 255.0 * np.clip(light * base, 0.0, 1.0)
        assert np.abs(found - wanted).max() <= 1.0

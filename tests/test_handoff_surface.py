"""Ribbons as OBJ free-form surfaces: read by a reader of this file, evaluated by geomdl.

The reader knows nothing of the writer. It is first held against two examples of the OBJ
specification ("Advanced Visualizer" manual, appendix B1), whose values scipy and geomdl agree on.
"""

import numpy as np
import pytest
import tubes
from geomdl import BSpline as Geomdl

import ribbonsim as rs
from ribbonsim.handoff.obj import export_surface, surface_text, written_ribbons
from ribbonsim.handoff.units import Units

# Example 3 of the specification, as two public parsers' tests transcribe it.
SPECIFIED = """
v -5.000000 -5.000000 -7.808327
v -5.000000 -1.666667 -7.808327
v -5.000000 1.666667 -7.808327
v -5.000000 5.000000 -7.808327
v -1.666667 -5.000000 -7.808327
v -1.666667 -1.666667 11.977780
v -1.666667 1.666667 11.977780
v -1.666667 5.000000 -7.808327
v 1.666667 -5.000000 -7.808327
v 1.666667 -1.666667 11.977780
v 1.666667 1.666667 11.977780
v 1.666667 5.000000 -7.808327
v 5.000000 -5.000000 -7.808327
v 5.000000 -1.666667 -7.808327
v 5.000000 1.666667 -7.808327
v 5.000000 5.000000 -7.808327
cstype bspline
deg 3 3
surf 0.0 1.0 0.0 1.0 13 14 \\
15 16 9 10 11 12 5 6 7 8 1 2 3 4
parm u -3.0 -2.0 -1.0 0.0 1.0 2.0 3.0 4.0
parm v -3.0 -2.0 -1.0 0.0 1.0 2.0 3.0 4.0
end
"""


class Surface:
    """A free-form surface: degrees, knots, ranges and control points, v fastest."""

    def __init__(self, name, degrees, ranges, knots, points):
        self.name, self.degrees, self.ranges, self.knots = name, degrees, ranges, knots
        self.points = points

    def at(self, u, v):
        """Evaluate with geomdl, which counts parameters from 0 to 1 over all knots."""
        made = Geomdl.Surface(normalize_kv=False)
        made.degree_u, made.degree_v = self.degrees
        made.ctrlpts_size_u, made.ctrlpts_size_v = self.points.shape[:2]
        made.ctrlpts = self.points.reshape(-1, 3).tolist()
        made.knotvector_u, made.knotvector_v = self.knots
        return np.array(made.evaluate_single((u, v)))


def read_surfaces(text):
    """Read ``cstype bspline`` surfaces by the letter of the specification."""
    vertices, found, name, kind, degrees, surface, parms = [], [], "", "", None, None, {}
    for line in text.replace("\\\n", " ").splitlines():
        word, *rest = line.split("#")[0].split() or [""]
        if word == "v":
            vertices.append([float(x) for x in rest])
        elif word == "o":
            name = rest[0]
        elif word == "cstype":
            kind = rest
        elif word == "deg":
            degrees = [int(x) for x in rest]
        elif word == "surf":
            ranges = [float(x) for x in rest[:4]]
            numbers = [int(x) for x in rest[4:]]
            surface = ranges, [n - 1 if n > 0 else len(vertices) + n for n in numbers]
        elif word == "parm":
            parms[rest[0]] = [float(x) for x in rest[1:]]
        elif word == "end":
            assert kind == ["bspline"]
            sizes = [len(parms[axis]) - d - 1 for axis, d in zip("uv", degrees, strict=True)]
            points = np.array(vertices)[surface[1]]
            assert len(points) == sizes[0] * sizes[1]
            grid = points.reshape(sizes[1], sizes[0], 3).transpose(1, 0, 2)  # u runs fastest
            found.append(Surface(name, degrees, surface[0], (parms["u"], parms["v"]), grid))
            surface, parms = None, {}
    return found


def test_reader_matches_the_specification():
    (surface,) = read_surfaces(SPECIFIED)
    expected = {
        (0.0, 0.0): (1.666667, -1.666667, 5.932025),
        (0.5, 0.5): (0.0, 0.0, 10.363289),
        (1.0, 1.0): (-1.666667, 1.666667, 5.932025),
        (0.25, 0.75): (-0.833333, -0.833333, 9.197506),
    }
    for (u, v), point in expected.items():
        assert np.allclose(surface.at(u, v), point, rtol=0, atol=2e-6)


@pytest.fixture(scope="module")
def rig():
    mesh = tubes.tube(tubes.s_curve(), 0.6)
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=0.5, spans=9)
    ribbon = ribbon.insert_knots([0.83, 0.91, 0.91])
    return rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=11, controls=4))


def test_surface_read_back_matches_the_ribbon_by_geomdl(rig, tmp_path):
    path = export_surface(rig, tmp_path / "ribbon.obj")
    (surface,) = read_surfaces(path.read_text())
    ribbon = rig.layout.ribbon
    assert surface.name == "ribbon"
    assert surface.degrees == [1, 3]
    assert surface.ranges == [0.0, 1.0, 0.0, 1.0]
    assert surface.knots[1] == ribbon.knots.tolist()
    rng = np.random.default_rng(3)
    for u, t in rng.uniform(size=(60, 2)):
        assert np.allclose(surface.at(u, t), ribbon.evaluate(u, t), rtol=0, atol=1e-12)


def test_numbers_read_back_bit_for_bit(rig):
    (surface,) = read_surfaces(surface_text({"ribbon": rig.layout.ribbon}))
    assert np.array_equal(surface.points.transpose(1, 0, 2), rig.layout.ribbon.control_points)


def test_several_ribbons_count_their_vertices_on(rig):
    one = rig.layout.ribbon
    two = rs.Ribbon.along([[0, 5, 0], [3, 6, 1]], width=0.2, spans=3)
    first, second = read_surfaces(surface_text({"ribbon": one, "ribbon_усик": two}))
    assert second.name == "ribbon_усик"
    assert np.array_equal(first.points.transpose(1, 0, 2), one.control_points)
    assert np.array_equal(second.points.transpose(1, 0, 2), two.control_points)


def test_units_and_axes_are_converted_and_stated(rig, tmp_path):
    units = Units("centimetre", "metre", "y", "z")
    text = export_surface(rig, tmp_path / "ribbon.obj", units=units).read_text()
    assert "# Lengths are in metres, converted from centimetres; the z axis points up" in text
    (surface,) = read_surfaces(text)
    x, y, z = rig.layout.ribbon.evaluate(0.3, 0.6)
    # turned by a right angle about x: what pointed along y points along z
    assert np.allclose(surface.at(0.3, 0.6), [0.01 * x, -0.01 * z, 0.01 * y], atol=1e-14)
    assert list(written_ribbons(rig, units)) == ["ribbon"]


def test_a_file_that_is_there_is_kept(rig, tmp_path):
    path = tmp_path / "ribbon.obj"
    path.write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"ribbon\.obj exists and is kept"):
        export_surface(rig, path)
    assert path.read_text() == "mine"
    export_surface(rig, path, force=True)
    assert read_surfaces(path.read_text())


def test_a_folder_that_cannot_be_is_named(rig, tmp_path):
    (tmp_path / "file").write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"file cannot be written.*folder"):
        export_surface(rig, tmp_path / "file" / "ribbon.obj")
    assert export_surface(rig, tmp_path / "new" / "ribbon.obj").exists()

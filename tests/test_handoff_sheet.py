"""The build sheet, followed by hand: a rig is built from its printed numbers alone.

Oracles: geomdl for knots and surfaces, plain linear blending written out here, pdfium for what
stands in the PDF, closed forms for what other ways make of a straight tube.
"""

import re
import sys
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest
import tubes
from geomdl import BSpline as Geomdl
from geomdl import operations
from pages import Page
from scipy.interpolate import BSpline

import ribbonsim as rs
from ribbonsim.find_limbs import find_appendages
from ribbonsim.handoff.build_sheet import build_sheet
from ribbonsim.handoff.differences import WAYS, measure_discrepancies
from ribbonsim.handoff.sheet_checks import simple_poses, telling_vertices
from ribbonsim.handoff.sheet_steps import knots_to_insert
from ribbonsim.handoff.units import Units


class Tables(HTMLParser):
    """Tables of a page by caption: lists of rows, each a list of cells."""

    def __init__(self, text):
        super().__init__()
        self.tables, self._cell, self._row = {}, None, None
        self._caption = self._rows = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        if tag == "table":
            self._rows = []
        elif tag == "tr":
            self._row = []
        elif tag in ("td", "th", "caption"):
            self._cell = ""

    def handle_data(self, data):
        if self._cell is not None:
            self._cell += data

    def handle_endtag(self, tag):
        if tag == "caption":
            self._caption, self._cell = self._cell, None
        elif tag in ("td", "th"):
            self._row.append(self._cell)
            self._cell = None
        elif tag == "tr":
            self._rows.append(self._row)
        elif tag == "table":
            self.tables[self._caption] = self._rows

    def numbers(self, caption, first=1, last=None):
        """The body of a table as numbers, by the words that its caption begins with."""
        (rows,) = [rows for title, rows in self.tables.items() if title.startswith(caption)]
        return np.array([[value(cell) for cell in row[first:last]] for row in rows[1:]])

    def column(self, caption, index=0):
        (rows,) = [rows for title, rows in self.tables.items() if title.startswith(caption)]
        return [row[index] for row in rows[1:]]


def value(cell):
    return 0.0 if cell == "·" else float(cell.replace("\N{MINUS SIGN}", "-"))


@pytest.fixture(scope="module")
def rig():
    mesh = tubes.tube(tubes.s_curve(), 0.6, around=12, round_ends=3, name="угорь うなぎ")
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=0.5, spans=8)
    ribbon = ribbon.insert_knots([0.83, 0.91, 0.91])
    return rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=11, controls=4))


@pytest.fixture(scope="module")
def poses(rig):
    mixed = {
        "control2": {"bend": 40.0, "sway": -15.0},
        "control4": {"twist": 60.0, "stretch": 1.25, "girth": 0.9},
    }
    return {"all_at_once": rs.Pose(mixed), "twist": rig.pose_for("twist")}


@pytest.fixture(scope="module")
def written(rig, poses, tmp_path_factory):
    return build_sheet(rig, tmp_path_factory.mktemp("sheet") / "handoff", poses)


@pytest.fixture(scope="module")
def page(written):
    return written.page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def tables(page):
    return Tables(page)


@pytest.fixture(scope="module")
def printed(written):
    document = pypdfium2.PdfDocument(str(written.pdf))
    texts = [document[i].get_textpage().get_text_range() for i in range(len(document))]
    document.close()
    return texts


# -- built by hand -------------------------------------------------------------------------------


def surface_of(points, knots):
    made = Geomdl.Surface(normalize_kv=False)
    made.degree_u, made.degree_v = 1, 3
    made.ctrlpts_size_u, made.ctrlpts_size_v = 2, len(points)
    made.ctrlpts = points.transpose(1, 0, 2).reshape(-1, 3).tolist()
    made.knotvector_u, made.knotvector_v = [0.0, 0.0, 1.0, 1.0], list(knots)
    return made


def riding(surface, t):
    """Frame on the middle line as geomdl's derivatives give it, and the speed along."""
    along = np.array(surface.derivatives(0.5, t, order=1)[0][1])
    speed = np.linalg.norm(along)
    x = along / speed
    across = np.array(surface.evaluate_single((1.0, t))) - surface.evaluate_single((0.0, t))
    y = across - (across @ x) * x
    y /= np.linalg.norm(y)
    frame = np.eye(4)
    frame[:3, :3] = np.c_[x, y, np.cross(x, y)]
    frame[:3, 3] = surface.evaluate_single((0.5, t))
    return frame, speed


def frames_of(rows):
    """Frames from printed places and directions of two axes."""
    frames = np.tile(np.eye(4), (len(rows), 1, 1))
    frames[:, :3, 3], frames[:, :3, 0], frames[:, :3, 1] = rows[:, :3], rows[:, 3:6], rows[:, 6:9]
    frames[:, :3, 2] = np.cross(rows[:, 3:6], rows[:, 6:9])
    return frames


@pytest.mark.parametrize("name", ["all_at_once", "twist"])
def test_a_rig_built_from_printed_numbers_gives_the_printed_values(name, page, tables, rig, poses):
    shown = name.replace("_", " ").capitalize()
    points = tables.numbers("Control points", 2).reshape(-1, 2, 3)
    knots = [float(k) for k in re.search(r"<pre>([^<]*)</pre>", page).group(1).split()]
    rest = surface_of(points, knots)
    joints_t = tables.numbers("Places at rest", 2, 3)[:, 0]
    starts = [riding(rest, t) for t in joints_t]
    weights = tables.numbers("Weights, row by row")
    assert np.allclose(weights.sum(axis=1), 1.0, atol=3e-5)
    # controls: at rest in the frames of their joints, posed where the sheet says
    stations = tables.numbers("Reach", 1, 2)[:, 0].astype(int)
    before = np.array([starts[station - 1][0] for station in stations])
    after = frames_of(tables.numbers(f"{shown}: where the controls"))
    pose, names = poses[name], tables.column("Reach")
    girths = np.array([pose[control].girth for control in names])
    after[:, :3, 0] *= np.array([pose[control].stretch for control in names])[:, None]
    after[:, :3, 1:3] *= girths[:, None, None]
    motions = after @ np.linalg.inv(before)
    blend = np.einsum("nk,kij->nij", weights, motions)
    moved = np.einsum("nij,nuj->nui", blend[:, :3, :3], points) + blend[:, None, :3, 3]
    posed = surface_of(moved, knots)
    transforms = []
    blends = BSpline.design_matrix(joints_t, knots, 3) @ weights
    for t, (start, speed), blended in zip(joints_t, starts, blends, strict=True):
        frame, fast = riding(posed, t)
        stretch = fast / speed
        girth = (blended @ girths) * stretch**-0.5
        scale = np.diag([stretch, girth, girth, 1.0])
        transforms.append(frame @ scale @ np.linalg.inv(start))
    skin = np.einsum("vn,nij->vij", rig.mesh_weights, transforms)
    skin = np.einsum("vij,vj->vi", skin[:, :3, :3], rig.mesh.positions) + skin[:, :3, 3]
    caption = f"{shown}: vertices"
    labels = tables.column(caption)
    told = tables.numbers(caption, 1, 4)
    size = rig.mesh.diagonal
    for label, place in zip(labels, told, strict=True):
        kind, number = re.fullmatch(r"(vertex |joint)(\d+)", label).groups()
        if kind == "vertex ":
            assert np.linalg.norm(skin[int(number) - 1] - place) < 1e-4 * size
        else:
            middle = posed.evaluate_single((0.5, joints_t[int(number) - 1]))
            assert np.linalg.norm(middle - place) < 1e-4 * size


@pytest.mark.parametrize("name", ["all_at_once", "twist"])
def test_printed_ribbonsim_values_are_those_of_deform(name, tables, rig, poses):
    caption = f"{name.replace('_', ' ').capitalize()}: vertices"
    posed = rig.deform(poses[name])
    told = tables.numbers(caption, 4, 7)
    vertices = [int(label.split()[1]) - 1 for label in tables.column(caption) if "vertex" in label]
    assert tuple(vertices) == telling_vertices(rig)
    assert len(vertices) == 3
    assert np.allclose(told[:3], posed[vertices], atol=2e-5 * rig.mesh.diagonal)
    rest = tables.numbers("At rest")
    assert np.allclose(rest, rig.mesh.positions[vertices], atol=2e-5 * rig.mesh.diagonal)


def test_knots_inserted_by_geomdl_make_the_printed_knots(rig, page):
    base, inserted = knots_to_insert(rig.layout.ribbon)
    assert base == 8
    assert inserted == pytest.approx([0.83, 0.91, 0.91])
    text = Page(page).text
    assert "Begin with one span across and 8 even spans along." in text
    assert "Insert knots along at t = 0.83, 0.91, 0.91" in text
    curve = Geomdl.Curve()
    curve.degree = 3
    curve.ctrlpts = [[float(i), 0.0] for i in range(base + 3)]
    curve.knotvector = [0.0] * 3 + np.linspace(0, 1, base + 1).tolist() + [1.0] * 3
    for knot in inserted:
        operations.insert_knot(curve, [knot], [1])
    assert np.allclose(curve.knotvector, rig.layout.ribbon.knots, atol=1e-12)


@pytest.mark.parametrize(
    ("inner", "base", "left"),
    [
        ([], 1, []),
        ([0.5], 2, []),
        ([0.25, 0.5, 0.75], 4, []),
        ([0.3], 1, [0.3]),
        ([0.25, 0.5, 0.6, 0.75, 0.75], 4, [0.6, 0.75]),
    ],
)
def test_even_spans_are_found_in_knots(inner, base, left):
    knots = np.r_[[0.0] * 4, inner, [1.0] * 4]
    points = np.zeros((len(knots) - 4, 2, 3))
    points[..., 0] = np.arange(len(points))[:, None]
    points[:, 1, 1] = 1.0
    assert knots_to_insert(rs.Ribbon(points, knots)) == (base, pytest.approx(left))


# -- what differs --------------------------------------------------------------------------------


def test_discrepancies_of_a_stretched_tube_match_the_closed_form():
    """A straight tube stretched evenly by s keeps its volume at the girth 1 / sqrt(s)."""
    mesh = tubes.tube(tubes.straight(10.0, 81), 0.5, around=24)
    ribbon = rs.Ribbon.along([[0, 0, 0], [10, 0, 0]], width=0.4, spans=8)
    rig = rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=9, controls=3))
    s = 1.44
    pose = rs.Pose({name: {"stretch": s} for name in rig.layout.control_names})
    (found,) = measure_discrepancies(rig, {"stretch": pose})
    size = rig.mesh.diagonal
    assert found.largest["volume"] == pytest.approx(0.5 * (1.0 - s**-0.5) / size, rel=1e-3)
    assert found.largest["key"] < 1e-12
    assert found.largest["dual_quaternion"] < 1e-6  # nothing turns
    assert found.largest["by_hand"] < 1e-3  # nor does the ribbon bend


def test_every_way_is_measured_and_told(written, page, tables):
    names = [each.pose for each in written.discrepancies]
    assert names == ["all_at_once", "twist"]
    caption = "Largest distance"
    assert tables.column(caption) == ["all at once", "twist"]
    told = [value(cell.removesuffix(" %").removeprefix("< ")) for cell in tables.column(caption, 6)]
    measured = [100 * each.largest["by_hand"] for each in written.discrepancies]
    assert told == pytest.approx(measured, rel=0.02)
    text = Page(page).text
    for way in WAYS.values():
        assert way.meaning in text
    # twisting is what the plain ribbon cannot do
    assert measured[1] > measured[0]


# -- page and print ------------------------------------------------------------------------------


def test_page_needs_nothing_beside_it(page):
    read = Page(page)
    assert read.asks_for == []
    assert "script" not in read.tags
    assert read.tags.count("img") == 1
    assert read.tags.count("svg") == 1
    assert "угорь うなぎ" in read.text


def test_print_holds_all_that_the_page_holds(printed, tables):
    text = " ".join(" ".join(printed).split())
    cells = {cell for rows in tables.tables.values() for row in rows[1:] for cell in row}
    missing = [cell for cell in cells if re.search(r"\d", cell) and cell not in text]
    assert missing == []
    assert len(cells) > 200


def test_print_keeps_the_letters_of_other_scripts(printed):
    assert "угорь" in printed[0]
    assert "うなぎ" in printed[0]
    assert all("угорь" in text for text in printed)


def test_print_shows_the_picture(written):
    document = pypdfium2.PdfDocument(str(written.pdf))
    first = np.asarray(document[0].render(scale=1.0).to_pil().convert("L"), dtype=float)
    document.close()
    middle = first[first.shape[0] // 3 : 2 * first.shape[0] // 3]
    assert middle.std() > 10.0
    assert len(np.unique(middle)) > 100


def test_units_are_converted_and_stated(rig, tmp_path):
    units = Units("centimetre", "millimetre", "y", "z")
    made = build_sheet(rig, tmp_path, {"a": rs.Pose({"control2": {"bend": 30}})}, units=units)
    text = made.page.read_text(encoding="utf-8")
    assert "Lengths are in millimetres, converted from centimetres" in text
    rest = Tables(text).numbers("At rest")
    x, y, z = rig.mesh.positions[list(telling_vertices(rig))].T
    assert np.allclose(rest, 10.0 * np.c_[x, -z, y], atol=1e-3)


def test_without_poses_two_are_checked_that_are_quickly_set(rig, tmp_path):
    made = build_sheet(rig, tmp_path)
    assert made.checks == simple_poses(rig)
    assert len(made.checks) == 2
    assert [each.pose for each in made.discrepancies][:3] == [
        "first check",
        "second check",
        "c_bend",
    ]
    assert len(made.discrepancies) == 2 + len(rs.TEST_POSES)


def test_appendages_are_built_too(tmp_path):
    mesh = rs.load_mesh("meshes/lampeel.obj")
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=3.4, spans=12)
    layout = rs.Layout.from_ribbon(ribbon, stations=9, controls=3)
    for proposal in find_appendages(mesh, ribbon)[:2]:
        layout = layout.with_appendage(proposal.appendage(stations=5, controls=2, spans=4))
    rig = rs.bind(mesh, layout)
    made = build_sheet(
        rig, tmp_path, {"one": rs.Pose({layout.all_control_names[-1]: {"bend": 40}})}
    )
    tables = Tables(made.page.read_text(encoding="utf-8"))
    assert tables.column("Places at rest") == list(rig.joint_names)
    assert tables.column("Reach") == list(layout.all_control_names)
    parents = [rig.joint_parents[i] for i in range(len(rig.joint_names))]
    told = tables.column("Places at rest", 1)
    assert told == ["–" if p is None else rig.joint_names[p] for p in parents]
    places = tables.numbers("Places at rest", 5)
    assert np.allclose(places, rig.joint_rest[:, :3, 3], atol=1e-3)


# -- what goes wrong -----------------------------------------------------------------------------


def test_files_that_are_there_are_kept(rig, tmp_path):
    (tmp_path / "build_sheet.pdf").write_text("mine")
    with pytest.raises(rs.RibbonsimError, match=r"build_sheet\.pdf exists and is kept"):
        build_sheet(rig, tmp_path, ["twist"])
    assert [file.name for file in tmp_path.iterdir()] == ["build_sheet.pdf"]


def test_stopping_leaves_nothing(rig, tmp_path):
    class StopError(Exception):
        pass

    def stop(stage, done, total):
        if stage == "draw" and done == total:
            raise StopError

    with pytest.raises(StopError):
        build_sheet(rig, tmp_path / "new", ["twist"], progress=stop)
    assert not (tmp_path / "new").exists()


def test_an_unknown_pose_is_named(rig, tmp_path):
    with pytest.raises(rs.RibbonsimError, match="no pose is called 'wiggle'"):
        build_sheet(rig, tmp_path / "new", ["wiggle"])
    assert not (tmp_path / "new").exists()


def test_without_reportlab_one_sentence_says_what_to_install(rig, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "reportlab", None)
    with pytest.raises(rs.RibbonsimError, match=r"pip install 'ribbonsim\[handoff\]'"):
        build_sheet(rig, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_lengths_on_the_sheet_have_a_unit():
    assert Units().unit_name == "scene units"
    assert Units("centimetre", "metre").unit_name == "metres"
    assert Units("foot").unit_name == "feet"

"""The build sheet, followed by hand: a rig is built from its printed numbers alone.

Oracles: geomdl for knots and surfaces, plain linear blending and chains written out here,
pdfium for what stands in the PDF, closed forms for what other ways make of a straight tube.
"""

import re
import sys
from html.parser import HTMLParser

import limbs
import numpy as np
import pypdfium2
import pytest
import tubes
from geomdl import BSpline as Geomdl
from geomdl import operations
from pages import Page
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation

import ribbonsim as rs
from ribbonsim.body.propose import find_appendages
from ribbonsim.handoff.sheet.build_sheet import build_sheet
from ribbonsim.handoff.sheet.checks import simple_poses, telling_vertices
from ribbonsim.handoff.sheet.differences import WAYS, measure_discrepancies
from ribbonsim.handoff.sheet.steps import knots_to_insert
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
    return rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=11, controls=4, root=2))


@pytest.fixture(scope="module")
def skinned(rig):
    return rig.under("skinned")


@pytest.fixture(scope="module")
def poses(rig):
    mixed = {
        "control1": {"bend": 35.0, "sway": 20.0, "twist": 30.0},
        "control2": {"bend": 40.0, "sway": -15.0, "twist": 15.0, "shift": (0.1, 0.0, 0.2)},
        "control3": {"bend": -30.0, "girth": 1.2, "shift": (0.0, 0.3, 0.0)},
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


@pytest.fixture(scope="module")
def skinned_page(skinned, poses, tmp_path_factory):
    made = build_sheet(skinned, tmp_path_factory.mktemp("sheet") / "skinned", poses)
    return made.page.read_text(encoding="utf-8")


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


def told_by_hand_agrees(tables, shown, rig, transforms, middles):
    """Skin the mesh linearly and hold vertices and joints against the printed values."""
    skin = np.einsum("vn,nij->vij", rig.mesh_weights, transforms)
    skin = np.einsum("vij,vj->vi", skin[:, :3, :3], rig.mesh.positions) + skin[:, :3, 3]
    caption = f"{shown}: vertices"
    labels, told = tables.column(caption), tables.numbers(caption, 1, 4)
    for label, place in zip(labels, told, strict=True):
        kind, number = re.fullmatch(r"(vertex |joint)(\d+)", label).groups()
        got = skin if kind == "vertex " else middles
        assert np.linalg.norm(got[int(number) - 1] - place) < 1e-4 * rig.mesh.diagonal


@pytest.mark.parametrize("name", ["all_at_once", "twist"])
def test_a_skinned_rig_built_from_printed_numbers_gives_the_printed_values(
    name, skinned_page, rig, poses
):
    page, tables = skinned_page, Tables(skinned_page)
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
    middles = [posed.evaluate_single((0.5, t)) for t in joints_t]
    told_by_hand_agrees(tables, shown, rig, transforms, middles)


def turned(vector):
    """A turn as a quaternion, by the formula that the sheet prints; radians."""
    whole = np.linalg.norm(vector)
    shape = np.eye(4)
    if whole > 0.0:
        axis = np.sin(whole / 4) * np.asarray(vector) / whole
        shape[:3, :3] = Rotation.from_quat([*axis, np.cos(whole / 4)]).as_matrix()
    return shape


def about(axis, degrees):
    shape = np.eye(4)
    shape[:3, :3] = Rotation.from_euler(axis, degrees, degrees=True).as_matrix()
    return shape


@pytest.mark.parametrize("name", ["all_at_once", "twist"])
def test_a_chain_built_from_printed_numbers_gives_the_printed_values(name, tables, rig, poses):
    shown = name.replace("_", " ").capitalize()
    joints, parents = tables.column("Places at rest"), tables.column("Places at rest", 1)
    rest = frames_of(
        np.c_[tables.numbers("Places at rest", 5), tables.numbers("Directions of the first")]
    )
    shares, weights = tables.numbers("Shares at"), tables.numbers("Stretch: weights")
    assert (shares >= 0.0).all()
    assert (np.diff(shares, axis=0) >= 0.0).all()
    assert weights.sum(axis=1) == pytest.approx(1.0, abs=3e-5)
    (heads,) = [rows[0][1:] for title, rows in tables.tables.items() if title.startswith("Shares")]
    pose, names = poses[name], tables.column("Reach")
    sign = [-1.0 if head.endswith("minus") else 1.0 for head in heads]
    driver = [pose[head.removesuffix(" minus")] for head in heads]

    def told(read):
        return np.array(
            [s * np.asarray(read(d), dtype=float) for s, d in zip(sign, driver, strict=True)]
        )

    angles, shifts = np.radians(told(lambda d: (d.bend, d.sway))), told(lambda d: d.shift)
    stretch = 1.0 + weights @ [pose[control].stretch - 1.0 for control in names]
    girths = np.array([pose[control].girth for control in names])
    girth = girths[0] + shares @ np.diff(girths)
    (first,) = [k for k, parent in enumerate(parents) if parent == "–"]
    carrier = tables.column("Reach", 5).index("–")
    assert tables.column("Reach", 1)[carrier] == str(first + 1)
    own = pose[names[carrier]]
    start = about("z", own.sway) @ about("y", own.bend) @ about("x", own.twist)
    start[:3, 3] = own.shift
    frames = {joints[first]: rest[first] @ start}
    while len(frames) < len(joints):
        for k, parent in enumerate(parents):
            if joints[k] in frames or parent not in frames:
                continue
            up = joints.index(parent)
            step = shares[max(k, up)] - shares[min(k, up)]
            outwards = 1.0 if k > up else -1.0
            half = turned(outwards * np.r_[0.0, step @ angles])
            offset = np.linalg.inv(rest[min(k, up)]) @ rest[max(k, up)]
            offset[:3, 3] = offset[:3, 3] * (stretch[k] + stretch[up]) / 2 + step @ shifts
            offset = offset if k > up else np.linalg.inv(offset)
            frames[joints[k]] = frames[parent] @ half @ offset @ half
    rolls = (shares - shares[first]) @ told(lambda d: d.twist)
    transforms = []
    for k, joint in enumerate(joints):
        across = girth[k] * stretch[k] ** -0.5
        scale = np.diag([stretch[k], across, across, 1.0])
        transforms.append(frames[joint] @ about("x", rolls[k]) @ scale @ np.linalg.inv(rest[k]))
    middles = [frames[joint][:3, 3] for joint in joints]
    told_by_hand_agrees(tables, shown, rig, transforms, middles)


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
    assert found.largest["by_hand"] < 1e-9  # nor does the ribbon bend


def test_every_way_is_measured_and_told(written, page, tables):
    names = [each.pose for each in written.discrepancies]
    assert names == ["all_at_once", "twist"]
    caption = "Largest distance"
    assert tables.column(caption) == ["all at once", "twist"]
    measured = [100 * each.largest["by_hand"] for each in written.discrepancies]
    for cell, percent in zip(tables.column(caption, 6), measured, strict=True):
        told = value(cell.removesuffix(" %").removeprefix("< "))
        if cell.startswith("<"):
            assert percent < told
        else:
            assert told == pytest.approx(percent, rel=0.02)
    text = Page(page).text
    for way in WAYS.values():
        assert way.meaning in text
    assert "Skinned to the surface instead" in text
    # twist is an angle of each skin joint, so the chain loses nothing in it
    assert measured[1] < 1e-3


def test_a_skinned_rig_is_what_its_sheet_describes(skinned, skinned_page, poses):
    for found in measure_discrepancies(skinned, poses):
        assert found.largest["by_hand"] == 0.0
        assert "angles" not in found.largest  # no chain turns
    text = Page(skinned_page).text
    assert WAYS["angles"].meaning not in text
    assert "Driven by shares instead" in text


@pytest.mark.parametrize(("sway", "most"), [(0.0, 3e-4), (22.5, 5e-4)])
def test_a_chain_is_near_the_preview_and_two_angles_farther(sway, most):
    """Chords of 16 arcs of 90 / 16 degrees are longer by 1 - sinc of half a step than the arcs."""
    mesh = tubes.tube(tubes.straight(20.0, 81), 1.0, around=16)
    ribbon = rs.Ribbon.along([[0, 0, 0], [20, 0, 0]], width=1.0, spans=16)
    rig = rs.bind(mesh, rs.Layout.from_ribbon(ribbon, stations=17, controls=5))
    names = rig.layout.control_names
    (found,) = measure_discrepancies(
        rig, {"bent": rs.Pose({name: {"bend": 22.5, "sway": sway} for name in names[1:]})}
    )
    assert found.mean["by_hand"] < most
    assert found.mean["mirrored"] < most
    if sway:
        assert 8 * found.mean["by_hand"] < found.mean["angles"] < 8e-3


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


@pytest.mark.slow
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


@pytest.mark.slow
def test_appendages_are_built_too(tmp_path):
    mesh, _ = limbs.six_arms(0.5)
    ribbon = rs.Ribbon.along(rs.find_guide(mesh), width=1.0, spans=12)
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

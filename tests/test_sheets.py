"""Contact sheets: paper, pictures, captions, and what goes wrong.

Sizes are held against ISO 216 (A4 is 210 by 297 mm) and the PDF reference (ISO 32000-1, 8.3.2.3:
72 units to the inch); PDF files are read back by PDFium.
"""

from functools import cache

import numpy as np
import pypdfium2
import pytest
from cases import first_of
from PIL import Image
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.show.contact_sheet import contact_sheet, draw_shots, plan_for
from ribbonsim.show.page_of_pictures import (
    LIGHT_INK,
    PageText,
    Plan,
    Tile,
    compose,
    plan_series,
    plan_table,
)
from ribbonsim.show.shots import list_shots
from ribbonsim.show.studio import Look

A4_PIXELS = (2480, 3508)  # 210 x 297 mm at 300 dots per inch, rounded
A4_POINTS = (595.28, 841.89)


@pytest.fixture(scope="module")
def rig():
    mesh = tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")
    return rs.bind(mesh, build_layout(mesh, BuildOptions(stations=13, controls=5)))


@pytest.fixture(scope="module")
def pair(rig):
    layout = rig.layout
    return [rig, rs.bind(rig.mesh, layout.without_control(layout.controls[1].name))]


def nothing(*_):
    pass


# -- what is shown ---------------------------------------------------------------------------------


def test_one_pose_is_seen_from_eight_sides(rig):
    listed = list_shots(rig, ["c_bend"])
    assert [shot.view.azimuth for shot in listed.shots] == [0, 45, 90, 135, 180, 225, 270, 315]
    assert [shot.caption for shot in listed.shots][:3] == ["0°", "45°", "90°"]
    assert listed.columns == ()
    assert listed.lead == "C bend 90°, 8 angles"


def test_nothing_asked_for_is_the_rest(rig):
    (pose,) = {id(s.pose): s.pose for s in list_shots(rig).shots}.values()
    assert pose.controls == {}


def test_poses_stand_in_rows_and_angles_in_columns(rig):
    listed = list_shots(rig, {"c_bend": 40, "twist": None, "corkscrew": 1}, angles=[0, 120])
    assert listed.columns == ("0° front", "120°")
    assert listed.rows == (("c bend", "40°"), ("twist", "180°"), ("corkscrew", "1 turn"))
    assert [shot.row for shot in listed.shots] == [0, 0, 1, 1, 2, 2]


def test_layouts_stand_in_columns_and_are_seen_from_one_side(pair):
    listed = list_shots(pair, ["c_bend", "s_bend"], names=["five", "four"])
    assert listed.columns == ("A  five", "B  four")
    for row in (0, 1):
        shots = [shot for shot in listed.shots if shot.row == row]
        assert [shot.rig for shot in shots] == pair
        assert len({shot.view for shot in shots}) == 1


def test_a_pose_of_controls_is_carried_over_to_the_other_layouts(pair):
    name = pair[0].layout.controls[2].name
    pose = rs.Pose({name: {"bend": 40}})
    shots = list_shots(pair, {"bent": pose}).shots
    one, other = (shot.rig.deform(shot.pose) for shot in shots)
    assert np.linalg.norm(one - other, axis=1).max() < 0.05 * pair[0].layout.ribbon.length
    assert np.linalg.norm(one - pair[0].mesh.positions, axis=1).max() > 0.2


def test_kept_poses_are_called_by_name(rig):
    from dataclasses import replace

    name = rig.layout.controls[1].name
    kept = replace(rig.layout, poses={"my pose": rs.Pose({name: {"bend": 25}})})
    listed = list_shots(rs.bind(rig.mesh, kept), ["my pose", "twist"])
    assert [row[0] for row in listed.rows] == ["my pose", "twist"]


def test_every_side_of_a_pose_is_seen_from_the_same_distance(rig):
    """Turned about the up axis, a cloud and its copies fill each side alike (a symmetry)."""
    listed = list_shots(rig, ["s_bend"])
    cloud = listed.points(0)
    spans = [np.ptp(cloud @ shot.view.axes.T, axis=0) for shot in listed.shots]
    np.testing.assert_allclose(spans, np.tile(spans[0], (8, 1)), rtol=1e-9)


# -- on paper --------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["a4", "16:9"])
@pytest.mark.parametrize("count", first_of(1, 8, 2, 5, 12, 24, count=2))
@pytest.mark.parametrize("aspect", first_of(2.5, 0.4, 1.0))
def test_pictures_stay_on_the_paper_and_off_each_other(paper, count, aspect):
    plan = plan_series(count, paper, aspect)
    assert plan.columns * plan.rows >= count
    ground = np.full((plan.pixels[1], plan.pixels[0], 3), (200, 30, 30), dtype=np.uint8)
    (page,) = compose(
        plan, [Tile(ground, "caption", "note")] * count, PageText("t", "l", ("s",)), LIGHT_INK
    )
    red = (np.asarray(page) == (200, 30, 30)).all(axis=2)
    assert red.sum() == count * plan.pixels[0] * plan.pixels[1]
    margin = round(9.0 * plan.dots)
    assert not red[:margin].any()
    assert not red[-margin:].any()
    assert not red[:, :margin].any()
    assert not red[:, -margin:].any()


def test_a_long_table_goes_on_on_further_pages():
    plan = plan_table(10, 4, "a4", 1.2, one_page=False)
    assert plan.pages == 2
    assert plan.tile[1] >= 30.0
    assert plan_table(10, 4, "a4", 1.2, one_page=True).pages == 1


def test_a_name_that_is_too_long_is_cut_and_stays_in_its_column():
    plan = plan_series(4, "a4", 1.0)
    blank = np.full((plan.pixels[1], plan.pixels[0], 3), 255, dtype=np.uint8)
    tiles = [Tile(blank, "m" * 300, "n" * 300), *[Tile(blank)] * 3]
    words = PageText("w" * 400, "l" * 400, ("p" * 400,), ("2026-01-01",))
    (page,) = compose(plan, tiles, words, LIGHT_INK)
    ink = np.asarray(page.convert("L")) < 250
    margin = round(9.5 * plan.dots)
    assert not ink[:, :margin].any()
    assert not ink[:, -margin:].any()


@pytest.fixture(scope="module")
def made_sheets(rig, tmp_path_factory):
    """The same pose on paper and on a wide screen, by ending and paper."""
    folder = tmp_path_factory.mktemp("sheets")

    @cache
    def made(ending, paper):
        path = folder / f"{paper.replace(':', '_')}.{ending}"
        look = Look(quality="draft")
        return contact_sheet(rig, path, ["c_bend"], angles=3, paper=paper, look=look)

    return made


@pytest.mark.parametrize(
    ("ending", "paper"), first_of(("png", "a4"), ("pdf", "a4"), ("png", "16:9"), count=2)
)
def test_a_sheet_has_the_size_it_says(made_sheets, ending, paper):
    made = made_sheets(ending, paper)
    assert (made.pictures, made.pages) == (3, 1)
    if ending == "png":
        with Image.open(made.path) as picture:
            picture.load()
            size, dots = picture.size, picture.info["dpi"]
        if paper == "a4":
            assert sorted(size) == list(A4_PIXELS)
            assert dots == pytest.approx((300, 300), abs=0.1)
        else:
            assert size == (3840, 2160)
    else:
        document = pypdfium2.PdfDocument(made.path)
        assert len(document) == 1
        assert sorted(document[0].get_size()) == pytest.approx(A4_POINTS, abs=0.5)
        shown = np.asarray(document[0].render(scale=1.0).to_pil().convert("L"), dtype=float)
        assert shown.std() > 15.0
        document.close()


def test_png_and_pdf_hold_the_same_page(made_sheets):
    document = pypdfium2.PdfDocument(made_sheets("pdf", "a4").path)
    from_pdf = document[0].render(scale=1.0).to_pil().convert("RGB")
    document.close()
    with Image.open(made_sheets("png", "a4").path) as picture:
        from_png = picture.convert("RGB").resize(from_pdf.size, Image.Resampling.BOX)
    apart = np.abs(np.asarray(from_pdf, float) - np.asarray(from_png, float))
    assert apart.mean() < 2.0


@pytest.mark.slow  # in part: a long table goes on on further pages; a sheet has the size it says
def test_a_table_of_poses_fills_pages_of_a_pdf(rig, tmp_path):
    made = contact_sheet(
        rig, tmp_path / "all.pdf", list(rs.TEST_POSES), angles=3, look=Look(quality="draft")
    )
    document = pypdfium2.PdfDocument(made.path)
    assert len(document) == made.pages
    assert made.pages > 1
    assert made.pictures == 30
    document.close()


# -- pictures --------------------------------------------------------------------------------------


def apart_from_ground(picture):
    """Where a picture differs from its own border columns, row by row."""
    pixels = picture.astype(int)
    ground = 0.5 * (pixels[:, :2].mean(axis=1) + pixels[:, -2:].mean(axis=1))
    return np.abs(pixels - ground[:, None]).max(axis=2) > 24


def test_the_subject_is_in_every_picture_and_touches_no_border(rig):
    listed = list_shots(rig, ["c_bend", "curl"])
    for picture in draw_shots(listed, (240, 200), nothing, Look(ground=False)):
        body = apart_from_ground(picture)
        assert body.mean() > 0.02
        assert not body[:, :3].any()
        assert not body[:, -3:].any()
        assert not body[:3].any()
        assert not body[-3:].any()


def test_pictures_are_the_same_each_time(rig):
    listed = list_shots(rig, ["s_bend"], angles=2)
    one, other = (draw_shots(listed, (200, 160), nothing) for _ in range(2))
    assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_another_angle_is_another_picture(rig):
    one, other = draw_shots(list_shots(rig, ["s_bend"], angles=2), (200, 160), nothing)
    assert np.abs(one.astype(int) - other).mean() > 1.0


# -- what goes wrong -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "more", "says"),
    [
        ("sheet.jpg", {}, r"sheet\.jpg cannot be a contact sheet: end its name"),
        ("sheet", {}, "end its name with .png or .pdf"),
        ("no/sheet.png", {}, "make it first"),
        ("sheet.png", {"poses": ["nonsense"]}, "no test pose is called 'nonsense'"),
        ("sheet.png", {"poses": []}, "there is no pose to show"),
        ("sheet.png", {"angles": 0}, "angles = 0 cannot be used"),
        ("sheet.png", {"angles": 400}, "angles = 400 cannot be used"),
        ("sheet.png", {"angles": [float("nan")]}, "angle in degrees = nan cannot be used"),
        ("sheet.png", {"angles": []}, "number of angles = 0 cannot be used"),
        ("sheet.png", {"elevation": 95}, "elevation = 95 cannot be used"),
        ("sheet.png", {"paper": "a3"}, "paper = 'a3' is not known"),
        ("sheet.png", {"poses": list(rs.TEST_POSES), "angles": 24}, "too small to be judged"),
    ],
)
def test_what_cannot_be_made_is_said_in_one_sentence(rig, tmp_path, name, more, says):
    with pytest.raises(rs.RibbonsimError, match=says) as caught:
        contact_sheet(rig, tmp_path / name, **more)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_layouts_that_do_not_go_together_are_refused(pair, tmp_path):
    other = tube(s_curve(rings=31), np.full(31, 0.5), around=12, name="other")
    stranger = rs.bind(other, build_layout(other))
    for rigs, more, says in (
        ([], {}, "there is no rig to show"),
        ([pair[0], stranger], {}, "are different meshes"),
        (pair, {"names": ["one"]}, "1 names cannot stand for 2 layouts"),
        (pair, {"names": ["a", "a"]}, "the same name"),
        (pair, {"angles": 4}, "4 angles cannot be shown of several layouts"),
        ([pair[0]] * 7, {}, "7 layouts are too many"),
    ):
        with pytest.raises(rs.RibbonsimError, match=says):
            contact_sheet(rigs, tmp_path / "sheet.png", **more)


@pytest.mark.slow
def test_a_file_that_is_there_is_kept_unless_forced(rig, tmp_path):
    path = tmp_path / "sheet.png"
    path.write_text("mine")
    with pytest.raises(rs.RibbonsimError, match="exists and is kept"):
        contact_sheet(rig, path, angles=1)
    assert path.read_text() == "mine"
    contact_sheet(rig, path, angles=1, paper="16:9", look=Look(quality="draft"), force=True)
    with Image.open(path) as picture:
        picture.verify()


def test_nothing_is_written_when_it_is_stopped(rig, tmp_path):
    def stop(stage, done, total):
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        contact_sheet(rig, tmp_path / "sheet.png", progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_a_plan_is_what_a_list_needs(rig):
    plan = plan_for(list_shots(rig, ["c_bend"]), "a4", one_page=True)
    assert isinstance(plan, Plan)
    assert plan.columns * plan.rows == 8

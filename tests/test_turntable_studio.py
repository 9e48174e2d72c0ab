"""The studio: light, shadows, ground, framing, each held against something outside it."""

import igl
import numpy as np
import pytest
import pyvista
from cases import first_of
from hypothesis import given, settings
from hypothesis import strategies as st
from tubes import arc, s_curve, straight, swept, tube

from ribbonsim import CreatureMesh, RibbonsimError
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.show.backdrop import ground_image
from ribbonsim.show.dome import GroundGrid, disc, half_sphere, seen_from, towards
from ribbonsim.show.fine_mesh import make_fine, part_of_polygons
from ribbonsim.show.finish import FINISHES, to_display, to_linear
from ribbonsim.show.studio import Look, Studio
from ribbonsim.view.camera import Camera, Insets, View
from ribbonsim.view.look import Scale, colour

SIZE = (320, 240)


@pytest.fixture(scope="module")
def worm():
    return tube(s_curve(rings=61), np.linspace(0.9, 0.35, 61), around=20, round_ends=5, name="worm")


@pytest.fixture(autouse=True)
def no_window_left_open():
    before = len(pyvista.plotting.plotter._ALL_PLOTTERS)
    yield
    assert len(pyvista.plotting.plotter._ALL_PLOTTERS) == before


def turned(points, degrees):
    """Rotate about the up axis, which is Y as in glTF 2.0, section 3.4."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return points @ np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]).T


def moved(mesh, positions):
    return CreatureMesh.from_arrays(positions, [list(p) for p in mesh.polygons], mesh.name)


def ball(radius, height, count=60000):
    """Even points on a sphere (Vogel's spiral, which maps areas to areas)."""
    k = np.arange(count) + 0.5
    y = 1 - 2 * k / count
    turn = np.pi * (3 - np.sqrt(5)) * k
    flat = np.sqrt(1 - y * y)
    points = radius * np.c_[flat * np.cos(turn), y, flat * np.sin(turn)]
    return (points + np.array([0, height, 0])).astype(np.float32)


# -- light and shadow --------------------------------------------------------------------------


@pytest.mark.parametrize("height", [1.5, 2.0, 3.0])
def test_shade_under_a_ball_is_its_configuration_factor(height):
    # from a small plane facing the centre of a sphere: F = (r / h)^2 (J. R. Howell, A Catalog of
    # Radiation Heat Transfer Configuration Factors; the formula from memory). Light from an even
    # sky on level ground counts by the cosine, as radiation does.
    floor = GroundGrid((0.0, 0.0), 0.0, 2.0, cells=161)
    shade = floor.shade(half_sphere(1000), ball(1.0, height, 60000), blur=0.01)
    assert shade[80, 80] == pytest.approx(1.0 / height**2, abs=0.015)


def test_shadow_falls_where_light_and_height_say():
    floor, lamp = GroundGrid((1.0, -2.0), 0.5, 6.0, cells=241), towards(35.0, 40.0)
    shade = floor.shade(lamp[None], ball(0.2, 2.0) + np.float32([1.0, 0.0, -2.0]), blur=0.3)
    row, column = np.nonzero(shade > 0.5 * shade.max())
    step = 2 * floor.reach / floor.cells
    place = np.array([column.mean() + 0.5, row.mean() + 0.5]) * step + [-5.0, -8.0]
    away = (2.0 - 0.5) / np.tan(np.radians(40.0))
    a = np.radians(35.0)
    expected = [1.0 - away * np.sin(a), -2.0 - away * np.cos(a)]
    assert place == pytest.approx(expected, abs=1.5 * step)


def test_self_shadow_matches_rays_of_libigl():
    # a body bent so far that it shades itself; rays from a little above each vertex
    positions, faces = swept(arc(300.0, 10.0, 81), 0.6, around=24)
    mesh = CreatureMesh.from_arrays(positions, faces)
    normals = mesh.vertex_normals.astype(np.float32)
    points = mesh.positions.astype(np.float32)
    lamp = towards(90.0, 15.0)
    seen = seen_from(lamp[None], normals, points)[0]
    facing = normals @ lamp
    chosen = np.flatnonzero(facing > 0.25)[::3]
    lifted = points[chosen] + 0.05 * normals[chosen]
    lit = [
        not len(igl.ray_mesh_intersect(
            p.astype(float), lamp.astype(float), mesh.positions, mesh.triangles
        ))
        for p in lifted
    ]  # fmt: skip
    lit = np.array(lit)
    assert 0.1 < lit.mean() < 0.95
    assert np.mean((seen[chosen] > 0.5) == lit) > 0.93


def test_a_convex_body_does_not_shade_what_faces_the_light():
    points = ball(1.0, 0.0, 120000)
    lamp = towards(0.0, 50.0)
    seen = seen_from(lamp[None], points, points)[0]
    facing = points @ lamp
    assert seen[facing > 0.3].min() > 0.9
    assert seen[facing < -0.3].mean() < 0.02


@settings(max_examples=20, deadline=None)
@given(st.floats(-180, 180), st.floats(5, 85), st.floats(1, 20))
def test_directions_of_a_lamp_lie_in_its_disc(azimuth, elevation, radius):
    rays = disc(azimuth, elevation, radius, 40)
    assert np.linalg.norm(rays, axis=1) == pytest.approx(np.ones(40), abs=1e-5)
    away = np.degrees(np.arccos(np.clip(rays @ towards(azimuth, elevation), -1, 1)))
    assert away.max() <= radius + 0.1


def test_sky_is_even():
    # zones of equal height have equal area (Archimedes), and directions cancel sideways
    sky = half_sphere(600)
    assert np.histogram(sky[:, 1], bins=6, range=(0, 1))[0] == pytest.approx([100] * 6)
    assert sky.mean(axis=0) == pytest.approx([0.0, 0.5, 0.0], abs=0.01)


# -- material ----------------------------------------------------------------------------------


def test_srgb_matches_the_standard():
    # IEC 61966-2-1: 0.5 of linear light is 188 of 255 (from memory), and #808080 is 0.2159
    assert to_display(np.full((1, 3), 0.5))[0].tolist() == [188, 188, 188]
    assert to_linear("#808080") == pytest.approx([0.2159] * 3, abs=1e-4)


def test_bright_light_is_held_back_and_never_darkens():
    light = np.linspace(0.0, 6.0, 500)
    shown = to_display(np.repeat(light[:, None], 3, axis=1))[:, 0].astype(int)
    assert (np.diff(shown) >= 0).all()
    assert shown[-1] >= 254


def contrast(one, other):
    """WCAG 2.2, relative luminance and contrast ratio."""
    lights = sorted(float(to_linear(code) @ [0.2126, 0.7152, 0.0722]) for code in (one, other))
    return (lights[1] + 0.05) / (lights[0] + 0.05)


@pytest.mark.parametrize("name", list(FINISHES))
def test_writing_can_be_read_on_every_finish(name):
    finish = FINISHES[name]
    for ground in (finish.bottom, finish.top):
        assert contrast(finish.ink, ground) >= 4.5
        assert contrast(finish.soft_ink, ground) >= 3.0


# -- the mesh that is drawn --------------------------------------------------------------------


def grouped_tube():
    positions, faces = swept(straight(rings=21), 1.0, around=12)
    groups = [1 if max(face) < 8 * 12 else 0 for face in faces]
    return CreatureMesh.from_arrays(
        positions, faces, group_names=("body", "fin"), polygon_groups=groups
    )


def test_finer_mesh_is_the_same_surface():
    mesh = grouped_tube()
    fine = make_fine(mesh, enough=4000)
    assert len(fine.mesh.positions) >= 4000
    assert fine.mesh.triangle_areas.sum() == pytest.approx(mesh.triangle_areas.sum(), rel=1e-5)
    assert fine.mesh.volume == pytest.approx(mesh.volume, rel=1e-5)
    assert np.asarray(fine.spread.sum(axis=1)) == pytest.approx(np.ones(fine.spread.shape[0]))

    def length(points, edges):
        return np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1).sum()

    drawn = fine.positions(mesh.positions).astype(float)
    known = np.unique(
        np.sort(drawn[fine.edges], axis=1).round(5).reshape(len(fine.edges), 6), axis=0
    )
    half = np.linalg.norm(known[:, 3:] - known[:, :3], axis=1).sum()
    assert half <= length(drawn, fine.edges) + 1e-3
    assert length(drawn, fine.edges) >= length(mesh.positions, mesh.edges) - 1e-3


def test_parts_do_not_share_vertices():
    mesh = grouped_tube()
    fine = make_fine(mesh, enough=10)
    triangle_parts = fine.parts[fine.mesh.triangles]
    assert (triangle_parts == triangle_parts[:, :1]).all()
    assert set(np.unique(fine.parts)) == {0, 1}
    counts = np.bincount(part_of_polygons(mesh))
    assert counts[0] == counts.max()


def test_two_tones_meet_in_a_line():
    mesh = grouped_tube()
    with Studio(mesh, SIZE, Look(skin="two_tone", ground=False)) as studio:
        two = studio.shoot(0.0)
    with Studio(mesh, SIZE, Look(ground=False)) as studio:
        one = studio.shoot(0.0)
    assert np.array_equal(one.mask, two.mask)
    other = np.abs(one.picture.astype(int) - two.picture).max(axis=2) > 20
    inside = one.mask == 255
    assert 0.1 < other[inside].mean() < 0.6


# -- from where --------------------------------------------------------------------------------


@pytest.mark.parametrize("elevation", first_of(-5.0, 12.0, 70.0))
def test_silhouette_never_touches_the_border(worm, elevation):
    with Studio(worm, SIZE, Look(quality="draft")) as studio:
        studio.frame([worm.positions, worm.positions * [1.0, 1.0, 2.0]], elevation)
        for azimuth in range(0, 360, 30):
            mask = studio.shoot(float(azimuth)).mask
            border = np.r_[mask[0], mask[-1], mask[:, 0], mask[:, -1]]
            assert border.max() == 0
            assert mask.max() == 255


def test_camera_keeps_its_distance_and_the_pivot_stays_in_the_middle(worm):
    with Studio(worm, SIZE, Look(quality="draft")) as studio:
        places = np.array([studio.camera(float(a)).position for a in range(0, 360, 45)])
        around = places - studio._pivot
        assert np.ptp(np.linalg.norm(around, axis=1)) < 1e-9
        assert np.ptp(places[:, 1]) < 1e-12
        pivot = studio._pivot * worm.diagonal + worm.centre
        seen = np.array([studio.project([pivot], float(a))[0] for a in range(0, 360, 45)])
        assert seen[:, 0] == pytest.approx(np.full(8, SIZE[0] / 2), abs=0.6)


def test_a_longer_lens_keeps_the_size_and_flattens(worm):
    spans = []
    for angle in (12.0, 60.0):
        with Studio(worm, SIZE, Look(quality="draft")) as studio:
            studio.frame([worm.positions], view_angle=angle, azimuths=[40.0])
            mask = studio.shoot(40.0).mask > 127
            rows, columns = np.nonzero(mask)
            spans.append(max(np.ptp(columns) / SIZE[0], np.ptp(rows) / SIZE[1]))
            position = studio.camera(40.0).position
        spans.append(np.linalg.norm(position))
    assert spans[0] == pytest.approx(spans[2], abs=0.02)
    assert spans[1] > 3 * spans[3]


def test_room_is_kept_free(worm):
    with Studio(worm, SIZE, Look(quality="draft")) as studio:
        studio.frame([worm.positions], room=Insets(top=0.2, bottom=0.3))
        rows = np.nonzero(studio.shoot(0.0).mask)[0]
    assert rows.min() >= 0.2 * SIZE[1]
    assert rows.max() < 0.7 * SIZE[1]


def test_turning_the_camera_agrees_with_turning_the_mesh(worm):
    with Studio(worm, SIZE) as studio:
        camera_turned = studio.shoot(40.0)
    with Studio(moved(worm, turned(worm.positions, -40.0)), SIZE) as studio:
        mesh_turned = studio.shoot(0.0)
    masks = camera_turned.mask.astype(int) - mesh_turned.mask
    assert np.abs(masks).mean() < 1.0
    apart = np.abs(camera_turned.picture.astype(int) - mesh_turned.picture)
    assert apart.mean() < 1.5
    unlike = np.abs(studio_mean(camera_turned) - studio_mean(mesh_turned))
    assert unlike.max() < 2.0


def studio_mean(shot):
    return shot.picture[shot.mask == 255].mean(axis=0)


def test_pictures_are_the_same_every_time(worm):
    shots = []
    for _ in range(2):
        with Studio(worm, SIZE) as studio:
            studio.pose(worm.positions + np.array([0.0, 0.3, 0.0]))
            shots.append(studio.shoot(75.0))
    assert np.array_equal(shots[0].picture, shots[1].picture)
    assert np.array_equal(shots[0].mask, shots[1].mask)


def test_edges_are_smooth(worm):
    with Studio(worm, SIZE) as studio:
        mask = studio.shoot(30.0).mask
    between = np.unique(mask[(mask > 0) & (mask < 255)])
    assert len(between) >= 7  # eight samples a pixel


def test_ground_is_seen_where_the_camera_projects_it():
    floor, size = GroundGrid((0.3, -0.2), -0.4, 2.0, cells=200), (400, 300)
    camera = Camera(View(25.0, 20.0), View(25.0, 20.0).axes[2] * 4.0, size[0] / size[1], 30.0)
    for row, column in ((100, 100), (60, 130), (150, 70)):
        grid = np.zeros((200, 200), dtype=np.float32)
        grid[row - 2 : row + 3, column - 2 : column + 3] = 1.0
        image = ground_image(grid, camera, floor, size, (0, 0, *size))
        y, x = np.nonzero(image > 0.5)
        step = 2 * floor.reach / floor.cells
        place = [-1.7 + step * (column + 0.5), -0.4, -2.2 + step * (row + 0.5)]
        seen = camera.project([place], size)[0, :2]
        assert [x.mean() + 0.5, y.mean() + 0.5] == pytest.approx(seen, abs=0.7)


def test_no_ground_above_the_horizon_or_from_below():
    floor, size = GroundGrid((0.0, 0.0), 0.0, 50.0), (120, 90)
    grid = np.ones((floor.cells, floor.cells), dtype=np.float32)
    level = Camera(View(0.0, 0.0), np.array([0.0, 1.0, 10.0]), 4 / 3, 40.0)
    image = ground_image(grid, level, floor, size, (0, 0, *size))
    assert image[:45].max() == 0.0  # the horizon of a level camera is in the middle
    assert image[60:].min() > 0.9
    under = Camera(View(0.0, 0.0), np.array([0.0, -1.0, 10.0]), 4 / 3, 40.0)
    assert ground_image(grid, under, floor, size, (0, 0, *size)).max() == 0.0


def test_shadow_darkens_the_ground_and_light_finishes_stay_light(worm):
    with Studio(worm, SIZE, Look("fog")) as studio:
        lit, empty = studio.shoot(0.0), studio.empty()
    clear = lit.mask == 0
    darker = empty[clear].astype(int) - lit.picture[clear]
    assert darker.max() > 40
    assert darker.min() > -3
    assert np.abs(darker[: 40 * SIZE[0]]).max() <= 3  # nothing happens to the sky


def test_ribbons_and_values_change_the_skin_alone(worm):
    ribbon = Ribbon.along(s_curve(rings=61), width=0.6, spans=8)
    second = Ribbon.along(s_curve(rings=61) + np.array([0.0, 0.4, 0.0]), width=0.3, spans=5)
    values = np.linspace(0.0, 1.0, len(worm.positions))
    with Studio(worm, SIZE) as studio:
        plain = studio.shoot(90.0)
        both = studio.shoot(90.0, ribbons=[ribbon, second])
        again = studio.shoot(90.0)
        heat = studio.shoot(90.0, values=(values, Scale("place")))
    assert np.array_equal(plain.picture, again.picture)
    changed = np.abs(plain.picture.astype(int) - both.picture).max(axis=2) > 12
    assert 0.01 < changed.mean() < 0.3
    outside = (plain.mask == 0) & (heat.mask == 0)
    assert np.array_equal(plain.picture[outside], heat.picture[outside])
    assert (
        np.abs(
            plain.picture[plain.mask == 255].astype(int) - heat.picture[plain.mask == 255]
        ).mean()
        > 10
    )


def test_wire_shows_polygon_edges(worm):
    with Studio(worm, SIZE) as studio:
        clay = studio.shoot(60.0)
    with Studio(worm, SIZE, Look(skin="wire")) as studio:
        wire = studio.shoot(60.0)
    inside = (clay.mask == 255) & (wire.mask == 255)
    darker = clay.picture[inside].astype(int) - wire.picture[inside]
    assert darker.max(axis=1).mean() > 3


@pytest.mark.parametrize("size", [(10, 400), (100000, 400), (640.5, 400), (0, 0)])
def test_absurd_sizes_are_refused(worm, size):
    with pytest.raises(RibbonsimError, match="64 to 4096"):
        Studio(worm, size)


def test_unknown_looks_are_refused():
    with pytest.raises(RibbonsimError, match="fog, paper, dusk, night"):
        Look(finish="tar")
    with pytest.raises(RibbonsimError, match="two_tone"):
        Look(skin="chrome")
    assert colour("#ffffff") == (1.0, 1.0, 1.0)


def test_edges_of_the_far_side_do_not_shine_through():
    # a thin plate: one polygon in front, a hundred behind it
    at = np.linspace(-1.0, 1.0, 11)
    back = np.array([[x, y, -0.02] for y in at for x in at])
    front = [[-1.0, -1.0, 0.02], [1.0, -1.0, 0.02], [1.0, 1.0, 0.02], [-1.0, 1.0, 0.02]]
    cells = [
        [y * 11 + x, (y + 1) * 11 + x, (y + 1) * 11 + x + 1, y * 11 + x + 1]
        for y in range(10)
        for x in range(10)
    ]
    plate = CreatureMesh.from_arrays(np.vstack([back, front]), [*cells, [121, 122, 123, 124]])
    with Studio(plate, SIZE, Look(skin="wire", ground=False)) as studio:
        studio.frame([plate.positions], elevation=0.0)
        near, far = studio.shoot(0.0), studio.shoot(180.0)
    inner = np.s_[90:150, 130:190]
    assert near.mask[inner].min() == 255
    assert near.picture[inner].astype(int).std(axis=(0, 1)).max() < 2
    assert far.picture[inner].astype(int).std(axis=(0, 1)).max() > 5

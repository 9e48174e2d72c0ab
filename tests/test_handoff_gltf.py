"""glTF files against the Khronos validator and an evaluator by the standard's rules."""

import json
import os
import shutil
import struct
import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from cases import first_of
from demos import demo_mesh
from gltf_reading import Scene, interpolated, matrix
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, Slerp
from tubes import arc, straight, tube

from ribbonsim import (
    TEST_POSES,
    Clip,
    CreatureMesh,
    Layout,
    MeshWeights,
    Pose,
    Ribbon,
    RibbonsimError,
    Units,
    bind,
    export_gltf,
    find_appendages,
    find_guide,
)
from ribbonsim.handoff.baking import Skeleton, bake, split_scales
from ribbonsim.handoff.clips import choose_poses
from ribbonsim.handoff.names import safe_name, unique_names
from ribbonsim.handoff.sheet.differences import halfway, key_difference, measure_discrepancies
from ribbonsim.handoff.vertices import pack_influences, split_at_seams

HERE = Path(__file__).parent
# npm, gltf-validator: https://github.com/KhronosGroup/glTF-Validator
VALIDATOR = "gltf-validator@2.0.0-dev.3.10"
WILD = Pose(
    {
        "control2": {"bend": 50, "stretch": 1.5, "girth": 0.8},
        "control3": {"sway": -60, "twist": 140, "stretch": 0.7},
        "control5": {"shift": (0.3, -0.2, 0.5), "twist": -200, "girth": 1.4},
    }
)


@cache
def rig_of(curve="straight", influences=4):
    centres = {"straight": straight(), "arc": arc()}[curve]
    layout = Layout.from_ribbon(Ribbon.along(centres, 0.8, 16), 17, 5)
    reach = max(2.0, influences / 2.0)
    layout = replace(layout, mesh_weights=MeshWeights(influences=influences, reach=reach))
    return bind(tube(centres, 0.6), layout)


@cache
def creature(name):
    mesh = demo_mesh(name)
    ribbon = Ribbon.along(find_guide(mesh), 0.1 * mesh.diagonal, 16)
    return bind(mesh, Layout.from_ribbon(ribbon, 17, 5))


@cache
def creature_with_limbs():
    """The lampeel with its two barbels and two fins."""
    body = creature("lampeel")
    layout = body.layout
    for found in find_appendages(body.mesh, layout.ribbon):
        layout = layout.with_appendage(found.appendage())
    assert len(layout.appendages) == 4
    return bind(body.mesh, layout)


@pytest.fixture(scope="session")
def validate(tmp_path_factory):
    """The Khronos validator; it is fetched once if it is not there."""
    if shutil.which("node") is None or shutil.which("npm") is None:
        pytest.skip("node is not installed: the Khronos validator runs in it")
    folder = Path(os.environ.get("GLTF_VALIDATOR", tmp_path_factory.mktemp("validator")))
    if not (folder / "node_modules" / "gltf-validator").is_dir():
        command = ["npm", "install", "--no-audit", "--no-fund", "--prefix", folder, VALIDATOR]
        subprocess.run(command, check=True, capture_output=True, timeout=300)

    def run(*files):
        command = ["node", HERE / "gltf_validate.mjs", folder, *files]
        done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=300)
        reports = [json.loads(line) for line in done.stdout.splitlines()]
        assert len(reports) == len(files)
        return reports

    return run


def assert_valid(reports):
    for report in reports:
        issues = report["issues"]
        told = [one for one in issues["messages"] if one["severity"] <= 1]
        assert (issues["numErrors"], issues["numWarnings"]) == (0, 0), told


def farthest(a, b, rig):
    return np.linalg.norm(a - b, axis=1).max() / rig.mesh.diagonal


# -- the evaluator itself ---------------------------------------------------------------------


def test_the_evaluator_turns_as_scipy_does():
    turns = Rotation.random(2, random_state=4)
    values, share = turns.as_quat(), 0.3
    mine = interpolated(np.array([0.0, 1.0]), values, share, "rotation")
    theirs = Slerp([0.0, 1.0], turns)(share)
    assert matrix(np.zeros(3), mine, np.ones(3))[:3, :3] == pytest.approx(theirs.as_matrix())


# -- the validator ----------------------------------------------------------------------------


def odd_mesh():
    """An unused vertex, vertex colours, a pentagon, half of the corners without a texture."""
    round_tube = tube(straight(), 0.6)
    polygons = [polygon.tolist() for polygon in round_tube.polygons]
    first, second = polygons[40][:], polygons[41][:]
    shared = [v for v in first if v in second]
    at = second.index(shared[0]) if second[(second.index(shared[0]) + 1) % 4] == shared[1] else None
    assert at is not None or len(shared) == 2
    middle = len(round_tube.positions)
    positions = np.vstack(
        [round_tube.positions, round_tube.positions[shared].mean(axis=0), [9.0, 9.0, 9.0]]
    )
    for polygon in (first, second):
        for k in range(len(polygon)):
            if {polygon[k], polygon[(k + 1) % len(polygon)]} == set(shared):
                polygon.insert(k + 1, middle)
                break
    polygons[40], polygons[41] = first, second
    corners = sum(len(polygon) for polygon in polygons)
    rng = np.random.default_rng(3)
    return CreatureMesh.from_arrays(
        positions,
        polygons,
        "двойной  eel/№1",
        texcoords=rng.random((7, 2)),
        corner_texcoords=rng.integers(-1, 7, corners),
        colours=rng.random((len(positions), 3)),
    )


def test_khronos_validator_finds_neither_errors_nor_warnings(validate, tmp_path):
    plain, files = rig_of(), []
    odd = bind(odd_mesh(), plain.layout)
    cases = {
        "every.gltf": (plain, {"units": Units("centimetre", "metre")}),
        "limbs.glb": (creature_with_limbs(), {}),
        "turning.glb": (rig_of("arc"), {"poses": ["curl"], "method": "dual_quaternion"}),
        "plain.glb": (plain, {"poses": {}}),
        "rest.glb": (plain, {"poses": {"ruhe": Pose()}}),
        "morské oko.gltf": (odd, {"poses": {"звёздная / поза": WILD, "a": WILD, "A": WILD}}),
        "many.glb": (rig_of("arc", 11), {"clips": {"step": [Pose(), WILD]}}),
        "turned.glb": (plain, {"poses": ["twist"], "units": Units("foot", "metre", "z", "y")}),
    }
    for name, (rig, options) in cases.items():
        files += [path for path in export_gltf(rig, tmp_path / name, **options)][:1]
    reports = validate(*files)
    assert_valid(reports)
    by_name = dict(zip(cases, (report["info"] for report in reports), strict=True))
    assert by_name["every.gltf"]["animationCount"] == len(TEST_POSES)
    assert by_name["every.gltf"]["maxInfluences"] == 4
    assert by_name["many.glb"]["maxInfluences"] == 11 or by_name["many.glb"]["maxInfluences"] == 12


def test_khronos_validator_would_see_weights_that_do_not_sum_to_one(validate, tmp_path):
    (path,) = export_gltf(rig_of(), tmp_path / "eel.glb", {})
    scene = Scene(path)
    view = scene.gltf.bufferViews[
        scene.gltf.accessors[scene.primitive.attributes.WEIGHTS_0].bufferView
    ]
    data = bytearray(path.read_bytes())
    length = struct.unpack("<I", data[12:16])[0]
    at = 20 + length + 8 + view.byteOffset
    data[at : at + 4] = struct.pack("<f", 0.5 * struct.unpack("<f", data[at : at + 4])[0])
    broken = tmp_path / "broken.glb"
    broken.write_bytes(data)
    (report,) = validate(broken)
    codes = {one["code"] for one in report["issues"]["messages"]}
    assert "ACCESSOR_WEIGHTS_NON_NORMALIZED" in codes


# -- the standard's skin ----------------------------------------------------------------------


@pytest.mark.parametrize("name", first_of("coil", "lampeel"))
def test_skin_by_the_standard_is_the_rig_in_every_test_pose(name, tmp_path):
    rig = creature(name)
    scene = Scene(export_gltf(rig, tmp_path / "creature.glb")[0])
    assert len(scene.gltf.animations) == len(TEST_POSES)
    sources = scene.sources()
    assert farthest(scene.skin_at(None, 0.0), rig.mesh.positions[sources], rig) < 1e-6
    for pose, controls in choose_poses(rig, None).items():
        wanted = rig.deform(controls)[sources]
        # the task's bound is 1e-4 of body size; single precision leaves about 1e-6
        assert farthest(scene.skin_at(pose, 1.0), wanted, rig) < 5e-6
        assert farthest(scene.skin_at(pose, 2.0), rig.mesh.positions[sources], rig) < 5e-6


@pytest.mark.slow
def test_every_ribbon_of_a_creature_is_told(tmp_path):
    rig = creature_with_limbs()
    scene = Scene(export_gltf(rig, tmp_path / "creature.glb")[0])
    assert len(scene.joints) == len(rig.joint_names) == 17 + 4 * 9
    names = {animation.name for animation in scene.gltf.animations}
    assert names == set(choose_poses(rig, None)) > set(TEST_POSES)
    sources = scene.sources()
    for name, pose in choose_poses(rig, None).items():
        assert farthest(scene.skin_at(name, 1.0), rig.deform(pose)[sources], rig) < 5e-6
    nodes = scene.gltf.nodes
    above = {child: i for i, node in enumerate(nodes) for child in node.children or []}
    base = rig.joint_names.index("barbel_l.joint1")
    carrier = nodes[above[above[scene.joints[base]]]].name
    assert carrier == rig.joint_names[rig.joint_parents[base]]


@pytest.mark.parametrize("curve", ["straight", "arc"])
def test_stretch_and_girth_shear_nothing_further_along(curve, tmp_path):
    rig = rig_of(curve)
    scene = Scene(export_gltf(rig, tmp_path / "eel.gltf", {"wild": WILD})[0])
    assert farthest(scene.skin_at("wild", 1.0), rig.deform(WILD)[scene.sources()], rig) < 5e-6
    # a scale on the chain itself would be inherited: it stands on the skin nodes alone
    chain = set(range(len(scene.gltf.nodes))) - set(scene.joints)
    assert all(
        channel.target.path != "scale" or channel.target.node not in chain
        for channel in scene.gltf.animations[0].channels
    )
    assert all(not scene.gltf.nodes[joint].children for joint in scene.joints)


def test_every_influence_is_told_in_sets_of_four(tmp_path):
    rig = rig_of("arc", 11)
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {"wild": WILD})[0])
    busiest = np.count_nonzero(rig.mesh_weights, axis=1).max()
    assert busiest > 8
    assert scene.weights.shape[1] == 12
    assert farthest(scene.skin_at("wild", 1.0), rig.deform(WILD)[scene.sources()], rig) < 5e-6


def test_units_and_axes_convert_the_whole_skin(tmp_path):
    rig = rig_of()
    units = Units("centimetre", "metre", "z", "y")
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {"wild": WILD}, units=units)[0])
    # z up to y up: x stays, up goes from z to y, and the frame stays right-handed
    wanted = 0.01 * rig.deform(WILD)[:, [0, 2, 1]] * [1.0, 1.0, -1.0]
    assert farthest(scene.skin_at("wild", 1.0), wanted[scene.sources()], rig) < 5e-8
    told = scene.gltf.asset.extras
    assert told["metres_per_unit"] == 1.0
    assert told["units"] == (
        "Lengths are in metres, converted from centimetres; "
        "the y axis points up, turned from the z axis."
    )


def test_many_turns_of_twist_are_told_turn_by_turn(tmp_path):
    rig = rig_of()
    pose = Pose({"control5": {"twist": 1080}})
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {"screw": pose})[0])
    for share in (0.25, 0.5, 0.75, 1.0):
        wanted = rig.deform(pose.scaled(share))[scene.sources()]
        assert farthest(scene.skin_at("screw", share), wanted, rig) < 3e-3


def test_a_motion_passes_through_its_poses(tmp_path):
    rig = rig_of()
    frames = [Pose({"control3": {"bend": 8.0 * k}}) for k in range(9)]
    motions = {
        "even": frames,
        "own": Clip("own", np.array([0.0, 0.5, 2.0]), (frames[0], frames[4], frames[8])),
    }
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {}, motions, frames_a_second=12.0)[0])
    for k, pose in enumerate(frames):
        assert farthest(scene.skin_at("even", k / 12.0), rig.deform(pose), rig) < 5e-6
    assert farthest(scene.skin_at("own", 0.5), rig.deform(frames[4]), rig) < 5e-6
    assert farthest(scene.skin_at("own", 2.0), rig.deform(frames[8]), rig) < 5e-6


# -- what was read back -----------------------------------------------------------------------


def test_weights_and_positions_come_back(tmp_path):
    rig = creature("lampeel")
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {})[0])
    count = len(rig.mesh.positions)
    assert scene.positions[:count] == pytest.approx(rig.mesh.positions, rel=6e-8, abs=1e-30)
    table = np.zeros((len(scene.positions), len(rig.joint_names)))
    np.add.at(table, (np.arange(len(table))[:, None], scene.influences), scene.weights)
    assert np.abs(table - rig.mesh_weights[scene.sources()]).max() < 2e-7
    # glTF 2.0, 3.7.3.3; 2e-7 for each weight is the Khronos validator's bound
    bound = 2e-7 * np.count_nonzero(scene.weights, axis=1)
    assert (np.abs(scene.weights.sum(axis=1) - 1.0) <= bound).all()
    assert (scene.influences[scene.weights == 0] == 0).all()


def test_vertices_are_doubled_where_the_texture_has_a_seam_and_nowhere_else(tmp_path):
    rig = creature("lampeel")
    mesh = rig.mesh
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {})[0])
    corners = zip(mesh.corner_vertices.tolist(), mesh.corner_texcoords.tolist(), strict=True)
    # the standard has the origin of a texture at its upper left, OBJ at its lower left
    turned = np.c_[mesh.texcoords[:, 0], 1.0 - mesh.texcoords[:, 1]].astype(np.float32)
    wanted = {(vertex, *turned[uv].tolist()) for vertex, uv in corners}
    uv = scene.read(scene.primitive.attributes.TEXCOORD_0).tolist()
    told = [(int(source), u, v) for source, (u, v) in zip(scene.sources(), uv, strict=True)]
    assert len(told) == len(wanted) > len(mesh.positions)
    assert set(told) == wanted


def test_triangles_hold_the_texture_of_their_own_polygon():
    mesh = creature("grub").mesh
    split = split_at_seams(mesh)
    corner_uv = {}
    for polygon in range(len(mesh.polygon_offsets) - 1):
        for c in range(mesh.polygon_offsets[polygon], mesh.polygon_offsets[polygon + 1]):
            corner_uv[polygon, mesh.corner_vertices[c]] = mesh.texcoords[mesh.corner_texcoords[c]]
    assert np.array_equal(split.sources[split.triangles], mesh.triangles)
    for t in range(0, len(mesh.triangles), 7):
        for k in range(3):
            wanted = corner_uv[mesh.triangle_polygons[t], mesh.triangles[t, k]]
            assert np.array_equal(split.texcoords[split.triangles[t, k]], wanted)


def test_polygons_can_be_put_together_again_from_the_extras(tmp_path):
    rig = bind(odd_mesh(), rig_of().layout)
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {})[0])
    triangles = scene.sources()[scene.triangles].tolist()
    sizes = [size for size, times in scene.source["polygon_corners"] for _ in range(times)]
    assert sizes == [len(polygon) for polygon in rig.mesh.polygons]
    assert 5 in sizes
    at = 0
    for polygon, size in zip(rig.mesh.polygons, sizes, strict=True):
        part = triangles[at : at + size - 2]
        assert {v for triangle in part for v in triangle} == set(polygon.tolist())
        at += size - 2
    assert at == len(triangles)
    assert "quads" in scene.source["triangulated"]


def test_normals_are_unit_vectors_of_the_surface(tmp_path):
    rig = rig_of()
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {})[0])
    normals = scene.read(scene.primitive.attributes.NORMAL)
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-6)
    inside = slice(16 * 10, 16 * 20)  # rings of a straight tube along its axis
    axis = np.ptp(rig.mesh.positions, axis=0).argmax()
    outward = np.array(rig.mesh.positions[inside])
    outward[:, axis] = 0.0
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    assert np.sum(normals[inside] * outward, axis=1).min() > 0.999


def test_the_hierarchy_is_the_ribbons(tmp_path):
    rig = rig_of()
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {})[0])
    nodes = scene.gltf.nodes
    above = {child: i for i, node in enumerate(nodes) for child in node.children or []}
    for number, joint in enumerate(scene.joints):
        chain = above[joint]
        assert nodes[chain].name == rig.joint_names[number]
        assert nodes[joint].name == f"{rig.joint_names[number]}_skin"
        parent = rig.joint_parents[number]
        assert above[chain] == (0 if parent is None else above[scene.joints[parent]])
    assert len({node.name for node in nodes}) == len(nodes)


# -- baking -----------------------------------------------------------------------------------


@pytest.mark.parametrize("pose", sorted(TEST_POSES))
def test_keys_tell_linear_blending_exactly(pose):
    found = key_difference(creature("lampeel"), creature("lampeel").pose_for(pose))
    assert found.largest < 1e-13
    assert found.mean <= found.largest
    assert found.between < 1e-3


@pytest.mark.parametrize(
    ("make", "pose"),
    first_of((creature, "twist"), (creature, "curl"), (creature_with_limbs, "appendage_fold")),
)
def test_keys_fitted_to_dual_quaternions_come_nearer_to_them(make, pose):
    rig = make() if make is creature_with_limbs else make("lampeel")
    wanted = rig.pose_for(pose)
    fitted = key_difference(rig, wanted, "dual_quaternion")
    (plain,) = measure_discrepancies(rig, {pose: wanted})
    assert 0 < fitted.largest < 0.5 * plain.largest["dual_quaternion"]
    # the same distances, found by hand
    keys = bake(rig, Skeleton.of(rig), [wanted], "dual_quaternion")
    told = np.einsum("vn,nij->vij", rig.mesh_weights, keys.transforms[0, :, :3, :])
    rest = np.c_[rig.mesh.positions, np.ones(len(told))]
    far = np.linalg.norm(
        np.einsum("vij,vj->vi", told, rest) - rig.deform(wanted, "dual_quaternion"), axis=1
    )
    assert far.max() / rig.mesh.diagonal == pytest.approx(fitted.largest, rel=1e-9)
    assert far.argmax() == fitted.vertex


def test_a_fit_has_no_better_neighbour():
    """At the least sum of squares no small change of a key makes it smaller."""
    rig = rig_of("arc")
    pose = Pose({"control3": {"bend": 70, "twist": 90}, "control4": {"sway": 60}})
    wanted = rig.deform(pose, "dual_quaternion")
    keys = bake(rig, Skeleton.of(rig), [pose], "dual_quaternion")

    def squares(keys):
        return np.sum((rig.skinner.linear(keys.transforms[0]) - wanted) ** 2)

    least = squares(keys)
    rng = np.random.default_rng(8)
    for _ in range(40):
        changed = replace(keys, frames=keys.frames.copy(), scales=keys.scales.copy())
        joint = rng.integers(17)
        turn = Rotation.from_rotvec(2e-3 * rng.normal(size=3)).as_matrix()
        changed.frames[0, joint, :3, :3] = turn @ changed.frames[0, joint, :3, :3]
        changed.frames[0, joint, :3, 3] += 2e-3 * rng.normal(size=3)
        changed.scales[0, joint] += 2e-3 * rng.normal(size=3)
        assert squares(changed) >= least * (1.0 - 1e-3)


def test_leaving_scale_out_shows_in_a_stretched_pose():
    rig = rig_of()
    pose = rig.pose_for("stretch")
    (found,) = measure_discrepancies(rig, {"stretch": pose})
    # stretched by 1.4 with the volume kept, the tube's radius is r / sqrt(1.4)
    thinner = 0.6 * (1.0 - 1.4**-0.5) / rig.mesh.diagonal
    assert found.largest["rigid"] >= 0.95 * thinner


def test_a_sheared_frame_is_told_as_near_as_can_be():
    rng = np.random.default_rng(5)
    whole = np.tile(np.eye(4), (3, 1, 1))
    turns = Rotation.random(3, random_state=2).as_matrix()
    scales = rng.uniform(0.5, 2.0, (3, 3))
    whole[:, :3, :3] = turns * scales[:, None, :]
    whole[2, :3, :3] = turns[2] @ np.array([[1.2, 0.3, 0.0], [0.0, 0.9, 0.1], [0.0, 0.0, 1.0]])
    frames, found = split_scales(whole, turns)
    assert np.allclose(frames[:2, :3, :3], turns[:2], atol=1e-12)
    assert np.allclose(found[:2], scales[:2], atol=1e-12)

    def left(turn, scale):
        return np.sum((turn * scale - whole[2, :3, :3]) ** 2)

    least = left(frames[2, :3, :3], found[2])
    assert frames[2, :3, :3] @ frames[2, :3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert least < left(turns[2], np.diag(turns[2].T @ whole[2, :3, :3]))
    for _ in range(50):
        turn = Rotation.from_rotvec(1e-2 * rng.normal(size=3)).as_matrix() @ frames[2, :3, :3]
        assert left(turn, np.einsum("ij,ij->j", turn, whole[2, :3, :3])) >= least - 1e-12


def test_half_way_is_what_the_standard_says(tmp_path):
    rig = rig_of()
    keys = bake(rig, Skeleton.of(rig), [Pose(), WILD])
    motion = Clip.sequence("two", [Pose(), WILD], 1.0)
    scene = Scene(export_gltf(rig, tmp_path / "eel.glb", {}, {"two": motion})[0])
    told = rig.skinner.linear(halfway(keys).transforms[0])
    assert farthest(scene.skin_at("two", 0.5), told, rig) < 5e-6


# -- names, weights, units --------------------------------------------------------------------


@settings(max_examples=30)
@given(st.lists(st.text(max_size=12), max_size=12))
def test_names_are_identifiers_and_differ(names):
    found = unique_names(names)
    assert all(name.isidentifier() for name in found)
    assert len({name.casefold() for name in found}) == len(names)


def test_letters_of_every_script_survive():
    for name in ("угорь", "うなぎ", "ثعبان", "ปลาไหล", "λύχνος", "ålen", "पूँछ"):
        assert safe_name(name) == name
    assert unique_names(["Eel", "eel", "e/e.l", "", "2"]) == ["Eel", "eel_2", "e_e_l", "_", "_2"]


@given(
    st.integers(1, 9).flatmap(
        lambda n: st.lists(
            st.lists(st.floats(0.0, 1.0), min_size=n, max_size=n).filter(lambda r: sum(r) > 1e-3),
            min_size=1,
            max_size=6,
        )
    )
)
def test_packed_weights_sum_to_one_and_none_is_lost(rows):
    weights = np.array(rows) / np.sum(rows, axis=1, keepdims=True)
    packed = pack_influences(weights)
    total = packed.weights.astype(float).sum(axis=1)
    used = np.count_nonzero(packed.weights, axis=1)
    assert (np.abs(total - 1.0) <= 2e-7 * used).all()
    back = np.zeros_like(weights)
    np.add.at(back, (np.arange(len(weights))[:, None], packed.joints), packed.weights)
    assert np.abs(back - weights).max() < 2e-7


def test_units_turn_right_handed_frames_into_right_handed_frames():
    units = Units("inch", "centimetre", "y", "z")
    assert units.factor == pytest.approx(2.54)  # by definition, since 1959
    frames = np.tile(np.eye(4), (2, 1, 1))
    frames[:, :3, :3] = Rotation.random(2, random_state=1).as_matrix()
    frames[:, :3, 3] = [[1.0, 2.0, 3.0], [0.0, 5.0, 0.0]]
    moved = units.frames(frames)
    assert np.linalg.det(moved[:, :3, :3]) == pytest.approx(1.0)
    assert moved[1, :3, 3] == pytest.approx([0.0, 0.0, 12.7])
    assert Units().frames(frames) == pytest.approx(frames)
    assert (
        Units("metre").sentence() == "Lengths are in metres, as they stand; the y axis points up."
    )


# -- errors -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"path": "eel.xyz"}, "choose one of .glb, .gltf"),
        ({"poses": ["c_bnd"]}, "no pose is called 'c_bnd'"),
        ({"poses": {"a": Pose({"fin": {"bend": 3}})}}, "moves 'fin', which is not there"),
        ({"poses": {"a": 3}}, "is not a pose"),
        ({"units": Units(written_up="z")}, "write glTF with y up"),
        ({"method": "magic"}, "method = 'magic' is not known"),
        ({"seconds": 0.0}, "seconds = 0.0 cannot be used"),
        ({"seconds": 3600, "frames_a_second": 1000}, "would have 3600000 keys"),
        ({"poses": [Pose()]}, "give a mapping of names to poses"),
        ({"clips": {"walk": []}}, "the clip 'walk' has no poses"),
        ({"frames_a_second": float("nan")}, "frames a second"),
    ],
)
def test_what_cannot_be_written_is_told_and_leaves_nothing(change, told, tmp_path):
    arguments = {"path": "eel.glb", **change}
    path = tmp_path / "new" / arguments.pop("path")
    with pytest.raises(RibbonsimError) as caught:
        export_gltf(rig_of(), path, **arguments)
    assert told in str(caught.value)
    assert not path.parent.exists()


def test_files_that_are_there_are_kept(tmp_path):
    beside = tmp_path / "eel.bin"
    beside.write_text("mine")
    with pytest.raises(RibbonsimError, match=r"eel\.bin exists and is kept"):
        export_gltf(rig_of(), tmp_path / "eel.gltf", {})
    assert [path.name for path in tmp_path.iterdir()] == ["eel.bin"]
    export_gltf(rig_of(), tmp_path / "eel.gltf", {}, force=True)
    assert beside.read_bytes()[:4] != b"mine"


def test_units_that_cannot_be_converted_are_told():
    with pytest.raises(RibbonsimError, match="say what a scene unit is"):
        Units(written="metre")
    with pytest.raises(RibbonsimError, match="choose one of millimetre"):
        Units("ell")
    with pytest.raises(RibbonsimError, match="up axis"):
        Units(up="w")
    with pytest.raises(RibbonsimError, match="up axis to write"):
        Units(written_up="x")


def test_times_that_do_not_rise_are_told():
    with pytest.raises(RibbonsimError, match="do not rise"):
        Clip("m", np.array([0.0, 0.0]), (Pose(), Pose()))
    with pytest.raises(RibbonsimError, match="2 times for 1 poses"):
        Clip("m", np.array([0.0, 1.0]), (Pose(),))


def test_poses_kept_with_the_layout_leave_too():
    layout = replace(rig_of().layout, poses={"kept": WILD})
    rig = bind(rig_of().mesh, layout)
    assert list(choose_poses(rig, None)) == ["kept", *TEST_POSES]
    assert choose_poses(rig, "kept") == {"kept": WILD}

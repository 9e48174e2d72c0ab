"""What is sent to a browser, read back by a reader of the test's own, against the rig itself.

``tests/browser/test_view_exact.py`` does the same with the module that draws.
"""

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.inpage.blocks import Steps16, pack_blocks
from ribbonsim.inpage.creature_bytes import pack_binding, pack_creature, to_stage
from ribbonsim.inpage.pose_bytes import pack_steps, pose_numbers
from ribbonsim.inpage.source import PARTS, view_source
from ribbonsim.rig.first_layout import BuildOptions, build_layout
from ribbonsim.rig.skin import Skinner

KINDS = {"f4": "<f4", "u4": "<u4", "u2": "<u2", "u1": "<u1"}


def unpack(data):
    """Arrays and facts: the plainest reader of the format."""
    size = int.from_bytes(data[:4], "little")
    head = json.loads(data[4 : 4 + size])
    assert size % 4 == 0
    arrays = {}
    for name, entry in head["arrays"].items():
        start, count = 4 + size + entry["at"], int(np.prod(entry["shape"]))
        assert entry["at"] % 4 == 0
        if entry["kind"] == "s16":
            low = np.frombuffer(data, np.uint8, count, start).astype(int)
            high = np.frombuffer(data, np.uint8, count, start + count).astype(int)
            rows = (low + 256 * high).reshape(-1, entry["stride"]).cumsum(axis=0) % 65536
            values = entry["low"] + entry["step"] * rows
        else:
            values = np.frombuffer(data, KINDS[entry["kind"]], count, start)
        arrays[name] = values.reshape(entry["shape"])
    return arrays, head["facts"]


@pytest.fixture(scope="module")
def rig():
    mesh = tube(s_curve(rings=41), np.linspace(0.9, 0.35, 41), around=12, round_ends=4, name="worm")
    return rs.bind(mesh, build_layout(mesh, BuildOptions(stations=9, controls=4)))


def test_arrays_and_facts_come_back():
    given = {
        "numbers": np.arange(5, dtype=np.uint8),
        "table": np.linspace(-2.0, 3.0, 12).reshape(4, 3),
        "none": np.zeros((0, 3), np.uint32),
    }
    arrays, facts = unpack(pack_blocks(given, {"name": "Ålänning", "n": 3}))
    assert facts == {"name": "Ålänning", "n": 3}
    assert np.array_equal(arrays["numbers"], given["numbers"])
    assert np.abs(arrays["table"] - given["table"]).max() < 1e-6
    assert arrays["none"].shape == (0, 3)
    with pytest.raises(TypeError, match="int64"):
        pack_blocks({"bad": np.arange(3)}, {})


@pytest.mark.parametrize("bits", [16, 10])
def test_numbers_in_16_bits_are_off_by_half_a_step(bits):
    rng = np.random.default_rng(3)
    values = rng.uniform(-7.0, 11.0, (400, 3))  # jumps all over: differences wrap round
    values[:2] = [[-7.0] * 3, [11.0] * 3]
    arrays, _ = unpack(pack_blocks({"v": Steps16(values, bits)}, {}))
    assert np.abs(arrays["v"] - values).max() <= 0.5000001 * 18.0 / (2**bits - 1)
    same, _ = unpack(pack_blocks({"v": Steps16(np.full((3, 2), 4.5))}, {}))
    assert np.array_equal(same["v"], np.full((3, 2), 4.5))


@pytest.mark.parametrize("small", [False, True])
def test_a_creature_is_of_size_one_and_keeps_its_faces(rig, small):
    arrays, facts = unpack(pack_creature(rig.mesh, "y", small))
    back = arrays["positions"] * rig.mesh.diagonal + rig.mesh.centre
    assert np.abs(back - rig.mesh.positions).max() < (2e-5 if small else 1e-7) * rig.mesh.diagonal
    assert np.abs(arrays["normals"] - rig.mesh.vertex_normals).max() < (2e-3 if small else 1e-6)
    assert facts["ground"] == pytest.approx(arrays["positions"][:, 1].min(), abs=2e-5)
    assert np.array_equal(arrays["triangles"], rig.mesh.triangles)  # caps are triangles here
    edges = {tuple(sorted(edge)) for edge in arrays["edges"].astype(int).tolist()}
    assert edges == {tuple(sorted(edge)) for edge in rig.mesh.edges.tolist()}


def test_quads_are_cut_as_the_mesh_is():
    mesh = rs.load_mesh("meshes/tentacle.obj")
    arrays, _ = unpack(pack_creature(mesh, "y", small=True))
    if "quads" not in arrays:
        pytest.fail("the tentacle is made of quads alone")
    cut = []
    for (a, b, c, d), second in zip(arrays["quads"].astype(int), arrays["turned"], strict=True):
        cut += [(a, b, d), (b, c, d)] if second else [(a, b, c), (a, c, d)]
    turned = [tuple(np.roll(t, -int(np.argmin(t)))) for t in cut]
    wanted = [tuple(np.roll(t, -int(np.argmin(t)))) for t in mesh.triangles]
    assert sorted(turned) == sorted(wanted)


@pytest.mark.parametrize("small", [False, True])
@pytest.mark.parametrize("method", ["linear", "dual_quaternion"])
def test_bytes_pose_the_skin_as_the_rig_does(rig, small, method):
    arrays, _ = unpack(pack_binding(rig, "nine", small))
    count = len(rig.joint_rest)
    starts = np.r_[0, np.cumsum(arrays["counts"].astype(int))]
    weights = np.zeros((len(starts) - 1, count))
    for row, (a, b) in enumerate(itertools.pairwise(starts)):
        weights[row, arrays["joints"][a:b]] = arrays["weights"][a:b]
    weights = weights[arrays["row_of"].astype(int)]
    assert np.abs(weights.sum(axis=1) - 1.0).max() < 1e-6
    pose = rig.pose_for("s_bend", 80.0)
    table = pose_numbers(rig, pose)[: 10 * count].astype(float).reshape(count, 10)
    rigid, scales = np.stack([as_matrix(row) for row in table]), np.tile(np.eye(4), (count, 1, 1))
    for joint in range(count):
        along, at = arrays["alongs"][joint].astype(float), arrays["origins"][joint].astype(float)
        stretch, girth = table[joint, 8:]
        scales[joint, :3, :3] = girth * np.eye(3) + (stretch - girth) * np.outer(along, along)
        scales[joint, :3, 3] = at - scales[joint, :3, :3] @ at
    rest = to_stage(rig.mesh, rig.mesh.positions)
    skinner = Skinner(rest, weights)
    if method == "linear":
        posed = skinner.linear(rigid @ scales)
    else:
        posed = skinner.dual_quaternion(rigid, scales)
    wanted = to_stage(rig.mesh, rig.deform(pose, method))
    assert np.abs(posed - wanted).max() < (3e-5 if small else 1e-6)


def as_matrix(dual):
    """Rotation and translation of a unit dual quaternion, by quaternion products."""

    def product(p, q):
        return np.r_[
            p[0] * q[0] - p[1:] @ q[1:], p[0] * q[1:] + q[0] * p[1:] + np.cross(p[1:], q[1:])
        ]

    real, moved = dual[:4], dual[4:8]
    back = real * [1, -1, -1, -1]
    matrix = np.eye(4)
    for axis in range(3):
        matrix[:3, axis] = product(product(real, np.r_[0.0, np.eye(3)[axis]]), back)[1:]
    matrix[:3, 3] = 2.0 * product(moved, back)[1:]
    return matrix


def test_ribbon_rows_and_seats_are_on_the_posed_ribbon(rig):
    arrays, facts = unpack(pack_binding(rig, "nine"))
    pose = rig.pose_for("c_bend", 120.0)
    points = pose_numbers(rig, pose)[10 * len(rig.joint_rest) :].reshape(-1, 2, 3)
    assert len(points) == facts["points"]
    ribbon = rig.pose_ribbon(pose)

    def at(starts, weights):
        four = np.stack([points[s : s + 4] for s in starts.astype(int)])
        return np.einsum("nk,nkus->nus", weights, four)

    rows = at(arrays["row_starts"], arrays["row_weights"])
    knots = rows[arrays["knot_rows"].astype(int)]
    for side in (0, 1):
        wanted = to_stage(rig.mesh, ribbon.evaluate(float(side), ribbon.breaks))
        assert np.abs(knots[:, side] - wanted).max() < 1e-6
    seats = at(arrays["seat_starts"], arrays["seat_weights"]).mean(axis=1)
    layout = rig.layout
    places = np.r_[layout.stations, layout.body.control_places]
    assert np.abs(seats - to_stage(rig.mesh, ribbon.midline(places))).max() < 1e-6
    assert [c["name"] for c in facts["controls"]] == list(layout.control_names)


@pytest.mark.parametrize("small", [False, True])
def test_steps_hold_each_pose_and_go_on_without_a_jump_in_sign(rig, small):
    amounts = np.linspace(0.0, 720.0, 13)
    arrays, facts = unpack(pack_steps(rig, lambda a: rig.pose_for("twist", a), amounts, small))
    assert (facts["low"], facts["high"], facts["count"]) == (0.0, 720.0, 13)
    turns = arrays["turns"].reshape(13, -1, 4)
    assert (np.sum(turns[1:] * turns[:-1], axis=2) > 0).all()
    last = pose_numbers(rig, rig.pose_for("twist", 720.0))
    table = last[: turns.shape[1] * 10].reshape(-1, 10)
    agree = np.sign(np.sum(table[:, :4] * turns[-1], axis=1))[:, None]
    tolerance = 4e-5 if small else 1e-7
    assert np.abs(table[:, :4] * agree - turns[-1]).max() < tolerance
    moves = arrays["moves"].reshape(13, -1, 4)
    assert np.abs(table[:, 4:8] * agree - moves[-1]).max() < tolerance


def test_a_pose_takes_little_more_than_a_kilobyte(rig):
    lean = pose_numbers(rig, rig.pose_for("c_bend", 90.0)).nbytes
    points = len(rig.layout.ribbon.control_points)
    assert lean == 4 * (10 * 9 + 6 * points)  # ten numbers a joint, and both sides of each point
    assert lean < 4096


def test_the_module_is_all_of_its_parts_and_holds_nothing_from_outside():
    folder = Path(rs.__file__).parent / "inpage" / "creature_view"
    assert {file.stem for file in folder.iterdir()} == set(PARTS)
    source = view_source()
    assert len(source) == sum(len(file.read_text("utf-8")) for file in folder.iterdir())
    # no module is fetched, no address is asked (ECMA-262: import declarations and calls)
    for asks in ("import ", "import(", "fetch(", "XMLHttpRequest", "http://", "https://", "eval("):
        assert asks not in source
    assert source.count("export class CreatureView") == 1

"""Tables and posed meshes, read back by readers that are none of ours."""

import csv
import json
import os
from dataclasses import replace
from functools import cache
from pathlib import Path

import geomdl.BSpline
import numpy as np
import pytest
import trimesh
from demos import demo_mesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from limbs import six_arms
from schemas import by_schema
from tubes import s_curve, tube

from ribbonsim import (
    TEST_POSES,
    Control,
    CreatureMesh,
    Layout,
    Pose,
    Ribbon,
    RibbonsimError,
    Units,
    bind,
    export_posed_meshes,
    export_tables,
    find_appendages,
    find_guide,
)
from ribbonsim.handoff.record_schema import schema_text
from ribbonsim.mesh.obj_read import read_obj

MESHES = Path(__file__).parent.parent / "meshes"
POSE = Pose({"шея": {"bend": 40, "twist": 15, "shift": (0.5, 0.0, -1.0)}}, keep_volume=0.5)
CONTROLS = (
    Control("tail, end", 1),
    Control('the "middle"', 8, reach=1.5, carried_by="tail, end"),
    Control("шея", 17, carried_by='the "middle"'),
)


@cache
def rig():
    centres = s_curve()
    layout = Layout(Ribbon.along(centres, 0.8, 16), np.linspace(0.0, 1.0, 17), CONTROLS)
    return bind(tube(centres, 0.6), replace(layout, poses={"glance": POSE}))


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tables")
    export_tables(rig(), folder, poses=["glance", "curl"])
    return folder


def rows(path):
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def record(folder):
    return json.loads((folder / "handoff.json").read_text(encoding="utf-8"))


# -- round trip -------------------------------------------------------------------------------


def test_weights_come_back_bit_for_bit_from_csv(written):
    table = np.zeros_like(rig().mesh_weights)
    names = list(rig().joint_names)
    for row in rows(written / "weights.csv"):
        table[int(row["vertex"]) - 1, names.index(row["joint"])] = float(row["weight"])
    assert np.array_equal(table, rig().mesh_weights)


def test_weights_and_positions_come_back_bit_for_bit_from_numpy(written):
    with np.load(written / "weights.npz", allow_pickle=False) as held:
        table = np.zeros_like(rig().mesh_weights)
        table[held["vertex"] - 1, held["joint"] - 1] = held["weight"]
        assert np.array_equal(table, rig().mesh_weights)
        assert np.array_equal(held["positions"], rig().mesh.positions)
        assert np.array_equal(held["places"], rig().places)
        assert held["joint_names"].tolist() == list(rig().joint_names)


def test_weights_and_positions_come_back_bit_for_bit_from_json(written):
    told = record(written)
    weights = told["weights"]
    table = np.zeros_like(rig().mesh_weights)
    table[np.array(weights["vertex"]) - 1, np.array(weights["joint"]) - 1] = weights["weight"]
    assert np.array_equal(table, rig().mesh_weights)
    assert np.array_equal(told["mesh"]["positions"], rig().mesh.positions)


def test_a_rig_made_from_the_json_alone_poses_the_same(written):
    """By hand from the tables: posed frames times stretch and girth, blended linearly."""
    told = record(written)
    points = np.c_[told["mesh"]["positions"], np.ones(told["mesh"]["vertices"])]
    stations = {s["joint"]: s for ribbon in told["ribbons"] for s in ribbon["stations"]}

    def frame(place, stretch=1.0, girth=1.0):
        whole = np.eye(4)
        axes = [stretch * np.array(place["along"]), girth * np.array(place["across"])]
        whole[:3] = np.column_stack([*axes, girth * np.array(place["normal"]), place["position"]])
        return whole

    for pose in told["poses"]:
        posed = np.zeros_like(points)
        moves = [
            frame(joint, joint["stretch"], joint["girth"])
            @ np.linalg.inv(frame(stations[told["joints"][i]["name"]]))
            for i, joint in enumerate(pose["joints"])
        ]
        weights = told["weights"]
        for v, j, w in zip(weights["vertex"], weights["joint"], weights["weight"], strict=True):
            posed[v - 1] += w * moves[j - 1] @ points[v - 1]
        wanted = POSE if pose["name"] == "glance" else rig().pose_for("curl")
        assert np.abs(posed[:, :3] - rig().deform(wanted)).max() < 1e-9 * rig().mesh.diagonal


def test_the_ribbon_evaluated_by_geomdl_is_the_ribbon(written):
    """geomdl, https://github.com/orbingol/NURBS-Python, from the CSV files."""
    points = np.array([[float(r[a]) for a in "xyz"] for r in rows(written / "control_points.csv")])
    surface = geomdl.BSpline.Surface()
    surface.degree_u, surface.degree_v = 1, 3
    surface.ctrlpts_size_u, surface.ctrlpts_size_v = 2, len(points) // 2
    surface.ctrlpts = np.concatenate([points[0::2], points[1::2]]).tolist()
    surface.knotvector_u = [0, 0, 1, 1]
    surface.knotvector_v = [float(r["t"]) for r in rows(written / "knots.csv")]
    ribbon = rig().layout.ribbon
    for u, t in ((0.0, 0.0), (1.0, 0.3), (0.5, 0.77), (0.2, 1.0)):
        assert surface.evaluate_single((u, t)) == pytest.approx(ribbon.evaluate(u, t), abs=1e-12)


def test_stations_and_controls_stand_where_the_ribbon_says(written):
    ribbon = rig().layout.ribbon
    stations = rows(written / "stations.csv")
    assert [int(r["station"]) for r in stations] == list(range(1, 18))
    assert [r["joint"] for r in stations] == list(rig().joint_names)
    lengths = np.array([float(r["arc_length"]) for r in stations])
    assert lengths[-1] == pytest.approx(ribbon.length)
    spacings = [float(r["spacing"]) for r in stations[:-1]]
    assert spacings == pytest.approx(np.diff(lengths))
    assert stations[-1]["spacing"] == ""
    controls = rows(written / "controls.csv")
    assert [r["control"] for r in controls] == ["tail, end", 'the "middle"', "шея"]
    assert [r["carried_by"] for r in controls] == ["", "tail, end", 'the "middle"']
    assert [float(r["reach"]) for r in controls] == [2.0, 1.5, 2.0]
    for row in (*stations, *controls):
        place = [float(row[f"position_{a}"]) for a in "xyz"]
        assert place == pytest.approx(ribbon.evaluate(0.5, float(row["t"])), abs=1e-12)
        axes = np.array([[float(row[f"{n}_{a}"]) for a in "xyz"]
                         for n in ("along", "across", "normal")])  # fmt: skip
        assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(axes) == pytest.approx(1.0)


def test_control_weights_share_out_the_ribbon(written):
    told = rows(written / "control_weights.csv")
    count = len(rig().layout.ribbon.control_points)
    assert [int(r["control_point"]) for r in told] == np.repeat(np.arange(1, count + 1), 3).tolist()
    weights = np.array([float(r["weight"]) for r in told]).reshape(count, len(CONTROLS))
    assert np.array_equal(weights, rig().surface_weights)


def test_shares_rise_from_nothing_to_all_of_what_a_control_does(written):
    told = rows(written / "shares.csv")
    table = np.array([float(r["share"]) for r in told]).reshape(17, len(CONTROLS) - 1)
    assert np.array_equal(table, rig().share_table)
    assert table[0] == pytest.approx(0.0, abs=1e-12)
    assert table[-1] == pytest.approx(1.0, abs=1e-12)
    assert (np.diff(table, axis=0) >= 0.0).all()
    # carried outwards from the tail's end, each piece is driven by the control after it
    assert [r["driven_by"] for r in told[:2]] == ['the "middle"', "шея"]
    assert {r["sign"] for r in told} == {"1"}
    stretch = rows(written / "stretch_weights.csv")
    weights = np.array([float(r["weight"]) for r in stretch]).reshape(17, len(CONTROLS))
    assert weights.sum(axis=1) == pytest.approx(1.0)
    # at a control its own; not to the last digit where reaches and gaps are uneven
    assert weights[[0, 7, 16]] == pytest.approx(np.eye(3), abs=1e-5)


def test_a_skinned_layout_has_weights_and_no_shares(tmp_path):
    export_tables(rig().under("skinned"), tmp_path, poses=["glance"])
    told = record(tmp_path)
    by_schema(json.loads(schema_text())).validate(told)
    assert told["drive"] == "skinned"
    assert [ribbon["shares"] for ribbon in told["ribbons"]] == [None]
    assert rows(tmp_path / "shares.csv") == rows(tmp_path / "stretch_weights.csv") == []


def test_units_convert_lengths_and_nothing_else(tmp_path):
    export_tables(rig(), tmp_path / "a", poses=["glance"])
    units = Units("centimetre", "metre", "y", "z")
    export_tables(rig(), tmp_path / "b", poses=["glance"], units=units)
    plain, turned = record(tmp_path / "a"), record(tmp_path / "b")
    assert turned["units"]["metres_per_unit"] == 1.0
    assert turned["units"]["up_axis"] == "z"
    assert plain["units"]["metres_per_unit"] is None
    first = np.array(plain["mesh"]["positions"])
    wanted = 0.01 * first[:, [0, 2, 1]] * [1.0, -1.0, 1.0]
    assert np.allclose(turned["mesh"]["positions"], wanted, atol=1e-14)
    one, other = plain["ribbons"][0], turned["ribbons"][0]
    assert other["length"] == pytest.approx(0.01 * one["length"])
    assert other["knots"] == one["knots"]
    assert turned["weights"] == plain["weights"]
    before, after = (told["poses"][0]["controls"]["шея"] for told in (plain, turned))
    assert after["bend"] == before["bend"] == 40
    assert after["shift"] == pytest.approx([0.005, 0.0, -0.01])


# -- schema -----------------------------------------------------------------------------------


def test_the_schema_is_a_schema_and_describes_the_record(written):
    """JSON Schema, draft 2020-12, by the jsonschema library."""
    schema = json.loads((written / "handoff.schema.json").read_text(encoding="utf-8"))
    assert schema == json.loads(schema_text())
    check = by_schema(schema)
    check.check_schema(schema)
    check.validate(record(written))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.pop("weights"),
        lambda r: r.update(extra=1),
        lambda r: r["weights"]["vertex"].__setitem__(0, 0),
        lambda r: r["mesh"]["positions"][3].append(0.0),
        lambda r: r["ribbons"][0].update(degree_along=2),
        lambda r: r["ribbons"][0]["stations"][0].update(t=1.5),
        lambda r: r["poses"][0]["controls"]["шея"].update(stretch=0),
        lambda r: r["units"].update(up_axis="x"),
        lambda r: r["joints"][1].update(parent="joint1"),
    ],
)
def test_the_schema_refuses_what_is_wrong(spoil, written):
    told = record(written)
    spoil(told)
    assert not by_schema(json.loads(schema_text())).is_valid(told)


def test_numbers_of_joints_lead_to_their_parents(written):
    joints = record(written)["joints"]
    assert [joint["number"] for joint in joints] == list(range(1, 18))
    assert [joint["parent"] for joint in joints] == [None, *range(1, 17)]
    assert {joint["ribbon"] for joint in joints} == {"body"}
    nodes = [name for joint in joints for name in (joint["node"], joint["skin_node"])]
    assert len(set(nodes)) == 34


@pytest.mark.slow
def test_every_ribbon_of_a_creature_is_in_the_tables(tmp_path):
    mesh, _ = six_arms(0.5)
    layout = Layout.from_ribbon(Ribbon.along(find_guide(mesh), 6.0, 16), 17, 5)
    for found in find_appendages(mesh, layout.ribbon)[:3]:
        layout = layout.with_appendage(found.appendage())
    creature = bind(mesh, layout)
    export_tables(creature, tmp_path, poses=["appendage_curl"])
    told = record(tmp_path)
    by_schema(json.loads(schema_text())).validate(told)
    assert [ribbon["name"] for ribbon in told["ribbons"]] == list(layout.ribbons)
    controls = [control["name"] for ribbon in told["ribbons"] for control in ribbon["controls"]]
    assert controls == list(layout.all_control_names)
    stations = [row["joint"] for row in rows(tmp_path / "stations.csv")]
    assert stations == [joint["name"] for joint in told["joints"]] == list(creature.joint_names)
    parents = [None if n is None else n + 1 for n in creature.joint_parents]
    assert [joint["parent"] for joint in told["joints"]] == parents
    for ribbon in told["ribbons"]:
        table = ribbon["control_weights"]
        assert np.shape(table) == (len(ribbon["control_points"]), len(ribbon["controls"]))
        assert np.sum(table, axis=1) == pytest.approx(1.0)
        share = ribbon["shares"]["share"]
        assert np.shape(share) == (len(ribbon["stations"]), len(ribbon["controls"]) - 1)


# -- posed meshes -----------------------------------------------------------------------------


def face_lines(path):
    """Everything but vertices, normals, comments and blank lines."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line.split()[:1] and line.split()[0] not in ("v", "vn", "#")]


def test_posed_meshes_keep_all_but_the_positions(tmp_path):
    mesh = demo_mesh("grub")
    grub = bind(mesh, Layout.from_ribbon(Ribbon.along(find_guide(mesh), 2.0, 12), 9, 3))
    poses = {"кольцо / 1": grub.pose_for("curl"), "c": grub.pose_for("c_bend")}
    paths = export_posed_meshes(grub, tmp_path, poses)
    assert [path.name for path in paths] == ["grub_кольцо_1.obj", "grub_c.obj"]
    source = read_obj(MESHES / "grub.obj")
    for path, pose in zip(paths, poses.values(), strict=True):
        told = read_obj(path)
        assert np.array_equal(told.positions, grub.deform(pose))
        assert np.array_equal(told.offsets, source.offsets)
        assert np.array_equal(told.corner_vertices, source.corner_vertices)
        assert np.array_equal(told.texcoords, source.texcoords)
        assert np.array_equal(told.corner_texcoords, source.corner_texcoords)
        assert told.group_names == source.group_names
        assert np.array_equal(told.polygon_groups, source.polygon_groups)
        assert told.object_names == source.object_names
    # an independent reader finds the same surface
    other = trimesh.load(paths[0], process=False)
    places = {tuple(place) for place in grub.deform(poses["кольцо / 1"]).round(6).tolist()}
    assert {tuple(place) for place in other.vertices.round(6).tolist()} == places


def test_posed_meshes_blend_as_asked_and_convert(tmp_path):
    (linear,) = export_posed_meshes(rig(), tmp_path / "a", ["glance"])
    (dual,) = export_posed_meshes(
        rig(), tmp_path / "b", ["glance"], method="dual_quaternion", units=Units("foot", "metre")
    )
    assert np.array_equal(read_obj(linear).positions, rig().deform(POSE))
    wanted = 0.3048 * rig().deform(POSE, "dual_quaternion")  # by definition, since 1959
    assert read_obj(dual).positions == pytest.approx(wanted)
    assert "# Lengths are in metres, converted from feet; the y axis points up." in dual.read_text()


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.text(min_size=1, max_size=6), min_size=1, max_size=4, unique=True))
def test_any_name_of_a_pose_gives_a_file_of_its_own(tmp_path, names):
    pieces = CreatureMesh.from_arrays(
        rig().mesh.positions, [p.tolist() for p in rig().mesh.polygons], "a/b"
    )
    paths = export_posed_meshes(
        bind(pieces, rig().layout), tmp_path, dict.fromkeys(names, POSE), force=True
    )
    assert len({path.name.casefold() for path in paths}) == len(names)
    assert all(path.is_file() and path.parent == tmp_path for path in paths)


def test_every_pose_leaves_if_none_is_named(tmp_path):
    paths = export_posed_meshes(rig(), tmp_path)
    assert len(paths) == 1 + len(TEST_POSES)
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in paths}


# -- errors and speed -------------------------------------------------------------------------


@pytest.mark.parametrize("export", [export_tables, export_posed_meshes])
def test_what_is_there_is_kept_and_nothing_half_is_left(export, tmp_path):
    first = export(rig(), tmp_path / "out", poses=["glance"])
    first[-1].write_text("mine")
    with pytest.raises(RibbonsimError, match="exists and is kept"):
        export(rig(), tmp_path / "out", poses=["glance"])
    assert first[-1].read_text(encoding="utf-8") == "mine"
    with pytest.raises(RibbonsimError, match="no pose is called 'nod'"):
        export(rig(), tmp_path / "other", poses=["nod"])
    assert not (tmp_path / "other").exists()
    (tmp_path / "file").write_text("")
    with pytest.raises(RibbonsimError, match="choose a folder, not a file"):
        export(rig(), tmp_path / "file", poses=["glance"])
    export(rig(), tmp_path / "out", poses=["glance"], force=True)
    assert first[-1].stat().st_size > 4


@pytest.mark.skipif(os.name != "posix", reason="/dev/full is a thing of Linux")
def test_a_full_disk_is_told(tmp_path, monkeypatch):
    def full(self, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(RibbonsimError, match="no space left on device"):
        export_tables(rig(), tmp_path / "out", poses=["glance"])
    assert not (tmp_path / "out").exists()

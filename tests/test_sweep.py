"""Sweeps: one table of layouts by poses by meshes, gone on with, and on a real cluster."""

import csv
import os
import pickle
import signal

import numpy as np
import pytest
from command_line import run_here
from pages import Page
from tubes import arc, s_curve, straight, tube

import ribbonsim as rs
from ribbonsim.mesh.obj_write import write_obj
from ribbonsim.placing.plan import read_plan
from ribbonsim.placing.prepared import layout_of
from ribbonsim.rig.first_layout import build_layout

PLAN = """
meshes = ["worm.obj", "broken.obj", "bow.obj"]
poses = { c_bend = 60, look_aside = 40 }
[grid]
controls = [3, 5]
stations = [9]
"""


@pytest.fixture
def folder(tmp_path):
    write_obj(tube(s_curve(rings=41), 0.5, round_ends=3), tmp_path / "worm.obj")
    write_obj(tube(arc(rings=41), 0.4, round_ends=3), tmp_path / "bow.obj")
    (tmp_path / "broken.obj").write_text("v 0 0 0\nf 1 2 3\n")
    (tmp_path / "plan.toml").write_text(PLAN)
    return tmp_path


def rows_of(path):
    with open(path, newline="") as stream:
        return list(csv.DictReader(stream))


def test_used_rig_can_be_pickled():
    mesh = tube(straight(), 0.5)
    rig = rs.bind(mesh, build_layout(mesh))
    pose = rig.pose_for("c_bend", 60)
    before = rig.deform(pose, "dual_quaternion")  # has filled all that it keeps
    copy = pickle.loads(pickle.dumps(rig))
    assert np.array_equal(copy.deform(pose, "dual_quaternion"), before)


def test_table_page_and_a_bad_mesh_is_a_line(folder):
    out = folder / "out"
    ran = run_here("sweep", folder / "plan.toml", "--out", out, "--jobs", 1)
    assert ran.returncode == 0, ran.stderr
    rows = rows_of(out / "sweep.csv")
    assert len(rows) == 2 * 2 * 2 + 1
    wrong = [row for row in rows if row["error"]]
    assert [row["mesh"] for row in wrong] == ["broken"]
    assert not wrong[0]["skin_error"]
    page = Page((out / "index.html").read_text())
    assert "worm" in page.text
    assert "broken" in page.text
    assert not page.asks_for
    # the figures are those of the rig itself
    row = next(r for r in rows if r["mesh"] == "worm" and r["pose"] == "c_bend")
    mesh = rs.load_mesh(folder / "worm.obj")
    base = rs.bind(mesh, build_layout(mesh))
    rig = rs.bind(mesh, layout_of(read_plan(folder / "plan.toml").recipes[0], base))
    target = base.targets_for("c_bend", 60)["body"]
    assert float(row["shape_error"]) == pytest.approx(
        rig.shape_error(target, rig.fit(target)), rel=1e-6, abs=1e-10
    )


@pytest.mark.slow
def test_parquet_holds_the_same_where_pyarrow_is(folder):
    parquet = pytest.importorskip("pyarrow.parquet")
    found = rs.sweep(folder / "plan.toml", folder / "out", jobs=1)
    table = parquet.read_table(folder / "out" / "sweep.parquet").to_pydict()
    assert table["skin_error"] == [row.get("skin_error") for row in found.rows]


def test_stopped_run_goes_on_where_it_was(folder):
    out = folder / "out"

    def stop(stage, done, total):
        if stage == "measure layouts" and done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rs.sweep(folder / "plan.toml", out, jobs=1, progress=stop)
    assert not (out / "sweep.csv").exists()
    stages = []
    rs.sweep(folder / "plan.toml", out, jobs=1, progress=lambda *told: stages.append(told))
    first = next(told for told in stages if told[0] == "measure layouts")
    assert first[1] >= 3
    whole = rs.sweep(folder / "plan.toml", folder / "other", jobs=1)
    assert [row.get("skin_error") for row in whole.rows] == [
        float(row["skin_error"]) if row["skin_error"] else None
        for row in rows_of(out / "sweep.csv")
    ]


def test_folder_is_swept_with_its_layouts(folder):
    mesh = rs.load_mesh(folder / "worm.obj")
    layout = rs.Layout.from_ribbon(build_layout(mesh).ribbon, 13, [1, 4, 13])
    (folder / "plan.toml").unlink()
    layout.save(folder / "mine.toml")
    plan = read_plan(folder)
    assert [recipe.name for recipe in plan.recipes] == ["mine"]
    assert len(plan.meshes) == 3
    rig = rs.bind(mesh, build_layout(mesh))
    placed = layout_of(plan.recipes[0], rig)
    assert placed.stations == pytest.approx(layout.stations, abs=1e-9)
    assert [c.station for c in placed.controls] == [1, 4, 13]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("meshes = []", "at least one mesh"),
        ("meshes = ['a.obj']\nspeed = 2", "'speed', which means nothing"),
        ("meshes = 'a.obj'", "no list of names"),
        ("meshes = ['a.obj']\n[grid]\ncontrols = ['x']", "no whole number"),
        ("meshes = ['a.obj'\n", "no TOML file"),
        ("meshes = ['a.obj']\nposes = [1]", "poses are a list of names"),
        ("meshes = ['a.obj']\nposes = ['wiggle']", "'wiggle' is not known"),
    ],
)
def test_bad_plans_are_said_in_one_sentence(tmp_path, text, said):
    (tmp_path / "plan.toml").write_text(text)
    ran = run_here("sweep", tmp_path / "plan.toml", "--out", tmp_path / "out")
    assert ran.returncode == 2
    assert said in ran.stderr
    assert "Traceback" not in ran.stderr


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of sockets and processes that a killed worker leaves
def test_cluster_of_two_workers_of_which_one_is_killed_gives_the_same(folder):
    distributed = pytest.importorskip("distributed")
    alone = rs.sweep(folder / "plan.toml", folder / "alone", jobs=1)
    options = {"n_workers": 2, "threads_per_worker": 1, "processes": True}
    with distributed.LocalCluster(**options, dashboard_address=None) as cluster:
        with distributed.Client(cluster.scheduler_address) as client:
            pids = sorted(client.run(os.getpid).values())
        killed = []

        def kill(stage, done, total):
            if stage == "measure layouts" and done >= 1 and not killed:
                os.kill(pids[0], signal.SIGKILL)
                killed.append(pids[0])

        found = rs.sweep(
            folder / "plan.toml",
            folder / "cluster",
            scheduler=cluster.scheduler_address,
            progress=kill,
        )
    assert killed
    # bit for bit, as the same numbers are worked out from the same arrays
    assert found.rows == alone.rows

"""What a closed panel leaves behind: nothing."""

import gc
import shutil
import subprocess
import sys
import weakref
from dataclasses import replace

import numpy as np
import psutil
import pytest
from demos import MESHES
from ipywidgets.widgets.widget import _instances
from tubes import tube

import ribbonsim as rs
from ribbonsim.panel import display
from ribbonsim.panel.work.inspector import Inspector
from ribbonsim.panel.work.worker import PICTURES


def small():
    x = np.linspace(0.0, 10.0, 41)
    return replace(tube(np.column_stack([x, np.zeros(41), np.zeros(41)]), 0.5))  # nobody else's


def settle():
    assert PICTURES.settle(300)
    assert Inspector.settle(300)


def test_a_closed_panel_frees_its_creature_and_its_widgets():
    before = set(_instances)
    panel = rs.Panel(small())
    panel._desk.act(lambda: panel.model.set_value("control2", "bend", 30.0))
    settle()
    held = [weakref.ref(each) for each in (panel.model.rig.mesh, panel.model, panel._desk)]
    panel.close()
    settle()
    panel.close()  # closing it again is no error
    gc.collect()
    assert [each() for each in held] == [None, None, None]
    assert set(_instances) <= before
    assert panel.children == ()  # the panel itself may live on in the notebook's history


@pytest.mark.slow
def test_another_creature_takes_the_place_of_the_one_before():
    panel = rs.Panel(small())
    settle()
    mesh = weakref.ref(panel.model.rig.mesh)
    panel._desk.open(small())
    settle()
    gc.collect()
    assert mesh() is None
    panel.close()


@pytest.mark.slow
def test_a_cell_that_is_run_again_closes_what_it_showed_before(monkeypatch):
    runs = iter([("cell", "1"), ("cell", "1"), ("other", "2"), ("cell", "3"), ("", "")])
    monkeypatch.setattr(display, "_running", lambda: next(runs))
    monkeypatch.setattr(display, "_SHOWN", {})
    first, second, other, again, script = (rs.Panel("nowhere.obj") for _ in range(5))
    assert [each._held is None for each in (first, second, other, again, script)] == [
        *(True, True),
        *(False, False, False),
    ]
    for each in (other, again, script):
        each.close()


def test_a_cell_that_is_run_again_opens_the_mesh_that_was_read_while_its_file_is_the_same(
    monkeypatch, tmp_path
):
    runs = iter([("cell", str(number)) for number in range(3)])
    monkeypatch.setattr(display, "_running", lambda: next(runs))
    monkeypatch.setattr(display, "_SHOWN", {})
    monkeypatch.chdir(tmp_path)
    shutil.copy(MESHES / "grub.obj", "creature.obj")
    meshes = []
    for number in range(3):
        if number == 2:
            shutil.copy(MESHES / "coil.obj", "creature.obj")
        panel = rs.Panel("creature.obj")
        settle()
        meshes.append(panel.model.rig.mesh)
    panel.close()
    assert meshes[0] is meshes[1]
    assert meshes[2].positions.shape != meshes[1].positions.shape


def growth():
    """Bytes by which this process has grown after twenty more runs of a cell."""
    process, mesh = psutil.Process(), small()

    def run():
        panel = rs.Panel(mesh)
        settle()
        panel.close()
        settle()

    for _ in range(4):  # what is loaded and compiled once is not of the runs
        run()
    before = process.memory_info().rss
    for _ in range(20):
        run()
    return process.memory_info().rss - before


@pytest.mark.slow
def test_twenty_runs_of_a_cell_leave_five_megabytes_at_most():
    # in a process of its own: what earlier tests held comes back to the system whenever it likes,
    # and what they left at work takes more
    done = subprocess.run(
        [sys.executable, __file__], capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) <= 5e6


if __name__ == "__main__":
    print(growth())

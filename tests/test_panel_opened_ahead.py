"""A creature that is opened before the page asks for it: the same, and never a stale one."""

import os
import shutil

import numpy as np
import pytest
from demos import MESHES

from ribbonsim.errors import RibbonsimError
from ribbonsim.layout.toml import layout_text
from ribbonsim.panel.jupyter import MESH_VARIABLE
from ribbonsim.panel.state import opening
from ribbonsim.panel.state.begun import _WAITING, open_ahead, take_ahead
from ribbonsim.panel.state.opening import open_source
from ribbonsim.panel.work import first
from ribbonsim.panel.work.worker import PICTURES


@pytest.fixture
def mesh_file(tmp_path):
    path = tmp_path / "grub.obj"
    shutil.copy(MESHES / "grub.obj", path)
    yield path
    _WAITING.clear()


def test_what_was_opened_beforehand_is_what_opening_gives(mesh_file, monkeypatch):
    usual = open_source(mesh_file)
    monkeypatch.setenv(MESH_VARIABLE, str(mesh_file))
    first.begin()
    assert PICTURES.settle(300)
    taken = take_ahead(mesh_file)
    taken.first()
    _WAITING[mesh_file.resolve()] = taken
    monkeypatch.setattr(opening, "load_mesh", pytest.fail)  # nothing is done twice
    monkeypatch.setattr(opening, "build_layout", pytest.fail)
    opened = open_source(str(mesh_file))
    assert opened.mark == usual.mark
    assert layout_text(opened.rig.layout) == layout_text(usual.rig.layout)
    np.testing.assert_array_equal(opened.rig.mesh_weights, usual.rig.mesh_weights)
    assert opened.guide.notes == usual.guide.notes
    assert opened.first is opened.rig
    assert _WAITING == {}  # nothing holds on to the creature


def test_a_file_that_changed_meanwhile_is_read_again(mesh_file):
    open_ahead(mesh_file).first()
    shutil.copy(MESHES / "coil.obj", mesh_file)
    os.utime(mesh_file, ns=(1, 1))
    assert len(open_source(mesh_file).rig.mesh.positions) == 9730


def test_what_cannot_be_opened_is_told_when_it_is_asked_for(mesh_file):
    mesh_file.write_text("v 1 2 nonsense\n", encoding="utf-8")
    assert open_ahead(mesh_file).first() is None
    with pytest.raises(RibbonsimError, match="grub"):
        open_source(mesh_file)
    gone = mesh_file.with_name("gone.obj")
    assert open_ahead(gone).mesh() is None
    with pytest.raises(RibbonsimError, match="gone"):
        open_source(gone)

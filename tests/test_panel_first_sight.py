"""What is read and drawn before the panel asks for it.

References: the mesh as `load_mesh` reads it; Pillow, which decodes the picture (ITU-T T.81, JPEG).
"""

import io
import json
import os
import shutil
import threading

import numpy as np
import pytest
from demos import MESHES
from PIL import Image

from ribbonsim.mesh.load import load_mesh
from ribbonsim.panel.work import first_sight, read_before

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kernels are begun ahead on POSIX only")


def look(folder, monkeypatch, patience=60.0):
    """Look ahead in a folder, and give what was written."""
    monkeypatch.chdir(folder)
    monkeypatch.setenv("RIBBONSIM_SESSIONS", "off")
    monkeypatch.setattr(read_before, "_LEFT", [])
    reading, end = os.pipe()
    told = []

    def read():
        with open(reading, "rb") as stream:
            told.append(stream.read())

    reader = threading.Thread(target=read)
    reader.start()
    first_sight.look_ahead(end, patience)
    reader.join(60.0)
    assert not reader.is_alive()
    return told[0]


@pytest.fixture
def grub(tmp_path, monkeypatch):
    """A mesh file that was named when the notebook was started."""
    shutil.copy(MESHES / "grub.obj", tmp_path)
    monkeypatch.setenv("RIBBONSIM_MESH", str(tmp_path / "grub.obj"))
    return tmp_path / "grub.obj"


def test_the_creature_is_in_the_picture_and_its_mesh_is_handed_on_once(grub, monkeypatch):
    head, picture = look(grub.parent, monkeypatch).split(b"\n", 1)
    told = json.loads(head)
    assert told["name"] == "grub"
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"), dtype=float)
    sides = np.concatenate([pixels[:, 5], pixels[:, -5]])
    assert np.ptp(sides.max(axis=1) - sides.min(axis=1)) < 16  # nothing of it is cut off
    ground = pixels[:, :1]
    seen = (abs(pixels - ground).max(axis=2) > 24).mean()
    assert 0.1 < seen < 0.8
    mesh = read_before.read_already(grub)
    assert np.array_equal(mesh.positions, load_mesh(grub).positions)
    assert read_before.read_already(grub) == grub


def test_a_file_that_is_another_by_now_is_read_again(grub, monkeypatch):
    look(grub.parent, monkeypatch)
    shutil.copy(MESHES / "coil.obj", grub)
    assert read_before.read_already(grub) == grub


def test_what_was_read_for_nothing_is_let_go(grub, monkeypatch):
    look(grub.parent, monkeypatch)
    other = MESHES / "coil.obj"
    assert read_before.read_already(other) == other
    assert read_before.read_already(grub) == grub


def test_what_cannot_be_read_is_left_to_the_panel(grub, monkeypatch):
    grub.write_text("v 0 0\nf 1 2 9\n", encoding="utf-8")
    assert look(grub.parent, monkeypatch) == b""
    assert read_before.read_already(grub) == grub


def test_without_a_name_it_is_the_creature_that_the_panel_begins_with(tmp_path, monkeypatch):
    monkeypatch.delenv("RIBBONSIM_MESH", raising=False)
    (tmp_path / "meshes").mkdir()
    shutil.copy(MESHES / "tentacle.obj", tmp_path / "meshes")
    assert b"tentacle" in look(tmp_path, monkeypatch).split(b"\n", 1)[0]

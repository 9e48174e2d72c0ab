"""The compare panel without a browser: tiles, variants, numbers, files."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import ribbonsim as rs
from ribbonsim.panel.bench import join_tiles
from ribbonsim.panel.compare_panel import ComparePanel, _table_html
from ribbonsim.panel.easel import EASEL
from ribbonsim.panel.inspector import CHECKS

MESHES = Path(__file__).resolve().parents[1] / "meshes"


def rest():
    assert EASEL.settle(30)
    assert CHECKS.settle(60)


@pytest.fixture
def panel():
    made = ComparePanel(MESHES / "grub.obj")
    rest()
    yield made
    made.close()
    rest()


def picture(panel):
    rest()
    jpeg = panel._desk.picture.value
    return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"), dtype=float)


def test_tiles_are_joined_row_by_row():
    tiles = [np.full((4, 6, 3), tone, dtype=np.uint8) for tone in (10, 20, 30)]
    whole = join_tiles(tiles, (2, 2), (12, 8))
    assert [whole[y, x, 0] for y, x in ((2, 3), (2, 9), (6, 3), (6, 9))] == [10, 20, 30, 226]


def test_a_variant_looks_like_its_pattern_until_it_is_changed(panel):
    panel._variant()
    both = picture(panel)
    # the layout duplicated is the first: the tiles stand one above the other
    first, variant = both[5:270, 5:440], both[305:570, 5:440]
    plain = np.abs(first - variant).mean()
    panel._act(lambda: panel._model.add_control(3))
    panel._set_reach(0.5)
    panel._set_amount(120.0)
    changed = picture(panel)
    assert np.abs(changed[5:270, 5:440] - changed[305:570, 5:440]).mean() > plain
    assert np.abs(changed - both).mean() > 1.0
    assert panel.bench.entries[0].model.layout is not panel.bench.entries[2].model.layout
    panel._desk.act(panel._desk.model.undo)
    panel._desk.act(panel._desk.model.undo)
    assert panel.bench.entries[2].model.layout is panel.bench.entries[0].model.layout


def test_numbers_are_those_of_compare(panel):
    entries = panel.bench.entries
    expected = rs.compare(
        [entry.model.rig for entry in entries],
        {panel.bench.pose_name: panel.bench.amount},
        [entry.name for entry in entries],
    )
    assert panel._table.value == _table_html(expected)
    assert "best" in panel._table.value
    panel._compare_all()
    rest()
    assert "10 test poses" in panel._progress.value
    panel._compare_all()
    panel._stop_comparing()
    rest()
    assert "Stopped" in panel._progress.value


def test_a_click_on_a_tile_chooses_its_layout(panel):
    panel._desk.viewer.control_at(600.0, 300.0)
    assert panel.bench.chosen == 1
    assert panel._desk.model is panel.bench.entries[1].model


def test_names_from_files_are_escaped_and_files_come_back(panel, tmp_path):
    panel._path.value = str(tmp_path / "<script>.toml")
    panel._save()
    panel._add_file()
    rest()
    assert panel.bench.entries[2].name == "<script>"
    assert "<script>" not in panel._table.value
    assert "&lt;script&gt;" in panel._table.value
    panel._save()
    assert "is there already" in panel._desk.message.value


def test_the_fewest_and_the_most_are_two_and_six(panel):
    panel._act(panel.bench.remove)
    assert "two layouts are the fewest" in panel._desk.message.value
    for _ in range(5):
        panel._variant()
    assert len(panel.bench.entries) == 6
    assert "remove one first" in panel._desk.message.value
    picture(panel)

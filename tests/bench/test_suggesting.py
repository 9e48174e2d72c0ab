"""Finding a layout for the lampeel in ten poses, beside what binding it once takes."""

from pathlib import Path

import pytest

from ribbonsim import bind, load_mesh, suggest
from ribbonsim.placing.search import Search
from ribbonsim.placing.seats import MissTable, best_for_worst
from ribbonsim.placing.wanted import Wanted
from ribbonsim.rig.bind import rebind
from ribbonsim.rig.first_layout import build_layout

pytestmark = pytest.mark.bench
MESHES = Path(__file__).resolve().parents[2] / "meshes"


@pytest.fixture(scope="module")
def rig():
    mesh = load_mesh(MESHES / "lampeel.obj")
    return bind(mesh, build_layout(mesh))


def test_layouts_are_bound_again_beside_the_first_bind(race, rig):
    layouts = [
        rig.layout.with_ribbon("body", rig.layout.body.with_stations(count)) for count in (15, 19)
    ]
    race(
        "two re-binds with other stations over the first bind",
        lambda: [rebind(rig, layout) for layout in layouts],
        lambda: bind(rig.mesh, rig.layout),
        wanted=0.12,
        rounds=3,
        calls=1,
    )


def test_search_by_the_table_beside_the_first_bind(race, rig):
    group = Search(rig, None, None, Wanted(2, 9)).groups[0]
    table = MissTable.of(group.lines)
    race(
        "2 to 9 controls by the table, ten poses, over the first bind",
        lambda: best_for_worst(table, 9),
        lambda: bind(rig.mesh, rig.layout),
        wanted=0.3,
        rounds=3,
        calls=1,
    )


def test_whole_answer_beside_the_first_bind(race, rig):
    race(
        "the whole answer, ten poses, 2 to 9 controls, over ten first binds",
        lambda: suggest(rig, controls=(2, 9)),
        lambda: [bind(rig.mesh, rig.layout) for _ in range(10)],
        wanted=1.5,
        rounds=1,
        calls=1,
    )

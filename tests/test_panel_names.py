"""Names of controls in the panel's picture keep off each other, also while the creature moves."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ribbonsim.panel.work.canvas import Canvas
from ribbonsim.panel.work.marks import Marker, Marks

SIZE = (450, 300)
CANVAS = Canvas(SIZE)
GROUND = np.full((SIZE[1], SIZE[0], 3), 128, dtype=np.uint8)
NOTHING = np.zeros((0, 2))


def apart(one, other):
    """Whether two boxes share no pixel: the separating axis theorem for upright boxes."""
    return one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


def drawn(marker, places, chosen=""):
    """Boxes of the names after the controls have gone to places."""
    controls = [(f"control{i + 1}", place) for i, place in enumerate(places)]
    marks = Marks(controls, named=controls, chosen=chosen)
    picture = marker.draw(GROUND, marks)
    assert not np.array_equal(picture, GROUND)
    return marker.boxes


def settled(places, chosen=""):
    marker = Marker(CANVAS)
    controls = [(f"control{i + 1}", place) for i, place in enumerate(places)]
    marks = Marks(controls, named=controls, chosen=chosen)
    marker.settle(marks, NOTHING, anew=True)
    return marker


def test_a_name_goes_to_another_side_of_its_dot_when_a_neighbour_comes_near():
    marker = settled([(150.0, 150.0), (300.0, 150.0)])
    far = dict(drawn(marker, [(150.0, 150.0), (300.0, 150.0)]))
    near = drawn(marker, [(220.0, 150.0), (232.0, 150.0)])  # dots all but on each other
    assert apart(*near.values())
    assert len(near) == 2
    for name, box in near.items():  # as wide and high as before, and beside its dot still
        assert np.ptp(box[::2]) == pytest.approx(np.ptp(far[name][::2]))
        assert abs(0.5 * (box[0] + box[2]) - 226.0) < 80.0


def test_where_there_is_no_room_the_chosen_name_stays():
    places = [(200.0 + i, 150.0) for i in range(12)]
    for chosen in ("control1", "control12"):
        boxes = drawn(
            settled([(30.0 + 35.0 * i, 150.0) for i in range(12)], chosen), places, chosen
        )
        assert chosen in boxes
        assert 2 <= len(boxes) < 12
        assert all(apart(one, other) for one, other in combinations(boxes.values(), 2))


@settings(deadline=None, max_examples=30)
@given(
    st.lists(
        st.tuples(st.floats(0.0, SIZE[0]), st.floats(0.0, SIZE[1])), min_size=1, max_size=9
    ).flatmap(lambda first: st.tuples(st.just(first), st.permutations(first)))
)
def test_names_never_overlap_wherever_controls_go(both):
    first, then = both
    boxes = drawn(settled(first, "control1"), then, "control1")
    assert "control1" in boxes
    assert all(apart(one, other) for one, other in combinations(boxes.values(), 2))
    for left, top, right, bottom in boxes.values():
        assert 0.0 <= left < right <= SIZE[0]
        assert 0.0 <= top < bottom <= SIZE[1]


def test_a_name_that_is_pointed_at_comes_and_goes_and_the_chosen_one_stays_where_it_is():
    controls = [(f"control{i + 1}", (60.0 + 70.0 * i, 150.0)) for i in range(5)]
    marker = Marker(CANVAS)
    alone = Marks(controls, named=controls[:1], chosen="control1")
    marker.settle(alone, NOTHING, anew=True)
    marker.draw(GROUND, alone)
    assert list(marker.boxes) == ["control1"]
    before = marker.boxes["control1"]
    both = Marks(controls, named=controls[:2], chosen="control1")
    marker.settle(both, NOTHING, anew=False)
    marker.draw(GROUND, both)
    assert marker.boxes["control1"] == before
    assert apart(*marker.boxes.values())
    assert set(marker.boxes) == {"control1", "control2"}


def test_on_a_finer_canvas_the_same_stands_at_the_same_places():
    coarse = settled([(150.0, 150.0), (300.0, 100.0)], "control1")
    boxes = drawn(coarse, [(150.0, 150.0), (300.0, 100.0)], "control1")
    fine = Marker(Canvas((2 * SIZE[0], 2 * SIZE[1]), 2.0))
    controls = [("control1", (300.0, 300.0)), ("control2", (600.0, 200.0))]
    marks = Marks(controls, named=controls, chosen="control1")
    fine.settle(marks, NOTHING, anew=True)
    large = fine.draw(np.repeat(np.repeat(GROUND, 2, axis=0), 2, axis=1), marks)
    assert fine.boxes == boxes
    small = coarse.draw(GROUND, Marks(controls=[], named=[]))
    assert small.shape == GROUND.shape
    # twice as many pixels to a unit: nearly four times as many are drawn on
    changed = (large != 128).any(axis=2).sum()
    again = coarse.draw(
        GROUND,
        Marks([(n, (x / 2, y / 2)) for n, (x, y) in controls],
              [(n, (x / 2, y / 2)) for n, (x, y) in controls], "control1"),
    )  # fmt: skip
    assert changed == pytest.approx(4 * (again != 128).any(axis=2).sum(), rel=0.06)

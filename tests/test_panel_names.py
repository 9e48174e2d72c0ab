"""Names of controls in the panel's picture keep off each other, also while the creature moves."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ribbonsim.panel.work.marks import Marker, Marks

SIZE = (450, 300)
GROUND = np.full((SIZE[1], SIZE[0], 3), 128, dtype=np.uint8)
NOTHING = np.zeros((0, 2))


def apart(one, other):
    """Whether two boxes share no pixel: the separating axis theorem for upright boxes."""
    return one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]


def drawn(marker, places, chosen=""):
    """Boxes of the names after the controls have gone to places."""
    marks = Marks([(f"control{i + 1}", place) for i, place in enumerate(places)], chosen)
    picture = marker.draw(GROUND, marks)
    assert not np.array_equal(picture, GROUND)
    return marker.boxes


def settled(places, chosen=""):
    marker = Marker(SIZE)
    marks = Marks([(f"control{i + 1}", place) for i, place in enumerate(places)], chosen)
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

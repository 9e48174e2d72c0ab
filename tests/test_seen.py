"""Views that come back as text from a review page."""

import pytest

from ribbonsim.errors import RibbonsimError
from ribbonsim.inpage.seen import SeenView, read_seen

TEXT = (
    "Too stiff here.\nc bend at 60°, seen from 50° round and 18° up {ribbonsim view 1: pose=c_bend "
    "amount=60 azimuth=410.5 elevation=-18.25 focus=0.1,-0.02,0.3 away=2.75 layout=five%20spans}\n"
)


def test_a_view_is_read_out_of_whatever_stands_around_it():
    wanted = SeenView(50.5, -18.25, (0.1, -0.02, 0.3), 2.75, "c_bend", 60.0, "five spans")
    assert read_seen(TEXT) == wanted
    assert read_seen(f"{TEXT}\n{TEXT.replace('60', '30')}") == wanted  # the first of several
    rest = read_seen("{ribbonsim view 1: azimuth=0 elevation=90 focus=0,0,0 away=3}")
    assert (rest.pose, rest.amount, rest.layout) == ("rest", None, "")
    assert rest.motion == ""
    moves = read_seen(TEXT.replace("pose=c_bend amount=60", "motion=own%20way moment=1.25"))
    assert (moves.motion, moves.moment) == ("own way", 1.25)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("{", "(", "the text holds no view"),
        ("view 1:", "view 2:", "version 2"),
        ("azimuth=410.5 ", "", "does not say its azimuth"),
        ("away=2.75", "away=nan", "away = 'nan' of the view is no number"),
        ("amount=60", "moment=late", "moment = 'late' of the view is no number"),
        ("amount=60", "amount=much", "amount = 'much' of the view is no number"),
        ("0.1,-0.02,0.3", "0.1,-0.02", "no focus of three numbers"),
        ("elevation=-18.25", "elevation=100", "stands where no camera can"),
        ("away=2.75", "away=0", "stands where no camera can"),
    ],
)
def test_what_is_no_view_is_said_in_one_sentence(old, new, says):
    with pytest.raises(RibbonsimError, match=says) as caught:
        read_seen(TEXT.replace(old, new))
    assert "\n" not in str(caught.value)

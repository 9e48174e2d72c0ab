"""The search for a layout, against exhaustive search, closed forms and the even layout."""

import itertools
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cases import first_of
from limbs import two_fins
from tubes import arc, s_curve, straight, tube

import ribbonsim as rs
from ribbonsim.bendcheck.exact import exact_skin, motions_to
from ribbonsim.layout.targets import Target
from ribbonsim.placing.drive_model import DriveModel, exchanged, worst_miss
from ribbonsim.placing.judge import vertex_areas
from ribbonsim.placing.knots import exact_kink, with_knots
from ribbonsim.placing.line import line_of
from ribbonsim.placing.pairs import pair_misses
from ribbonsim.placing.search import Search
from ribbonsim.placing.seats import MissTable, best_for_sum, best_for_worst
from ribbonsim.placing.stations import place_stations
from ribbonsim.placing.wanted import Wanted
from ribbonsim.rig.first_layout import BuildOptions, build_layout

MESHES = Path(__file__).parents[1] / "meshes"


def rig_of(mesh):
    return rs.bind(mesh, build_layout(mesh))


@pytest.fixture(scope="module")
def rod():
    """A thin straight tube, ten long."""
    return rig_of(tube(straight(rings=81), 0.3, name="rod"))


@pytest.fixture(scope="module")
def worm():
    """A tube that is bent to both sides at rest."""
    return rig_of(tube(s_curve(), 0.5, round_ends=4, name="worm"))


def line_in(rig, *poses, held=()):
    ribbon = rig.layout.ribbon
    targets = [rig.targets_for(name)["body"] for name in poses]
    even = np.linspace(0.0, ribbon.length, 400)
    weights = np.ones(len(poses))
    return line_of(ribbon, targets, weights, even, 0.0 * even, 0.0 * even + 1.0, held)


# -- the table and the exact search ----------------------------------------------------------------


def test_piece_of_a_rod_whose_curvature_grows_misses_by_the_closed_form():
    # the midline of a thin rod with curvature a s, against one of curvature a / 2 with its end put
    # into place: the deflection is a (s^2 / 4 - s^3 / 6 - s / 12), beam theory for small slopes
    ribbon, a = rs.Ribbon.along(straight(), width=1.0), 1e-3
    share = np.linspace(0.0, 1.0, 513)
    s = share * ribbon.length
    angle = 0.5 * a / ribbon.length * s**2 / ribbon.length
    rest = ribbon.frames(ribbon.place_at(s))
    frames = rest.copy()
    turn = np.zeros((513, 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = np.cos(angle)
    turn[:, 1, 0], turn[:, 0, 1], turn[:, 2, 2] = np.sin(angle), -np.sin(angle), 1.0
    start = rest[0, :3, :3]
    frames[:, :3, :3] = start @ turn
    steps = np.c_[np.cos(angle), np.sin(angle), 0 * angle] @ start.T
    moved = 0.5 * (steps[1:] + steps[:-1]) * np.diff(s)[:, None]
    frames[:, :3, 3] = rest[0, :3, 3] + np.vstack([np.zeros(3), np.cumsum(moved, axis=0)])
    target = Target(s, frames, 0 * s, 0 * s + 1.0)
    even = np.linspace(0.0, ribbon.length, 4001)
    line = line_of(ribbon, [target], [1.0], even, 0 * even, 0 * even + 1.0)
    pairs, before, after = pair_misses(line)
    miss = np.polynomial.Polynomial([0.0, -1 / 12, 1 / 4, -1 / 6])
    square = (miss**2).integ()
    assert pairs[0, 0, -1] == pytest.approx(a**2 * (square(1.0) - square(0.0)), rel=5e-3)
    assert before[0, 0] == after[0, -1] == 0.0


@pytest.mark.parametrize("poses", first_of(["look_aside", "curl"], ["s_bend", "tail_flick"]))
def test_dynamic_programming_equals_exhaustive_search_up_to_five_controls(worm, poses):
    # Bellman, Communications of the ACM 4(6), 1961: the oracle is to try all of them
    line = line_in(worm, *poses)
    table = MissTable.of([line])
    # every other place, so that all choices of five can be tried
    few = MissTable(table.pairs[:, ::2, ::2], table.before[:, ::2], table.after[:, ::2])
    shares = np.array([0.7, 0.3])
    found = best_for_sum(few, shares, 5)
    for count in (2, 3, 4, 5):
        choices = np.array(list(itertools.combinations(range(few.pairs.shape[1]), count)))
        sums = np.tensordot(shares, few.before[:, choices[:, 0]], axes=1)
        sums = sums + np.tensordot(shares, few.after[:, choices[:, -1]], axes=1)
        for one, other in itertools.pairwise(choices.T):
            sums = sums + np.tensordot(shares, few.pairs[:, one, other], axes=1)
        seats, total = found[count - 1]
        assert total == pytest.approx(sums.min(), rel=1e-12)
        assert shares @ few.misses(seats) == pytest.approx(sums.min(), rel=1e-12)


def test_worst_pose_is_between_the_bound_and_what_all_choices_reach(worm):
    few = MissTable.of([line_in(worm, "look_aside", "tail_flick", "curl")])
    few = MissTable(few.pairs[:, ::4, ::4], few.before[:, ::4], few.after[:, ::4])
    found = best_for_worst(few, 4)
    for count in (2, 3, 4):
        best = min(few.misses(choice).max() for choice in itertools.combinations(range(9), count))
        one = found[count - 1]
        assert one.bound**2 <= best * (1 + 1e-9)
        assert np.sqrt(best) <= one.miss * (1 + 1e-9)
        assert one.miss <= 1.25 * np.sqrt(best)  # multipliers leave a gap where choices are few


def test_a_held_place_is_in_every_choice(worm):
    line = line_in(worm, "look_aside", "curl", held=[0.4321])
    for one in best_for_worst(MissTable.of([line], [0.4321]), 6)[1:]:
        assert np.isclose(line.seat_lengths[one.seats], 0.4321).any()


def test_exchange_never_loses(worm):
    line = line_in(worm, "look_aside", "curl")
    model = DriveModel(line, 0.5)
    start = np.linspace(0.0, 1.0, 5)
    places, miss = exchanged([model], start, 2.0, 1.6)
    assert miss <= worst_miss([model], start, 2.0, 1.6)
    assert miss == worst_miss([model], places, 2.0, 1.6)


def test_first_order_agrees_with_the_real_drive(worm):
    # the skin of a tube without thickness is its midline, so the two errors are the same thing
    search = Search(worm, ["look_aside"], None, Wanted(3, 7))
    model = search.groups[0].models[0]
    for number in (4, 5, 7):
        layout = search.even_layout(number)
        real = search.judge.rough(layout).misses["look_aside"]
        places = layout.ribbon.arc_length(layout.body.control_places) / layout.ribbon.length
        told = float(np.sqrt(model.misses(places, 2.0)[0][0]))
        assert told == pytest.approx(real.skin, rel=0.3, abs=5e-4)


# -- stations and knots ----------------------------------------------------------------------------


def test_stations_stand_at_controls_and_are_dense_where_it_bends(rod):
    line = line_in(rod, "look_aside")
    stations, numbers = place_stations([line], [0.6, 0.75, 0.94], 15)
    assert len(stations) == 15
    assert np.all(np.diff(stations) > 0)
    assert stations[[0, -1]].tolist() == [0.0, 1.0]
    assert stations[np.array(numbers) - 1].tolist() == [0.6, 0.75, 0.94]
    gaps = np.diff(stations)
    middles = 0.5 * (stations[1:] + stations[:-1])
    assert gaps[(middles > 0.75) & (middles < 0.9)].max() < 0.3 * gaps[middles < 0.3].max()


def test_too_few_stations_are_refused(rod):
    with pytest.raises(rs.RibbonsimError, match="too few for 3 controls and both ends"):
        place_stations([line_in(rod, "look_aside")], [0.2, 0.5, 0.7], 4)


def test_knots_are_added_where_exact_frames_leave_a_kink():
    ribbon = rs.Ribbon.along(straight(), width=1.0, spans=6)
    target = rs.make_target(ribbon, "look_aside", 90.0)
    before, _ = exact_kink(ribbon, target)
    finer, knots = with_knots(ribbon, [target], 1.02)
    assert exact_kink(finer, target)[0] < before
    assert len(knots)
    t = np.linspace(0.0, 1.0, 101)
    # knot insertion keeps the shape: Boehm, Computer-Aided Design 12(4), 1980
    assert np.abs(finer.midline(t) - ribbon.midline(t)).max() < 1e-12


# -- the answer ------------------------------------------------------------------------------------


def test_even_arc_of_a_straight_tube_needs_no_search(rod):
    found = rs.suggest(rod, {"c_bend": 60.0}, controls=(2, 4))
    # one rate between two ends is the arc itself
    assert found.suggested[2].shape_error < 1e-4
    assert found.recommended == 2
    assert "even spacing is within 5 % of the best" in found.sentences[0]


def test_pose_of_one_half_frees_the_other_half(rod):
    layout = rod.layout.with_ribbon(
        "body", rs.Layout.from_ribbon(rod.layout.ribbon, 17, [1, 9, 17]).body
    )
    for name in layout.control_names:  # a reach of 1 keeps what is added within the piece
        layout = replace(layout, body=layout.body.with_control(name, reach=1.0))
    rig = rs.bind(rod.mesh, layout)
    pose = rs.Pose({"control3": {"sway": 50}})
    found = rs.suggest(rig, {"front": pose}, controls=(2, 3))
    assert found.suggested[2].controls == pytest.approx([0.5, 1.0], abs=0.01)
    assert found.suggested[2].skin_error < 0.2 * found.even[2].skin_error


@pytest.mark.parametrize(
    "poses",
    first_of(["look_aside", "curl"], None, ["c_bend"], ["tail_flick", "twist"]),
)
def test_never_worse_than_even_and_what_it_says_is_measured(worm, poses):
    found = rs.suggest(worm, poses, controls=(3, 5))
    for number in found.numbers:
        assert found.suggested[number].skin_error <= found.even[number].skin_error
    best = found.best
    rig = rs.bind(worm.mesh, best.layout)
    for one in found.asked:
        kink = best.misses[one.name]
        assert kink.shape == pytest.approx(
            rig.shape_error(one.targets["body"], rig.fit_all(one.targets)), rel=1e-6, abs=1e-9
        )


def lampeel():
    return rs.load_mesh(MESHES / "lampeel.obj")


def tentacle():
    return rs.load_mesh(MESHES / "tentacle.obj")


def grub():
    return rs.load_mesh(MESHES / "grub.obj")


def bow():
    return tube(arc(), 0.4, round_ends=4, name="bow")


def snake():
    return tube(s_curve(length=20.0, rings=121), 0.5, round_ends=4, name="snake")


@pytest.mark.parametrize("make", first_of(bow, snake, tentacle, lampeel))
@pytest.mark.parametrize("pose", first_of("look_aside", "tail_flick"))
def test_local_poses_with_five_controls_have_at_most_half_of_evens_error(make, pose):
    found = rs.suggest(rig_of(make()), [pose], controls=5)
    assert found.suggested[5].skin_error <= 0.5 * found.even[5].skin_error


@pytest.mark.slow
@pytest.mark.parametrize(
    ("make", "poses"),
    first_of(
        (bow, ["look_aside", "tail_flick"]),
        (lampeel, ["look_aside", "tail_flick"]),
        (lampeel, None),
        (snake, ["s_bend", "curl"]),
        (tentacle, ["s_bend", "curl"]),
        (grub, None),
    ),
)
def test_one_control_more_is_never_worse(make, poses):
    found = rs.suggest(rig_of(make()), poses, controls=(3, 9))
    errors = np.array([found.suggested[number].skin_error for number in found.numbers])
    # a fiftieth of a per cent of the body is less than anyone sees: there it may stay as it is
    assert np.all((np.diff(errors) <= 0.0) | (errors[1:] < 2e-4))


def test_one_control_more_that_is_less_close_keeps_limits_that_fewer_break():
    # a surface that is skinned to its controls, wound twice: the even layout of nine keeps all
    # limits, and what is closer with eight breaks some
    found = rs.suggest(rig_of(tentacle()), {"corkscrew": 2.0}, controls=(6, 9), drive="skinned")
    each = [found.suggested[number] for number in found.numbers]
    for fewer, more in itertools.pairwise(each):
        kept = len(more.broken) < len(fewer.broken)
        assert more.skin_error <= fewer.skin_error or (kept and found.best is more)
    # how far such controls had best reach the tables do not know
    assert min(one.reach for one in each) < 1.5
    assert found.suggested[8].skin_error <= 0.6 * found.even[8].skin_error


@pytest.mark.slow
def test_lampeel_looks_aside_with_four_controls_where_eight_even_ones_are_needed():
    found = rs.suggest(rig_of(lampeel()), ["look_aside"], controls=(2, 9), within=0.25)
    assert found.recommended <= 4
    assert found.holds
    enough = [k for k, one in found.even.items() if 100.0 * one.skin_error <= 0.25]
    assert min(enough) == 8


def test_what_is_kept_stays(worm):
    place = worm.layout.stations[worm.layout.controls[2].station - 1]
    found = rs.suggest(worm, ["look_aside"], (3, 4), stations=13, keep=["control3"])
    for placed in (*found.suggested.values(), *found.even.values()):
        control = placed.layout.body.controls[placed.layout.body.control_index("control3")]
        assert placed.layout.stations[control.station - 1] == pytest.approx(place, abs=1e-9)
    assert {len(found.suggested[k].stations) for k in found.numbers} <= {13, 17}
    assert len(found.best.stations) == 13


def test_drive_is_what_is_closer_unless_it_is_pinned(worm):
    begun = rs.bind(worm.mesh, worm.layout.with_drive("skinned"))
    free = rs.suggest(begun, ["look_aside"], 4, stations=17)
    pinned = {
        drive: rs.suggest(begun, ["look_aside"], 4, stations=17, drive=drive)
        for drive in ("shares", "skinned")
    }
    for drive, found in pinned.items():
        assert {one.layout.drive for one in (found.even[4], found.best)} == {drive}
        assert found.best.skin_error <= found.even[4].skin_error
    # by rates a bend that hardly changes along a piece is all but exact, put on frames it is not
    assert pinned["shares"].best.skin_error < 0.5 * pinned["skinned"].best.skin_error
    assert free.layout.drive == "shares"
    assert free.even[4].layout.drive == "skinned"
    assert free.best.skin_error <= pinned["shares"].best.skin_error
    assert free.other_drive[0] == "skinned"
    assert f"come to {100 * free.other_drive[1]:.2f} % at best" in free.sentences[-1]


def test_shape_of_a_skinned_surface_is_driven_so(worm):
    # what a surface skinned to its controls does when one is shifted no rates do
    spread = rs.Layout.from_ribbon(worm.layout.ribbon, 17, 4)
    begun = rs.bind(worm.mesh, spread.with_drive("skinned"))
    pose = rs.Pose({"control2": {"sway": 60, "shift": (0.0, 2.0, 0.0)}})
    found = rs.suggest(begun, {"mine": pose}, 4)
    assert found.layout.drive == "skinned"
    assert found.best.skin_error <= found.even[4].skin_error
    assert found.other_drive[0] == "shares"
    assert found.best.skin_error < found.other_drive[1]


def test_broken_limits_are_those_of_a_check(worm):
    found = rs.suggest(worm, ["look_aside", "curl"], (2, 5))
    even = found.even[found.recommended]
    asked = {one.name: one.wish.amount for one in found.asked}
    report = rs.check(rs.bind(worm.mesh, even.layout), asked)
    told = {finding.statement for finding in report.findings if finding.kind != "contact"}
    assert found.best.broken == ()
    assert set(even.broken) == told


@pytest.mark.slow
def test_layout_that_breaks_a_limit_is_not_recommended_where_another_keeps_it(worm):
    # so strict a limit of kinks that few controls break it, though they are close enough
    strict = replace(worm.layout, limits=replace(worm.layout.limits, kink=1.05))
    rig = rs.bind(worm.mesh, strict)
    found = rs.suggest(rig, ["look_aside", "s_bend"], (2, 7), within=5.0)
    close = [k for k, one in found.suggested.items() if one.skin_error <= 0.05]
    known = {k: one.broken for k, one in found.suggested.items() if one.broken is not None}
    broken = {k: len(one) for k, one in known.items()}
    assert broken[min(close)] > min(broken.values())
    assert broken[found.recommended] == min(broken.values())
    assert any("break" in sentence for sentence in found.sentences)


def test_twist_that_kills_a_skinned_surface_is_left_to_shares(rod):
    # the middle of two controls twisted by 180 degrees has no width: cos(180 / 2)
    found = rs.suggest(rod, {"twist": 180.0}, 2)
    assert found.layout.drive == "shares"
    assert found.sentences[-1].endswith("two controls cannot do these poses at all.")


@pytest.fixture(scope="module")
def finned():
    """A creature whose fins each have a ribbon."""
    mesh, _ = two_fins(0.35)
    rig = rs.bind(mesh, build_layout(mesh, BuildOptions(appendages=True)))
    assert len(rig.layout.appendages) == 2
    return rig


@pytest.mark.slow
def test_poses_of_appendages_place_the_controls_of_each_on_its_own_ribbon(finned):
    found = rs.suggest(finned, ["appendage_wave"], (2, 4))
    layout, begun = found.layout, finned.layout
    limbs = [one.name for one in begun.appendages]
    assert np.array_equal(layout.body.control_places, begun.body.control_places)
    assert {len(layout.ribbons[name].controls) for name in limbs} == {found.recommended}
    for number in found.numbers:
        assert found.suggested[number].skin_error <= found.even[number].skin_error
    # left and right are one creature's: they stand alike
    for one in begun.appendages:
        pair = [layout.ribbons[name] for name in (one.name, one.partner)]
        at = [own.ribbon.arc_length(own.control_places) / own.ribbon.length for own in pair]
        assert at[0] == pytest.approx(at[1], abs=0.02)
    # the figure is what a rig of that layout does, the length being the limb's own
    rig, asked = rs.bind(finned.mesh, layout), found.asked[0]
    pose = rig.fit_all(asked.targets)
    away = rig.deform(pose) - exact_skin(rig, motions_to(rig, asked.targets))[0]
    told = []
    for name in limbs:
        own = vertex_areas(rig.mesh) * rig.mesh_weights[:, rig.joints_of[name]].sum(axis=1)
        mean = np.average(np.sum(away**2, axis=1), weights=own)
        told.append(np.sqrt(mean) / layout.ribbons[name].ribbon.length)
    assert found.best.skin_error == pytest.approx(max(told), rel=1e-3)


def test_kept_control_of_an_appendage_stays_and_so_do_those_of_the_body(finned):
    fin = finned.layout.appendages[0].name
    keep = [f"{fin}.control3", "control2"]
    found = rs.suggest(finned, ["appendage_wave", "look_aside"], (3, 4), keep=keep)
    for placed in (*found.suggested.values(), *found.even.values()):
        for ribbon, name in ((fin, "control3"), ("body", "control2")):
            stands = []
            for layout in (finned.layout, placed.layout):
                own = layout.ribbons[ribbon]
                place = own.control_places[own.control_index(name)]
                stands.append(float(own.ribbon.arc_length(place)) / own.ribbon.length)
            assert stands[1] == pytest.approx(stands[0], abs=1e-6)


def test_weight_turns_the_search_to_a_pose(worm):
    poses = ["look_aside", "tail_flick"]
    front = rs.suggest(worm, poses, 4, weights={"look_aside": 20.0}).best
    back = rs.suggest(worm, poses, 4, weights={"tail_flick": 20.0}).best
    assert front.misses["look_aside"].skin < back.misses["look_aside"].skin
    assert back.misses["tail_flick"].skin < front.misses["tail_flick"].skin


def test_controls_too_few_to_be_skinned_to_are_named_with_what_to_do(rod):
    # two controls twisted by 180 degrees narrow what is blended between them to cos(180 / 2) = 0,
    # four to cos(60 / 2) a piece
    said = "two controls cannot do twist 180° with the surface skinned to them.*seek (3|4) controls"
    with pytest.raises(rs.RibbonsimError, match=f"{said} or more, or let shares drive"):
        rs.suggest(rod, {"twist": 180.0}, (2, 4), drive="skinned")
    found = rs.suggest(rod, {"twist": 180.0}, 4, drive="skinned")
    assert found.best.skin_error <= found.even[4].skin_error


def test_fewer_stations_leave_nothing_worse_than_even():
    found = rs.suggest(rig_of(tentacle()), {"curl": 270.0}, (2, 3), drive="skinned")
    for number, placed in found.suggested.items():
        assert placed.skin_error <= found.even[number].skin_error
    assert len(found.best.stations) < 17


def test_floor_says_what_no_layout_can():
    thick = rig_of(tube(straight(rings=61), 1.2, round_ends=6, name="thick"))
    found = rs.suggest(thick, {"c_bend": 720.0}, 2)
    assert found.floor["c_bend"].folds > 0
    assert any("even an exact ribbon folds" in sentence for sentence in found.sentences)


def test_dict_and_file(worm, tmp_path):
    found = rs.suggest(worm, {"look_aside": 50.0}, (3, 4), within=0.2)
    told = json.loads(json.dumps(found.to_dict()))
    assert set(told["even"]) == set(told["suggested"]) == {"3", "4"}
    for side in ("even", "suggested"):
        for number, one in told[side].items():
            assert {"skin_error", "shape_error", "stations", "controls", "reach"} <= set(one)
            assert len(one["controls"]) == int(number)
    assert told["recommended"] in told["suggested"]
    assert "look_aside" in told["floor"]
    found.save(tmp_path / "best.toml")
    layout = rs.Layout.load(tmp_path / "best.toml")
    assert np.array_equal(layout.stations, found.layout.stations)
    with pytest.raises(rs.RibbonsimError, match="choose from 3, 4"):
        found.save(tmp_path / "other.toml", controls=8)


def test_progress_stops_and_what_was_found_is_kept(worm):
    search = Search(worm, ["look_aside"], None, Wanted(3, 9))
    states = search.run()
    first = next(states)
    assert first.numbers == (3,)
    assert first.best.skin_error <= first.even[3].skin_error


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"controls": (5, 3)}, "give the fewest first"),
        ({"controls": 1}, "give whole numbers from 2"),
        ({"within": -1.0}, "per cent of the body length, above 0"),
        ({"stations": 5}, "stations are too few"),
        ({"keep": ["neck"]}, "neck"),
        ({"drive": "strings"}, "choose one of shares, skinned"),
        ({"weights": {"curl": 2.0}}, "not among the poses"),
        ({"poses": ["wiggle"]}, "wiggle"),
        ({"poses": {"still": rs.Pose()}}, "moves nothing"),
    ],
)
def test_what_cannot_be_used_is_said(worm, changes, words):
    with pytest.raises(rs.RibbonsimError, match=words):
        rs.suggest(worm, **{"poses": ["look_aside"], **changes})

"""The panel's model under hundreds of chance operations: each succeeds or changes nothing.

What is undone is there again to the last bit, and so is what was saved and loaded. No source but
the promise of the model: "either succeeds or raises and leaves everything as it was".
"""

import random
import re
from functools import cache

import numpy as np
import pytest
from cases import first_of
from limbs import Bone, skin_of
from tubes import s_curve, tube

import ribbonsim as rs
from ribbonsim.layout.appendages import BODY
from ribbonsim.layout.falloff import KERNELS
from ribbonsim.panel.state import kept, riders
from ribbonsim.panel.state import layout_edits as edits
from ribbonsim.panel.state.model import PanelModel

STEPS = 40  # to the way back; the model keeps 200


@cache
def creature():
    """A body with an arm on each side, on few vertices."""
    bones = [
        Bone((0, 0, 0), (0, 0, 24), 2.4, 1.8),
        *(Bone((x, 0, 12), (6 * x, 1, 13), 0.9, 0.6) for x in (1.0, -1.0)),
    ]
    return skin_of(bones, step=0.8, name="soaked")[0]


def opened(mesh):
    clock = iter(range(10**9))  # so slow that no two changes are one gesture
    model = PanelModel(lambda: float(next(clock)))
    model.open(mesh)
    found, _ = riders.find(model)
    if found:
        riders.accept(model, found[:2])
    return model


def control(rng, model):
    return rng.choice(model.layout.all_control_names)


def ribbon(rng, model):
    return rng.choice(list(model.layout.ribbons))


def limb(rng, model):
    return rng.choice([name for name in model.layout.ribbons if name != BODY] or ["none"])


def set_value(rng, model):
    quantity = rng.choice(("bend", "sway", "twist", "stretch", "shift"))
    turn, factor = rng.uniform(-90, 90), rng.uniform(0.2, 2.0)
    value = rng.choice((0.0, -0.0, turn, factor, 1e308, float("nan")))
    model.set_value(control(rng, model), quantity, value, rng.randrange(3))


def show_test_pose(rng, model):
    name = rng.choice(("c_bend", "s_bend", "twist", "stretch", "appendage_curl", "none"))
    amount, where = rng.choice((None, 0.3, -1.0)), rng.choice((None, ribbon(rng, model)))
    model.show_test_pose(name, amount, where)


def choose(rng, model):
    model.select(control(rng, model))


def set_way(rng, model):
    model.set_method(rng.choice(("linear", "dual_quaternion")))


def rename(rng, model):
    edits.rename_control(model, control(rng, model), rng.choice(("hip", "", "a b", "=", "é")))


def rename_limb(rng, model):
    edits.rename_ribbon(model, limb(rng, model), rng.choice(("fin", "arm_l", BODY, "", "x.y")))


def pose_name(rng, model):
    return rng.choice([*model.layout.poses, "bow", "a=b", " ", "curl, left", "late"])


def guide_move(rng, model):
    shift = [rng.uniform(-0.2, 0.2) for _ in range(3)]
    edits.move_guide(model, rng.random(), shift)


def take(rng, model):
    kept.keep_layout(model, "shelf")
    kept.take_layout(model, rng.choice(("shelf", "none")))


def find_again(rng, model):
    found, _ = riders.find(model)
    riders.accept(model, rng.sample(found, min(len(found), 1)))


OPERATIONS = {
    set_value: 12,
    show_test_pose: 4,
    choose: 3,
    set_way: 1,
    rename: 2,
    rename_limb: 2,
    guide_move: 2,
    take: 1,
    find_again: 1,
    lambda r, m: m.choose_ribbon(ribbon(r, m)): 3,
    lambda r, m: m.reset_control(control(r, m)): 1,
    lambda r, m: m.reset_all(): 1,
    lambda r, m: m.set_keep_volume(r.choice((0.0, 0.5, 1.0, 2.0))): 1,
    lambda r, m: kept.keep_pose(m, pose_name(r, m)): 2,
    lambda r, m: kept.recall_pose(m, pose_name(r, m)): 2,
    lambda r, m: kept.delete_pose(m, pose_name(r, m)): 1,
    lambda r, m: kept.rename_pose(m, pose_name(r, m), pose_name(r, m)): 1,
    lambda r, m: edits.set_stations(m, r.choice((0, 2, 5, 9, 17))): 2,
    lambda r, m: edits.set_spans(m, r.choice((0, 1, 4, 9, 16))): 1,
    lambda r, m: edits.set_density(m, r.uniform(-1.1, 1.1)): 1,
    lambda r, m: edits.insert_knot(m, r.uniform(-0.1, 1.1)): 1,
    lambda r, m: edits.set_width(m, r.choice((-1.0, 0.5, 1.0))): 1,
    lambda r, m: edits.turn_ribbon(m, r.uniform(-180, 180)): 1,
    lambda r, m: edits.set_sections(m, [r.randint(1, 5) for _ in range(2)]): 1,
    lambda r, m: edits.swap_ends(m): 1,
    lambda r, m: edits.set_up(m, r.choice(("x", "y", "z", "-z"))): 1,
    lambda r, m: edits.add_control(m, r.randint(0, 18)): 3,
    lambda r, m: edits.remove_control(m, control(r, m)): 2,
    lambda r, m: edits.move_control(m, control(r, m), r.randint(0, 18)): 3,
    lambda r, m: edits.set_reach(m, control(r, m), r.choice((-1.0, 0.5, 2.0, 4.0))): 2,
    lambda r, m: edits.set_falloff(m, r.choice([*KERNELS, "none"])): 1,
    lambda r, m: edits.set_carry(m, r.choice((None, control(r, m)))): 1,
    lambda r, m: edits.set_drive(m, r.choice(("shares", "skinned", "none"))): 1,
    lambda r, m: riders.remove(m, limb(r, m)): 1,
    lambda r, m: riders.set_blend(m, limb(r, m), r.choice((-1.0, 0.5, 1.5))): 1,
    lambda r, m: riders.set_at(m, limb(r, m), r.uniform(-0.1, 1.1)): 1,
    lambda r, m: riders.pair(m): 1,
    lambda r, m: riders.mirror(m): 1,
}


def state(model):
    """All that a step back restores, as text and bits."""
    layout = model.layout
    arrays = [layout.ribbons[name].ribbon.control_points.tobytes() for name in layout.ribbons]
    words = repr((layout.ribbons, layout.appendages, layout.poses, layout.drive, layout.up))
    return arrays, without_addresses(words), repr(model.pose), model.method, model.selected


def without_addresses(words):
    return re.sub(r" at 0x[0-9a-f]+", "", words)


def refusal(change, rng, model):
    """What was said against a change; nothing if it was made."""
    try:
        change(rng, model)
    except rs.RibbonsimError as error:
        return str(error) or " "
    return ""


def soak(mesh, count, folder, seed):
    rng, model = random.Random(seed), opened(mesh)
    taken = refused = 0
    while taken + refused < count:
        model._history.clear()
        start, places = state(model), model.deform()
        for _ in range(min(STEPS, count - taken - refused)):
            before = state(model)
            change = rng.choices(list(OPERATIONS), list(OPERATIONS.values()))[0]
            words = refusal(change, rng, model)
            taken, refused = taken + (not words), refused + bool(words)
            if words:
                assert re.fullmatch(".{20,}", words)
                assert state(model) == before, f"refused, and yet changed: {words}"
        end = state(model)
        posed = model.deform()
        assert np.isfinite(posed).all()
        while model.can_undo:
            model.undo()
        assert state(model)[:4] == start[:4]
        np.testing.assert_array_equal(model.deform(), places)
        while model.can_redo:
            model.redo()
        assert state(model)[:4] == end[:4]
        np.testing.assert_array_equal(model.deform(), posed)
        saved_and_loaded(model, folder / "soaked.toml")
    return taken, refused


def saved_and_loaded(model, path):
    model.save(path, force=True)
    other = PanelModel()
    other.open(model.rig)
    other.load(path)
    assert state(other)[:2] == state(model)[:2]
    other.set_pose(model.pose)
    other.set_method(model.method)
    np.testing.assert_array_equal(other.deform(), model.deform())


@pytest.mark.parametrize("count", first_of(50, 300))
def test_operations_are_undone_saved_and_loaded_to_the_bit(tmp_path, count):
    taken, refused = soak(tube(s_curve(rings=21), 0.7, 8), count, tmp_path, seed=1)
    assert taken > count / 3
    assert refused > count / 6


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 4))
def test_thousands_of_operations(seed, tmp_path):
    soak(tube(s_curve(rings=21), 0.7, 8), 1000, tmp_path, seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6, 7))
def test_a_thousand_operations_on_a_creature_with_arms(seed, tmp_path):
    soak(creature(), 500, tmp_path, seed)

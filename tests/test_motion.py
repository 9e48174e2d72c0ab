"""How a body moves: follow-through, travel and ground against closed forms and papers."""

import numpy as np
import pytest
import tubes
from scipy.integrate import solve_ivp

import ribbonsim as rs
from ribbonsim.layout.keyed import looped
from ribbonsim.layout.motions import MOTIONS, Moves, changed
from ribbonsim.motion import follow
from ribbonsim.motion.figure import PIECES
from ribbonsim.motion.ground import Ground, LimbOnGround
from ribbonsim.motion.perform import perform, trailed
from ribbonsim.motion.travel import on_the_spot, travelled
from ribbonsim.rig.first_layout import build_layout


@pytest.fixture(scope="module")
def rig():
    mesh = rs.load_mesh("meshes/grub.obj")
    return rs.bind(mesh, build_layout(mesh))


@pytest.fixture(scope="module")
def figure(rig):
    return rig.stage.figure


def even(anchor=0, places=33):
    lengths = np.linspace(0.0, 1.0, places)
    return follow.slowness(lengths, np.full(places, 0.05), np.full(places, 1.0), anchor)


# -- keys ----------------------------------------------------------------------------------------


def test_keys_come_back_and_nothing_between_them_goes_past():
    # Fritsch and Carlson 1980: a monotone interpolant stays within its two neighbours
    times, values = np.array([0.0, 0.2, 0.5, 0.6]), np.array([0.0, 3.0, 3.0, -1.0])
    assert looped(times, values, times) == pytest.approx(values)
    between = looped(times, values, np.linspace(0.0, 1.0, 401))
    assert between.min() >= -1.0 - 1e-12
    assert between.max() <= 3.0 + 1e-12
    assert looped(times, values, [1.2]) == pytest.approx([3.0])


def test_constant_keys_come_back_exactly():
    rates = np.broadcast_to(np.random.default_rng(3).normal(size=(32, 4)), (60, 32, 4))
    got = follow.followed(rates, even(7), 7, 0.25, 0.15, 0.02)
    assert np.abs(got - rates).max() < 1e-12


def test_without_lag_the_keyed_motion_is_all_there_is():
    rates = np.random.default_rng(4).normal(size=(48, 32, 3))
    assert np.array_equal(follow.followed(rates, even(), 0, 0.0, 0.15, 0.02), rates)
    keyed = np.cos(np.arange(480) / 480 * 2 * np.pi)
    rates = np.repeat(keyed[:, None, None], 32, axis=1)
    near = follow.followed(rates, even(), 0, 1e-4, 0.15, 2.0 / 480)
    assert np.abs(near[:, -1, 0] - keyed).max() < 0.005


# -- follow-through ------------------------------------------------------------------------------


@pytest.mark.parametrize("swing", [0.0, 0.15, 0.6])
def test_the_free_end_is_half_way_after_the_lag_and_swings_past_by_the_swing(swing):
    # the step response of a second-order system (Ogata, Modern Control Engineering, 5-3)
    lag, step = 0.25, 0.001
    ratio = follow.damping(swing)
    oscillators = follow.Oscillators(np.array([follow.half_time(ratio) / lag]), ratio, step)
    state, path = np.zeros((2, 1, 1)), []
    for _ in range(4000):
        state = oscillators.stepped(state, np.ones((1, 1)), np.ones((1, 1)))
        path.append(state[0, 0, 0])
    path = np.array(path)
    assert np.argmax(path >= 0.5) * step == pytest.approx(lag, abs=2 * step)
    assert path.max() - 1.0 == pytest.approx(swing, abs=1e-3)


def test_steps_are_exact_for_input_that_is_linear_in_a_step():
    # against an integrator that knows nothing of the closed form (scipy, DOP853)
    w, z, h = 7.0, 0.4, 0.3
    oscillators = follow.Oscillators(np.array([w]), z, h)
    state = oscillators.stepped(np.array([[[0.3]], [[-0.2]]]), np.array([[0.5]]), np.array([[1.7]]))

    def slope(t, y):
        return [y[1], w * w * (0.5 + 1.2 * t / h - y[0]) - 2 * z * w * y[1]]

    found = solve_ivp(slope, (0, h), [0.3, -0.2 * w], "DOP853", rtol=1e-12, atol=1e-13).y[:, -1]
    assert state[:, 0, 0] == pytest.approx([found[0], found[1] / w], abs=1e-10)


def test_a_loop_has_no_beginning():
    rates = np.random.default_rng(5).normal(size=(40, 32, 3))
    once = follow.followed(rates, even(), 0, 0.4, 0.5, 0.03)
    twice = follow.followed(np.concatenate([rates, rates]), even(), 0, 0.4, 0.5, 0.03)
    assert np.abs(twice[:40] - once).max() < 1e-12
    assert np.abs(twice[40:] - once).max() < 1e-12


def test_free_energy_never_rises():
    oscillators = follow.Oscillators(np.geomspace(0.5, 400.0, 16), follow.damping(0.6), 1.0 / 24.0)
    state = np.random.default_rng(6).normal(size=(2, 16, 2))
    held, before = np.zeros((16, 2)), np.inf
    for _ in range(10_000):
        energy = float((state**2).sum())
        assert energy <= before
        before = energy
        state = oscillators.stepped(state, held, held)
    assert before < 1e-12


@pytest.mark.parametrize("anchor", [0, 12, 32])
@pytest.mark.parametrize("thick", ["even", "club", "neck"])
def test_a_body_that_curls_up_turns_no_piece_backwards(anchor, thick):
    radii = {
        "even": np.full(33, 0.05),
        "club": np.linspace(0.02, 0.09, 33),
        "neck": 0.05 - 0.03 * np.exp(-0.5 * ((np.arange(33) - 24) / 2.0) ** 2),
    }[thick]
    slow = follow.slowness(np.linspace(0.0, 1.0, 33), radii, radii**2, anchor)
    assert slow.max() == pytest.approx(1.0)
    time = np.arange(960) / 960 * 16.0
    key = np.clip((time - 1.0) / 0.3, 0.0, 1.0) - np.clip((time - 9.0) / 0.3, 0.0, 1.0)
    rates = np.repeat(key[:, None, None], 32, axis=1)
    swung = follow.followed(rates, slow, anchor, 0.25, 0.15, time[1])[(time > 1.0) & (time < 9.0)]
    plain = follow.followed(rates, slow, anchor, 0.25, 0.0, time[1])[(time > 1.0) & (time < 9.0)]
    assert plain.min() > -1e-9
    assert plain.max() < 1.0 + 1e-9
    assert swung.min() > -0.002  # what is left of the way back, 7 s ago, still rings
    assert swung.max() < 1.5


def test_a_heavy_head_on_a_slim_neck_is_slower_than_the_neck_before_it():
    lengths = np.linspace(0.0, 1.0, 33)
    thin = np.where(lengths < 0.7, 0.06, 0.02)
    plain = follow.slowness(lengths, np.full(33, 0.06), np.full(33, 0.01), 0)
    necked = follow.slowness(lengths, thin, np.full(33, 0.01), 0)
    assert necked[15] < plain[15]


def test_at_first_the_end_of_a_shifted_body_trails_by_the_shift():
    # a clamped beam whose base is moved at once: its free end has not heard of it yet
    straight = np.tile(np.eye(4), (33, 1, 1))
    straight[:, 0, 3] = np.linspace(0.0, 1.0, 33)
    step, count = 0.002, 4000
    shifts = np.zeros((count, 3))
    shifts[count // 2 :, 1] = 0.01
    turns = trailed(straight, 0, shifts, np.zeros((count, 3)), even(), 0.5, 0.1, step)
    angle = np.cumsum(turns[count // 2 + 1, :, 2])
    assert float(np.sum(angle) / 32) == pytest.approx(-0.01, rel=0.05)


@pytest.mark.parametrize("name", ["rear_up", "strike"])
def test_24_and_120_steps_a_second_agree(figure, name):
    coarse = perform(figure, MOTIONS[name], round(24 * MOTIONS[name].seconds))
    fine = perform(figure, MOTIONS[name], round(120 * MOTIONS[name].seconds))
    apart = [
        np.abs(coarse.target(k).frames[:, :3, 3] - fine.target(5 * k).frames[:, :3, 3]).max()
        for k in range(coarse.count)
    ]
    assert max(apart) < 0.005 * figure.ribbon.length


# -- travel --------------------------------------------------------------------------------------


def wave(count=64, places=200, size=0.05, waves=1):
    x, t = np.linspace(0.0, 1.0, places), np.arange(count) / count
    y = size * np.sin(2.0 * np.pi * (waves * x[None, :] + t[:, None]))
    return np.stack([np.broadcast_to(x, y.shape), y], axis=2)


def test_with_equal_resistance_nothing_travels():
    # momentum: the middle of the mass stays
    points = wave()
    weights = np.broadcast_to(1.0 + np.linspace(0.0, 1.0, 200), points.shape[:2])
    motions = travelled(points, weights, 1.0)
    middle = np.einsum("npi,p->ni", points, weights[0]) / weights[0].sum()
    there = np.einsum("nij,nj->ni", motions[:-1, :2, :2], middle) + motions[:-1, :2, 2]
    assert np.abs(there - there[0]).max() < 1e-9


@pytest.mark.parametrize("slide", [0.05, 0.3, 0.5])
def test_a_long_wave_goes_as_fast_as_gray_and_hancock_say(slide):
    # Gray and Hancock 1955, equation (xix) for small waves: over the wave's speed
    # 2 pi^2 b^2 / l^2 (C_N / C_L - 1) / (1 + 2 pi^2 b^2 / l^2 C_N / C_L), written from memory
    size, waves = 0.004, 12
    points = wave(96, 1200, size, waves)
    motions = travelled(points, np.ones(points.shape[:2]), slide)
    steep = 2.0 * np.pi**2 * (size * waves) ** 2
    told = steep * (1.0 / slide - 1.0) / (1.0 + steep / slide)
    assert motions[-1, 0, 2] * waves == pytest.approx(told, rel=0.03)
    # few waves yaw and slip: about nine tenths of it with two
    two = travelled(wave(96, 600, 0.5 * size * waves, 2), np.ones((96, 600)), slide)[-1, 0, 2]
    assert 0.85 < 2.0 * two / told < 0.96


def test_on_the_spot_a_loop_closes():
    points = wave(60, 80, 0.1)
    motions = travelled(points, np.ones((60, 80)), 0.1)
    spot = on_the_spot(motions)
    after = on_the_spot(np.concatenate([motions[:-1], motions[-1:] @ motions[:1]]))
    assert np.abs(spot[0] - np.eye(3)).max() < 1e-12
    assert np.abs(after[-1] - spot[-1]).max() < 1e-12
    assert np.abs(spot[:, :2, 2]).max() < 0.1


# -- ground --------------------------------------------------------------------------------------


def sunk(depth, radius=1.0):
    mesh = tubes.tube(tubes.straight(20.0, 201), radius, around=96)
    positions = mesh.positions
    places = positions[:, 0] - positions[:, 0].min()
    up = np.array([0.0, 1.0, 0.0])
    ground = Ground(places / places.max(), [], -radius + depth, up)
    x = positions[:, 0].min() + ground.sections * np.ptp(positions[:, 0])
    centres = np.stack([x, np.zeros_like(x), np.zeros_like(x)], axis=1)
    return mesh, ground.settled(positions, centres), -radius + depth


def volume(positions, triangles):
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    return float(np.einsum("ti,ti->", a, np.cross(b, c))) / 6.0


@pytest.mark.parametrize("depth", [0.1, 0.4, 0.8])
def test_a_sunk_tube_keeps_its_volume_and_stays_above_the_ground(depth):
    # half an ellipse of semi-axes a and k b below, half of a and b above: area pi a b (1 + k) / 2
    mesh, there, ground = sunk(depth)
    assert there[:, 1].min() >= ground
    before = volume(mesh.positions, mesh.triangles)
    assert volume(there, mesh.triangles) == pytest.approx(before, rel=1e-3)
    cut = np.maximum(mesh.positions, [-np.inf, ground, -np.inf])
    assert volume(cut, mesh.triangles) < 0.99 * before


def test_what_is_above_the_ground_is_left_alone():
    mesh, there, _ = sunk(-0.5)
    assert there is mesh.positions


def test_a_limb_keeps_its_shape_on_the_ground():
    # a box that hangs from a tube into the ground: raised as a whole, no edge of it longer
    mesh, _, _ = sunk(0.0)
    box = np.array([[x, y, z] for x in (9.9, 10.1) for y in (-1.6, -1.2) for z in (-0.1, 0.1)])
    positions = np.vstack([mesh.positions, box])
    places = np.r_[mesh.positions[:, 0] / 20.0, np.full(8, 0.5)]
    limb = LimbOnGround(
        np.arange(len(mesh.positions), len(positions)), np.zeros(0, int), np.ones(8)
    )
    ground = Ground(places, [limb], -1.5, np.array([0.0, 1.0, 0.0]))
    x = 20.0 * ground.sections
    there = ground.settled(positions, np.stack([x, 0.0 * x, 0.0 * x], axis=1))
    assert there[:, 1].min() == pytest.approx(-1.5)
    assert np.ptp(there[-8:], axis=0) == pytest.approx(np.ptp(box, axis=0))


# -- takes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["crawl", "slither", "rear_up", "strike", "breathe"])
def test_no_vertex_is_ever_below_the_ground(rig, name):
    used = np.unique(rig.mesh.corner_vertices)
    lowest = rig.mesh.positions[used, 1].min()
    for frame in rig.motion(name).instants(8):
        assert frame.skin()[used, 1].min() >= lowest - 1e-9


@pytest.mark.parametrize("name", ["crawl", "slither", "rear_up", "strike", "breathe"])
def test_no_face_is_squashed(rig, name):
    # edges of a face that stay between 0.6 and 1.5 of their length leave it the same face:
    # common practice, no published source
    mesh = rig.mesh
    on_face = rig.places > 0.72 * rig.layout.ribbon.length
    sides = mesh.triangles[on_face[mesh.triangles].all(axis=1)][:, :2]

    def long(skin):
        return np.linalg.norm(skin[sides[:, 0]] - skin[sides[:, 1]], axis=1)

    for frame in rig.motion(name).instants(8):
        shares = long(frame.skin()) / long(mesh.positions)
        assert shares.min() > 0.6
        assert shares.max() < 1.5


def test_every_layout_is_asked_for_the_same_shape(rig):
    other = rs.bind(rig.mesh, rig.layout.with_added(7))
    take = rig.motion("slither")
    same = take.on(other).instants(12)[5].targets["body"]
    assert np.array_equal(same.frames, take.instants(12)[5].targets["body"].frames)
    fresh = other.motion("slither").instants(12)[5].targets["body"]
    assert np.abs(fresh.frames - same.frames).max() < 1e-9


def test_a_motion_of_nothing_is_the_rest(rig):
    frame = rig.motion("rear_up", amount=0.0).instants(4)[2]
    for control in frame.pose.controls.values():
        assert control.bend == pytest.approx(0.0, abs=1e-6)
        assert control.sway == pytest.approx(0.0, abs=1e-6)
    assert np.abs(frame.skin() - rig.mesh.positions).max() < 1e-6 * rig.mesh.diagonal


@pytest.mark.parametrize("drive", ["shares", "skinned"])
def test_a_layout_comes_near_the_shapes(rig, drive):
    take = rig.motion("swim").on(rig.under(drive))
    worst = max(take.rig.shape_error(f.targets["body"], f.pose) for f in take.instants(6))
    assert worst < (0.02 if drive == "shares" else 0.06)


def test_values_of_a_wave_run_as_smoothly_as_the_wave(rig):
    # what goes three times while the wave goes once has, of 96 frames, second differences of its
    # second differences of 2 - 2 cos(6 pi / 96), 0.04, of them; a fit that stops in one frame
    # and goes on in the next makes steps
    ribbon = rig.layout.ribbon
    many = rs.bind(rig.mesh, rs.Layout.from_ribbon(ribbon, stations=17, controls=9))
    frames = many.motion("swim").instants(96)
    told = [[frame.pose[name] for name in many.layout.control_names] for frame in frames]
    values = np.array([[(one.bend, one.sway) for one in each] for each in told])
    for _ in range(2):
        before, values = values, np.roll(values, 1, 0) - 2.0 * values + np.roll(values, -1, 0)
    assert np.abs(values).max() < 0.05 * np.abs(before).max()


def test_a_travelling_loop_goes_on_where_it_ended(rig):
    take = rig.motion("slither", travels=True)
    shapes = take.loop(24).shapes["body"]
    assert np.linalg.norm(shapes.travel[:3, 3]) > 0.05 * rig.layout.ribbon.length
    ahead = take.rig.stage.figure.ahead[0]
    assert shapes.travel[:3, 3] @ ahead > 0.0
    spot = rig.motion("slither").loop(24).shapes["body"]
    gap = np.linalg.norm(spot.placed[0, :3, 3] - spot.placed[-1, :3, 3])
    steps = np.linalg.norm(np.diff(spot.placed[:, :3, 3], axis=0), axis=1)
    assert gap < 2.0 * steps.max() + 1e-9


def test_a_take_is_frozen_and_made_of_nothing_yet(rig):
    take = rig.motion("swim", seconds=2)
    assert len(take.frames(24)) == 48
    assert take.frames(24)[12].time == pytest.approx(0.5)
    assert not take._known
    with pytest.raises(AttributeError):
        take.travels = True


def test_a_wave_that_is_asked_to_follow_does_not():
    # swimming is a seen motion: it is filtered by nothing
    assert not MOTIONS["swim"].follows
    ends = np.linspace(0.0, 1.0, PIECES + 1)
    moves = MOTIONS["swim"].moves(ends, np.array([0.0, 0.5]))
    assert moves.turns[0] == pytest.approx(-moves.turns[1])


def test_crawling_holds_the_whole_length():
    ends = np.linspace(0.0, 1.0, PIECES + 1)
    moves = MOTIONS["crawl"].moves(ends, np.linspace(0.0, 1.0, 16, endpoint=False))
    assert np.exp(moves.stretches).mean(axis=1) == pytest.approx(np.ones(16), abs=0.004)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda rig: rig.motion("fly"), "no motion is called 'fly': choose one of swim"),
        (lambda rig: rig.motion("swim", seconds=0), "seconds of swim = 0 cannot be used"),
        (lambda rig: rig.motion("swim", swing=0.9), "swing of swim = 0.9 cannot be used"),
        (lambda rig: rig.motion("flutter"), "moves appendages and this layout has none"),
        (lambda rig: rs.OwnMotion(("a", "b"), (0.0,)), "1 times for 2 poses"),
        (lambda rig: rs.OwnMotion(("a", "b"), (0.0, 3.0)), "rise from 0 and end before"),
    ],
)
def test_what_cannot_be_is_said(rig, call, said):
    with pytest.raises(rs.RibbonsimError, match=said):
        call(rig)


# -- her own -------------------------------------------------------------------------------------


def test_own_motions_pass_through_their_poses_and_are_kept(rig, tmp_path):
    from dataclasses import replace

    nod = rs.Pose({"control5": {"bend": 20}, "control4": {"sway": 10, "stretch": 1.1}})
    own = rs.OwnMotion(("rest", "nod"), (0.0, 1.0), 2.0, lag=0.0)
    layout = replace(rig.layout, poses={"nod": nod}, motions={"nodding": own})
    layout.save(tmp_path / "own.toml")
    back = rs.Layout.load(tmp_path / "own.toml")
    assert back.motions == {"nodding": own}
    nodding = rs.bind(rig.mesh, back).motion("nodding")
    frames = nodding.instants(4)
    got, told = frames[2].pose, nod
    assert frames[2].time == pytest.approx(1.0)
    posed, wanted = nodding.rig.pose_ribbon(got), nodding.rig.pose_ribbon(told)
    t = np.linspace(0.0, 1.0, 50)
    apart = np.abs(posed.midline(t) - wanted.midline(t)).max()
    assert apart < 0.01 * rig.layout.ribbon.length
    with pytest.raises(rs.RibbonsimError, match="which is no kept pose"):
        replace(back, poses={})


def test_changed_takes_only_what_is_given():
    motion = changed(MOTIONS["strike"], lag=0.4)
    assert (motion.lag, motion.swing) == (0.4, MOTIONS["strike"].swing)
    assert isinstance(motion.moves(np.linspace(0, 1, 33), np.zeros(1)), Moves)


def test_an_upright_body_swims_with_its_thinner_end():
    # Tytell and Lauder 2004, as above: the wave is several times as high at the tail as at the
    # head; that a swimming body's tail is its thinner end: common practice, no published source
    mesh = rs.load_mesh("meshes/tentacle.obj")
    rig = rs.bind(mesh, build_layout(mesh))
    assert rig.stage.figure.is_upright
    places = np.linspace(0.0, 1.0, 33)
    lines = np.stack(
        [rig.pose_ribbon(one.pose).midline(places) for one in rig.motion("swim").instants(24)]
    )
    swings = np.linalg.norm(lines - lines.mean(axis=0), axis=2).max(axis=0)
    assert swings[-1] > 2.0 * swings[: len(places) // 2].max()

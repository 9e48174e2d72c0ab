"""The skin that the browser's card poses, read back, against ``Rig.deform``.

``Rig.deform`` itself is held against usd-core, libigl and closed forms in ``test_skin.py`` and
``test_rig.py``; here the same poses go through the module's own shader. Differences are in parts
of the creature's size.
"""

import numpy as np
import pytest

from browser.view_page import ViewPage, as_text
from ribbonsim.inpage.creature_bytes import pack_binding, to_stage
from ribbonsim.inpage.pose_bytes import pack_loop, pack_seats, pack_steps, pose_numbers
from ribbonsim.layout.pose import Pose
from ribbonsim.rig.first_layout import BuildOptions, load_rig

pytestmark = pytest.mark.browser

EXACT, SMALL = 5e-6, 3e-5
METHODS = ("linear", "dual_quaternion")


@pytest.fixture(scope="module")
def view(chromium, tmp_path_factory):
    page = chromium.new_page(viewport={"width": 480, "height": 360})
    # so small that drawing takes no time: only what the card poses is looked at
    yield ViewPage(page, tmp_path_factory.mktemp("view"), (48, 36))
    page.close()


@pytest.fixture(scope="module")
def eel():
    return load_rig("meshes/lampeel.obj", None, None)


@pytest.fixture(scope="module")
def finned():
    return load_rig("meshes/lampeel.obj", None, BuildOptions(appendages=True))


def poses_of(rig):
    """Five poses: bends, several turns, stretch and girth, and all controls at once."""
    names = rig.layout.all_control_names
    mixed = {
        name: {"bend": 25 - 9 * i, "sway": 12 * i, "twist": 40 * i, "stretch": 1 + 0.05 * i}
        for i, name in enumerate(names)
    }
    mixed[names[0]]["girth"] = 1.3
    return {
        "rest": Pose(),
        "c_bend": rig.pose_for("c_bend", 120.0),
        "twist": rig.pose_for("twist", 540.0),
        "stretch": rig.pose_for("stretch", 1.6),
        "mixed": Pose(mixed, keep_volume=0.5),
    }


def apart(view, rig, pose, method):
    """Largest distance of the card's skin from the rig's, and of its normals."""
    positions, normals = view.skin()
    wanted = to_stage(rig.mesh, rig.deform(pose, method))
    used = np.unique(rig.mesh.triangles)
    away = np.linalg.norm(positions - wanted, axis=1).max()
    turned = np.linalg.norm(normals - rig.deform_normals(pose, method), axis=1)[used].max()
    return away, turned


@pytest.mark.parametrize("drive", ["shares", "skinned"])
@pytest.mark.parametrize("which", ["eel", "finned"])
def test_skin_and_normals_on_the_card_are_those_of_deform(view, which, drive, request):
    rig = request.getfixturevalue(which).under(drive)
    view.open(rig)
    for name, pose in poses_of(rig).items():
        view.pose(pose_numbers(rig, pose))
        for method in METHODS:
            view.run(f"view.setMethod('{method}')")
            away, turned = apart(view, rig, pose, method)
            print(f"{which}, {drive}, {name}, {method}: {away:.1e} of size, normals {turned:.1e}")
            assert away < EXACT
            assert turned < 2e-4
    assert view.errors == []


def test_the_smaller_form_for_pages_is_within_a_thirty_thousandth(view, finned):
    view.open(finned, small=True)
    pose = finned.pose_for("c_bend", 90.0)
    view.pose(pose_numbers(finned, pose))
    for method in METHODS:
        view.run(f"view.setMethod('{method}')")
        away, _ = apart(view, finned, pose, method)
        print(f"small form, {method}: {away:.1e} of size")
        assert away < SMALL


@pytest.mark.parametrize(
    ("name", "most", "small"),
    [("c_bend", 120.0, True), ("twist", 720.0, False), ("curl", 300.0, True)],
)
def test_between_steps_a_pose_is_where_deform_puts_it(view, finned, name, most, small):
    rig = finned
    view.open(rig)
    packed = pack_steps(rig, lambda a: rig.pose_for(name, a), np.linspace(0.0, most, 25), small)
    view.run(f"window.steps = new Steps(unpack(bytes('{as_text(packed)}')))")
    for amount in (0.013 * most, 0.5 * most, 0.61 * most):
        view.run(f"view.setPose(0, steps.at({amount}))")
        for method in METHODS:
            view.run(f"view.setMethod('{method}')")
            away, _ = apart(view, rig, rig.pose_for(name, amount), method)
            print(f"{name} {amount:g}, small {small}, {method}: {away:.1e} of size")
            assert away < 1e-3  # a thousandth of the creature: less than a pixel


def test_many_influences_a_vertex_are_posed_too(view, eel):
    # as many joints a vertex as there are: more than a card's attributes would hold
    rng = np.random.default_rng(7)
    weights = rng.random(eel.mesh_weights.shape)
    weights /= weights.sum(axis=1, keepdims=True)
    rig = type(eel)(eel.mesh, eel.layout, eel.places, eel.surface_weights, weights)
    assert len(pack_binding(rig)) > 17 * 6 * len(weights)
    view.open(rig)
    pose = rig.pose_for("s_bend", 90.0)
    view.pose(pose_numbers(rig, pose))
    away, _ = apart(view, rig, pose, "linear")
    assert away < EXACT


@pytest.mark.parametrize("name", ["crawl", "slither", "rear_up"])
@pytest.mark.parametrize("small", [False, True])
def test_skin_lies_on_the_ground_as_the_take_has_it(view, eel, name, small):
    instants = eel.motion(name).frames(6.0)
    view.open(eel, small=small)
    seats, loop = (as_text(data) for data in (pack_seats(eel, small), pack_loop(
        eel.motion(name), 6.0, small)))  # fmt: skip
    view.run(f"view.layouts[0].lieOn(unpack(bytes('{seats}')))")
    view.run(f"window.loop = new Steps(unpack(bytes('{loop}')))")
    flattened = 0.0
    for one in (*instants, instants[0]):
        share = one.number / one.count
        view.run(f"view.setPose(0, loop.at({share}), loop.pressed)")
        positions, _ = view.skin()
        wanted = to_stage(eel.mesh, one.skin())
        away = np.linalg.norm(positions - wanted, axis=1).max()
        assert away < (5e-4 if small else 2 * EXACT)
        free = to_stage(eel.mesh, eel.deform(one.pose))
        flattened = max(flattened, np.linalg.norm(wanted - free, axis=1).max())
    assert flattened > 2e-3  # there is something to see
    # a pose that is told nothing of the ground is on none
    view.pose(pose_numbers(eel, instants[0].pose))
    positions, _ = view.skin()
    free = to_stage(eel.mesh, eel.deform(instants[0].pose))
    assert np.linalg.norm(positions - free, axis=1).max() < (SMALL if small else EXACT)

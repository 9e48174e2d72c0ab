"""The live panel in JupyterLab and Chromium, pressed as a person presses it."""

import numpy as np
import pytest

import ribbonsim as rs

pytestmark = pytest.mark.browser


def difference(before, after):
    return float(np.abs(after - before).mean())


def middle(panel):
    """Where the middle of the picture is on the page."""
    panel.image.scroll_into_view_if_needed()
    box = panel.image.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


# -- pose ----------------------------------------------------------------------------------------


def test_sliders_move_the_creature_again_and_again(panel):
    for label in ("bend", "sway", "twist", "shift normal", "stretch", "girth"):
        for key in ("PageUp", "PageDown"):
            before, after = panel.changed(
                lambda label=label, key=key: panel.handle(label).press(key)
            )
            assert difference(before, after) > 0.05, (label, key)
        assert panel.value(label) == (1.0 if label in ("stretch", "girth") else 0.0)
    assert panel.says() == []


def test_number_box_rest_button_double_click_and_undo_agree(panel):
    start = panel.picture()
    # 0.2 lies within half a step of the slider: the box takes it all the same
    panel.changed(lambda: panel.type("sway", 0.2))
    assert panel.value("sway") == 0.2
    before, after = panel.changed(lambda: panel.type("sway", 50))
    assert difference(before, after) > 1.0
    _, rested = panel.changed(lambda: panel.row("sway").locator("button").click())
    assert difference(start, rested) < 0.5
    _, undone = panel.changed(panel.button("Undo").click)
    assert difference(after, undone) < 0.5
    _, redone = panel.changed(panel.button("Redo").click)
    assert difference(start, redone) < 0.5
    panel.changed(panel.button("Undo").click)
    for part in ("div.widget-label", ".noUi-target"):
        panel.changed(lambda part=part: panel.row("sway").locator(part).dblclick())
        assert panel.value("sway") == 0.0
        assert difference(start, panel.picture()) < 0.5
        panel.changed(lambda: panel.type("sway", 50))
    _, rested = panel.changed(panel.button("Control to rest").click)
    assert difference(start, rested) < 0.5


def test_controls_blending_and_carry(panel):
    controls = panel.select("control1")
    panel.page.mouse.move(2, 2)  # a control that the pointer leaves is not named any more
    panel.settle()
    for name in ("control2", "control4"):
        panel.choose(controls, name)
        before, after = panel.changed(lambda: panel.type("sway", 70))
        assert difference(before, after) > 0.5, name
    assert "moved" in controls.inner_text()
    for name in ("dual quaternion", "linear"):
        before, after = panel.changed(panel.button(name).click)
        assert difference(before, after) > 0.01, name
    panel.changed(lambda: panel.type("stretch", 2))
    before, after = panel.changed(lambda: panel.type("keep volume", 0))
    assert difference(before, after) > 0.1
    panel.tab("Layout")
    carriers = panel.row("stands still").locator("select")
    still = panel.picture()
    # whoever carries, the pose is kept, and only the sliders' meaning changes; controls that stand
    # alone keep their own frames, and the body runs between them by another rule
    for name, least in (("control3", 2.5), ("each alone", 5.0)):
        panel.changed(lambda name=name: carriers.select_option(name))
        assert difference(still, panel.picture()) < least, name
    panel.tab("Pose")
    panel.changed(panel.button("All to rest").click)
    assert "moved" not in controls.inner_text()


def test_a_test_pose_is_not_rounded_to_the_sliders_steps(panel, lab):
    (lab.folder / "notebooks" / "bow.toml").unlink(missing_ok=True)  # of an attempt before
    poses = panel.select("one even bend")
    panel.choose(poses, "c_bend")
    before, after = panel.changed(panel.button("Show at its usual amount").click)
    assert difference(before, after) > 1.0
    for _ in range(2):
        before, after = panel.changed(lambda: panel.handle("amount").press("PageDown"))
        assert difference(before, after) > 0.3
    panel.changed(lambda: panel.type("amount", 90))
    panel.tab("Keep")
    panel.panel.get_by_placeholder("name of the pose").fill("bow")
    panel.button("Keep this pose").click()
    panel.hears("Pose kept")
    panel.panel.get_by_placeholder("creature.toml").fill("bow.toml")
    panel.button("Save").click()
    panel.hears("Saved as")
    (saved,) = lab.folder.rglob("bow.toml")
    layout = rs.Layout.load(saved)
    rig = rs.bind(rs.load_mesh(lab.folder / "meshes" / "lampeel.obj"), layout)
    assert layout.poses["bow"] == rs.Pose(rig.pose_for("c_bend", 90).controls)


# -- view ----------------------------------------------------------------------------------------


def test_mouse_goes_round_pans_and_goes_nearer(panel):
    x, y = middle(panel)
    mouse = panel.page.mouse

    def drag(dx, dy, key=None):
        if key:
            panel.page.keyboard.down(key)
        mouse.move(x, y)
        mouse.down()
        for step in range(1, 9):
            mouse.move(x + dx * step / 8, y + dy * step / 8)
            panel.page.wait_for_timeout(25)
        mouse.up()
        if key:
            panel.page.keyboard.up(key)

    for dx, dy, key in ((120, 0, None), (-60, 50, None), (0, 60, "Shift")):
        before, after = panel.changed(lambda dx=dx, dy=dy, key=key: drag(dx, dy, key))
        assert difference(before, after) > 1.0, (dx, dy, key)
    scroll = "document.querySelector('.jp-WindowedPanel-outer').scrollTop"
    scrolled = panel.page.evaluate(scroll)
    mouse.move(x, y)
    for turn in (-240, 240, -120):
        before, after = panel.changed(lambda turn=turn: mouse.wheel(0, turn))
        assert difference(before, after) > 1.0
    assert panel.page.evaluate(scroll) == scrolled, "the wheel scrolled the page over the view"
    before, after = panel.changed(lambda: mouse.dblclick(x, y))
    assert difference(before, after) > 1.0


def test_a_click_on_a_control_chooses_it(panel):
    panel.changed(panel.button("Side").click)
    pixels = panel.picture()
    # dots of controls are amber: the one farthest to the right is an end of the body
    amber = np.hypot(pixels[..., 0] - 242, pixels[..., 1] - 165) + np.abs(pixels[..., 2] - 31) < 60
    rows, columns = np.nonzero(amber)
    at = np.argmax(columns)
    box = panel.image.bounding_box()
    panel.changed(
        lambda: panel.page.mouse.click(
            box["x"] + float(columns[at]) - 3, box["y"] + float(rows[at])
        )
    )
    assert panel.select("control1").input_value().split()[0] in ("control1", "control5")


def test_sides_and_what_is_shown_change_the_picture(panel):
    for name in ("Front", "Side", "Top", "Three-quarter"):
        before, after = panel.changed(panel.button(name).click)
        assert difference(before, after) > 1.0, name
    for name in ("▸", "▴", "+"):
        before, after = panel.changed(panel.button(name).click)
        assert difference(before, after) > 0.5, name
    panel.changed(panel.button("See all").click)
    for name in ("See through", "Ribbon", "Stations", "Edge lines", "Controls"):
        for _ in range(2):
            before, after = panel.changed(panel.button(name).click)
            assert difference(before, after) > 0.01, name
    panel.changed(lambda: panel.type("stretch", 1.6))
    skin = panel.select("largest stretch")
    for option in (
        "weights of the control",
        "weights of a station",
        "largest stretch",
        "girth",
        "volume change",
        "clay",
    ):
        before, after = panel.changed(lambda option=option: skin.select_option(label=option))
        assert difference(before, after) > 0.2, option


# -- layout --------------------------------------------------------------------------------------


def test_layout_changes_bind_again_and_keep_the_pose(panel):
    _, rest = panel.changed(panel.button("Controls").click)
    _, posed = panel.changed(lambda: panel.type("sway", 60))
    swayed = difference(rest, posed)
    panel.tab("Layout")
    changes = (
        lambda: panel.type("stations", 21),
        lambda: panel.type("stations", 12),
        lambda: panel.type("spans", 12),
        lambda: panel.select("even by length").select_option(label="even by length"),
        lambda: panel.handle("dense towards").press("PageUp"),
        panel.button("Insert").click,
        lambda: panel.type("width", 5),
        lambda: panel.type("roll by", 30),
        panel.button("Roll").click,
        panel.button("Swap root and tip").click,
        panel.button("Swap root and tip").click,
        lambda: panel.handle("reach").press("ArrowRight"),
    )
    for change in changes:
        source = panel.source()
        change()
        if change is not changes[7]:  # how far to roll is only written, not done yet
            panel.wait_for_picture(source)
        assert panel.says() == []
        assert difference(posed, panel.picture()) < 0.5 * swayed


def test_controls_come_go_and_move(panel):
    panel.tab("Layout")
    panel.type("new at station", 7)
    before, after = panel.changed(panel.button("Add a control").click)
    assert difference(before, after) > 0.05
    assert panel.row("control").locator("select").input_value() == "control6"
    for key in ("ArrowLeft", "ArrowRight"):
        before, after = panel.changed(lambda key=key: panel.handle("station").press(key))
        assert difference(before, after) > 0.01
    panel.row("name").locator("input").fill("shoulder")
    panel.changed(panel.button("Rename").first.click)
    assert panel.row("control").locator("select").input_value() == "shoulder"
    panel.changed(panel.button("Remove").click)
    assert "shoulder" not in panel.row("control").inner_text()
    falloff = panel.row("falloff").locator("select")
    for name in ("linear", "gaussian"):
        panel.changed(lambda name=name: falloff.select_option(label=name))
    panel.changed(lambda: panel.handle("guide at").press("PageUp"))
    panel.number("move x, y, z").fill("4")
    panel.number("move x, y, z").press("Tab")
    before, after = panel.changed(panel.button("Move").click)
    assert difference(before, after) > 0.01
    assert panel.says() == []


def test_the_root_is_chosen_by_a_click(panel):
    panel.tab("Layout")
    panel.button("Click the root").click()
    panel.page.wait_for_selector("img.rs-picking")
    middle(panel)
    box = panel.image.bounding_box()
    panel.page.mouse.click(box["x"] + 3, box["y"] + 3)  # beside the creature
    panel.page.wait_for_selector(".rs-wrong")
    panel.settle()  # the message takes a line, and the picture moves down
    box, pixels = panel.image.bounding_box(), panel.picture()
    body = pixels[..., 0] - pixels[..., 2] > 40  # clay is warmer than the ground
    rows, columns = np.nonzero(body)
    at = np.argmax(columns)
    panel.page.mouse.click(box["x"] + float(columns[at]) - 4, box["y"] + float(rows[at]))
    panel.wait_until(lambda: not panel.page.locator("img.rs-picking").count())
    panel.wait_until(lambda: panel.says() == [])
    panel.settle()
    assert panel.button("Undo").is_enabled()


# -- keeping -------------------------------------------------------------------------------------


def test_poses_and_layouts_are_kept_recalled_and_loaded(panel, lab):
    (lab.folder / "notebooks" / "kept.toml").unlink(missing_ok=True)  # of an attempt before
    start = panel.picture()
    _, bent = panel.changed(lambda: panel.type("bend", 40))
    panel.tab("Keep")
    panel.panel.get_by_placeholder("name of the pose").fill("bow")
    panel.button("Keep this pose").click()
    poses = panel.select("bow")
    panel.panel.get_by_placeholder("creature.toml").fill("kept.toml")
    panel.button("Save").click()
    panel.hears("Saved as")
    panel.panel.get_by_placeholder("name of the copy").fill("first")
    panel.button("Duplicate this layout").click()
    layouts = panel.select("first")
    panel.tab("Pose")
    panel.changed(panel.button("All to rest").click)
    panel.tab("Keep")
    for _ in range(2):
        poses.select_option("bow")
        _, again = panel.changed(panel.button("Recall").click)
        assert difference(bent, again) < 0.5
        _, undone = panel.changed(panel.button("Undo").click)
        assert difference(start, undone) < 0.5
    poses.select_option("bow")
    panel.button("Delete").click()
    panel.page.wait_for_function("![...document.querySelectorAll('option')]"
                                 ".some((option) => option.textContent == 'bow')")  # fmt: skip
    panel.button("Load").click()
    panel.hears("Loaded")
    panel.select("bow").wait_for()  # lists are shown after the message
    layouts.select_option("first")
    panel.button("Go on with the chosen one").click()
    panel.settle()
    panel.button("Save").click()
    panel.page.wait_for_selector(".rs-wrong")
    assert "kept.toml" in panel.says()[0]


def test_unsaved_changes_are_asked_about_before_another_creature_opens(panel):
    panel.tab("Keep")
    panel.button("Keep this pose").click()
    panel.hears("Pose kept")
    demos = panel.select("demo creature")
    panel.settle()
    before = panel.picture()
    demos.select_option("grub")
    ask = panel.panel.get_by_text("changes that are not saved")
    ask.wait_for()
    panel.button("Stay").click()
    ask.wait_for(state="hidden")
    assert difference(before, panel.picture()) < 0.5
    panel.wait_until(lambda: demos.input_value() == "lampeel")
    demos.select_option("grub")
    _, after = panel.changed(panel.button("Open all the same").click)
    assert difference(before, after) > 1.0
    for name in ("coil", "tentacle", "lampeel"):
        before, after = panel.changed(lambda name=name: demos.select_option(name))
        assert difference(before, after) > 1.0, name


# -- errors --------------------------------------------------------------------------------------

SQUARE = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 9\n"


def test_what_cannot_be_opened_is_one_sentence_and_the_creature_stays(panel, lab):
    before = panel.picture()
    path = panel.panel.get_by_placeholder("path of a mesh file")
    path.fill("no/such/creature.obj")
    panel.button("Open").click()
    panel.page.wait_for_selector(".rs-wrong")
    (sentence,) = panel.says()
    assert "creature.obj" in sentence
    assert sentence.endswith(".")
    panel.send("broken.obj", SQUARE.encode())
    panel.hears("broken.obj")
    assert "tmp" not in panel.says()[0]
    (lab.folder / "notebooks" / "old.toml").write_text("ribbonsim_layout = 99\n", encoding="utf-8")
    panel.tab("Keep")
    panel.panel.get_by_placeholder("creature.toml").fill("old.toml")
    panel.button("Load").click()
    panel.hears("old.toml")
    panel.settle()
    assert difference(before, panel.picture()) < 0.5
    panel.tab("Pose")
    before, after = panel.changed(lambda: panel.type("sway", 30))
    assert difference(before, after) > 0.5
    grub = (lab.folder / "meshes" / "grub.obj").read_bytes()
    before = panel.picture()
    panel.send("sent.obj", grub)
    panel.page.wait_for_function("document.body.innerText.includes('sent: ')")
    panel.settle()
    assert difference(before, panel.picture()) > 1.0


# -- several panels ------------------------------------------------------------------------------


def test_two_panels_keep_their_own_pictures(open_notebook):
    both = open_notebook("two.ipynb")
    both.run_all()
    for _ in range(2):
        before, after = both.changed(lambda: both.handle("sway").press("PageUp"))
        assert difference(before, after) > 0.05
    first = both.page.locator(".rs-panel img.rs-picture").first.get_attribute("src")
    both.changed(lambda: both.handle("bend").press("PageUp"))
    still = both.page.locator(".rs-panel img.rs-picture").first
    assert still.get_attribute("src") == first, "one panel's slider drew the other's picture"
    # the first cell run again leaves its old panel without a place; the second goes on
    both.run_all()
    for _ in range(2):
        before, after = both.changed(lambda: both.handle("sway").press("PageUp"))
        assert difference(before, after) > 0.05
    assert both.tracebacks() == []


def test_a_kernel_that_was_restarted_draws_again(first_notebook):
    if not first_notebook.image.count():
        first_notebook.run_all()
    first_notebook.restart()
    for _ in range(2):
        before, after = first_notebook.changed(
            lambda: first_notebook.handle("sway").press("PageUp")
        )
        assert difference(before, after) > 0.05
    assert first_notebook.tracebacks() == []

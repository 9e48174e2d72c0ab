"""The live panel in JupyterLab and Chromium, pressed as a person presses it."""

import numpy as np
import pytest

pytestmark = pytest.mark.browser


def difference(before, after):
    return float(np.abs(after - before).mean())


def test_sliders_move_the_creature_again_and_again(panel):
    for label in ("bend", "sway", "twist", "shift normal", "stretch", "girth"):
        for key in ("PageUp", "PageUp", "PageDown"):
            before, after = panel.changed(
                lambda label=label, key=key: panel.handle(label).press(key)
            )
            assert difference(before, after) > 0.05, (label, key)
    assert panel.says() == []


def test_number_box_rest_button_and_undo_agree(panel):
    start = panel.picture()
    box = panel.row("sway").locator("input[type=number]")
    box.fill("50")
    before, after = panel.changed(lambda: box.press("Enter"))
    assert difference(before, after) > 1.0
    _, rested = panel.changed(lambda: panel.row("sway").locator("button").click())
    assert difference(start, rested) < 0.5
    _, undone = panel.changed(lambda: panel.page.get_by_role("button", name="Undo").click())
    assert difference(after, undone) < 0.5
    _, redone = panel.changed(lambda: panel.page.get_by_role("button", name="Redo").click())
    assert difference(start, redone) < 0.5


def test_mouse_goes_round_pans_and_goes_nearer(panel):
    image = panel.image
    image.scroll_into_view_if_needed()
    box = image.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
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
    scrolled = panel.page.evaluate("document.querySelector('.jp-WindowedPanel-outer').scrollTop")
    mouse.move(x, y)
    before, after = panel.changed(lambda: mouse.wheel(0, -240))
    assert difference(before, after) > 1.0
    now = panel.page.evaluate("document.querySelector('.jp-WindowedPanel-outer').scrollTop")
    assert now == scrolled, "the wheel scrolled the page over the view"


def test_sides_and_what_is_shown_change_the_picture(panel):
    for name in ("Front", "Side", "Top", "Three-quarter", "See all", "Side"):
        button = panel.page.get_by_role("button", name=name, exact=True)
        before, after = panel.changed(button.click)
        assert name == "See all" or difference(before, after) > 1.0, name
    for name in ("See through", "Ribbon", "Stations", "Edge lines", "Controls"):
        toggle = panel.page.get_by_role("button", name=name, exact=True)
        for _ in range(2):
            before, after = panel.changed(toggle.click)
            assert difference(before, after) > 0.01, name
    skin = panel.page.locator("select").filter(has_text="largest stretch")
    for option in ("weights of the chosen control", "weights of a station", "largest stretch"):
        before, after = panel.changed(lambda option=option: skin.select_option(label=option))
        assert difference(before, after) > 0.5, option


def test_layout_changes_bind_again_and_keep_the_pose(panel):
    panel.changed(lambda: panel.handle("sway").press("PageUp"))
    panel.page.get_by_role("tab", name="Layout").click()
    stations = panel.row("stations").locator("input[type=number]")
    for count in ("21", "9"):
        stations.fill(count)
        panel.changed(lambda: stations.press("Enter"))
        assert panel.says() == []
    for name in ("Add a control", "Swap", "Swap", "Insert a knot there"):
        panel.page.get_by_role("button", name=name, exact=True).click()
        panel.settle()
        panel.picture()
    texts = panel.says()
    assert texts == [] or "two controls stand at station 1" in texts[0]


def test_a_wrong_path_is_one_sentence_and_the_creature_stays(panel):
    path = panel.page.get_by_placeholder("path of an OBJ file")
    path.fill("no/such/creature.obj")
    before = panel.picture()
    panel.page.get_by_role("button", name="Open", exact=True).click()
    panel.page.wait_for_selector(".rs-wrong")
    assert "creature.obj" in panel.says()[0]
    assert difference(before, panel.picture()) < 0.5
    assert panel.page.locator(".jp-OutputArea-output[data-mime-type*=error]").count() == 0


def test_demo_creatures_open_one_after_the_other(panel):
    choice = panel.page.locator("select").filter(has_text="demo creature")
    for name in ("grub", "coil", "tentacle", "lampeel"):
        before, after = panel.changed(lambda name=name: choice.select_option(label=name))
        assert difference(before, after) > 1.0, name


def test_two_panels_and_a_cell_run_again_keep_their_pictures(panel):
    panel.run_cell()
    for _ in range(2):
        before, after = panel.changed(lambda: panel.handle("sway").press("PageUp"))
        assert difference(before, after) > 0.05
    panel.page.keyboard.press("Escape")
    panel.run_cell()
    for _ in range(2):
        before, after = panel.changed(lambda: panel.handle("bend").press("PageUp"))
        assert difference(before, after) > 0.05

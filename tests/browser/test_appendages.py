"""Appendages in JupyterLab and Chromium, pressed as a person presses them."""

import numpy as np
import pytest

pytestmark = pytest.mark.browser

FOUND = ("fin_l", "fin_r", "barbel_l", "barbel_r")


def difference(before, after):
    return float(np.abs(after - before).mean())


def tree(panel):
    """The tree of ribbons of the section in front."""
    return panel.panel.locator(".rs-tree select").locator("visible=true").first


def lines(panel):
    return [" ".join(text.split()) for text in tree(panel).locator("option").all_inner_texts()]


def names(panel):
    return [line.split()[0] for line in lines(panel)]


def pick(panel, select, words):
    """Choose the option whose words hold some; the browser writes hard spaces into them."""
    options = [" ".join(text.split()) for text in select.locator("option").all_inner_texts()]
    (index,) = (i for i, option in enumerate(options) if words in option)
    select.select_option(index=index)


def idle(panel):
    """Wait until the kernel has done what was asked: what is typed meanwhile is sent later."""
    panel.page.wait_for_timeout(200)
    panel.page.get_by_text("| Idle").wait_for()


def with_button(panel, name):
    """The row that holds a button."""
    inside = panel.page.get_by_role("button", name=name, exact=True)
    return panel.panel.locator(".rs-row").filter(has=inside).locator("visible=true").first


def has(panel, words):
    return any(words in line for line in lines(panel))


def moved(panel):
    return [line.split()[0] for line in lines(panel) if line.endswith("moved")]


def choose(panel, ribbon):
    if chosen(panel) != ribbon:
        index = names(panel).index(ribbon)
        panel.changed(lambda: tree(panel).select_option(index=index))


def chosen(panel):
    return tree(panel).locator("option:checked").inner_text().split()[0]


@pytest.fixture
def grown(panel):
    """A fresh panel with the lampeel's barbels and fins found and added."""
    panel.tab("Layout")
    panel.button("Find appendages").click()
    panel.hears("Found 4 appendages")
    panel.button("Add the ticked").click()
    panel.hears("Added fin_l, fin_r")
    panel.settle()
    return panel


def test_appendages_are_found_ticked_refused_and_added(panel):
    panel.tab("Layout")
    assert lines(panel) == ["body · 5 controls"]
    for _ in range(2):
        before, after = panel.changed(panel.button("Find appendages").click)
        assert difference(before, after) > 0.3, "what was found does not stand out"
        panel.hears("Found 4 appendages")
        panel.changed(panel.button("Refuse all").click)
    panel.changed(panel.button("Find appendages").click)
    boxes = panel.panel.get_by_role("checkbox", name="add", exact=True)
    assert boxes.count() == 4
    for _ in range(2):
        panel.changed(boxes.nth(1).uncheck)
        panel.changed(boxes.nth(1).check)
    panel.changed(boxes.nth(1).uncheck)
    panel.button("Add the ticked").click()
    panel.hears("Added fin_l, barbel_l, barbel_r. Paired: barbel_l with barbel_r.")
    panel.settle()
    assert sorted(names(panel)) == ["barbel_l", "barbel_r", "body", "fin_l"]
    assert chosen(panel) == "fin_l"
    # the one that was refused is found again, and nothing else is
    panel.button("Find appendages").click()
    panel.hears("Found one appendage")
    assert boxes.count() == 1
    panel.changed(panel.button("Refuse all").click)
    panel.changed(panel.button("Undo").click)
    panel.wait_until(lambda: lines(panel) == ["body · 5 controls"])
    panel.changed(panel.button("Redo").click)
    panel.wait_until(lambda: len(lines(panel)) == 4)


def test_a_tip_that_is_clicked_becomes_an_appendage(panel):
    panel.tab("Layout")
    panel.button("Side").click()
    panel.settle()
    box = panel.image.bounding_box()
    pick = panel.button("Click a tip")
    pick.click()
    panel.hears("Click the creature")
    # the belly is no appendage: the panel says so and goes on
    panel.page.mouse.click(*middle_of_body(panel, box))
    panel.hears("is not on an appendage")
    assert lines(panel) == ["body · 5 controls"]
    pick.click()
    panel.page.mouse.click(box["x"] + 3, box["y"] + 3)
    panel.hears("no skin under the pointer")
    pick.click()


def middle_of_body(panel, box):
    """A place on the page where the creature is widest in its picture."""
    pixels = panel.picture()
    away = np.abs(pixels - pixels[:, :3].mean(axis=1, keepdims=True)).sum(axis=2) > 60
    row = int(np.argmax(away.sum(axis=1)))
    columns = np.flatnonzero(away[row])
    column = int(np.median(columns))
    return box["x"] + column, box["y"] + row


def test_controls_of_appendages_move_alone_alike_and_opposite(grown):
    panel = grown
    panel.tab("Pose")
    assert set(names(panel)) == {"body", *FOUND}
    for ribbon in ("fin_l", "barbel_r", "fin_l"):
        choose(panel, ribbon)
        for key in ("PageUp", "PageDown"):
            before, after = panel.changed(lambda key=key: panel.handle("bend").press(key))
            assert difference(before, after) > 0.02, (ribbon, key)
    panel.wait_until(lambda: moved(panel) == [])
    for how in ("alike", "opposite", "alike"):
        panel.button(how).click()
        panel.changed(lambda: panel.type("bend", 40))
        panel.wait_until(lambda: moved(panel) == ["fin_l", "fin_r"])
        panel.changed(panel.button("Control to rest").click)
        panel.wait_until(lambda: moved(panel) == [])
    panel.button("off").click()
    panel.changed(lambda: panel.type("bend", 40))
    panel.wait_until(lambda: moved(panel) == ["fin_l"])
    # the body has no other side, and carries what rides on it
    choose(panel, "body")
    assert not panel.button("alike").is_visible()
    before, after = panel.changed(lambda: panel.type("sway", 30))
    assert difference(before, after) > 1.0
    panel.changed(panel.button("All to rest").click)
    panel.wait_until(lambda: moved(panel) == [])
    assert panel.says() == []


def test_test_poses_of_appendages_and_of_one_ribbon(grown):
    panel = grown
    panel.tab("Pose")
    poses = panel.select("one even bend")
    for name in ("appendage_curl", "appendage_spread"):
        pick(panel, poses, name)
        before, after = panel.changed(panel.button("Show at its usual amount").click)
        assert difference(before, after) > 0.1, name
    panel.wait_until(lambda: set(moved(panel)) == set(FOUND))
    panel.changed(panel.button("All to rest").click)
    choose(panel, "barbel_l")
    panel.button("barbel_l alone").click()
    for name in ("corkscrew", "c_bend"):
        pick(panel, poses, f"{name}:")
        panel.changed(panel.button("Show at its usual amount").click)
        panel.wait_until(lambda: moved(panel) == ["barbel_l"])
    panel.button("whole creature").click()
    panel.changed(panel.button("Show at its usual amount").click)
    panel.wait_until(lambda: moved(panel) == ["body"])


def test_an_appendage_is_seated_blended_named_mirrored_and_removed(grown):
    panel = grown
    panel.row("name").first.locator("input").first.scroll_into_view_if_needed()
    for value in (0.7, 0.9):
        panel.type("rides at", value)
        idle(panel)
        assert panel.value("rides at") == value
    panel.row("rides at").get_by_role("button", name="Base").click()
    panel.wait_until(lambda: abs(panel.value("rides at") - 0.82) < 0.03)
    for value in (8.0, 2.0):
        panel.type("base blend", value)
        idle(panel)
        assert panel.value("base blend") == value
    for _ in range(2):
        panel.button("Move the nearest there").click()
        panel.hears("stands level with the base of fin_l now")
        panel.wait_until(lambda: not panel.button("Add a control there").is_enabled())
        panel.button("Undo").click()
        panel.wait_until(panel.button("Add a control there").is_enabled)
    name = with_button(panel, "Rename")
    for new in ("paddle", "fin_l"):
        name.locator("input").fill(new)
        name.locator("input").press("Tab")
        name.get_by_role("button", name="Rename").click()
        panel.wait_until(lambda new=new: chosen(panel) == new)
    for _ in range(2):
        panel.button("Mirror it to the other side").click()
        panel.hears("Mirrored onto fin_r.")
        panel.button("Pair left and right").click()
        panel.hears("Paired: fin_l with fin_r, barbel_l with barbel_r.")
    for left in (4, 3):
        own = with_button(panel, "Mirror it to the other side")
        own.get_by_role("button", name="Remove", exact=True).click()
        panel.wait_until(lambda left=left: len(lines(panel)) == left)
        if left == 4:
            choose(panel, "barbel_l")
    panel.button("Mirror what has no partner").click()
    panel.hears("Mirrored onto fin_l and barbel_l.")
    assert len(lines(panel)) == 5


def test_stations_controls_and_heat_follow_the_chosen_ribbon(grown):
    panel = grown
    panel.button("Stations").click()
    panel.button("Ribbon").click()
    panel.settle()
    for ribbon in ("barbel_l", "fin_l"):
        choose(panel, ribbon)
        for count in (12, 9):
            panel.changed(lambda count=count: panel.type("stations", count))
        panel.changed(panel.button("Add a control").click)
        panel.wait_until(lambda ribbon=ribbon: has(panel, f"{ribbon} · 6 controls"))
        panel.changed(lambda: panel.type("reach", 1.2))
        panel.changed(panel.button("Undo").click)
        panel.changed(panel.button("Undo").click)
        panel.wait_until(lambda ribbon=ribbon: has(panel, f"{ribbon} · 5 controls"))
    heat = panel.select("weights of the control")
    for kind in ("weights of the control", "weights of a station", "largest stretch", "clay"):
        before, after = panel.changed(lambda kind=kind: pick(panel, heat, kind))
        assert difference(before, after) > 0.1, kind


def test_a_group_is_tied_and_untied(grown):
    panel = grown
    choose(panel, "body")
    parts = panel.select("group 'body'")
    pick(panel, parts, "group 'fin_r'")
    for _ in range(2):
        panel.button("Tie").click()
        panel.hears("group 'fin_r' follows station")
        panel.wait_until(lambda: "tied" in parts.locator("option:checked").inner_text())
        panel.button("Untie").click()
        panel.hears("follows the skin around it again")


def test_a_dot_of_another_ribbon_is_clicked(grown):
    panel = grown
    panel.tab("Pose")
    choose(panel, "body")
    box = panel.image.bounding_box()
    pixels = panel.picture()
    # the dots of controls, small or large, are the only such yellow in the picture
    yellow = (np.abs(pixels - (240.0, 165.0, 42.0)).max(axis=2) < 40).nonzero()
    places = np.unique(np.column_stack(yellow) // 12, axis=0) * 12 + 6
    seen = set()
    for row, column in places:
        panel.page.mouse.click(box["x"] + float(column), box["y"] + float(row))
        panel.page.wait_for_timeout(250)
        seen.add(chosen(panel))
        if len(seen) > 2:
            break
    assert len(seen) > 2, seen
    assert panel.tracebacks() == []


def test_opening_and_choosing_change_nothing(panel):
    """Sliders take other ranges for other creatures and ribbons, and nothing moves by that."""
    demos = panel.select("demo creature")
    for name in ("grub", "tentacle", "lampeel"):
        panel.changed(lambda name=name: demos.select_option(name))
        idle(panel)
        assert not panel.button("Undo").is_enabled(), name
    panel.tab("Layout")
    panel.button("Find appendages").click()
    panel.hears("Found 4 appendages")
    panel.button("Add the ticked").click()
    panel.hears("Added fin_l")
    for tab in ("Pose", "Layout"):
        panel.tab(tab)
        for ribbon in ("barbel_l", "body", "fin_r", "body"):
            choose(panel, ribbon)
            idle(panel)
        assert moved(panel) == []
    panel.button("Undo").click()
    panel.wait_until(lambda: names(panel) == ["body"])
    assert not panel.button("Undo").is_enabled()

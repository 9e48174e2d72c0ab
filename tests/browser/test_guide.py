"""A guide drawn by clicks, in JupyterLab and Chromium."""

import numpy as np
import pytest

from ribbonsim.view.look import RIBBON_FRONT

pytestmark = pytest.mark.browser


def difference(before, after):
    return float(np.abs(after - before).mean())


def body_pixels(panel):
    """Pixels of the picture that show clay, which is warmer than the ground."""
    pixels = panel.picture()
    return np.argwhere(pixels[..., 0] - pixels[..., 2] > 40)


def spots_along(panel, count):
    """Pixels in the middle of the body's columns, from the tail on the right to the head."""
    body = body_pixels(panel)
    low, high = body[:, 1].min(), body[:, 1].max()
    columns = np.linspace(high - 12, low + 60, count).astype(int)
    return [(x, int(np.median(body[body[:, 1] == x, 0]))) for x in columns]


def chosen_dot(panel):
    """Pixel of the chosen point: the only spot as wide as its dot in the ribbon's colour."""
    teal = np.array([int(RIBBON_FRONT[k : k + 2], 16) for k in (1, 3, 5)])
    same = np.abs(panel.picture() - teal).max(axis=2) < 30
    wide = np.lib.stride_tricks.sliding_window_view(same, (7, 7)).all(axis=(2, 3))
    row, column = np.argwhere(wide).mean(axis=0) + 3
    return column, row


def on_page(panel, spot):
    panel.image.scroll_into_view_if_needed()
    box = panel.image.bounding_box()
    return box["x"] + float(spot[0]), box["y"] + float(spot[1])


def test_a_guide_is_drawn_by_clicks_dragged_undone_and_used(panel):
    panel.tab("Layout")
    panel.changed(panel.button("Ribbon").click)
    panel.changed(panel.button("Draw the guide").click)
    panel.settle()
    spots = spots_along(panel, 4)
    points = panel.panel.locator("select").filter(has=panel.page.locator("option", has_text="1:"))
    for number, spot in enumerate(spots, start=1):
        panel.page.mouse.click(*on_page(panel, spot))
        panel.wait_until(lambda number=number: panel.panel.locator(
            "select option", has_text=f"{number}:  ").count() == 1)  # fmt: skip
    panel.settle()
    words = points.locator("option").all_inner_texts()
    assert len(words) == 4
    assert words[0].endswith("root")
    assert words[-1].endswith("tip")
    # the point that was added last is the chosen one: a drag takes it along
    start = on_page(panel, chosen_dot(panel))
    panel.page.mouse.move(*start)
    panel.page.mouse.down()
    for step in range(1, 6):
        panel.page.mouse.move(start[0], start[1] - 5 * step)
        panel.page.wait_for_timeout(40)
    panel.page.mouse.up()
    panel.wait_until(lambda: points.locator("option").all_inner_texts() != words)
    panel.button("Undo point").click()
    panel.wait_until(lambda: points.locator("option").all_inner_texts() == words)
    panel.button("Use this guide").click()
    panel.hears("runs along the guide")
    panel.settle()
    after = panel.picture()
    _, undone = panel.changed(panel.button("Undo").click)
    assert difference(after, undone) > 0.02  # the ribbon runs elsewhere
    _, again = panel.changed(panel.button("Redo").click)
    assert difference(after, again) < 0.5 * difference(after, undone)

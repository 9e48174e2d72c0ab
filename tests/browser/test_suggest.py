"""Suggest a layout in JupyterLab and Chromium, pressed as a person presses it."""

import pytest

pytestmark = pytest.mark.browser


def test_a_layout_is_suggested_shown_and_taken_back(panel):
    panel.tab("Layout")
    box = panel.panel.get_by_label("look aside", exact=True)
    box.scroll_into_view_if_needed()
    box.check()
    panel.button("Suggest a layout").click()
    shown = panel.panel.locator(".rs-facts p").filter(has_text="controls")
    shown.first.wait_for(timeout=240_000)
    panel.wait_until(
        lambda: panel.panel.get_by_text("Skinned to the surface").count() > 0, limit=240
    )
    before, after = panel.changed(panel.button("3").click)
    assert (before != after).any()
    panel.button("Take it").click()
    panel.hears("The suggested layout is taken")
    panel.button("Undo").click()
    panel.settle()
    assert panel.button("Redo").is_enabled()
    panel.picture()

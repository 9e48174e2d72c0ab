"""Findings and the compare panel in JupyterLab and Chromium, pressed as a person presses them."""

import numpy as np
import pytest

pytestmark = pytest.mark.browser


def difference(before, after):
    return float(np.abs(after - before).mean())


def test_a_finding_is_shown_its_change_applied_and_undone(panel):
    demos = panel.select("demo creature")
    panel.changed(lambda: demos.select_option("grub"))
    panel.choose(panel.select("one even bend"), "rear_up")
    panel.changed(panel.button("Show at its usual amount").click)
    panel.type("amount", 200)
    panel.settle()
    panel.tab("Findings")
    panel.button("Check this pose").click()
    panel.panel.get_by_text("contacts looked for and changes tried").wait_for(timeout=90_000)
    findings = panel.panel.locator(".rs-findings button")
    assert findings.count() > 0
    apply = panel.button("Apply what was tried")
    before, after = panel.changed(findings.first.click)
    assert difference(before, after) > 3.0
    for number in range(findings.count()):
        if apply.is_enabled():
            break
        findings.nth(number).click()
        panel.settle()
    assert apply.is_enabled(), "no finding has a change that helps"
    apply.click()
    panel.wait_until(lambda: any(text.startswith("Done: ") for text in panel.says()))
    panel.settle()
    panel.button("Undo").click()
    panel.settle()
    assert panel.button("Redo").is_enabled()
    panel.picture()


def test_a_variant_is_made_changed_and_moves_with_the_others(open_notebook):
    page = open_notebook("notebooks/02_compare_control_placements.ipynb")
    page.run_all()
    before, after = page.changed(page.button("Make a variant").click)
    assert difference(before, after) > 2.0
    before, after = page.changed(lambda: page.type("reach", 0.6))
    assert difference(before, after) > 0.02
    for key in ("PageDown", "PageDown"):
        before, after = page.changed(lambda key=key: page.handle("amount").press(key))
        assert difference(before, after) > 0.3
    page.panel.get_by_text("beyond the limit; rest").wait_for(timeout=60_000)
    page.wait_until(lambda: page.panel.locator(".rs-compared thead th").count() == 5, limit=60.0)
    assert page.panel.get_by_text("best").count() > 0
    assert page.says() == []
    assert page.tracebacks() == 0

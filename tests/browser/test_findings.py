"""Findings and the compare panel in JupyterLab and Chromium, pressed as a person presses them."""

import numpy as np
import pytest

pytestmark = pytest.mark.browser


def difference(before, after):
    return float(np.abs(after - before).mean())


def test_a_finding_is_shown_its_change_applied_and_undone(panel):
    demos = panel.select("demo creature")
    panel.changed(lambda: demos.select_option("coil"))
    panel.choose(panel.select("one even bend"), "twist")
    panel.changed(panel.button("Show at its usual amount").click)
    panel.settle()
    panel.tab("Findings")
    panel.button("Check this pose").click()
    panel.panel.get_by_text("for contacts too, and with changes tried").wait_for(timeout=240_000)
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
    panel.hears("Done: ")
    panel.settle()
    panel.button("Undo").click()
    panel.settle()
    assert panel.button("Redo").is_enabled()
    panel.picture()


@pytest.fixture(scope="module")
def notebook(open_notebook):
    return open_notebook("notebooks/02_compare_control_placements.ipynb")


@pytest.fixture
def bench(notebook):
    """A fresh compare panel: the cells are run again in the kernel that has run them before."""
    notebook.run_all()
    yield notebook
    assert notebook.tracebacks() == []


def tile(picture, row, column):
    """A tile of two columns and two rows, without the strip for its name and the lines."""
    high, wide = picture.shape[0] // 2, picture.shape[1] // 2
    top, left = high * row, wide * column
    return picture[top + 4 : top + high - 30, left + 4 : left + wide - 4]


def heads(page):
    return page.panel.locator(".rs-compared thead th").all_inner_texts()


def measured(page, heading="shape error"):
    """The cells of a line of the table."""
    line = page.panel.locator(".rs-compared tbody tr").filter(has_text=heading)
    return line.locator("td").all_inner_texts()


def cells_of(page, number):
    """The cells of one layout, in all lines of the table."""
    lines = page.panel.locator(".rs-compared tbody tr").all()
    cells = [line.locator("td").all_inner_texts() for line in lines]
    return [line[number] for line in cells if len(line) > number]


def test_a_variant_is_made_changed_and_moves_with_the_others(bench):
    bench.wait_until(lambda: heads(bench)[2:] == ["A (lampeel)", "B (fewer controls)"], limit=240)
    before, after = bench.changed(bench.button("Make a variant").click)
    assert difference(before, after) > 2.0
    bench.wait_until(lambda: heads(bench)[2:4] == ["A (lampeel)", "B (fewer controls)"], limit=240)
    bench.wait_until(lambda: heads(bench)[4:] == ["C (variant1)"], limit=240)
    # dots and names differ by which one is chosen, so they are left out of what follows
    _, same = bench.changed(bench.button("Controls").click)
    # the same picture, but for what JPEG makes of it at another place
    assert difference(tile(same, 0, 0), tile(same, 1, 0)) < 1.2
    assert difference(tile(same, 0, 0), tile(same, 0, 1)) > 2.0
    assert measured(bench)[1].split()[0] == measured(bench)[3].split()[0]
    words = bench.panel.locator(".rs-compared li").all_inner_texts()
    # in this pose all keep all limits, and the variant is its pattern: nothing tells them apart
    assert words[:2] == [
        "All layouts keep all limits.",
        "No measure differs by more than a tenth of the way to its limit.",
    ]
    assert all("farthest from" in told for told in words[2:])
    # the variant is changed: it alone moves, and table and words follow
    _, changed = bench.changed(lambda: bench.type("reach", 0.6))
    assert difference(tile(same, 0, 0), tile(changed, 0, 0)) < 0.3
    assert difference(tile(same, 1, 0), tile(changed, 1, 0)) > 0.3
    bench.wait_until(lambda: cells_of(bench, 1) != cells_of(bench, 3), limit=240)
    assert bench.panel.locator(".rs-verdict").inner_text()
    # the pose moves all, and so does the one camera
    moves = (
        lambda: bench.handle("amount").press("PageDown"),
        lambda: bench.handle("amount").press("PageDown"),
        bench.button("▸").click,
        bench.button("Top").click,
    )
    for act in moves:
        before, after = bench.changed(act)
        for row, column in ((0, 0), (0, 1), (1, 0)):
            part = tile(before, row, column), tile(after, row, column)
            assert difference(*part) > 0.3, (row, column)
    assert bench.says() == []


def test_the_comparison_tells_how_far_it_is_and_can_be_stopped(bench):
    for _ in range(2):
        bench.button("Make a variant").click()
        bench.settle()
    progress = bench.panel.locator(".rs-facts[role=status]")
    for _ in range(2):
        bench.button("Compare in all test poses").click()
        bench.wait_until(lambda: "of 10 poses" in progress.last.inner_text(), limit=240)
        bench.button("Stop").click()
        bench.wait_until(lambda: "Stopped" in progress.last.inner_text(), limit=240)
        assert not bench.button("Stop").is_enabled()
    bench.button("Compare in all test poses").click()
    bench.panel.get_by_text("Measured in 10 test poses").wait_for(timeout=240_000)
    assert "Compared in 10 test poses in" in progress.last.inner_text()


def test_layouts_are_taken_away_and_brought_back_and_nothing_is_lost_unasked(bench):
    start = bench.picture()
    for _ in range(2):
        bench.changed(bench.button("Make a variant").click)
        _, back = bench.changed(bench.button("Take away").click)
        assert bench.panel.locator("select").filter(has_text="fewer controls").count() == 1
    # by now the last layout is the chosen one
    high, wide = int(0.94 * start.shape[0]), int(0.48 * start.shape[1])
    assert difference(start[:high, :wide], back[:high, :wide]) < 3.0
    bench.changed(bench.button("Bring back").click)
    bench.changed(lambda: bench.type("reach", 0.7))
    demos = bench.select("demo creature")
    demos.select_option("grub")
    question = bench.panel.get_by_text("The layout has changes that are not saved.")
    question.wait_for()
    bench.button("Stay").click()
    bench.wait_until(lambda: demos.input_value() == "lampeel")
    demos.select_option("grub")
    before = bench.picture()
    bench.button("Open all the same").click()
    bench.panel.get_by_text("grub: 9,858 vertices").first.wait_for()
    bench.settle()
    assert difference(before, bench.picture()) > 3.0
    assert not question.is_visible()


def test_an_uploaded_mesh_is_compared(bench, lab):
    mesh = (lab.folder / "meshes/tentacle.obj").read_bytes()
    before = bench.picture()
    bench.send("<b>arm.obj", mesh)
    bench.panel.get_by_text("<b>arm: 3,970 vertices").first.wait_for()
    bench.wait_until(lambda: "A (<b>arm)" in heads(bench), limit=240)
    bench.settle()
    assert difference(before, bench.picture()) > 3.0
    bench.send("bad.obj", b"v 0 0 0\nf 1 2 3\n")
    bench.hears("bad.obj, line 2")

"""A mesh file is dropped on the panel, in JupyterLab and Chromium."""

import pytest

from ribbonsim.panel.state.demo import demo_meshes

pytestmark = pytest.mark.browser

DROP = """([kind, name, text]) => {
  const panel = [...document.querySelectorAll('.rs-panel')].pop(), held = new DataTransfer();
  held.items.add(new File([text], name));
  const about = { dataTransfer: held, bubbles: true, cancelable: true };
  panel.querySelector('img').dispatchEvent(new DragEvent(kind, about));
}"""


def test_a_file_that_is_dropped_is_opened(open_notebook):
    panel = open_notebook("dropped.ipynb")
    panel.run_all()
    text = demo_meshes()["coil"].read_text(encoding="utf-8")
    panel.page.evaluate(DROP, ["dragover", "spring.obj", text])
    panel.page.locator(".rs-panel.rs-dropping").wait_for()
    panel.page.evaluate(DROP, ["drop", "spring.obj", text])
    panel.wait_until(lambda: "spring: " in panel.panel.inner_text())
    assert panel.page.locator(".rs-panel.rs-dropping").count() == 0
    panel.page.evaluate(DROP, ["drop", "notes.txt", "no mesh"])
    panel.hears("no mesh was sent")
    assert panel.errors == []
    panel.page.close()

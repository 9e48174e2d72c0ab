"""JupyterLab on this machine and Debian's Chromium in front of it."""

import base64
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import TimeoutError

ROOT = Path(__file__).resolve().parents[2]
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--enable-unsafe-swiftshader",  # WebGL without a graphics card
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


# seconds, on a machine that is busy with other work as well
PATIENCE = 240.0
# what a kernel is at is written beside the notebooks when it is asked by this signal
STACKS = """
import faulthandler, os, signal
_stacks = open(os.path.join(os.environ["IPYTHONDIR"], f"stacks-{os.getpid()}.txt"), "w")
faulthandler.register(signal.SIGUSR1, file=_stacks, all_threads=True)
"""
OWN_NOTEBOOKS = {
    "drawn.ipynb": ["import ribbonsim as rs\nrs.Panel('meshes/lampeel.obj')"],
    "stripped.ipynb": ["import ribbonsim as rs\nrs.Panel('meshes/grub.obj')"],
    "slow.ipynb": [
        "import time\nimport ribbonsim as rs\nfrom ribbonsim.panel.state import model\n"
        "quick = model.rebind\n"
        "def slow(*given):\n    time.sleep(3.0)\n    return quick(*given)\n"
        "model.rebind = slow\nrs.Panel('meshes/grub.obj')"
    ],
    "following.ipynb": ["import ribbonsim as rs\nrs.Panel('meshes/lampeel.obj')"],
    "moving.ipynb": [
        "import os\nfrom pathlib import Path\nimport ribbonsim as rs\n"
        "Path('kernel.pid').write_text(str(os.getpid()))\nrs.Panel('meshes/tentacle.obj')"
    ],
    "in_step.ipynb": ["import ribbonsim as rs\nrs.ComparePanel('meshes/tentacle.obj')"],
    "alone.ipynb": [
        "import ribbonsim as rs\nfrom ribbonsim.panel.work.inspector import Inspector\n"
        "Inspector.look = lambda self, state: None\nrs.Panel('meshes/lampeel.obj')"
    ],
    "kept.ipynb": [
        "import os\nos.environ['RIBBONSIM_SESSIONS'] = os.path.abspath('sessions')\n"
        "os.makedirs('sessions', exist_ok=True)\n"
        "import ribbonsim as rs\nrs.Panel('meshes/grub.obj')"
    ],
    "shown.ipynb": ["import ribbonsim as rs\nrs.Panel('meshes/grub.obj')"],
    "dropped.ipynb": ["import ribbonsim as rs\nrs.Panel('meshes/grub.obj')"],
    "two.ipynb": [
        "import ribbonsim as rs\nfirst = rs.Panel('meshes/grub.obj')\nfirst",
        "second = rs.Panel('meshes/tentacle.obj')\nsecond",
    ],
}


def notebook_text(cells):
    """A notebook file with code cells."""
    made = [
        {"cell_type": "code", "execution_count": None, "id": f"cell-{i}", "metadata": {},
         "outputs": [], "source": source.splitlines(keepends=True)}
        for i, source in enumerate(cells)
    ]  # fmt: skip
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    whole = {
        "cells": made,
        "metadata": {"kernelspec": kernel, "language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return json.dumps(whole)


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab."""

    address: str
    folder: Path

    def stacks(self):
        """What each thread of each kernel is at, as Python tells it when asked by a signal."""
        told = []
        for file in (self.folder / "ipython").glob("stacks-*.txt"):
            with suppress(ProcessLookupError):
                os.kill(int(file.stem.removeprefix("stacks-")), signal.SIGUSR1)
                time.sleep(0.5)
                told.append(f"{file.name}:\n{file.read_text()}")
        return "\n".join(told)

    def sessions(self):
        """Its open notebooks with their kernels, as the server tells them."""
        with urllib.request.urlopen(f"{self.address}/api/sessions", timeout=60) as answer:
            return json.load(answer)


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """A JupyterLab whose folder holds copies of the notebooks and the meshes."""
    folder = tmp_path_factory.mktemp("lab")
    shutil.copytree(ROOT / "notebooks", folder / "notebooks")
    (folder / "meshes").mkdir()
    for mesh in (ROOT / "meshes").glob("*.obj"):
        shutil.copy(mesh, folder / "meshes")
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    for name, cells in OWN_NOTEBOOKS.items():
        (folder / name).write_text(notebook_text(cells), encoding="utf-8")
    own = {name: str(folder / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR")}
    startup = folder / "ipython" / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "stacks.py").write_text(STACKS)
    own["IPYTHONDIR"] = str(folder / "ipython")
    # cells that are scrolled out of sight stay on the page, so that panels can be counted
    settings = folder / "JUPYTER_CONFIG_DIR/lab/user-settings/@jupyterlab/notebook-extension"
    settings.mkdir(parents=True)
    (settings / "tracker.jupyterlab-settings").write_text('{"windowingMode": "none"}')
    log = (folder / "lab.log").open("w")
    server = subprocess.Popen(
        [
            *(sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root"),
            *(f"--port={port}", "--ServerApp.port_retries=0", "--IdentityProvider.token="),
            f"--ServerApp.root_dir={folder}",
            "--ServerApp.disable_check_xsrf=True",  # kernels are ended without a page
            "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
            "--LabApp.news_url=",
            "--LabApp.expose_app_in_browser=True",  # its kernel is asked whether it is done
        ],
        env={**os.environ, **own},
        cwd=folder,
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/api", server, folder / "lab.log")
        yield Lab(address, folder)
    finally:
        server.terminate()
        server.wait(timeout=120)
        log.close()


def _wait_for(url, server, log):
    for _ in range(1500):
        if server.poll() is not None:
            break
        try:
            urllib.request.urlopen(url, timeout=20).close()
            return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-3000:]}")


@pytest.fixture(scope="session")
def chromium():
    """Debian's Chromium, without a window."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium")
    if path is None:
        pytest.fail("chromium is not installed: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=QUIET)
        yield browser
        browser.close()


# asked in the page itself, and not at each frame: that would make the browser draw all the time
CHANGED = """(before) => {
    const image = [...document.querySelectorAll('.rs-panel img.rs-picture')].at(-1);
    const source = image?.getAttribute('src');
    return source && source !== before;
}"""
# widgets may be answered on another thread than cells are run on: what was asked of a widget before
# is answered once the newest of them and a cell are, then pictures are drawn, and then shown
ANSWERED = """async ([limit, drawn]) => {
    const app = window.rsApp ?? window.jupyterapp;
    const pages = [...(app?.shell.widgets('main') ?? [])];
    const kernel = pages.find((page) => page.sessionContext)?.sessionContext.session?.kernel;
    const widgets = [...(kernel?._comms.values() ?? [])];
    if (!widgets.length) return;
    const answered = async () => {
        const run = (code) => kernel.requestExecute({ code, silent: true, store_history: false });
        const hear = async () => {
            await widgets.at(-1).send({ method: 'request_state' }).done;
            await run('pass').done;
        };
        await hear();
        if (!drawn) return;
        await run('from ribbonsim.panel.work.worker import PICTURES; PICTURES.settle()').done;
        await hear();
    };
    // a kernel that has ended does not answer, nor a widget that was closed meanwhile
    const waited = new Promise((go) => setTimeout(go, 1e3 * limit));
    return Promise.race([answered().catch(() => {}), waited]);
}"""
# the fine picture follows when nothing moves or opens any more
AT_REST = """([calm, asked]) => {
    const image = [...document.querySelectorAll('.rs-panel img.rs-picture')].at(-1);
    const seen = (window.rsSeen ??= {}), now = performance.now();
    if (seen.asked !== asked || seen.image !== image || seen.source !== image?.src) {
        Object.assign(seen, { asked, image, source: image?.src, since: now });
    }
    const has = (name) => image?.classList.contains(name);
    const wide = (image?.getBoundingClientRect().width ?? 0) * devicePixelRatio;
    const fits = !wide || Math.abs(image.naturalWidth - wide) <= 1;  // drawn as large as shown
    return has('rs-fine') && !has('rs-busy') && fits && now - seen.since >= calm;
}"""


class PanelPage:
    """A notebook with panels in it, as a person sees it.

    Parameters
    ----------
    page : playwright page
    lab : Lab
    notebook : str
        Path of the notebook.
    """

    _settled = 0

    def __init__(self, page, lab, notebook):
        self.page = page
        self.lab = lab
        self.errors = []
        page.on("console", lambda entry: entry.type == "error" and self.errors.append(entry.text))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        name = Path(notebook).stem.replace("_", "-")
        page.goto(f"{lab.address}/doc/workspaces/auto-{name}/tree/{notebook}?reset")
        page.wait_for_selector(".jp-Notebook .jp-CodeCell")
        self._wait_for_kernel(lab, notebook)
        # servers do not let pages have it as a rule
        page.evaluate("window.rsApp = window.jupyterapp; delete window.jupyterapp")
        self.news = page.get_by_role("button", name="No", exact=True)

    @staticmethod
    def _wait_for_kernel(lab, notebook):
        for _ in range(1500):
            kernels = [s["kernel"] for s in lab.sessions() if s["path"].endswith(notebook)]
            if kernels and kernels[0]["execution_state"] == "idle" and kernels[0]["connections"]:
                return
            time.sleep(0.1)
        raise AssertionError("the notebook's kernel does not come up")

    def run_all(self):
        """Run all cells and wait for the pictures of their panels."""
        self._mark_old()
        self._menu("Run", "Run All Cells")
        self._wait_for_fresh()

    def restart(self):
        """Restart the kernel, run all cells and wait for the pictures of their panels."""
        self._mark_old()
        self._menu("Kernel", "Restart Kernel and Run All Cells…")
        self.page.locator(".jp-Dialog .jp-mod-accept").click()
        self._wait_for_fresh()

    def _mark_old(self):
        self.page.evaluate(
            "document.querySelectorAll('.rs-panel').forEach((panel) => panel.dataset.old = 1)"
        )

    def _wait_for_fresh(self):
        self.page.wait_for_function(
            """(cells) => {
                const panels = [...document.querySelectorAll('.rs-panel')];
                return panels.length == cells && panels.every((panel) => {
                    const image = panel.querySelector('img.rs-picture');
                    return !panel.dataset.old && image && image.naturalWidth > 90;
                });
            }""",
            arg=self.page.locator(".jp-CodeCell").count(),
            timeout=1e3 * PATIENCE,
            polling=100,
        )
        self.settle()

    def _menu(self, menu, item):
        if self.news.count():
            self.news.click()
        self.page.locator(".lm-MenuBar").get_by_role("menuitem", name=menu, exact=True).click()
        self.page.locator(".lm-Menu").get_by_role("menuitem", name=item, exact=True).click()

    @property
    def panel(self):
        """The last panel in the notebook."""
        return self.page.locator(".rs-panel").last

    @property
    def image(self):
        """Its picture."""
        return self.page.locator(".rs-panel img.rs-picture").last

    def source(self):
        """Address of the picture; another for each frame."""
        return self.image.get_attribute("src")

    def bytes(self):
        """The picture's file as the browser has it."""
        text = self.image.evaluate(
            """async (img) => {
                for (let i = 0; i < 20; i++) {
                    try {
                        const data = new Uint8Array(await (await fetch(img.src)).arrayBuffer());
                        let text = '';
                        for (let i = 0; i < data.length; i += 8192)
                            text += String.fromCharCode(...data.subarray(i, i + 8192));
                        return btoa(text);
                    } catch (e) {  // replaced by the next frame meanwhile
                        await new Promise((go) => setTimeout(go, 50));
                    }
                }
            }"""
        )
        return base64.b64decode(text)

    def picture(self):
        """The picture as an array, looked at for black and noise."""
        pixels = np.asarray(Image.open(io.BytesIO(self.bytes())).convert("RGB"), dtype=float)
        box = self.image.bounding_box()  # the page's pixels are the screen's here
        shown = np.array([box["height"], box["width"]])
        assert np.abs(pixels.shape[:2] - shown).max() <= 1.0, "it is not drawn as it is shown"
        assert 60 < pixels.mean() < 240, "the picture is black or white"
        assert pixels.std() > 8, "the picture is blank"
        step = np.abs(np.diff(pixels, axis=1)).mean()
        assert step < 8, "the picture is noise"
        return pixels

    def wait_for_picture(self, before, limit=PATIENCE):
        """Wait for another picture than the one before, and until no more come."""
        try:
            self.page.wait_for_function(CHANGED, arg=before, timeout=1e3 * limit, polling=30)
        except TimeoutError as error:
            raise AssertionError(f"no new picture came; the panel says {self.says()}") from error
        self.settle()

    def _wait_for_answer(self, drawn=False):
        """Wait until what was asked of widgets is done: their rows may move the others."""
        self.page.evaluate(ANSWERED, [30.0, drawn])

    def settle(self, calm=0.25, limit=PATIENCE):
        """Wait until the picture has stayed the same for a while, its fine frame drawn."""
        self._wait_for_answer(drawn=True)
        self._settled += 1
        told = [1e3 * calm, self._settled]
        try:
            self.page.wait_for_function(AT_REST, arg=told, timeout=1e3 * limit, polling=30)
        except TimeoutError as error:
            raise AssertionError("the picture never comes to rest") from error

    def changed(self, act):
        """Do something that has to change the picture; the picture before and after."""
        before, source = self.picture(), self.source()
        act()
        self.wait_for_picture(source)
        return before, self.picture()

    @staticmethod
    def wait_until(holds, limit=PATIENCE):
        """Wait until a question is answered with yes."""
        begin = time.monotonic()
        while not holds():
            assert time.monotonic() - begin < limit, "waited in vain"
            time.sleep(0.05)

    # -- finding things as their names say ---------------------------------------------------

    def row(self, label):
        """The row of a quantity or field."""
        name = self.page.locator("div.widget-label", has_text=re.compile(f"^{re.escape(label)}$"))
        return self.panel.locator(".rs-row:visible").filter(has=name).last

    def handle(self, label):
        """The handle of a row's slider."""
        return self.row(label).locator(".noUi-handle")

    def number(self, label):
        """The number box of a row."""
        return self.row(label).locator(".rs-number input").first

    def type(self, label, value):
        """Write a number and press Enter."""
        box = self.number(label)
        box.fill(str(value))
        box.press("Enter")

    def value(self, label):
        """What a row's number box shows."""
        return float(self.number(label).input_value())

    def button(self, name):
        """A button by its words."""
        return self.panel.get_by_role("button", name=name, exact=True)

    def tab(self, name):
        """Turn to a section, and wait until it is made: most are when they are turned to."""
        self.panel.get_by_role("tab", name=name, exact=True).click()
        side = self.panel.locator(".rs-side")
        if side.count():
            side.locator("button:visible, input:visible, select:visible").first.wait_for()
        self._wait_for_answer()

    def select(self, option):
        """The drop-down list that holds an option."""
        return self.panel.locator("select").filter(has_text=option).first

    def choose(self, select, text):
        """Choose the option of a list whose words hold a text."""
        options = select.locator("option").all_inner_texts()
        (index,) = (i for i, option in enumerate(options) if text in option)
        select.select_option(index=index)

    def send(self, name, content):
        """Upload a file."""
        with self.page.expect_file_chooser() as chooser:
            self.panel.get_by_role("button", name="Upload a mesh").click()
        chooser.value.set_files({"name": name, "mimeType": "text/plain", "buffer": content})

    def says(self):
        """What the message line says."""
        texts = (
            text.replace("\xa0", " ").strip()
            for text in self.panel.locator(".rs-says").all_inner_texts()
        )
        return [text for text in texts if text]

    def hears(self, words, limit=PATIENCE):
        """Wait until the message line says something with these words in it."""
        begin = time.monotonic()
        while not any(words in text for text in self.says()):
            waited = time.monotonic() - begin
            assert waited < limit, f"waited for {words!r}; the panel says {self.says()}"
            time.sleep(0.05)
        self._wait_for_answer()

    def busy(self):
        """Whether what it makes can be stopped, that is, whether it is at work."""
        stops = self.panel.get_by_role("button", name="Stop", exact=True).all()
        return any(stop.is_visible() and stop.is_enabled() for stop in stops)

    def tracebacks(self):
        """The tracebacks that stand in the notebook."""
        output = ".jp-OutputArea-output[data-mime-type*=%s]"
        kinds = (self.page.locator(output % kind) for kind in ("error", "stderr"))
        return [text for kind in kinds for text in kind.all_inner_texts()]


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item):
    """What the pages of a failed test say goes into its report."""
    report = (yield).get_result()
    if not report.failed:
        return
    for name, page in item.funcargs.items():
        if isinstance(page, PanelPage) and not page.page.is_closed():
            told = [f"the message line: {page.says()}", *page.errors[-10:], page.lab.stacks()]
            report.sections.append((f"page {name}", "\n".join(told)))
            if "RIBBONSIM_SCREENSHOTS" in os.environ:
                folder = Path(os.environ["RIBBONSIM_SCREENSHOTS"])
                page.page.screenshot(path=folder / f"{item.name}.png", full_page=True)


@contextmanager
def notebooks(chromium, lab):
    """Opens notebooks in pages of 1280 x 900 pixels, and ends their kernels at the end."""
    pages = {}

    def opened(notebook):
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(1e3 * PATIENCE)
        pages[notebook] = page
        return PanelPage(page, lab, notebook)

    yield opened
    for page in pages.values():
        page.close()
    # a kernel holds up to a gigabyte, and idle ones of many files fill a machine
    for session in lab.sessions():
        if session["path"].endswith(tuple(pages)):
            gone = f"{lab.address}/api/sessions/{session['id']}"
            urllib.request.urlopen(urllib.request.Request(gone, method="DELETE"), timeout=60)


@pytest.fixture(scope="module")
def open_notebook(chromium, lab):
    """Opens notebooks for the tests of a file."""
    with notebooks(chromium, lab) as opened:
        yield opened


@pytest.fixture(scope="session")
def first_notebook(chromium, lab):
    """The first notebook, open with its kernel for all files."""
    with notebooks(chromium, lab) as opened:
        yield opened("notebooks/01_does_it_bend.ipynb")


@pytest.fixture
def panel(first_notebook):
    """A fresh panel: the cells are run again in the kernel that has run them before."""
    first_notebook.run_all()
    yield first_notebook
    assert first_notebook.tracebacks() == []

"""JupyterLab on this machine and Debian's Chromium in front of it."""

import base64
import io
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """Address of a JupyterLab whose folder holds copies of the notebooks and the meshes."""
    folder = tmp_path_factory.mktemp("lab")
    shutil.copytree(ROOT / "notebooks", folder / "notebooks")
    (folder / "meshes").mkdir()
    for mesh in (ROOT / "meshes").glob("*.obj"):
        shutil.copy(mesh, folder / "meshes")
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    own = {name: str(folder / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR")}
    log = (folder / "lab.log").open("w")
    server = subprocess.Popen(
        [
            *(sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root"),
            *(f"--port={port}", "--ServerApp.port_retries=0", "--IdentityProvider.token="),
            f"--ServerApp.root_dir={folder}",
            "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
            "--LabApp.news_url=",
        ],
        env={**os.environ, **own},
        cwd=folder,
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/api", server, folder / "lab.log")
        yield address
    finally:
        server.terminate()
        server.wait(timeout=20)
        log.close()


def _wait_for(url, server, log):
    for _ in range(300):
        if server.poll() is not None:
            break
        try:
            urllib.request.urlopen(url, timeout=2).close()
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


@pytest.fixture
def page(chromium):
    """A page of 1280 x 900 pixels."""
    made = chromium.new_page(viewport={"width": 1280, "height": 900})
    made.set_default_timeout(60_000)
    yield made
    made.close()


class PanelPage:
    """A notebook with a panel in it, as a person sees it."""

    def __init__(self, page, lab, notebook, name):
        self.page = page
        page.goto(f"{lab}/doc/workspaces/auto-{name}/tree/notebooks/{notebook}?reset")
        page.wait_for_selector(".jp-Notebook .jp-CodeCell")
        page.wait_for_selector("[data-status=idle]", state="attached")
        self.run_cell()

    def run_cell(self):
        """Run the panel's cell and wait for a picture."""
        self.page.click(".jp-CodeCell")
        self.page.keyboard.press("Shift+Enter")
        self.page.wait_for_selector(".rs-panel img.rs-picture")
        self.settle()

    @property
    def image(self):
        return self.page.locator(".rs-panel img.rs-picture").last

    def bytes(self):
        """The picture's file as the browser has it."""
        text = self.image.evaluate(
            """async (img) => {
                const data = new Uint8Array(await (await fetch(img.src)).arrayBuffer());
                let text = '';
                for (let i = 0; i < data.length; i += 8192)
                    text += String.fromCharCode(...data.subarray(i, i + 8192));
                return btoa(text);
            }"""
        )
        return base64.b64decode(text)

    def picture(self):
        """The picture as an array, looked at for black and noise."""
        pixels = np.asarray(Image.open(io.BytesIO(self.bytes())).convert("RGB"), dtype=float)
        assert pixels.shape == (600, 900, 3)
        assert 60 < pixels.mean() < 240, "the picture is black or white"
        assert pixels.std() > 8, "the picture is blank"
        step = np.abs(np.diff(pixels, axis=1)).mean()
        assert step < 8, "the picture is noise"
        return pixels

    def settle(self, calm=0.9, limit=40.0):
        """Wait until the picture has stayed the same for a while."""
        last, since, begin = None, time.monotonic(), time.monotonic()
        while time.monotonic() - begin < limit:
            now = self.image.get_attribute("src")
            if now != last:
                last, since = now, time.monotonic()
            elif last and time.monotonic() - since > calm:
                return
            time.sleep(0.05)
        raise AssertionError("the picture never comes to rest")

    def changed(self, act):
        """Do something and give the picture before and after."""
        before = self.picture()
        act()
        self.settle()
        after = self.picture()
        return before, after

    def row(self, label):
        """The row of a quantity."""
        exact = self.page.locator(".rs-row .widget-label").get_by_text(label, exact=True)
        return self.page.locator(".rs-row").filter(has=exact).last

    def handle(self, label):
        return self.row(label).locator(".noUi-handle")

    def says(self):
        """The message line."""
        return self.page.locator(".rs-says").all_inner_texts()


@pytest.fixture
def panel(page, lab, request):
    """The first notebook with its panel open on a demo creature."""
    return PanelPage(page, lab, "01_does_it_bend.ipynb", request.node.name[:24].strip("[]"))

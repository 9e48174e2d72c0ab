"""The kernel's process that is begun before the kernel is asked for.

Reference: a kernel that jupyter_client starts by itself.
"""

import json
import os
import shutil
import subprocess
import sys

import pytest
from demos import MESHES
from jupyter_client import KernelManager
from jupyter_client.provisioning import KernelProvisionerFactory

from ribbonsim.panel import ahead, provisioner

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kernels are begun ahead on POSIX only")

# what a cell can see of the process that it runs in
FACTS = """
import json, os, signal, sys
print(json.dumps({
    "names": sorted(name for name in dir() if not name.startswith("_")),
    "folder": os.getcwd(), "path": sys.path, "module": __name__,
    "arguments": sys.argv[1:-1],
    "environment": {k: v for k, v in os.environ.items() if "SESSION" not in k},
    "parent": os.getppid(), "group": os.getpgid(0) == os.getpid(),
    "signals": [str(signal.getsignal(s)) for s in (signal.SIGINT, signal.SIGTERM)],
    "input": sys.stdin.closed if sys.stdin else None,
    "plots": __import__("matplotlib").get_backend(),
}))
"""
LOADED = "import sys; print('ribbonsim.panel.panel' in sys.modules)"


@pytest.fixture
def taken(monkeypatch):
    """Kernels are started as the panel's server starts them."""
    factory = KernelProvisionerFactory.instance()
    monkeypatch.setattr(factory, "default_provisioner_name", factory.default_provisioner_name)
    monkeypatch.setattr(factory, "provisioners", dict(factory.provisioners))
    provisioner.use(None)
    monkeypatch.setattr(ahead, "_BEGUN", [])


def told(folder, *cells):
    """What cells print in a kernel of their own."""
    manager = KernelManager()
    manager.start_kernel(cwd=str(folder))
    client = manager.client()
    client.start_channels()
    try:
        client.wait_for_ready(timeout=240)
        said = []
        for cell in cells:
            client.execute_interactive(
                cell, timeout=240, output_hook=lambda note: said.append(note["content"])
            )
        return [note["text"] for note in said if "text" in note]
    finally:
        client.stop_channels()
        manager.shutdown_kernel(now=True)
        manager.cleanup_resources()


def test_a_kernel_that_was_begun_ahead_is_as_any_other(tmp_path, taken):
    (tmp_path / "random.py").write_text("raise SystemExit\n")  # a file that is called so
    ahead.begin()
    (begun,) = ahead._BEGUN
    *early, had = told(tmp_path, FACTS, LOADED)
    assert had.strip() == "True"
    assert begun.returncode is not None
    *usual, had = told(tmp_path, FACTS, LOADED)
    assert had.strip() == "False"
    early, usual = json.loads("".join(early)), json.loads("".join(usual))
    ours = {name for name in early["environment"] if name.startswith("VTK_")}
    for name in ours - set(usual["environment"]):  # how to draw without a screen
        del early["environment"][name]
    assert {k: (v, usual[k]) for k, v in early.items() if v != usual[k]} == {}


def test_what_it_has_read_is_what_the_panel_opens(tmp_path, taken, monkeypatch):
    shutil.copy(MESHES / "grub.obj", tmp_path)
    monkeypatch.setenv("RIBBONSIM_MESH", str(tmp_path / "grub.obj"))
    monkeypatch.setattr(ahead, "_SIGHTS", [])
    ahead.begin(str(tmp_path))
    assert json.loads(ahead.first_sight().split(b"\n", 1)[0])["name"] == "grub"
    assert ahead.first_sight() == b""  # told once
    count = "from ribbonsim.panel.work import read_before; print(len(read_before._LEFT))"
    opened = "import ribbonsim as rs; print(rs.Panel().model.rig.mesh.name)"
    assert [line.strip() for line in told(tmp_path, count, opened, count)] == ["1", "grub", "0"]


def test_a_process_that_ended_is_no_kernel(tmp_path, taken):
    ahead.begin()
    (begun,) = ahead._BEGUN
    begun.kill()
    begun.wait()
    assert told(tmp_path, "print(6 * 7)") == ["42\n"]


def test_it_ends_with_the_server_that_began_it():
    code = "from ribbonsim.panel import ahead; ahead.begin(); print(len(ahead._BEGUN))"
    # the output comes to its end when the process that was begun, and writes there, has ended
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=300
    )
    assert done.stdout == "1\n"

"""Threads that load compiled libraries beside each other come to an end.

That a static initialiser of a library runs while the loader's lock is held, and that Python may
load nothing meanwhile, is told by dlopen(3) and by "Thread State and the Global Interpreter Lock"
of Python's C API; the two libraries are the real ones, usd-core and VTK.
"""

import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "ribbonsim"

BESIDE = """
import sys
from ribbonsim import threads

def usd():
    import pxr.UsdSkel

def drawing():
    import vtkmodules.all

for thread in [threads.begin("drawing", drawing), threads.begin("usd", usd)]:
    thread.join()
"""


def test_all_threads_are_begun_in_one_place():
    begun = {
        file.relative_to(PACKAGE).as_posix()
        for file in PACKAGE.rglob("*.py")
        if "threading.Thread(" in file.read_text(encoding="utf-8")
    }
    assert begun == {"threads.py"}


def test_usd_is_loaded_while_what_draws_is_loaded():
    pytest.importorskip("pxr")
    command = [sys.executable, "-c", BESIDE]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    except subprocess.TimeoutExpired:
        pytest.fail("the two wait for each other")
    assert done.returncode == 0, done.stderr

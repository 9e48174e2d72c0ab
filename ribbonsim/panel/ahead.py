"""A kernel's process that is begun before the kernel is asked for, and loads meanwhile.

The server takes a second to come up, in which a second core has nothing to do.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence

from ribbonsim import threads
from ribbonsim.errors import RibbonsimError

# the folder that it is begun in may hold a file that is called like a module
_CODE = f"""import sys
if sys.path[0] == "":
    del sys.path[0]
from {__name__} import become_kernel
become_kernel(*map(int, sys.argv[1:]))"""
_PATIENCE = 2.0  # a large creature is read while the kernel begins
# a kernel names it before anything is loaded that asks for it
_PLOTS = "module://matplotlib_inline.backend_inline"
_LOADED = threading.Event()
_BEGUN: list[subprocess.Popen[bytes]] = []
_SIGHTS: list[int] = []


def begin(folder: str | None = None) -> None:
    """Begin the process; it ends with this one if no kernel takes it.

    Parameters
    ----------
    folder : str, optional
        Where a notebook is that opens what the panel opens by itself: the process reads and
        draws that creature, as seen from there.
    """
    if os.name != "posix":  # a kernel is interrupted there by a handle that it is born with
        return
    command, given = [sys.executable, "-c", _CODE], []
    if folder is not None:
        sight, end = os.pipe()
        _SIGHTS.append(sight)
        command.append(str(end))
        given.append(end)
    # ipykernel asks whose child it is while it is imported, and ends when that has ended
    own = {"MPLBACKEND": _PLOTS, **os.environ, "JPY_PARENT_PID": str(os.getpid())}
    with contextlib.suppress(OSError):  # the kernel is then started as any other
        _BEGUN.append(
            subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                env=own,
                cwd=folder,
                pass_fds=given,
                start_new_session=True,
            )
        )
    for end in given:
        os.close(end)


def first_sight() -> bytes:
    """Wait for the picture of the creature that is opened first; nothing if there is none.

    It is told once: later the panel itself knows better what it shows.
    """
    if not _SIGHTS:
        return b""
    with open(_SIGHTS.pop(), "rb") as stream:
        return stream.read()


def hand_over(
    arguments: Sequence[str], environment: Mapping[str, str], folder: str | None
) -> subprocess.Popen[bytes] | None:
    """Make a kernel of the process that was begun.

    Parameters
    ----------
    arguments : sequence of str
        Of ``ipykernel_launcher``.
    environment : mapping
        What the kernel's is to hold.
    folder : str or None
        Where it is to work.

    Returns
    -------
    Popen or None
        The kernel's process; None if there is none, or not any more.
    """
    if not _BEGUN:
        return None
    process = _BEGUN.pop()
    told = {"arguments": list(arguments), "environment": dict(environment), "folder": folder}
    try:
        assert process.stdin is not None
        process.stdin.write(json.dumps(told).encode() + b"\n")
        process.stdin.close()
    except OSError:
        process.kill()
        process.wait()
        return None
    return process


def load() -> None:
    """Load what the panel needs, and draw a first picture, small and of nothing; once."""
    if _LOADED.is_set():
        return
    import ribbonsim.panel.panel  # noqa: F401
    from ribbonsim.view.window import Window

    with contextlib.suppress(RibbonsimError):  # the panel asks again, and says it
        window = Window((8, 8))
        window.picture()
        window.close()
    _LOADED.set()


def look_and_load(sight: int) -> None:
    """Draw the creature that the panel will open, before the rest of the panel is loaded."""
    from ribbonsim.view.backend import check_display

    def check() -> None:
        with contextlib.suppress(RibbonsimError):  # asked again when something is drawn
            check_display()

    os.set_inheritable(sight, False)
    threads.begin("display", check)  # it waits for another process
    from ribbonsim.panel.work.first_sight import look_ahead

    look_ahead(sight, _PATIENCE)
    import ribbonsim.panel.panel  # noqa: F401

    _LOADED.set()


def become_kernel(sight: int | None = None) -> None:
    """Load, wait until the kernel is asked for, and be it.

    Parameters
    ----------
    sight : int, optional
        Where the picture of the creature that the panel will open goes, as a file's number.
    """
    from ipykernel import kernelapp

    if sight is None:
        load()
    else:
        look_and_load(sight)
    line = sys.stdin.buffer.readline()
    if not line:  # the server ended before
        return
    told = json.loads(line)
    os.environ.update(told["environment"])
    if told["folder"]:
        os.chdir(told["folder"])
    sys.argv = [kernelapp.__file__, *told["arguments"]]
    kernelapp.launch_new_instance()

"""A kernel's process that is begun before the kernel is asked for, and loads meanwhile.

The server takes a second to come up, in which a second core has nothing to do.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence

from ribbonsim.errors import RibbonsimError

# the folder that it is begun in may hold a file that is called like a module
_CODE = f"""import sys
if sys.path[0] == "":
    del sys.path[0]
from {__name__} import become_kernel
become_kernel()"""
_BEGUN: list[subprocess.Popen[bytes]] = []


def begin() -> None:
    """Begin the process; it ends with this one if no kernel takes it."""
    if os.name != "posix":  # a kernel is interrupted there by a handle that it is born with
        return
    with contextlib.suppress(OSError):  # the kernel is then started as any other
        command = [sys.executable, "-c", _CODE]
        # ipykernel asks whose child it is while it is imported, and ends when that has ended
        own = {**os.environ, "JPY_PARENT_PID": str(os.getpid())}
        _BEGUN.append(
            subprocess.Popen(command, stdin=subprocess.PIPE, env=own, start_new_session=True)
        )


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
    """Load what the panel needs, and draw a first picture, small and of nothing."""
    import ribbonsim.panel.panel  # noqa: F401
    from ribbonsim.view.window import Window

    with contextlib.suppress(RibbonsimError):  # the panel asks again, and says it
        window = Window((8, 8))
        window.picture()
        window.close()


def become_kernel() -> None:
    """Load, wait until the kernel is asked for, and be it."""
    from ipykernel import kernelapp

    load()
    line = sys.stdin.buffer.readline()
    if not line:  # the server ended before
        return
    told = json.loads(line)
    os.environ.update(told["environment"])
    if told["folder"]:
        os.chdir(told["folder"])
    sys.argv = [kernelapp.__file__, *told["arguments"]]
    kernelapp.launch_new_instance()

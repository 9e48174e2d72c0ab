"""JupyterLab for the panel: its kernel starts with the server, not when the page asks for it."""

from __future__ import annotations

import asyncio
import os
import sys
from typing import Any

from ribbonsim.panel import ahead

NOTEBOOK_VARIABLE = "RIBBONSIM_NOTEBOOK"  # the one that is opened, seen from the server's root
# where it is, if it opens what the panel opens by itself
FOLDER_VARIABLE = "RIBBONSIM_OPENS_FIRST"
# nothing of it appears among the notebook's own names
_LOADS = f"__import__({ahead.__name__!r}, fromlist=['load']).load()"
_PATIENCE = 300.0
_PENDING: set[asyncio.Task[None]] = set()


def _jupyter_server_extension_points() -> list[dict[str, str]]:
    return [{"module": __name__}]


def _load_jupyter_server_extension(server: Any) -> None:
    # whether its own program should be built anew: nobody here asks, and it takes half a second
    server.web_app.settings.setdefault("page_config_data", {})["buildCheck"] = False
    notebook = os.environ.get(NOTEBOOK_VARIABLE)
    if notebook:
        from ribbonsim.panel.sight_handler import add_handler

        add_handler(server)
        server.io_loop.add_callback(_keep, server, notebook)


def _keep(server: Any, notebook: str) -> None:
    """Hold on to the task until it is done: the loop itself forgets it."""
    task = asyncio.ensure_future(prepare(server, notebook))
    _PENDING.add(task)
    task.add_done_callback(_PENDING.discard)


async def prepare(server: Any, notebook: str) -> None:
    """Start a notebook's kernel and have it load what the panel needs.

    The page finds the session by the notebook's path and takes it for its own.
    """
    try:
        from ribbonsim.panel import provisioner

        provisioner.use(server)
        session = await server.session_manager.create_session(
            path=notebook, name=notebook.rsplit("/", 1)[-1], type="notebook"
        )
        client = server.kernel_manager.get_kernel(session["kernel"]["id"]).client()
        client.start_channels(iopub=False, stdin=False, hb=False, control=False)
        try:
            client.execute(_LOADS, silent=True, store_history=False)
            await client.get_shell_msg(timeout=_PATIENCE)
        finally:
            client.stop_channels()
    except Exception as error:  # the page then starts a kernel as it does for any notebook
        server.log.warning("The kernel was not started beforehand: %s", error)


def main() -> None:
    """Start JupyterLab with this process's arguments."""
    if os.environ.get(NOTEBOOK_VARIABLE):
        ahead.begin(os.environ.get(FOLDER_VARIABLE))
    # a grammar of addresses in other scripts, which takes seconds to build and no schema of
    # Jupyter asks for; jsonschema does without where it is not installed
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    from jupyterlab.labapp import LabApp

    LabApp.launch_instance()


if __name__ == "__main__":
    main()

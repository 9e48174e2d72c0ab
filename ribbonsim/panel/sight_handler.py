"""How the page gets the picture of what is being opened, long before the panel is there."""

from __future__ import annotations

import asyncio
from typing import Any

from jupyter_server.base.handlers import JupyterHandler
from jupyter_server.utils import url_path_join
from tornado.web import authenticated

from ribbonsim.panel.ahead import first_sight


class FirstSightHandler(JupyterHandler):
    """Gives a line of JSON about a creature, and a JPEG file; nothing if there is none."""

    @authenticated
    async def get(self) -> None:
        """Wait for it without keeping the server from other work."""
        seen = await asyncio.get_running_loop().run_in_executor(None, first_sight)
        self.set_header("Cache-Control", "no-store")
        self.set_header("Content-Type", "application/octet-stream")
        self.set_status(200 if seen else 204)
        self.finish(seen or None)


def add_handler(server: Any) -> None:
    """Have a server answer the page."""
    place = url_path_join(server.base_url, "ribbonsim", "first")
    server.web_app.add_handlers(".*$", [(place, FirstSightHandler)])

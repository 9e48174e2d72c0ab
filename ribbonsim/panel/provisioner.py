"""How Jupyter's server gets the kernel: from the process that was begun ahead, if it can."""

from __future__ import annotations

import os
import sys
from importlib.metadata import EntryPoint
from typing import Any

from jupyter_client.provisioning import KernelProvisionerFactory, LocalProvisioner

from ribbonsim.panel.ahead import hand_over

_NAME, _USUAL = "ribbonsim-ahead", "local-provisioner"
_LAUNCHER = ["-m", "ipykernel_launcher"]


class AheadProvisioner(LocalProvisioner):
    """Starts a kernel on this machine; the first one has its process already."""

    async def launch_kernel(self, cmd: list[str], **kwargs: Any) -> Any:
        """Start the kernel."""
        process = None
        if cmd[:3] == [sys.executable, *_LAUNCHER]:
            process = hand_over(cmd[3:], kwargs.get("env", os.environ), kwargs.get("cwd"))
        if process is None:
            return await super().launch_kernel(cmd, **kwargs)
        self.process, self.pid = process, process.pid
        self.pgid, self.cwd = os.getpgid(process.pid), kwargs.get("cwd")
        return self.connection_info


def use(server: Any) -> None:
    """Have a server start its kernels so, unless it was told how."""
    factory = KernelProvisionerFactory.instance(parent=server)
    if factory.default_provisioner_name == _USUAL:
        where = f"{__name__}:{AheadProvisioner.__name__}"
        factory.provisioners[_NAME] = EntryPoint(_NAME, where, factory.GROUP_NAME)
        factory.default_provisioner_name = _NAME

"""Which ribbonsim this is, and when it made something."""

from __future__ import annotations

import os
import time
from importlib import metadata


def version() -> str:
    """Version of the installed package.

    Returns
    -------
    str
        ``unknown`` if the code runs from a folder without being installed.
    """
    try:
        return metadata.version("ribbonsim")
    except metadata.PackageNotFoundError:
        return "unknown"


def moment() -> time.struct_time:
    """The time that is written into files, UTC: now, or that of SOURCE_DATE_EPOCH.

    References
    ----------
    Reproducible Builds, *SOURCE_DATE_EPOCH specification*, version 1.1.
    """
    told = os.environ.get("SOURCE_DATE_EPOCH", "")
    known = told.isascii() and told.isdecimal() and len(told) < 12
    return time.gmtime(int(told)) if known else time.gmtime()

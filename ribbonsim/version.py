"""Which ribbonsim this is."""

from __future__ import annotations

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

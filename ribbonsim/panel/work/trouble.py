"""What went wrong: a sentence for the user, and for a defect the details she can send."""

from __future__ import annotations

import logging
import platform
import traceback
from dataclasses import dataclass

import numpy as np

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class Trouble:
    """What went wrong.

    Parameters
    ----------
    details : str
        Versions and traceback of a defect; empty for what the user can put right herself.
    """

    sentence: str
    details: str = ""


def trouble_of(error: Exception, failed: str, then: str = "") -> Trouble:
    """Put an error into a sentence; a defect is logged with its traceback as well."""
    if isinstance(error, RibbonsimError):
        return Trouble(str(error))
    _LOG.error("%s", failed, exc_info=error)
    versions = f"ribbonsim {version()}, Python {platform.python_version()}, numpy {np.__version__}"
    where = "".join(traceback.format_exception(error))
    kind = type(error).__name__
    sentence = f"{failed} ({kind}: {error})" + (f"; {then}" if then else "")
    return Trouble(sentence, f"{versions}, {platform.platform()}\n{where}")

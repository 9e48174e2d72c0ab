"""Measures of how the skin bends.

The public function ``ribbonsim.check`` has the name of this package. Python puts an imported
package into its parent under its name, so the package can be called in the function's stead.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _CallablePackage(ModuleType):
    def __call__(self, *arguments: Any, **options: Any) -> Any:
        from ribbonsim.check.report import check

        return check(*arguments, **options)


sys.modules[__name__].__class__ = _CallablePackage

"""Families of cases that show one thing again and again."""

import pytest


def first_of(*cases, count=1):
    """Parameters of a test: the first run every time, the others with ``-m slow``."""
    first, others = cases[:count], cases[count:]
    return [*first, *(pytest.param(*_values(case), marks=pytest.mark.slow) for case in others)]


def _values(case):
    return case if isinstance(case, tuple) else (case,)

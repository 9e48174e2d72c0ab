"""A section of the panel at a desk without a browser: one for all tests of a file."""

import pytest

from ribbonsim.panel.sections.desk import Desk
from ribbonsim.panel.work.worker import CHECKS, FILES, LOOKS, PICTURES


class SectionBench:
    """A desk with one section, and a creature on it."""

    def __init__(self, section, mesh):
        self.desk = Desk((450, 300))
        self.section = section(self.desk)
        self.desk.act(lambda: self.desk.model.open(mesh))
        self.desk.viewer.frame_all("three_quarter")

    @property
    def said(self):
        return self.desk.message.value

    def rest(self):
        """Wait until nothing is looked at, checked, written or drawn."""
        for line in (LOOKS, CHECKS, FILES, PICTURES):
            assert line.settle(300)

    def close(self):
        self.section.close()
        self.desk.viewer.close()
        self.rest()


def kept_open(make):
    """A fixture: what is made once for a file's tests and closed after the last."""

    @pytest.fixture(scope="module")
    def made():
        bench = make()
        yield bench
        bench.close()

    return made

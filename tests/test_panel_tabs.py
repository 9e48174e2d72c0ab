"""The tabs of the panel: common practice, no published source."""

import asyncio

from tubes import small_worm

import ribbonsim as rs
from ribbonsim.panel.work.worker import PICTURES


async def until(holds):
    for _ in range(6000):
        if holds():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("waited in vain")


def made_of(panel):
    return [bool(holder.children) for holder in panel._side.children]


def test_the_tab_in_front_is_there_at_once_and_others_when_they_are_turned_to():
    async def kernel():
        panel = rs.Panel(small_worm())
        names = [panel._side.get_title(number) for number in range(len(panel._side.children))]
        assert made_of(panel) == [name == "Pose" for name in names]
        panel._side.selected_index = names.index("Keep")
        assert made_of(panel) == [name in ("Pose", "Keep") for name in names]
        own = len(panel._own)
        await until(lambda: all(made_of(panel)))  # once the picture has come to rest
        assert len(panel._own) > own
        assert panel.model.is_open
        panel.close()
        assert PICTURES.settle(300)

    asyncio.run(kernel())


def test_a_panel_that_is_closed_makes_no_more_tabs():
    async def kernel():
        panel = rs.Panel(small_worm(), section="Findings")
        side = panel._side
        panel.close()
        side.selected_index = 0
        await asyncio.sleep(0.3)
        assert sum(bool(holder.children) for holder in side.children) == 1
        assert PICTURES.settle(300)

    asyncio.run(kernel())

"""How the tests share the machine's cores, and what they keep apart."""

import gc
import os
import re
import sys
from pathlib import Path

import pytest
from hypothesis import settings

MOST_WORKERS = 4
# folders whose tests run only if one of these marks is asked for: imported for nothing otherwise
MARKS_OF_FOLDERS = {"bench": ("bench",), "browser": ("browser", "bench"), "fuzz": ("fuzz",)}
# seconds that panels wait for a hand to rest, in the modules that wait: nobody's hand is here
RESTS = {
    "sections.findings_section": ("_REST",),
    "sections.live_amount": ("_REST",),
    "sections.numbers_section": ("_REST",),
    "work.two_figures": ("_REST",),
    "work.viewer": ("_REST_BEFORE_FINE", "_REST_BEFORE_STILL"),
}

# tests run beside one another: a library that starts a thread a core only gets in their way
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")
# workers and programs that tests start compile what they import once, and not each for itself
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# what a panel of a test keeps is no business of the next one
os.environ["RIBBONSIM_SESSIONS"] = "off"

# the same examples in every run, so that no machine is red by chance
settings.register_profile("steady", derandomize=True, database=None)
settings.load_profile("steady")


def pytest_xdist_auto_num_workers(config):
    """Whole folders on all cores, single files in this process; races and a browser alone."""
    alone = {"bench", "browser"} & {config.option.markexpr}
    if alone or all(".py" in place for place in config.args):
        return 0
    return min(len(os.sched_getaffinity(0)), MOST_WORKERS)


def pytest_ignore_collect(collection_path, config):
    """A folder is left out unless a mark of its is asked for, or a file in it is named."""
    folder = collection_path.name
    if folder in MARKS_OF_FOLDERS and collection_path.parent == Path(__file__).parent:
        named = any(f"{folder}/" in place or place.endswith(folder) for place in config.args)
        refused = set(re.findall(r"not (\w+)", config.option.markexpr))
        asked = set(re.findall(r"\w+", config.option.markexpr)) - refused
        if not named and not asked.intersection(MARKS_OF_FOLDERS[folder]):
            return True
    return None


def pytest_collection_finish():
    """What is loaded by now stays: panels that close collect garbage, and need not look there."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _remembered():
    from remembered import remember_shapes

    with pytest.MonkeyPatch.context() as patch:
        remember_shapes(patch)
        yield


@pytest.fixture(scope="session", autouse=True)
def _short_rests():
    with pytest.MonkeyPatch.context() as patch:
        for name, rests in RESTS.items():
            module = sys.modules.get(f"ribbonsim.panel.{name}")
            for rest in rests if module else ():
                patch.setattr(module, rest, 0.1 * getattr(module, rest))
        yield

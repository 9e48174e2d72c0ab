"""How the tests share the machine's cores, and what they keep apart."""

import os

from hypothesis import settings

MOST_WORKERS = 4

# tests run beside one another: a library that starts a thread a core only gets in their way
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")
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

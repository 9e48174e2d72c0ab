"""Races: two ways of doing one piece of work, timed in turns, and the table of their ratios.

A race never fails: a busy machine says nothing about the product. The table says "missed" where
the ratio is above the wanted one.
"""

import json
import os
import platform
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

STORED = Path(__file__).resolve().parents[2] / "bench.json"
RACES = pytest.StashKey[list]()


@dataclass(frozen=True)
class Race:
    """Best times of two rivals in processor seconds, and what their ratio should be at most."""

    race: str
    ours: float
    reference: float
    ratio: float
    wanted: float | None

    @property
    def missed(self):
        return self.wanted is not None and self.ratio > self.wanted


def best_times(rounds, calls, *runs):
    """Least seconds a call of each run, taken in turns so that all meet the same machine.

    Seconds are those of the processor: what else runs on the machine is no matter here. Each turn
    is a few calls after one that is not counted, so that each finds the caches as a user who
    drags a slider does; with one call a turn nothing is repeated.
    """
    best = [float("inf")] * len(runs)
    for _ in range(rounds):
        for place, run in enumerate(runs):
            if calls > 1:
                run()
            start = time.process_time()
            for _ in range(calls):
                run()
            best[place] = min(best[place], (time.process_time() - start) / calls)
    return best


@pytest.fixture
def race(request):
    """Time `ours` against `reference` and put the ratio into the table."""
    races = request.config.stash.setdefault(RACES, [])

    def run(name, ours, reference, wanted=None, *, rounds=15, calls=5):
        mine, other = best_times(rounds, calls, ours, reference)
        races.append(Race(name, mine, other, mine / other, wanted))

    return run


def _time(seconds):
    return f"{1000 * seconds:.2f} ms" if seconds < 1 else f"{seconds:.2f} s"


def pytest_terminal_summary(terminalreporter, config):
    races = config.stash.get(RACES, [])
    if not races:
        return
    width = max(len(each.race) for each in races)
    terminalreporter.section("ratios of best times")
    heads = ("race", "ours", "reference", "ratio", "wanted")
    terminalreporter.line(
        "{:<{}}  {:>10}  {:>10}  {:>6}  {:>6}".format(heads[0], width, *heads[1:])
    )
    for each in races:
        wanted = "" if each.wanted is None else f"{each.wanted:.2f}"
        terminalreporter.line(
            f"{each.race:<{width}}  {_time(each.ours):>10}  {_time(each.reference):>10}"
            f"  {each.ratio:6.2f}  {wanted:>6}" + ("  missed" if each.missed else "")
        )
    machine = {"processor": platform.processor() or platform.machine(), "cores": os.cpu_count()}
    stored = {
        "machine": machine | {"python": platform.python_version()},
        "races": [asdict(each) | {"missed": each.missed} for each in races],
    }
    STORED.write_text(json.dumps(stored, indent=1) + "\n", encoding="utf-8")
    terminalreporter.line(f"stored in {STORED.name}")

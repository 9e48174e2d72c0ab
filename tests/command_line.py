"""Run the command line within the tests' own process: what it says and ends with is the same."""

import contextlib
import io
import subprocess

from ribbonsim.cli.main import main


def run_here(*arguments):
    """Run ``ribbonsim`` with arguments and return what a process of its own would."""
    words = list(map(str, arguments))
    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        try:
            main(words)
        except SystemExit as ended:
            code = ended.code
    return subprocess.CompletedProcess(words, code, said.getvalue(), complained.getvalue())

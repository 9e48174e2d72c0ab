"""The command line: the group of commands, and what happens to their errors."""

from __future__ import annotations

import re
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NoReturn

import click

from ribbonsim.cli.check import check_command, compare_command
from ribbonsim.cli.handoff import handoff_command
from ribbonsim.cli.preview import layout_command, preview_command
from ribbonsim.cli.say import flush_output, open_streams, say
from ribbonsim.cli.stopping import check_stopped, stop_code, stops_heard
from ribbonsim.cli.suggest import suggest_command
from ribbonsim.cli.sweep import sweep_command
from ribbonsim.cli.turntable import turntable_command
from ribbonsim.cli.values import check_values
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.stamp import version
from ribbonsim.files.writing import inputs_guarded

_DEBUG = "--debug"  # taken anywhere among the words
_LONGEST = 600  # characters of a sentence

# \b is a real backspace here: click leaves the lines of the paragraph after it as they are
_HELP = """Find out whether a long soft creature bends right on a ribbon.

Controls move a ribbon, the ribbon carries joints, the joints carry the skin. Begin with

\b
    ribbonsim preview creature.obj --out preview

and open preview/index.html.
"""


@click.group(help=_HELP, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version(), message="ribbonsim %(version)s")
@click.option(
    _DEBUG, is_flag=True, expose_value=False, help="Show where ribbonsim itself failed, if it does."
)
def cli() -> None:
    """Group all commands."""


@cli.command("notebook", short_help="Open the live panel in JupyterLab.")
@click.argument("mesh", metavar="[MESH]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--folder",
    default=".",
    show_default="the working folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Where to work; the notebook is put into its folder notebooks if there is none.",
)
@click.option("--port", type=click.IntRange(1, 65535), metavar="N", help="Port of JupyterLab.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def notebook_command(mesh: Path | None, folder: Path, port: int | None, no_browser: bool) -> None:
    """Open the live panel in JupyterLab, with MESH, an OBJ, glTF or PLY file, in it.

    Without MESH it opens a demo creature. A notebook that is there already is not replaced.
    """
    from ribbonsim.panel.jupyter import start_notebook

    code = start_notebook(mesh, folder, port, browser=not no_browser)
    if code:
        raise RibbonsimError(f"JupyterLab ended with code {code}: see what it wrote above")


for _command in (
    preview_command,
    layout_command,
    check_command,
    compare_command,
    suggest_command,
    sweep_command,
    turntable_command,
    handoff_command,
):
    cli.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line, by default with the arguments of the process, and end the process.

    Ends with code 0 if all went well; 2 if the input could not be used; 3 if ribbonsim itself
    failed; 130, 143 or 129 if the user or the system stopped it. What went wrong is said in
    one sentence on standard error; only ``--debug`` adds the traceback.
    """
    open_streams()
    words = list(sys.argv[1:] if arguments is None else arguments)
    given = [word for word in words if word != _DEBUG]
    try:
        with stops_heard():
            code = _run(given)
            with suppress(BrokenPipeError):
                flush_output()
    except Exception as error:
        if _DEBUG in words:
            say(traceback.format_exc(), err=True)
        with suppress(OSError, ValueError):
            flush_output()
        _end(_surprise(error), 3)
    sys.exit(code)


def _run(given: list[str]) -> int:
    """Run the command; the code to end with."""
    try:
        check_values(cli, given)
        with cli.make_context("ribbonsim", given) as context, inputs_guarded():
            cli.invoke(context)
        check_stopped()
    except RibbonsimError as error:
        _end(str(error), 2)
    except click.exceptions.NoArgsIsHelpError as error:
        say(error.format_message(), err=True)
        return 2
    except click.ClickException as error:
        _end(_one_sentence(error), 2)
    except (click.Abort, KeyboardInterrupt):
        _end("stopped; files that were not finished are not there", stop_code())
    except click.exceptions.Exit as end:  # after --help and --version, and by a verdict
        return end.exit_code
    except BrokenPipeError:  # whoever read the output has enough
        pass
    return 0


def _surprise(error: Exception) -> str:
    """One sentence for what no part of the program foresaw."""
    if isinstance(error, MemoryError):
        return "there is not enough memory for this; close other programs or give a smaller mesh"
    if isinstance(error, OSError):
        place = f" ({error.filename})" if error.filename else ""
        reason = (error.strerror or str(error)).lower()
        return f"the system refused something{place}: {reason}; see to that and run it again"
    what = " ".join(f"{type(error).__name__}: {error}".split())[:200]
    return (
        f"this should not have happened ({what}): it is a fault of ribbonsim; run it again with "
        f"{_DEBUG} to see where, and report that"
    )


def _one_sentence(error: click.ClickException) -> str:
    words = re.sub(r"\s+", " ", error.format_message()).rstrip(".").replace(". (", " (")
    where = getattr(error, "ctx", None)
    path = where.command_path if where is not None else "ribbonsim"
    if len(words) > _LONGEST:
        words = f"{words[: _LONGEST // 2]}…{words[-_LONGEST // 2 :]}"
    return f"{words[:1].lower()}{words[1:]}; see {path} --help"


def _end(sentence: str, code: int) -> NoReturn:
    say(f"ribbonsim: {' '.join(sentence.split()).rstrip('.')}.", err=True)
    sys.exit(code)

"""An option whose value was forgotten must not take the next option for it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, takewhile

import click


def check_values(group: click.Group, words: Sequence[str]) -> None:
    """Refuse words in which an option that needs a value is followed by another option.

    Raises
    ------
    click.UsageError
        If one is: the parser would take that option's name for the value.
    """
    name = next((word for word in words if not word.startswith("-")), "")
    command = group.commands.get(name)
    if command is None:
        return
    context = click.Context(command, info_name=name, parent=click.Context(group, None, "ribbonsim"))
    options = {
        spelling: option
        for option in command.get_params(context)
        if isinstance(option, click.Option)
        for spelling in option.opts
    }
    for word, after in pairwise(takewhile(lambda each: each != "--", words)):
        option = options.get(word)
        if option is not None and not option.is_flag and after in options:
            raise click.UsageError(f"{word} needs a value, and {after} is an option", context)

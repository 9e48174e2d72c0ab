"""``python -m ribbonsim``: the command line."""

from ribbonsim.cli import main

main()

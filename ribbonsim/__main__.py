"""``python -m ribbonsim``: the command line."""

from ribbonsim.cli.main import main

main()

"""``python -m daemon.cli``: the command line without the console script."""

from daemon.cli import main

main()

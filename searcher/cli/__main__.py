"""So that `python -m searcher.cli` is the command."""

from searcher.cli import main

main()

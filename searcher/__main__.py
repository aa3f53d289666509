"""So that `python -m searcher` is the command."""

from searcher.cli import main

main()

"""`python -m misfire`."""

from misfire.cli import main

main()

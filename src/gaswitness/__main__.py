"""`python -m gaswitness` is the same as `gaswitness`."""

from gaswitness.cli.main import main

main()

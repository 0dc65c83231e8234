"""`python -m fleet.app` is the `fleet` command."""

from fleet.app import main

main()

"""`python -m monitor` is the `carboyd` command."""

from monitor.cli import main

main()

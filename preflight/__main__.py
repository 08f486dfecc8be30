"""`python -m preflight`, the same as `preflight`."""

from preflight.cli import main

main()

"""`python -m wavewright` is the `wavewright` command."""

from wavewright.cli.main import main

main()

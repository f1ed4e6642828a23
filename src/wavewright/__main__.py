"""`python -m wavewright` is the `wavewright` command."""

from wavewright.cli.start import main

main()

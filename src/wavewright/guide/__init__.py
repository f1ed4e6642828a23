"""The guide: pages in Markdown that `wavewright help` shows and `help --html` links with the rest of the reference."""

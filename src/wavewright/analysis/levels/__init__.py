"""State levels, and metrics of voltage."""

"""The language of derived channels, such as `(high - low) / 0.1 ohm`: read, checked for units, computed in blocks."""

"""The grammar of every file that people write: YAML with places, models, quantities, names, and all faults at once."""

"""The runs of a logbook as columns in memory, followed as they come: what pages for many readers count."""

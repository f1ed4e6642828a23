"""Pages over a logbook that change nothing: the day, a part, a batch, a unit, a run, a trend, the stations."""

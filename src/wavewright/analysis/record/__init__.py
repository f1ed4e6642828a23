"""A record: its samples, crossings, histogram and noise, each computed once."""

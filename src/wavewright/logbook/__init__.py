"""Outcomes in a database, captures in files beside it, and what can be learned from both later."""
